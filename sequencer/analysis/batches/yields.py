"""How many units passed, at first and in the end, and which checks failed them."""

from __future__ import annotations

from collections import Counter

from sequencer.analysis.batches.units import BatchUnits
from sequencer.analysis.verdict import FAILED, Verdict
from sequencer.frozen import dataclass
from sequencer.results.conditional import conditional_why
from sequencer.statistics.proportion import Proportion, find_proportion
from sequencer.uncertainty.decision import Decision
from sequencer.units.format import counted

FEW_UNITS = 20
"""Below so many units a yield says little: of 20 that all passed, the true yield may still be 83 % [worked out, exact interval]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Yields:
    """The yields of a batch; None where no unit has a verdict yet. ``retested`` units had more than one verdict or a repeat.

    ``conditional`` units passed at first with limits that are met only conditionally, for ``why_conditional``.
    """

    first_pass: Proportion | None
    final: Proportion | None
    judged: int
    without_verdict: int
    retested: int
    attempts: int
    target: int | None
    conditional: int = 0
    why_conditional: str = ""

    def sentence(self) -> str:
        """Return what the yields rest on, and what they do not say."""
        if self.first_pass is None:
            return "No unit has a verdict yet."
        of = f"{counted(self.judged, 'unit')} judged in {counted(self.attempts, 'run')}"
        said = [
            f"{of}, each counted once: first pass by its first verdict, final by its last, after every retest and repeat so far."
        ]
        if self.conditional:
            said.append(
                f"{counted(self.conditional, 'unit')} passed at first with limits met only conditionally ({self.why_conditional})."
            )
        if self.retested:
            said.append(f"{counted(self.retested, 'unit')} tested again: none of that counts as a new unit.")
        if self.without_verdict:
            said.append(
                f"{counted(self.without_verdict, 'unit')} without a verdict (broken off, or the bench failed) "
                f"{'is' if self.without_verdict == 1 else 'are'} in neither."
            )
        if self.judged < FEW_UNITS:
            said.append(
                f"That is few: a yield of {counted(self.judged, 'unit')} could as well be anywhere in its interval."
            )
        said.append(
            "The interval is for units like these; it knows nothing of units that are made, or chosen, in another way, nor of a bench "
            "that is wrong."
        )
        return " ".join(said)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckFailures:
    """How many units failed a check at their first attempt, or could not be measured in it."""

    check: str
    failed: int
    not_measured: int
    share: Proportion


def find_yields(found: BatchUnits) -> Yields:
    """Return first-pass and final yield with their exact 95 % intervals."""
    judged = found.judged
    final = sum(unit.final is Verdict.PASSED for unit in judged)
    of = len(judged)
    passed = [unit.first.rows for unit in judged if unit.first and unit.first.verdict is Verdict.PASSED]
    first = len(passed)
    verdicts = [sum(one.verdict is not Verdict.NONE for one in unit.attempts) for unit in judged]
    return Yields(
        first_pass=find_proportion(first, of) if of else None,
        final=find_proportion(final, of) if of else None,
        judged=of,
        without_verdict=len(found.units) - of,
        retested=sum(
            count > 1 or any(one.repeats for one in unit.attempts)
            for unit, count in zip(judged, verdicts, strict=True)
        ),
        attempts=sum(len(unit.attempts) for unit in judged),
        target=found.record.target,
        conditional=sum(any(row.decision is Decision.CONDITIONAL_PASS for row in rows) for rows in passed),
        why_conditional=conditional_why(row for rows in passed for row in rows),
    )


def find_failures(found: BatchUnits) -> tuple[CheckFailures, ...]:
    """Return the checks that failed units at their first attempt, the commonest first. A unit stands under each check that it failed."""
    failed: Counter[str] = Counter()
    missing: Counter[str] = Counter()
    judged = found.judged
    for unit in judged:
        rows = unit.first.rows if unit.first is not None else ()
        failed.update({row.check for row in rows if row.decision in FAILED})
        wrong = {row.check for row in rows if row.decision in FAILED}
        missing.update({row.check for row in rows if row.decision is Decision.NOT_MEASURED} - wrong)
    checks = sorted({*failed, *missing}, key=lambda check: (-failed[check], -missing[check], check))
    return tuple(
        CheckFailures(
            check=check,
            failed=failed[check],
            not_measured=missing[check],
            share=find_proportion(failed[check], len(judged)),
        )
        for check in checks
    )


def failures_sentence(found: BatchUnits, failures: tuple[CheckFailures, ...]) -> str:
    """Return what the list of failures rests on."""
    if not found.judged:
        return ""
    if not failures:
        return f"No check failed a unit at its first attempt ({counted(len(found.judged), 'unit')})."
    return (
        f"First attempts of {counted(len(found.judged), 'unit')}. A unit that failed several checks stands under each; what failed first "
        "may have caused the others, and the bench is to be suspected before the units."
    )
