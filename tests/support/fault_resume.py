"""Carries a run on that a fault spoilt, with the fault gone, and holds what stands in its store then against the undisturbed run."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from sequencer.results.model import Result
from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store
from sequencer.uncertainty.decision import Decision
from tests.support.crashed import call
from tests.support.fault_judge import Ran


def not_carried_on(sound: Ran, spoilt: Ran, folder: Path, run: str) -> list[str]:
    """Carry the run in ``folder`` on by `sequencer resume`; return what is wrong with what it left then.

    Decisions are compared, not figures: the unit of a run that is carried on starts cold, and says so. What was not measured though no
    instrument failed, because there was nothing to be measured, is finished: the unit may be why.
    """
    done = call("resume", "--confirmed", "--folder", str(folder))
    finished = {
        index
        for index, found in spoilt.kept.items()
        if any(one.decision is Decision.NOT_MEASURED and one.fault is None for one in found)
    }
    if done.exit_code != sound.outcome.status and not finished:
        said = " ".join(done.output.split())[-300:]
        return [
            f"resume: status {done.exit_code}, undisturbed {sound.outcome.status}: {said} {done.exception or ''}"
        ]
    with Store.open_to_read(find_place(folder, "")) as store:
        stored = store.read_results(run)
    left = Counter(
        _named(one.check_index, one) for one in stored if one.counts and one.check_index not in finished
    )
    due = Counter(
        _named(index, one) for index, found in sound.kept.items() for one in found if index not in finished
    )
    return [
        *(f"resume: {missing} is missing" for missing in due - left),
        *(f"resume: {more} stands there, undisturbed it does not" for more in left - due),
    ]


def _named(index: int, one: Result) -> tuple[int, str, int | None, float | None, str]:
    given = one.decision.value if one.decision is not Decision.NO_LIMIT or one.value is not None else "given"
    return index, one.quantity, one.channel, one.axis_value, given
