"""Say of a whole run, in one word and one sentence, how it went."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.frozen import dataclass
from sequencer.results.conditional import conditional_words
from sequencer.results.stages import counting
from sequencer.results.stored import StoredResult, StoredRun
from sequencer.uncertainty.decision import Decision


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """``word`` to be seen across the room, ``kind`` for its sign ("pass", "fail", ...), ``sentence`` beside it."""

    word: str
    kind: str
    sentence: str


_IN_ORDER = (
    ("fail", "Fail"),
    ("conditional fail", "Conditional fail"),
    ("not measured", "Not complete"),
    ("conditional pass", "Conditional pass"),
    ("pass", "Pass"),
    ("no limit", "No limits"),
)


_NOT_PASSED = (Decision.FAIL, Decision.CONDITIONAL_FAIL, Decision.NOT_MEASURED)


def verdict_of(run: StoredRun) -> Verdict:
    """Return the verdict on a run with its ``results``: the worst of its decisions (as left, of what was adjusted), and what went wrong."""
    decisions = [row.decision.value for row in counting(run.results)]
    ended = run.outcome == "done"
    kind, word = next(((kind, word) for kind, word in _IN_ORDER if kind in decisions), ("no limit", "Empty"))
    if not ended and kind not in ("fail", "conditional fail"):
        kind, word = "not measured", "Not finished"
    said = [_counted(decisions)]
    if conditional := conditional_words(run.results):
        said.append(conditional)
    if not ended:
        said.append(f"The run did not end as planned: {run.outcome}.")
    if run.was_left_unsafe:
        said.append("The bench could not be confirmed safe.")
    return Verdict(word=word, kind=kind, sentence=" ".join(said))


def severity(verdict: Verdict) -> int:
    """Return where a verdict stands from the worst (0) on."""
    return [kind for kind, _ in _IN_ORDER].index(verdict.kind)


def problems_of(rows: Sequence[StoredResult]) -> list[StoredResult]:
    """Return the results that did not pass, of what was adjusted as left."""
    return [row for row in counting(rows) if row.decision in _NOT_PASSED]


def _counted(decisions: Sequence[str]) -> str:
    limited = [one for one in decisions if one != "no limit"]
    if not limited:
        return "No result has a limit." if decisions else "There are no results."
    parts = [f"{limited.count(kind)} {kind}" for kind, _ in _IN_ORDER if kind in limited]
    return f"{len(limited)} results with a limit: {', '.join(parts)}."
