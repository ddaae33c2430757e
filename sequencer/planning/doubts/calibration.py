"""What speaks against a bench before a unit is measured on it: certificates that have run out, or run out soon."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from sequencer.frozen import dataclass
from sequencer.inputs.bench_parts.instrument_roles import Calibration
from sequencer.planning.plan import Plan
from sequencer.planning.proving.proof import SIDE_ROLES
from sequencer.problems import Complaint, FileProblems, printable
from sequencer.units.format import counted

SOON_DAYS = 30
"""How long before a certificate runs out it is told: time to send an instrument away (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """A fact that speaks against the bench: a sentence that is not true of it, and why not (a sentence of its own), with what to do."""

    sentence: str
    why_not: str

    def __str__(self) -> str:
        return f"warning: {self.why_not}"


def calibration_doubts(plan: Plan, today: date) -> list[Doubt]:
    """Return a doubt for each instrument that the plan reads or sets and whose certificate has run out.

    Raises FileProblems where the bench file says `calibration_overdue: refuse`.
    """
    overdue = [(name, one) for name, one in _certificates(plan) if one.due < today]
    if overdue and plan.bench.bench.calibration_overdue == "refuse":
        raise FileProblems([_refused(plan, name, one) for name, one in overdue])
    return [
        Doubt(sentence=f"calibration of {name} is valid", why_not=f"{name}: {_overdue(one, today)}")
        for name, one in overdue
    ]


def soon_due_lines(plan: Plan, today: date) -> list[str]:
    """Return a line for each certificate that has run out, or does within `SOON_DAYS`."""
    lines = []
    for name, one in _certificates(plan):
        left = (one.due - today).days
        if left < 0:
            lines.append(f"warning: {name}: {printable(_overdue(one, today))}")
        elif left <= SOON_DAYS:
            when = "today" if left == 0 else f"in {counted(left, 'day')}, on {one.due.isoformat()}"
            lines.append(
                f"note: calibration of {name} runs out {when} (certificate {printable(one.certificate)})"
            )
    return lines


def _certificates(plan: Plan) -> Iterator[tuple[str, Calibration]]:
    used = frozenset[str]().union(
        *(
            SIDE_ROLES[step.side] | step.check.roles_of(step.settings)
            for step in plan.steps
            if step.side != "none"
        )
    )
    for name, entry in plan.bench.bench.instruments.items():
        if entry.calibration is not None and entry.role in used:
            yield name, entry.calibration


def _overdue(one: Calibration, today: date) -> str:
    days = counted((today - one.due).days, "day")
    return (
        f"certificate {one.certificate} ran out on {one.due.isoformat()}, {days} ago: what rests on its accuracy is not proved; "
        "have it calibrated, and write the new certificate into the bench file"
    )


def _refused(plan: Plan, name: str, one: Calibration) -> Complaint:
    return plan.bench.source.complain(
        ("instruments", name, "calibration", "due"),
        f"the certificate of {name} has run out, and the bench file says 'calibration_overdue: refuse'",
        found=one.due.isoformat(),
        allowed="a certificate that is valid today, or 'calibration_overdue: warn'",
        hint="have it calibrated, and write the new certificate here",
    )
