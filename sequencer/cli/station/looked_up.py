"""What is known of a serial before its unit is measured: from the list, one's own models, the batch, and what the store holds of it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

from sequencer.analysis.verdict import Verdict, verdict_of
from sequencer.cli.run import Asked
from sequencer.frozen import dataclass
from sequencer.inputs.batch import BatchFile, load_batch
from sequencer.inputs.lists.unit_list import ListedUnit
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.loading.model_file import fits_own_model
from sequencer.problems import InputError
from sequencer.results.store.place import StorePlace, find_place
from sequencer.results.store.problems import EmptyStore, StoreProblem
from sequencer.results.store.store import Store, Wanted
from sequencer.run.keeping.journals import Glance
from sequencer.run.line.admission import Earlier, Known

MOST_EARLIER = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """A sequence by its file, and the name that its results carry."""

    path: Path
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """The batch of a session: its name, and its rules; None where it has none, or is new. Nameless where there is no batch."""

    name: str = ""
    rules: BatchFile | None = None

    @classmethod
    def of(cls, asked: Asked) -> Batch:
        """Return the batch that is asked for, by its file or from the store. Raises InputError for a file that cannot be used."""
        text = asked.line.batch
        if text.endswith((".yaml", ".yml")):
            file = load_batch(Path(text)).file
            return cls(name=file.batch, rules=file)
        place = find_place(asked.folder, asked.store)
        if not text or not _is_there(place):
            return cls(name=text)
        try:
            with Store.open_to_read(place) as store:
                record = store.read_batch(text)
            return cls(name=text, rules=None if record is None else BatchFile.of_rules(record.rules))
        except (StoreProblem, ValueError):  # told of with the first unit
            return cls(name=text)

    @property
    def asks_why(self) -> bool:
        """Say whether somebody must say why a unit that has a verdict is tested again; without a batch always."""
        return not self.name or (self.rules is not None and self.rules.retest.reason == "required")


class LookedUp:
    """Looks serials up. ``listed`` are those of a list by serial, None without one."""

    def __init__(
        self,
        asked: Asked,
        bench: LoadedBench,
        *,
        sequence: Named,
        batch: Batch,
        listed: Mapping[str, ListedUnit] | None = None,
        cut_short: Mapping[str, Glance] | None = None,
    ) -> None:
        """``cut_short`` is the run of a serial that did not end."""
        self._asked = asked
        self._bench = bench
        self._sequence = sequence
        self._batch = batch
        self._listed = listed
        self._cut_short = dict(cut_short or {})
        self._simulated = asked.dry_run or bench.bench.simulated

    def known(self, serial: str) -> Known:
        """Return what is known of a serial; what cannot be looked up is said in it."""
        fits, lookup_problem, found = None, "", _InStore()
        try:
            fits = self._fits(serial)
            found = self._in_store(serial)
        except InputError as problem:
            first = problem.complaints[0]
            lookup_problem = f"{first.file}: {first.message}"
        except StoreProblem as problem:
            lookup_problem = str(problem)
        return Known(
            listed=None if self._listed is None else serial in self._listed,
            fits=fits,
            today=found.today,
            other_batch=found.other_batch,
            needs_reason=self._batch.asks_why and found.has_verdict,
            cut_short=self._cut_short[serial].run if serial in self._cut_short else "",
            lookup_problem=lookup_problem,
        )

    def journal_of(self, serial: str) -> Path:
        """Return the journal of the run of a unit that was cut short. KeyError where there is none."""
        return self._cut_short[serial].path

    def model_of(self, serial: str) -> str:
        """Return the model that command line or list name; empty where neither does."""
        listed = (self._listed or {}).get(serial)
        return self._asked.model or (listed.model if listed is not None else "")

    def bench_of(self, serial: str) -> str:
        """Return the bench file of the position in which a unit lies: its own from the list, else the station's."""
        listed = (self._listed or {}).get(serial)
        return (listed.position if listed is not None else "") or self._asked.bench_name

    def measured(self, serial: str) -> None:
        """Take note that a unit was measured: what was cut short before does not matter any more."""
        self._cut_short.pop(serial, None)

    def _fits(self, serial: str) -> bool | None:
        if self.model_of(serial):
            return None
        return fits_own_model(serial, self._sequence.path, self._bench.path.parent)

    def _in_store(self, serial: str) -> _InStore:
        """Return what the store holds of a serial. Raises StoreProblem."""
        place = find_place(self._asked.folder, self._asked.store)
        if not _is_there(place):
            return _InStore()
        midnight = datetime.now().astimezone().replace(hour=0, minute=0, second=0, microsecond=0)
        batch = self._batch.name
        try:
            with Store.open_to_read(place) as store:
                runs = store.read_runs(Wanted(serials=(serial,), measured=True), limit=20)
                alike = [one for one in runs if one.simulated == self._simulated and one.serial == serial]
                before = [
                    (one, verdict_of(one, store.read_results(one.run, points=False)))
                    for one in alike
                    if one.sequence == self._sequence.name
                    and (one.time >= midnight or (batch and one.batch == batch))
                ]
        except EmptyStore:
            return _InStore()
        today = [(one, said) for one, said in before if one.time >= midnight]
        in_question = [said for one, said in before if not batch or one.batch == batch]
        other = next((one.batch for one in alike), "")
        return _InStore(
            today=tuple(
                Earlier(when=f"{one.time.astimezone():%H:%M}", said=said.value, run=one.run)
                for one, said in reversed(today[:MOST_EARLIER])
            ),
            other_batch=other if other != batch else "",
            has_verdict=any(said is not Verdict.NONE for said in in_question),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _InStore:
    today: tuple[Earlier, ...] = ()
    other_batch: str = ""
    has_verdict: bool = False


def _is_there(place: StorePlace) -> bool:
    return place.path is None or place.path.exists()
