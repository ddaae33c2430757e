"""`sampling`: plans by attributes and by variables for two risks, and how they tell good lots from bad."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from typing import Any

import click

from sequencer.cli.statistics.figures import share_of
from sequencer.frozen import dataclass
from sequencer.problems import about_file, option_problem
from sequencer.statistics.sampling import (
    AttributePlan,
    VariablesPlan,
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
        click.echo("\n".join(_lines(risks, plan, by_variables)))


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


def _taken(risks: _Risks, plan: AttributePlan) -> Callable[[float], float]:
    """Return how likely the plan takes a lot of which a share fails; of a counted lot, the share it comes to in whole units."""
    lot = risks.lot
    if lot is None:
        return plan.acceptance
    return lambda failing: plan.acceptance_of_lot(lot, min(lot, round(failing * lot)))


def _lines(risks: _Risks, plan: AttributePlan, by_variables: tuple[VariablesPlan, ...]) -> Iterator[str]:
    lot = "a large lot" if risks.lot is None else f"a lot of {risks.lot}"
    yield f"By attributes, of {lot}: test {counted(plan.n, 'unit')}; take the lot if at most {plan.c} fail, refuse it from {plan.c + 1} on."
    if risks.lot is not None and plan.n == risks.lot:
        yield "That is every unit: a sample of this lot cannot hold both risks."
    for one in by_variables:
        known = "known beforehand" if one.sigma_known else "of the sample itself"
        yield (
            f"By variables, standard deviation {known}: measure {counted(one.n, 'unit')}; take the lot if their mean stands at least "
            f"{one.k:.3f} standard deviations within the limit."
        )
    yield ""
    yield "share failing   lot taken"
    accept = _taken(risks, plan)
    marks = {risks.good: "good", risks.bad: "bad"}
    for failing in _grid(risks):
        share = accept(failing)
        bar = "#" * round(_BAR * share)
        mark = f"  <- {marks[failing]}" if failing in marks else ""
        yield f"{100.0 * failing:>11.3g} %   {100.0 * share:5.1f} %  {bar}{mark}"
    yield ""
    yield from _notes(risks, by_variables)


def _notes(risks: _Risks, by_variables: tuple[VariablesPlan, ...]) -> Iterator[str]:
    of_lot = " of the same size" if risks.lot is not None else ""
    yield (
        f"So a lot with {100.0 * risks.good:g} % failing is refused at most {100.0 * risks.producers_risk:g} times in 100, one with "
        f"{100.0 * risks.bad:g} % taken at most {100.0 * risks.consumers_risk:g} times in 100{of_lot}, if the sample is drawn at random."
    )
    yield "It says nothing of one lot that was taken, and counts a unit as its test decides: 'sequencer risk' says how often that errs."
    if by_variables:
        yield "By variables holds for one limit and normal values only: look at the batch's test of normality first."


def _grid(risks: _Risks) -> list[float]:
    """Return the shares shown: from half the good one to half as much again as the bad one, and both of them."""
    low, high = risks.good / 2.0, min(1.0, 1.5 * risks.bad)
    ratio = (high / low) ** (1.0 / (_STEPS - 1))
    steps = {low * ratio**step for step in range(_STEPS)}
    kept = {
        one
        for one in steps
        if all(abs(math.log(one / mark)) > math.log(ratio) / 3 for mark in (risks.good, risks.bad))
    }
    return sorted(kept | {risks.good, risks.bad})


def _as_plain(risks: _Risks, plan: AttributePlan, by_variables: tuple[VariablesPlan, ...]) -> dict[str, Any]:
    accept = _taken(risks, plan)
    return {
        "good": risks.good,
        "producers_risk": risks.producers_risk,
        "bad": risks.bad,
        "consumers_risk": risks.consumers_risk,
        "lot_size": risks.lot,
        "attributes": {
            "n": plan.n,
            "c": plan.c,
            "refused_when_good": 1.0 - accept(risks.good),
            "taken_when_bad": accept(risks.bad),
            "curve": [{"failing": one, "taken": accept(one)} for one in _grid(risks)],
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
        ],
    }
