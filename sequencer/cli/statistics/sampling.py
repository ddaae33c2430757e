"""`sampling`: plans by attributes and by variables for two risks, and how they tell good lots from bad."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any

import click

from sequencer.cli.statistics.figures import share_of
from sequencer.cli.statistics.wrapped import show_lines
from sequencer.frozen import dataclass
from sequencer.problems import about_file, option_problem
from sequencer.statistics.sampling import (
    AttributePlan,
    VariablesPlan,
    failing_of_lot,
    find_attribute_plan,
    find_variables_plan,
)
from sequencer.units.format import counted

_BAR = 40
_STEPS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class _Risks:
    good: float
    producers_risk: float
    bad: float
    consumers_risk: float
    lot: int | None

    def has_fewer_than(self, plan: VariablesPlan) -> bool:
        """Whether the lot has fewer units than the plan measures."""
        return self.lot is not None and plan.n > self.lot


def sampling_command(
    *,
    good: str,
    bad: str,
    producers_risk: str,
    consumers_risk: str,
    lot_size: int | None,
    variables: bool,
    as_json: bool,
) -> None:
    """Show the plans with their operating characteristic."""
    risks = _Risks(
        good=share_of("--aql", good),
        producers_risk=share_of("--producers-risk", producers_risk),
        bad=share_of("--ltpd", bad),
        consumers_risk=share_of("--consumers-risk", consumers_risk),
        lot=lot_size,
    )
    if risks.good >= risks.bad:
        raise option_problem(
            "--aql", f"'{good}' does not lie below '{bad}'", found=good, allowed=f"below {bad}"
        )
    try:
        plan = find_attribute_plan(
            good=risks.good,
            producers_risk=risks.producers_risk,
            bad=risks.bad,
            consumers_risk=risks.consumers_risk,
            lot=risks.lot,
        )
        by_variables = _by_variables(risks) if variables else ()
    except ValueError as error:
        raise about_file(
            "sampling",
            str(error),
            allowed="shares and risks that a sample can tell apart",
            hint="test every unit, or let --aql and --ltpd lie further apart",
        ) from error
    if as_json:
        click.echo(json.dumps(_as_plain(risks, plan, by_variables), indent=2))
    else:
        show_lines(_lines(risks, plan, by_variables))


def _by_variables(risks: _Risks) -> tuple[VariablesPlan, ...]:
    return tuple(
        find_variables_plan(
            good=risks.good,
            producers_risk=risks.producers_risk,
            bad=risks.bad,
            consumers_risk=risks.consumers_risk,
            sigma_known=known,
        )
        for known in (False, True)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Point:
    """A share failing that a lot may have, in a counted lot by so many units, and how likely such a lot is taken."""

    failing: float
    units: int | None
    taken: float
    mark: str = ""


def _points(risks: _Risks, plan: AttributePlan) -> list[_Point]:
    """Return the points of the operating characteristic, the good and the bad lot among them."""
    if risks.lot is None:
        marks = {risks.good: "good", risks.bad: "bad"}
        return [
            _Point(failing=one, units=None, taken=plan.acceptance(one), mark=marks.get(one, ""))
            for one in _grid(risks.good, risks.bad)
        ]
    lot = risks.lot
    good, bad = failing_of_lot(risks.good, risks.bad, lot)
    counts = {round(one * lot) for one in _grid(max(good, 1) / lot, min(1.0, max(bad, 2) / lot))}
    return [
        _Point(
            failing=units / lot,
            units=units,
            taken=plan.acceptance_of_lot(lot, units),
            mark={good: "good", bad: "bad"}.get(units, ""),
        )
        for units in sorted({one for one in counts if one <= lot} | {good, bad})
    ]


def _lines(risks: _Risks, plan: AttributePlan, by_variables: tuple[VariablesPlan, ...]) -> Iterator[str]:
    lot = "a large lot" if risks.lot is None else f"a lot of {risks.lot}"
    yield f"By attributes, of {lot}: test {counted(plan.n, 'unit')}; take the lot if at most {plan.c} fail, refuse it from {plan.c + 1} on."
    if risks.lot is not None and plan.n == risks.lot:
        yield "That is every unit: a sample of this lot cannot hold both risks."
    for one in by_variables:
        known = "known beforehand" if one.sigma_known else "of the sample itself"
        begins = f"By variables, standard deviation {known}:"
        if risks.has_fewer_than(one):
            yield f"{begins} no plan; it would need {counted(one.n, 'unit')}, and the lot has {risks.lot}."
            continue
        yield (
            f"{begins} measure {counted(one.n, 'unit')}; take the lot if their mean stands at least "
            f"{one.k:.3f} standard deviations within the limit."
        )
    yield ""
    points = _points(risks, plan)
    yield "share failing   lot taken" if risks.lot is None else "failing in the lot   lot taken"
    for point in points:
        bar = "#" * round(_BAR * point.taken)
        mark = f"  <- {point.mark}" if point.mark else ""
        failing = f"{100.0 * point.failing:>11.3g} %"
        if point.units is not None:
            failing = f"{point.units:>6} {f'({100.0 * point.failing:.3g} %)':>11}"
        yield f"{failing}   {100.0 * point.taken:5.1f} %  {bar}{mark}"
    yield ""
    yield from _notes(risks, by_variables)


def _notes(risks: _Risks, by_variables: tuple[VariablesPlan, ...]) -> Iterator[str]:
    good, bad = f"{100.0 * risks.good:g} % failing", f"{100.0 * risks.bad:g} %"
    yield (
        f"So {_lot_of(risks, good, 0)} is refused at most {100.0 * risks.producers_risk:g} times in 100, one with "
        f"{_failing_of(risks, bad, 1)} taken at most {100.0 * risks.consumers_risk:g} times in 100, if the sample is drawn at random."
    )
    if risks.lot is not None:
        yield f"Those are the whole numbers of units nearest to {100.0 * risks.good:g} % from below and to {bad} from above."
    yield "It says nothing of one lot that was taken, and counts a unit as its test decides: 'sequencer risk' says how often that errs."
    if by_variables:
        yield "By variables holds for one limit and normal values only: look at the batch's test of normality first."
        if risks.lot is not None:
            yield "By variables is worked out for the shares asked for, of a lot that is large beside the sample."


def _lot_of(risks: _Risks, share: str, which: int) -> str:
    return f"a lot{'' if risks.lot is None else f' of {risks.lot}'} with {_failing_of(risks, share, which)}"


def _failing_of(risks: _Risks, share: str, which: int) -> str:
    """Return how many fail in the good (0) or the bad (1) lot: the share asked for, of a counted lot the units it comes to."""
    if risks.lot is None:
        return share
    units = failing_of_lot(risks.good, risks.bad, risks.lot)[which]
    return f"{units} failing ({100.0 * units / risks.lot:.3g} %)"


def _grid(good: float, bad: float) -> list[float]:
    """Return the shares shown: from half the good one to half as much again as the bad one, and both of them."""
    low, high = good / 2.0, min(1.0, 1.5 * bad)
    ratio = (high / low) ** (1.0 / (_STEPS - 1))
    steps = {low * ratio**step for step in range(_STEPS)}
    kept = {
        one for one in steps if all(abs(math.log(one / mark)) > math.log(ratio) / 3 for mark in (good, bad))
    }
    return sorted(kept | {good, bad})


def _as_plain(risks: _Risks, plan: AttributePlan, by_variables: tuple[VariablesPlan, ...]) -> dict[str, Any]:
    points = _points(risks, plan)
    taken = {point.mark: point.taken for point in points}
    return {
        "good": risks.good,
        "producers_risk": risks.producers_risk,
        "bad": risks.bad,
        "consumers_risk": risks.consumers_risk,
        "lot_size": risks.lot,
        "attributes": {
            "n": plan.n,
            "c": plan.c,
            "refused_when_good": 1.0 - taken["good"],
            "taken_when_bad": taken["bad"],
            "curve": [{"failing": one.failing, "units": one.units, "taken": one.taken} for one in points],
        },
        "variables": [
            {
                "n": one.n,
                "k": one.k,
                "sigma_known": one.sigma_known,
                "refused_when_good": 1.0 - one.acceptance(risks.good),
                "taken_when_bad": one.acceptance(risks.bad),
            }
            for one in by_variables
            if not risks.has_fewer_than(one)
        ],
    }
