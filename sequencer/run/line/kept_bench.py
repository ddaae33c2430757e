"""A bench that stays open from unit to unit.

What opening it proved stays proved: who answers at each address, that nobody else drives it, that PTT can be released. What a person
at the bench can change between two units is not taken as it was: PTT and generators are read back before each unit and after it, each
check sets its instruments back and reads them, and one that has restarted says so itself. Whatever leaves doubt closes it, and the next
unit opens it anew. So does each unit whose own line of text is one of the instruments: it is another instrument each time.
"""

from __future__ import annotations

from dataclasses import replace

from drivers.operator.prompt import Person
from sequencer.bench.open_bench import BenchParts, OpenBench
from sequencer.inputs.bench_parts.instrument_drivers import TextRadio
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.load import LoadedSequence
from sequencer.planning.parts import bench_parts, put_on_bench
from sequencer.safety.state import SafeState


class KeptBench:
    """The bench of one station. ``dry_run`` puts a simulated instrument behind every address; ``person`` works what is set by hand."""

    def __init__(self, loaded: LoadedBench, *, dry_run: bool = False, person: Person | None = None) -> None:
        self._loaded = loaded
        self._dry_run = dry_run
        self._person = person
        self._open: OpenBench | None = None
        self._stays = not any(isinstance(one, TextRadio) for one in loaded.bench.instruments.values())
        self.parts: BenchParts | None = None
        self.openings = 0
        """How often it was opened."""

    def take(self, serial: str, sequence: LoadedSequence | None = None) -> OpenBench:
        """Return the bench with the unit ``serial`` on it: open, or to be opened by the run. Raises FileProblems as `bench_parts` does.

        A person has connected the unit; on a simulated bench this does.
        """
        if self._open is not None and not (self._stays and self._open.is_sound):
            self.close()
        if self._open is not None and self.parts is not None:
            put_on_bench(self.parts, self._loaded, serial=serial, dry_run=self._dry_run, sequence=sequence)
            self.parts = replace(self.parts, serial=serial)
            self._open.change_unit(serial)
            return self._open
        parts = bench_parts(self._loaded, serial=serial, dry_run=self._dry_run, sequence=sequence)
        self.parts = replace(parts, person=self._person)
        self._open = OpenBench(self.parts)
        self.openings += 1
        return self._open

    @property
    def left_keyed(self) -> str:
        """What a person must be told of a unit that an earlier process left keyed; empty where none did."""
        return "" if self._open is None else self._open.left_keyed

    @property
    def is_open(self) -> bool:
        """Say whether it is open, and can be used as it is."""
        return self._open is not None and self._open.is_sound

    def close(self) -> SafeState | None:
        """Make it safe and let go of it; None where it is not open."""
        if self._open is None:
            return None
        bench, self._open = self._open, None
        return bench.close()
