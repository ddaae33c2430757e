"""State conformity after ILAC-G8:09/2019: what may be said of a value beside its limits.

    value <= T - w            pass                    (an upper limit T shown; a lower limit mirrors it)
    T - w < value <= T        conditional pass
    T < value <= T + w        conditional fail
    value > T + w             fail

The guard band is w = r U. r = 0 is simple acceptance (pass and fail only), r = 1 guarded acceptance, r = -1
the "uncritical" rule, which rejects only beyond T + U. A rule with r > 0 promises that a unit which passes
violates a given limit with probability at most Phi(-k r), k being the coverage factor of U: 2.3 %
at r = 1 and k = 2.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from enum import Enum
from typing import Literal, Self

from sequencer.frozen import dataclass

CUSTOMARY_RATIO = 4.0
"""Tolerance against uncertainty below which a decision is worth a warning: the 4:1 of common practice."""


Bound = Literal["", "at most", "at least"]
"""Of a value that was not measured, what it is: the most, or the least, that the true one can be; empty for one that was measured."""


class Decision(Enum):
    """What is said of a result: the four statements of ILAC-G8:09/2019, or why there is none."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"
    NO_LIMIT = "no limit"
    NOT_MEASURED = "not measured"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """A lower and an upper limit in the unit of the value; None where there is none. A value on it conforms.

    ValueError if a limit is not a finite number, or if they stand the wrong way round.
    """

    lower: float | None = None
    upper: float | None = None

    def __post_init__(self) -> None:
        for name, limit in (("lower", self.lower), ("upper", self.upper)):
            if limit is not None and not math.isfinite(limit):
                raise ValueError(
                    f"{name} limit is {limit}: it must be a finite number, or None where there is no limit"
                )
        if self.lower is not None and self.upper is not None and self.lower > self.upper:
            raise ValueError(
                f"limits the wrong way round: lower {self.lower:g} lies above upper {self.upper:g}. "
                "Exchange them."
            )

    @classmethod
    def around(cls, nominal: float, within: float) -> Self:
        """Return nominal - within ... nominal + within; ``within`` is 0 or more."""
        if not (math.isfinite(nominal) and math.isfinite(within) and within >= 0):
            raise ValueError(
                f"nominal {nominal} within {within}: both must be finite, and 'within' 0 or more"
            )
        return cls(lower=nominal - within, upper=nominal + within)

    def shifted(self, by: float) -> Limits:
        """Return these limits, each moved up by ``by``."""
        lower, upper = (None if limit is None else limit + by for limit in (self.lower, self.upper))
        return Limits(lower=lower, upper=upper)

    @property
    def tolerance(self) -> float | None:
        """The width between the limits; None when there are not two."""
        if self.lower is None or self.upper is None:
            return None
        return self.upper - self.lower

    def room(self, value: float) -> Iterator[float]:
        """Give for each limit how far inside it ``value`` lies (negative: outside)."""
        if self.lower is not None:
            yield value - self.lower
        if self.upper is not None:
            yield self.upper - value

    def contains(self, value: float) -> bool:
        """Return whether ``value`` violates no limit."""
        return (self.lower is None or value >= self.lower) and (self.upper is None or value <= self.upper)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A decision rule: the guard band as a multiple of the expanded uncertainty, w = guard_factor * U.

    ``guard_factor`` from -1 (uncritical) to 10; 0 is simple acceptance. ValueError outside that.
    """

    guard_factor: float

    def __post_init__(self) -> None:
        if not -1.0 <= self.guard_factor <= 10.0:  # NaN fails this too
            raise ValueError(
                f"guard factor {self.guard_factor} refused; it is 0 for simple acceptance, 1 for a guard "
                "band of one expanded uncertainty, and may be -1 to 10"
            )

    @classmethod
    def parse(cls, text: str | float) -> Self:
        """Read ``simple``, ``guarded`` or a guard factor, as a sequence file writes it."""
        named: dict[object, float] = {"simple": 0.0, "guarded": 1.0}
        word = text.strip().lower() if isinstance(text, str) else text
        try:
            # A YAML "yes" is a bool, and float(True) would pass it off as a guard factor of 1.
            factor = named[word] if word in named else float("" if isinstance(word, bool) else word)
        except (TypeError, ValueError):
            raise ValueError(
                f"decision rule {text!r} is unknown; it is 'simple', 'guarded' or a guard factor such as 0.83"
            ) from None
        return cls(guard_factor=factor)

    @classmethod
    def stored(cls, text: str) -> Self | None:
        """Return the rule that `__str__` wrote into a result; None for other words, of which nothing is known."""
        match = _STORED_FACTOR.fullmatch(text)
        factor = {str(SIMPLE): 0.0, str(GUARDED): 1.0}.get(text, float(match[1]) if match else math.nan)
        return cls(guard_factor=factor) if -1.0 <= factor <= 10.0 else None

    @property
    def is_simple(self) -> bool:
        """Whether no guard band is used."""
        return self.guard_factor == 0

    def guard_band(self, expanded_uncertainty: float) -> float:
        """Return w in the unit of the uncertainty; negative where the rule leans towards acceptance."""
        return 0.0 if self.is_simple else self.guard_factor * expanded_uncertainty  # 0 * inf would be NaN

    def specific_risk(self, coverage_factor: float = 2.0) -> float:
        """Return the largest probability that a unit which passes violates a given limit: Phi(-k r)."""
        return normal_cdf(-coverage_factor * self.guard_factor)

    def __str__(self) -> str:
        match self.guard_factor:
            case 0:
                return "simple (w = 0)"
            case 1:
                return "guarded (w = U)"
            case factor:
                return f"guard factor {factor:g} (w = {factor:g} U)"


_STORED_FACTOR = re.compile(r"guard factor (-?\d+(?:\.\d+)?(?:e[-+]?\d+)?) \(w = \1 U\)")
SIMPLE = Rule(guard_factor=0.0)
GUARDED = Rule(guard_factor=1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """A decision and all it rests on.

    ``acceptance``: the limits a value must meet to pass; None if nothing can pass, or they are not known.
    ``conformity_probability``: that the true value meets the limits (JCGM 106); None without a known U.
    ``uncertainty_ratio``: tolerance over 2 U, the test uncertainty ratio; None without two limits and a U.
    ``notes``: what a reader must be told beside the decision, in whole sentences.
    """

    decision: Decision
    value: float | None
    expanded_uncertainty: float | None
    limits: Limits
    rule: Rule
    acceptance: Limits | None = None
    conformity_probability: float | None = None
    uncertainty_ratio: float | None = None
    notes: tuple[str, ...] = ()


def decide(
    value: float | None,
    expanded_uncertainty: float | None,
    limits: Limits,
    rule: Rule = SIMPLE,
    *,
    coverage_factor: float = 2.0,
    unstated: Sequence[str] = (),
    bound: Bound = "",
) -> Statement:
    """State whether a value conforms to its limits under a decision rule.

    ``value`` None: not measured. ``expanded_uncertainty`` U is 0 or more, infinity for "nothing known", None
    for "not stated", of which ``unstated`` names what should be stated. ``coverage_factor`` k is that of U, for the
    probability of conformity.

    Without a known U only the simple rule, which never asks for one, can say pass or fail, and says that the risk is unknown. A guarded
    rule needs U for its guard band (ILAC-G8:09/2019): with none it says "conditional pass" for a value inside its limits and
    "conditional fail" for one outside. Not "not measured": there is a reading, and on which side of the limit it lies was seen. Not
    "pass" or "fail": the value may lie in the guard band, and nobody knows how wide that is.

    A ``bound`` may pass and never fails: at most so much beside an upper limit, at least so much beside a lower one, inside it. Beyond
    that limit, and beside a limit on its other side, it shows nothing: then nothing is decided ("not measured"), with a note that says so.
    ValueError for NaN, an infinite value, or a negative uncertainty. Source: ILAC-G8:09/2019, JCGM 106:2012.
    """
    _check(value, expanded_uncertainty, coverage_factor)
    statement = Statement(
        decision=Decision.NOT_MEASURED if value is None else Decision.NO_LIMIT,
        value=value,
        expanded_uncertainty=expanded_uncertainty,
        limits=limits,
        rule=rule,
    )
    if value is None or limits == Limits():
        lacking = value is not None and expanded_uncertainty is None and bool(unstated)
        return replace(statement, notes=(f"{_not_stated(unstated)}.",)) if lacking else statement
    known = math.inf if expanded_uncertainty is None else expanded_uncertainty
    guard = rule.guard_band(known)
    if bound:
        return _of_bound(statement, bound, guard, unstated)
    statement = replace(
        statement,
        decision=_decision(value, limits, guard),
        acceptance=_moved_inwards(limits, guard, _rounding(value, limits, guard)),
        conformity_probability=(
            conformity_probability(value, known / coverage_factor, limits) if known < math.inf else None
        ),
        uncertainty_ratio=uncertainty_ratio(expanded_uncertainty, limits),
    )
    distance = min(abs(x) for x in limits.room(value))
    return replace(statement, notes=tuple(_notes(statement, distance, unstated)))


def shows(bound: Bound, limits: Limits) -> bool:
    """Say whether a bound can meet ``limits``: none of them stands on the side that it leaves open. What is no bound always can."""
    return not bound or (limits.lower if bound == "at most" else limits.upper) is None


def _of_bound(statement: Statement, bound: Bound, guard: float, unstated: Sequence[str]) -> Statement:
    """Return what a bound decides: it passes as a value would, or decides nothing; how probable it is, nobody knows."""
    value, limits = statement.value, statement.limits
    assert value is not None
    decision = _decision(value, limits, guard)
    if not shows(bound, limits):
        open_side = "lower" if bound == "at most" else "upper"
        why = f"A bound ({bound} this) says nothing beside the {open_side} limit: nothing is decided."
        return replace(statement, decision=Decision.NOT_MEASURED, notes=(why,))
    if decision in (Decision.FAIL, Decision.CONDITIONAL_FAIL):
        side = "above" if bound == "at most" else "below"
        why = (
            f"The bound lies {side} the limit, and the true value may lie on either side: nothing is decided."
        )
        return replace(statement, decision=Decision.NOT_MEASURED, notes=(why,))
    acceptance = _moved_inwards(limits, guard, _rounding(value, limits, guard))
    statement = replace(statement, decision=decision, acceptance=acceptance)
    return replace(statement, notes=tuple(_notes(statement, math.inf, unstated)))


def conformity_probability(value: float, standard_uncertainty: float, limits: Limits) -> float:
    """Return the probability that the true value meets the limits, normal about ``value`` (JCGM 106:2012, 7).

    ``standard_uncertainty`` 0 or more and finite, else ValueError; at 0 the answer is 0 or 1.
    """
    if not (math.isfinite(standard_uncertainty) and standard_uncertainty >= 0):
        raise ValueError(f"standard uncertainty is {standard_uncertainty}: it must be finite and 0 or more")
    if standard_uncertainty == 0:
        return float(limits.contains(value))
    # Outside probabilities, not a difference of inside ones: keeps its digits far from the limits.
    outside = sum(normal_cdf(-room / standard_uncertainty) for room in limits.room(value))
    return min(1.0, max(0.0, 1.0 - outside))


def uncertainty_ratio(expanded_uncertainty: float | None, limits: Limits) -> float | None:
    """Return tolerance / (2 U), the test uncertainty ratio (ANSI/NCSL Z540.3), or None.

    None where there are not two limits or no stated U; infinity where U is 0.
    """
    if limits.tolerance is None or expanded_uncertainty is None:
        return None
    if expanded_uncertainty == 0:
        return math.inf
    return limits.tolerance / (2 * expanded_uncertainty)


def normal_cdf(z: float) -> float:
    """Return Phi(z), the standard normal distribution function."""
    return 0.5 * math.erfc(-z / math.sqrt(2))


def _check(value: float | None, expanded_uncertainty: float | None, coverage_factor: float) -> None:
    if value is not None and not math.isfinite(value):
        raise ValueError(
            f"value is {value}: nothing can be decided on it. Hand over None for 'not measured'."
        )
    if expanded_uncertainty is not None and not expanded_uncertainty >= 0:
        raise ValueError(
            f"expanded uncertainty is {expanded_uncertainty}: it must be 0 or more, or None if not stated"
        )
    if not (math.isfinite(coverage_factor) and coverage_factor > 0):
        raise ValueError(f"coverage factor is {coverage_factor}: it must be a finite number above 0")


def _decision(value: float, limits: Limits, guard: float) -> Decision:
    inside = limits.contains(value)
    room = min(limits.room(value))
    slack = _rounding(value, limits, guard)
    if guard > 0 and inside:
        return Decision.PASS if room >= guard - slack else Decision.CONDITIONAL_PASS
    if guard > 0:
        return Decision.FAIL if room < -guard - slack else Decision.CONDITIONAL_FAIL
    if inside:
        return Decision.PASS
    if math.isinf(guard):  # a leaning rule without a known U: how far outside is still accepted is not known
        return Decision.CONDITIONAL_FAIL
    return Decision.PASS if room >= guard - slack else Decision.FAIL


def _rounding(value: float, limits: Limits, guard: float) -> float:
    """Return a few units in the last place, so that 0.2 passes a limit of 0.3 guarded by 0.1."""
    if guard == 0 or math.isinf(guard):
        return 0.0
    return 4 * max(math.ulp(x) for x in (value, guard, limits.lower or 0.0, limits.upper or 0.0))


def _moved_inwards(limits: Limits, guard: float, slack: float) -> Limits | None:
    """Return the limits moved inwards; None if nothing is left between them or the guard is not known."""
    if math.isinf(guard):
        return None
    lower = None if limits.lower is None else limits.lower + guard
    upper = None if limits.upper is None else limits.upper - guard
    if lower is not None and upper is not None and lower > upper:
        return None if lower - upper > 2 * slack else Limits(lower=upper, upper=upper)
    return Limits(lower=lower, upper=upper)


def _notes(statement: Statement, distance: float, unstated: Sequence[str]) -> Iterator[str]:
    uncertainty = statement.expanded_uncertainty
    if uncertainty is None or math.isinf(uncertainty):
        yield _note_unknown(uncertainty, statement.rule, unstated)
        return
    ratio = statement.uncertainty_ratio
    if statement.acceptance is None:
        yield (
            f"The guard bands use up the whole tolerance (tolerance / 2U = {ratio:.2g}): no value can pass. "
            "Measure with less uncertainty or agree another rule."
        )
    elif ratio is not None and ratio < CUSTOMARY_RATIO:
        yield (
            f"The uncertainty is large beside the tolerance: tolerance / 2U = {ratio:.2g}, "
            f"where {CUSTOMARY_RATIO:g} or more is customary."
        )
    if distance < uncertainty and statement.conformity_probability is not None:
        yield (
            "The value lies nearer to a limit than its expanded uncertainty: "
            f"probability of conformity {_percent(statement.conformity_probability)}."
        )


def _not_stated(unstated: Sequence[str]) -> str:
    where = f" (the bench file lacks {', '.join(unstated)})" if unstated else ""
    return f"The uncertainty is not stated{where}"


def _note_unknown(expanded_uncertainty: float | None, rule: Rule, unstated: Sequence[str]) -> str:
    fact = _not_stated(unstated) if expanded_uncertainty is None else "The uncertainty is unbounded"
    if rule.is_simple:
        return f"{fact}: the risk of this decision is unknown."
    if rule.guard_factor < 0:
        return f"{fact}: the rule '{rule}' cannot say fail. State one or use the rule 'simple'."
    return f"{fact}: the rule '{rule}' says neither pass nor fail. State one or use the rule 'simple'."


def _percent(probability: float) -> str:
    """Print a probability without rounding an open question to 0 % or 100 %."""
    percent = 100 * probability
    if 99.9 < percent < 100:
        return "above 99.9 %"
    return "below 0.1 %" if 0 < percent < 0.1 else f"{percent:.3g} %"
