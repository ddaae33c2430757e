"""Scatter of like readings, taken together: what was read in one go by one instrument scatters alike."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from sequencer.checks.finding import Finding
from sequencer.uncertainty.budget import Contribution


def pooled(findings: Sequence[Finding], source: str, *, step: float = 0.0) -> list[Finding]:
    """Return ``findings`` with the repeatability ``source`` of each taken from the scatter of all of them.

    Never less than ``step`` / sqrt(12), the step that all their readings show together, in their unit (GUM F.2.2.1).

    Two or three readings say little of their own scatter, and two sides of one carrier would have an uncertainty ten times apart by chance.
    Pooled standard deviation, each variance weighted with its degrees of freedom (GUM H.3.6 and 4.2.4); a finding without such a part,
    or with readings in another unit, stays as it is.
    """
    parts = {at: part for at, one in enumerate(findings) if (part := _part(one, source)) is not None}
    found = list(findings)
    for at, part in parts.items():
        alike = [one for one in parts.values() if one.unit == part.unit]
        dof = sum(one.dof for one in alike)
        # the mean of n readings has s^2/n, and n is one more than the degrees of freedom
        variance = sum(one.dof * (one.dof + 1.0) * one.stated**2 for one in alike) / dof
        stated = max(math.sqrt(variance / (part.dof + 1.0)), step / math.sqrt(12.0))
        found[at] = _with(findings[at], replace(part, stated=stated, dof=dof))
    return found


def _part(finding: Finding, source: str) -> Contribution | None:
    if finding.budget is None:
        return None
    return next((one for one in finding.budget.contributions if one.source == source), None)


def _with(finding: Finding, part: Contribution) -> Finding:
    assert finding.budget is not None
    parts = tuple(part if one.source == part.source else one for one in finding.budget.contributions)
    return replace(finding, budget=replace(finding.budget, contributions=parts))
