"""The bench that a run left which was cut short: made safe before anything else is done about the run, by its file as it is now."""

from __future__ import annotations

import os

from sequencer.bench.open_bench import OpenBench
from sequencer.frozen import dataclass
from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.planning.parts import bench_parts
from sequencer.problems import FileProblems, printable
from sequencer.results.journal import Head
from sequencer.run.interrupt import Interrupted, stoppable

_LOOK = "Remove the supply from the unit now, then look at the generator and the push-to-talk (PTT) line."


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftBench:
    """How a bench stands that a run had left.

    ``last_line`` is what a person must read at the end, empty where nothing was there to be made safe; ``said`` comes before it.
    ``is_safe``: nothing is known to be on, so that something else may follow.
    """

    last_line: str = ""
    said: tuple[str, ...] = ()
    is_safe: bool = True
    is_interrupted: bool = False


def make_safe(head: Head) -> LeftBench:
    """Make the bench safe that a run began on, its supply off too. Raises nothing: what could not be done stands in what is returned."""
    if head.dry_run:
        return LeftBench()
    loaded = _loaded(head.bench_file)
    if isinstance(loaded, str):
        if head.record.simulated:  # nothing of it can be on any more
            return LeftBench()
        what = "PTT may be pressed, and generator and supply on"
        return LeftBench(last_line=f"THE BENCH WAS NOT MADE SAFE: {loaded}. {what}. {_LOOK}", is_safe=False)
    if loaded.bench.visa == "sim":
        return LeftBench()
    by_hand = [name for name, entry in loaded.bench.instruments.items() if entry.manual]
    if by_hand:  # whoever works them is asked to as a run begins
        return LeftBench(
            last_line=f"The bench was not made safe, because a person works {', '.join(map(printable, by_hand))}: see that PTT is "
            "released, the generator off and the supply off.",
        )
    changed = (
        ""
        if loaded.hash == head.record.bench_hash
        else " Its file was changed since the run began: see that nothing is on that it does not name any more."
    )
    return _made_safe(OpenBench(bench_parts(loaded, serial=head.record.serial, dry_run=False)), changed)


def _loaded(name: str) -> LoadedBench | str:
    """Return the bench, or why there is none."""
    if not os.path.isfile(name):  # noqa: PTH113 - of a name that no file can have it says False
        return f"its file {printable(name)[:200]} is not there any more"
    try:
        return load_bench(name)
    except (FileProblems, OSError, ValueError, RecursionError):
        return f"its file {printable(name)} cannot be used any more"


def _made_safe(bench: OpenBench, changed: str) -> LeftBench:
    said: list[str] = []
    is_interrupted = False
    with stoppable() as stopper:
        try:
            bench.open()
        except Interrupted:
            is_interrupted = True
        except Exception as error:
            said.append(printable(str(error)))
        finally:
            stopper.hold()
        try:
            if bench.left_keyed:
                said.insert(0, bench.left_keyed)
            state = bench.close()
        finally:
            stopper.free()
    return LeftBench(
        last_line=printable(state.last_line()) + changed,
        said=tuple(said),
        is_safe=state.confirmed,
        is_interrupted=is_interrupted or bool(stopper.requests),
    )
