"""Results beside each other: which part of their uncertainty they share, and what is left in a difference.

A result's stored budget is split in two. *Shared* parts come from the bench and are taken to be the same error in every result that
the same bench measured of the same quantity on the same channel: accuracies, references, the loss of a path; a mismatch only where the
unit is the same too, since it hangs on the unit's own reflection. *Own* parts are new in each result: repeatability, a search's
interval, resolution, and whatever is not known to be shared. Each contribution says which it is: its key ``common`` is "bench", "unit"
"run" or "none". In a difference the shared parts cancel to what their coefficients leave. Connections are made anew for each run: what they
may change is one error within a run, and another in the next. Where a budget does not state it, that is remembered: it is not nought.

The assumption (`ASSUMPTION`) holds while the bench stays as it was and the values lie near each other; where it does not hold the values
lie so far apart that they differ anyway. A result without any own part shares nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from sequencer.frozen import dataclass
from sequencer.results.stored import StoredResult
from sequencer.results.stored_budget import StoredBudget, StoredPart
from sequencer.uncertainty.budget import ABOUT_95

if TYPE_CHECKING:
    from numpy.typing import NDArray

SharedKey = tuple[str, ...]
"""What two results must agree in to share an error: source, bench, instruments, and the unit where it matters."""

ASSUMPTION = (
    "What the budgets mark as common to the bench, such as an accuracy or the loss of a path, is taken as one and the same error wherever "
    "the same bench, with the same instruments, measured the same quantity on the same channel; what they mark as common to the unit, "
    "such as a mismatch, wherever the unit is the same too. "
    "Such errors cancel in a difference. Connections are taken to be made anew for each run, and count with their stated repeatability."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A value with its uncertainty in two parts, all in ``unit`` of a difference.

    ``own_variance``: of the part no other result shares; ``own_doubt``: sum of u^4 / dof of its pieces (Welch-Satterthwaite).
    ``shared``: signed standard uncertainties by what they are shared with. ``is_stated``: whether its uncertainty was stated, all of it;
    ``is_known``: whether anybody kept that; ``connections_stated``: whether that of making the connections anew is among it.
    """

    value: float
    own_variance: float = 0.0
    own_doubt: float = 0.0
    shared: Mapping[SharedKey, float]
    is_stated: bool = True
    is_known: bool = True
    from_budget: bool = True
    connections_stated: bool = True

    @property
    def standard(self) -> float:
        """The standard uncertainty of the value by itself."""
        return math.sqrt(self.own_variance + sum(part**2 for part in self.shared.values()))

    @property
    def expanded(self) -> float:
        """The expanded uncertainty of the value by itself, about 95 %."""
        from scipy.special import ndtri, stdtrit

        upper, variance = (1 + ABOUT_95) / 2, self.standard**2
        if self.own_doubt <= 0 or variance <= 0:
            return float(ndtri(upper)) * self.standard
        dof = math.floor(variance**2 / self.own_doubt * (1 + 1e-12))
        return float(stdtrit(min(max(dof, 1), 1e9), upper)) * self.standard


@dataclass(frozen=True, slots=True, kw_only=True)
class Differences:
    """Differences of every pair: ``difference[i, j]`` is value j less value i, with standard and expanded uncertainty."""

    difference: NDArray[np.float64]
    standard: NDArray[np.float64]
    expanded: NDArray[np.float64]


def estimate_of(row: StoredResult, instruments: str = "") -> Estimate:
    """Return a stored result as an estimate. ``instruments``: who stood on the bench, as the run's row says it.

    Without a budget the stated expanded uncertainty counts as two standard ones, all of its own; without that either, or with a budget
    of which a part is not stated, or nobody knows whether one is, ``is_stated`` is False. ValueError for a result without a value.
    """
    if row.value is None:
        raise ValueError(f"result {row.id} of run {row.run} has no value to estimate from")
    value, expanded = row.value, row.uncertainty
    budget = row.budget
    if budget is None:
        standard = math.nan if expanded is None else expanded / 2
        stated = math.isfinite(standard)
        return Estimate(
            value=value,
            own_variance=standard**2 if stated else 0.0,
            shared={},
            is_stated=stated,
            from_budget=False,
        )
    bench = (row.bench_hash, instruments)
    correlated = budget.correlated
    own, doubt, shared = 0.0, 0.0, {}
    for part in budget.contributions:
        size, dof = part.size, part.degrees_of_freedom
        if part.source not in correlated and (key := _key(part, bench, row)):
            shared[key] = size
        elif part.source not in correlated:
            own += size**2
            doubt += 0.0 if dof is None else size**4 / dof
    if correlated:
        rest = _correlated_variance(budget)
        own += rest
        doubt += rest**2 / _fewest_dof(budget)
    if own == 0 and not any(part.common == "run" for part in budget.contributions):
        # Two readings that agreed to the last digit: what would be left of a difference is nothing, which nobody would believe.
        own, shared = sum(size**2 for size in shared.values()), {}
    return Estimate(
        value=value,
        own_variance=own,
        own_doubt=doubt,
        shared=shared,
        is_stated=budget.unstated == (),
        is_known=budget.unstated is not None,
        # a budget stored before there was such a key asked for no connection: nothing is known of it
        connections_stated=budget.unstated_connections == (),
    )


def mean_of(estimates: Sequence[Estimate]) -> Estimate:
    """Return the mean of several results of one kind, and its uncertainty.

    What they share does not average out. Their own parts do, but never to less than the scatter among them says.
    """
    count = len(estimates)
    if count == 1:
        return estimates[0]
    first = estimates[0].value
    from_first = [one.value - first for one in estimates]
    mean = sum(from_first) / count
    own = sum(one.own_variance for one in estimates) / count**2
    doubt = sum(one.own_doubt for one in estimates) / count**4
    scatter = sum((one - mean) ** 2 for one in from_first) / (count - 1) / count
    shared: dict[SharedKey, float] = {}
    times: dict[SharedKey, int] = {}
    for one in estimates:
        for key, size in one.shared.items():
            shared[key] = shared.get(key, 0.0) + size / count
            times[key] = times.get(key, 0) + 1
    # what none of the others shares, such as a run's connections, is in the scatter already
    seen = sum(size**2 for key, size in shared.items() if times[key] == 1)
    if scatter > own + seen:
        own, doubt = scatter - seen, scatter**2 / (count - 1)
    return Estimate(
        value=first + mean,
        own_variance=own,
        own_doubt=doubt,
        shared=shared,
        is_stated=all(one.is_stated for one in estimates),
        is_known=all(one.is_known for one in estimates),
        from_budget=all(one.from_budget for one in estimates),
        connections_stated=all(one.connections_stated for one in estimates),
    )


def differences(estimates: Sequence[Estimate]) -> Differences:
    """Return the difference of every pair of estimates of one quantity, with its uncertainty.

    The coverage factor is Student's for the effective degrees of freedom; it is not narrowed where a bounded part dominates, so that
    "differs" is never said too soon.
    """
    values = np.array([one.value for one in estimates])
    own = np.array([one.own_variance for one in estimates])
    doubt = np.array([one.own_doubt for one in estimates])
    sizes = _sizes(estimates)
    gram = sizes @ sizes.T
    alone = np.diag(gram)
    # What rounding leaves of equal shared parts may fall below zero.
    left = np.maximum(alone[:, None] + alone[None, :] - 2 * gram, 0.0)
    left[left < 1e-12 * (alone[:, None] + alone[None, :])] = 0.0
    variance = own[:, None] + own[None, :] + left
    np.fill_diagonal(variance, 0.0)
    return Differences(
        difference=values[None, :] - values[:, None],
        standard=np.sqrt(variance),
        expanded=_expanded(variance, doubt[:, None] + doubt[None, :]),
    )


def covariance_of(estimates: Sequence[Estimate]) -> NDArray[np.float64]:
    """Return the covariance matrix of several results, shared errors off the diagonal."""
    sizes = _sizes(estimates)
    return np.diag([one.own_variance for one in estimates]) + sizes @ sizes.T


def shared_sources(estimates: Iterable[Estimate]) -> tuple[str, ...]:
    """Return the names of the errors that two or more of the estimates share, sorted."""
    seen: dict[SharedKey, int] = {}
    for one in estimates:
        for key in one.shared:
            seen[key] = seen.get(key, 0) + 1
    return tuple(sorted({key[0] for key, count in seen.items() if count > 1}))


def _key(part: StoredPart, bench: tuple[str, str], row: StoredResult) -> SharedKey | None:
    """Return what a contribution is shared under, or None for one that is the result's own."""
    match part.common:
        case "bench":
            return (part.source, *bench)
        case "unit":
            return (part.source, *bench, row.serial)
        case "run":
            return (part.source, *bench, row.serial, row.run)
        case _:
            return None


def _sizes(estimates: Sequence[Estimate]) -> NDArray[np.float64]:
    keys = {key: at for at, key in enumerate(dict.fromkeys(key for one in estimates for key in one.shared))}
    sizes = np.zeros((len(estimates), len(keys)))
    for row, one in enumerate(estimates):
        for key, size in one.shared.items():
            sizes[row, keys[key]] = size
    return sizes


def _expanded(variance: NDArray[np.float64], doubt: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.special import ndtri, stdtrit

    upper = (1 + ABOUT_95) / 2
    factor = np.full(variance.shape, ndtri(upper))
    unsure = (doubt > 0) & (variance > 0)
    dof = np.floor(variance[unsure] ** 2 / doubt[unsure] * (1 + 1e-12))
    few, each = np.unique(
        np.clip(dof, 1, 1e9), return_inverse=True
    )  # whole numbers, and each of them is dear to ask
    factor[unsure] = stdtrit(few, upper)[each]
    return np.asarray(factor * np.sqrt(variance))


def _correlated_variance(budget: StoredBudget) -> float:
    parts = {part.source: part.size for part in budget.contributions if part.source in budget.correlated}
    variance = sum(size**2 for size in parts.values())
    variance += sum(2 * parts[one] * parts[other] * r for one, other, r in budget.correlations)
    return max(0.0, float(variance))


def _fewest_dof(budget: StoredBudget) -> float:
    known = [
        part.degrees_of_freedom
        for part in budget.contributions
        if part.source in budget.correlated and part.degrees_of_freedom is not None
    ]
    return min(known, default=math.inf)
