"""Statements of conformity, against ILAC-G8 and JCGM 106."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from sequencer.uncertainty.decision import (
    GUARDED,
    SIMPLE,
    Decision,
    Limits,
    Rule,
    conformity_probability,
    decide,
    uncertainty_ratio,
)

PASS, FAIL = Decision.PASS, Decision.FAIL
CONDITIONAL_PASS, CONDITIONAL_FAIL = Decision.CONDITIONAL_PASS, Decision.CONDITIONAL_FAIL
ORDER = [FAIL, CONDITIONAL_FAIL, CONDITIONAL_PASS, PASS]

numbers = st.floats(-1e6, 1e6, allow_subnormal=False)
uncertainties = st.floats(0, 1e6, allow_subnormal=False)
factors = st.floats(-1, 10, allow_subnormal=False)


def test_words():
    """The decisions read as ILAC-G8:09/2019 words them, and the two cases without one."""
    assert [d.value for d in Decision] == [
        "pass",
        "conditional pass",
        "conditional fail",
        "fail",
        "no limit",
        "not measured",
    ]


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (-1e9, PASS),
        (8.9, PASS),
        (9.0, PASS),
        (9.1, CONDITIONAL_PASS),
        (10.0, CONDITIONAL_PASS),
        (10.1, CONDITIONAL_FAIL),
        (11.0, CONDITIONAL_FAIL),
        (11.1, FAIL),
        (1e9, FAIL),
    ],
)
def test_four_statements_at_an_upper_limit(value, expected):
    """An upper limit of 10 guarded by U = 1 cuts the line at 9, 10 and 11 (ILAC-G8:09/2019, non-binary)."""
    assert decide(value, 1.0, Limits(upper=10.0), GUARDED).decision is expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (4.4, FAIL),
        (4.5, CONDITIONAL_FAIL),
        (5.0, CONDITIONAL_PASS),
        (5.4, CONDITIONAL_PASS),
        (5.5, PASS),
        (9.5, PASS),
        (9.6, CONDITIONAL_PASS),
        (10.1, CONDITIONAL_FAIL),
        (10.6, FAIL),
    ],
)
def test_four_statements_between_two_limits(value, expected):
    """Limits of 5 and 10 with U = 0.5 cut the line at 4.5, 5, 5.5, 9.5, 10 and 10.5."""
    assert decide(value, 0.5, Limits(lower=5.0, upper=10.0), GUARDED).decision is expected


def test_simple_rule_knows_two_statements():
    """Under the simple rule the limit itself divides pass from fail, whatever the uncertainty."""
    limits = Limits(upper=4.0)
    for uncertainty in (None, 0.0, 0.1, 100.0, math.inf):
        assert decide(4.0, uncertainty, limits).decision is PASS
        assert decide(math.nextafter(4.0, 5.0), uncertainty, limits).decision is FAIL


def test_uncritical_rule_rejects_only_beyond_the_uncertainty():
    """With r = -1 a value is rejected only beyond T + U (the "uncritical" row of ILAC-G8)."""
    rule = Rule(guard_factor=-1.0)
    assert decide(10.9, 1.0, Limits(upper=10.0), rule).decision is PASS
    assert decide(11.1, 1.0, Limits(upper=10.0), rule).decision is FAIL


def test_binary_fractions_do_not_move_a_value_across_its_limit():
    """A value that meets the printed acceptance limit passes although 0.3 - 0.1 < 0.2 in binary."""
    assert 0.3 - 0.1 < 0.2
    assert decide(0.2, 0.1, Limits(upper=0.3), GUARDED).decision is PASS
    assert decide(0.2 + 1e-9, 0.1, Limits(upper=0.3), GUARDED).decision is CONDITIONAL_PASS


def test_without_a_value_or_a_limit():
    """No value is "not measured", even without a limit; no limit is "no limit"."""
    assert decide(None, 0.5, Limits(upper=1.0)).decision is Decision.NOT_MEASURED
    assert decide(None, None, Limits()).decision is Decision.NOT_MEASURED
    assert decide(3.0, 0.5, Limits(), GUARDED).decision is Decision.NO_LIMIT


@pytest.mark.parametrize("unknown", [None, math.inf])
def test_unknown_uncertainty_never_claims_a_guard_band(unknown):
    """Without a known uncertainty a guarded rule says "conditional", and the note says why."""
    for value, expected in ((-1e9, CONDITIONAL_PASS), (1e9, CONDITIONAL_FAIL)):
        statement = decide(value, unknown, Limits(upper=10.0), GUARDED)
        assert statement.decision is expected
        assert statement.conformity_probability is None
        assert "says neither pass nor fail" in statement.notes[0]
    assert decide(11.0, unknown, Limits(upper=10.0), Rule(guard_factor=-1)).decision is CONDITIONAL_FAIL
    assert "risk of this decision is unknown" in decide(1.0, unknown, Limits(upper=10.0)).notes[0]


def test_zero_uncertainty_is_certain():
    """With U = 0 every rule divides at the limit and the probability of conformity is 0 or 1."""
    for rule in (SIMPLE, GUARDED, Rule(guard_factor=-1)):
        inside = decide(10.0, 0.0, Limits(lower=0.0, upper=10.0), rule)
        outside = decide(10.000001, 0.0, Limits(lower=0.0, upper=10.0), rule)
        assert (inside.decision, inside.conformity_probability) == (PASS, 1.0)
        assert (outside.decision, outside.conformity_probability) == (FAIL, 0.0)
        assert inside.uncertainty_ratio == math.inf
        assert inside.notes == ()


def test_guard_bands_that_eat_the_tolerance():
    """Where both guard bands overlap nothing passes, and the note gives the ratio and a way out."""
    statement = decide(5.0, 3.0, Limits(lower=3.0, upper=7.0), GUARDED)
    assert statement.decision is CONDITIONAL_PASS
    assert statement.acceptance is None
    assert "0.67" in statement.notes[0]
    assert "no value can pass" in statement.notes[0]


def test_guard_bands_that_just_leave_a_point():
    """Where the guard bands just meet, the point between them passes and is the acceptance zone."""
    statement = decide(0.2, 0.1, Limits(lower=0.1, upper=0.3), GUARDED)
    assert statement.decision is PASS
    assert statement.acceptance is not None


def test_large_uncertainty_is_said():
    """A tolerance below four times the uncertainty is warned of with the ratio; a larger one is not."""
    wide = decide(0.0, 3.0, Limits.around(0.0, 6.0))
    assert wide.uncertainty_ratio == 2.0
    assert "tolerance / 2U = 2," in wide.notes[0]
    assert decide(0.0, 1.5, Limits.around(0.0, 6.0)).notes == ()


def test_value_near_a_one_sided_limit_is_said():
    """A value nearer to its limit than U carries the probability of conformity, also with one limit only."""
    statement = decide(3.9, 0.2, Limits(upper=4.0))
    assert statement.uncertainty_ratio is None
    assert statement.conformity_probability == pytest.approx(
        0.8413447, abs=1e-6
    )  # one sigma, any normal table
    assert "84.1 %" in statement.notes[0]
    assert decide(3.7, 0.2, Limits(upper=4.0)).notes == ()


@pytest.mark.parametrize(
    ("value", "u", "limits", "exact"),
    [
        (-5.47, 0.05, Limits(upper=-5.40), 0.9192),
        (509.7, 8.6, Limits(lower=490.0), 0.9890),
        (13.6, 1.8, Limits(lower=12.5, upper=16.3), 0.6626),
    ],
)
def test_conformity_probability_of_the_jcgm_106_examples(value, u, limits, exact):
    """Zener voltage, container and oil temperature of JCGM 106 (prints .92, .99, .66; inputs from memory)."""
    assert conformity_probability(value, u, limits) == pytest.approx(exact, abs=5e-5)
    assert decide(value, 2 * u, limits).conformity_probability == pytest.approx(exact, abs=5e-5)
    assert decide(value, 1.96 * u, limits, coverage_factor=1.96).conformity_probability == pytest.approx(
        exact, abs=5e-5
    )


@pytest.mark.parametrize(
    ("percent", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)]
)
def test_distance_needed_for_a_conformity_probability(percent, z):
    """One-sided z for p = .80 ... .999 (JCGM 106 table, from memory; equally any normal table)."""
    assert conformity_probability(-z, 1.0, Limits(upper=0.0)) == pytest.approx(percent, abs=2e-3)


@pytest.mark.parametrize(
    ("r", "risk"),
    [
        (0, 0.5),
        (0.83, 0.04846),
        (0.8224, 0.0500),
        (0.98, 0.0250),
        (1, 0.02275),
        (1.1632, 0.0100),
        (1.5, 0.00135),
        (3, 9.87e-10),
    ],
)
def test_specific_risk_of_the_ilac_guard_factors(r, risk):
    """Guard bands of ILAC-G8:09/2019 (< 2.5 % at U, < .16 % at 1.5 U) and Eurachem (1.64u, 2.33u)."""
    rule = Rule(guard_factor=r)
    assert rule.specific_risk() == pytest.approx(risk, rel=5e-3)
    at_the_acceptance_limit = decide(10.0 - r * 1.0, 1.0, Limits(upper=10.0), rule)
    assert at_the_acceptance_limit.decision is PASS
    assert 1 - at_the_acceptance_limit.conformity_probability == pytest.approx(
        rule.specific_risk(), abs=1e-12
    )


@pytest.mark.parametrize("rule", [SIMPLE, Rule(guard_factor=0.83), GUARDED, Rule(guard_factor=1.5)])
def test_simulated_units_are_accepted_wrongly_no_more_often_than_promised(rule):
    """Of measured units of known truth that just pass, no more violate the limit than promised.

    The promise is specific: given the reading, and nothing known before it. So truths are spread evenly, and
    those whose reading falls within a hair inside the acceptance limit are counted.
    """
    rng = np.random.default_rng(20190901)
    u, limits = 0.5, Limits(upper=10.0)
    edge = 10.0 - rule.guard_band(2 * u)
    truths = rng.uniform(6.0, 13.0, 2_000_000)
    readings = rng.normal(truths, u)
    just_passing = (readings > edge - 0.01) & (readings <= edge)
    verdicts = [decide(float(y), 2 * u, limits, rule).decision for y in readings[just_passing]]
    assert set(verdicts) == {PASS}
    wrong, passes = int((truths[just_passing] > 10.0).sum()), len(verdicts)
    assert passes >= 2_000
    promised = rule.specific_risk()
    assert wrong / passes <= promised + 3 * math.sqrt(promised / passes)
    assert wrong / passes >= 0.9 * promised - 3 * math.sqrt(promised / passes)  # nor is the rule wasteful


def test_a_doubt_is_never_printed_as_certainty():
    """A probability of conformity just short of 0 or 1 is not printed as 0 % or 100 %."""
    for value, text in ((3.25, "above 99.9 %"), (4.75, "below 0.1 %")):
        statement = decide(value, 0.9, Limits(upper=4.0), coverage_factor=4.0)
        assert text in statement.notes[-1]


def test_wrong_way_round_is_named():
    """Limits the wrong way round, and limits that are no number, are refused by name."""
    with pytest.raises(ValueError, match=r"wrong way round: lower 5 lies above upper 3"):
        Limits(lower=5.0, upper=3.0)
    with pytest.raises(ValueError, match="lower limit is nan"):
        Limits(lower=math.nan)
    with pytest.raises(ValueError, match="upper limit is inf"):
        Limits(upper=math.inf)
    with pytest.raises(ValueError, match="within -1"):
        Limits.around(0.0, -1.0)


def test_bad_arguments_are_named():
    """NaN, an infinite value, a negative uncertainty and a coverage factor of zero are refused by name."""
    limits = Limits(upper=1.0)
    for value, uncertainty, text in (
        (math.nan, 0.1, "value is nan"),
        (math.inf, 0.1, "value is inf"),
        (0.0, -0.1, "expanded uncertainty is -0.1"),
        (0.0, math.nan, "expanded uncertainty is nan"),
    ):
        with pytest.raises(ValueError, match=text):
            decide(value, uncertainty, limits)
    with pytest.raises(ValueError, match="coverage factor is 0"):
        decide(0.0, 0.1, limits, coverage_factor=0.0)
    with pytest.raises(ValueError, match="standard uncertainty is -1"):
        conformity_probability(0.0, -1.0, limits)


def test_rules_are_read_from_text():
    """A sequence file's words and numbers become rules; anything else is refused."""
    assert Rule.parse("simple") == SIMPLE
    assert Rule.parse(" Guarded ") == GUARDED
    assert Rule.parse("0.83") == Rule.parse(0.83) == Rule(guard_factor=0.83)
    assert [str(Rule.parse(x)) for x in ("simple", "guarded", "0.83")] == [
        "simple (w = 0)",
        "guarded (w = U)",
        "guard factor 0.83 (w = 0.83 U)",
    ]
    for bad in ("strict", "", True, None, [1]):
        with pytest.raises(ValueError, match="is 'simple', 'guarded' or a guard factor"):
            Rule.parse(bad)
    for bad in ("nan", -2, 11):
        with pytest.raises(ValueError, match="guard factor"):
            Rule.parse(bad)


def test_values_are_frozen():
    """Limits, rules and statements cannot be altered after they are made."""
    for thing, name in ((Limits(), "lower"), (SIMPLE, "guard_factor"), (decide(1.0, 0.1, Limits()), "value")):
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(thing, name, 1.0)


@given(numbers, uncertainties, numbers, numbers, factors)
@example(0.2, 0.1, 0.1, 0.3, 1.0)
def test_mirroring_changes_nothing(value, uncertainty, a, b, r):
    """A value beside a lower limit is decided like its negative beside the mirrored upper limit."""
    lower, upper = sorted((a, b))
    rule = Rule(guard_factor=r)
    straight = decide(value, uncertainty, Limits(lower=lower, upper=upper), rule)
    mirrored = decide(-value, uncertainty, Limits(lower=-upper, upper=-lower), rule)
    assert straight.decision is mirrored.decision
    assert straight.conformity_probability == pytest.approx(mirrored.conformity_probability, abs=1e-12)


@given(numbers, numbers, uncertainties, numbers, factors)
def test_a_better_value_is_never_decided_worse(one, other, uncertainty, upper, r):
    """Moving inwards from a single limit never worsens the decision."""
    worse, better = max(one, other), min(one, other)
    rule, limits = Rule(guard_factor=r), Limits(upper=upper)
    ranks = [ORDER.index(decide(v, uncertainty, limits, rule).decision) for v in (worse, better)]
    assert ranks == sorted(ranks)


@given(numbers, uncertainties, numbers, st.floats(0, 1e6), st.floats(0.01, 10))
def test_guarded_statements_agree_with_the_simple_one(value, uncertainty, lower, width, r):
    """A guard band refines: (conditional) pass meets the limits, (conditional) fail violates one."""
    limits = Limits(lower=lower, upper=lower + width)
    simple = decide(value, uncertainty, limits).decision
    guarded = decide(value, uncertainty, limits, Rule(guard_factor=r)).decision
    assert (simple is PASS) == (guarded in (PASS, CONDITIONAL_PASS))


@given(numbers, uncertainties, uncertainties, numbers, st.floats(0, 10))
def test_more_uncertainty_never_makes_a_firmer_statement(value, u1, u2, upper, r):
    """A larger uncertainty never turns a conditional statement into a firm one."""
    small, large = sorted((u1, u2))
    rule, limits, firm = Rule(guard_factor=r), Limits(upper=upper), (PASS, FAIL)
    if decide(value, large, limits, rule).decision in firm:
        assert decide(value, small, limits, rule).decision in firm


@given(numbers, st.floats(0, 1e6), st.floats(1e-3, 1e3))
def test_ratio_is_free_of_units(lower, width, scale):
    """The ratio of tolerance to uncertainty does not depend on the unit."""
    assume(width > 1e-6)
    limits = Limits(lower=lower, upper=lower + width)
    assume(limits.tolerance > 0)
    scaled = Limits(lower=lower * scale, upper=(lower + width) * scale)
    assert uncertainty_ratio(0.5 * scale, scaled) == pytest.approx(
        uncertainty_ratio(0.5, limits), rel=1e-3, abs=1e-6
    )


@given(st.floats(-1, 10).map(lambda factor: float(f"{factor:g}")))
def test_a_rule_as_stored_is_the_rule_again(factor):
    """What a rule prints into a result is read back as the same rule; other words are no rule."""
    rule = Rule(guard_factor=factor)
    assert Rule.stored(str(rule)) == rule
    assert Rule.stored(f"{rule}!") is None
    assert Rule.stored("guard factor 11 (w = 11 U)") is None


@pytest.mark.parametrize(
    ("value", "bound", "limits", "said"),
    [
        (9.0, "at most", Limits(upper=10.0), PASS),
        (10.0, "at most", Limits(upper=10.0), PASS),
        (18.5, "at most", Limits(upper=10.0), Decision.NOT_MEASURED),
        (18.5, "at most", Limits(lower=10.0), Decision.NOT_MEASURED),
        (5.0, "at most", Limits(lower=10.0), Decision.NOT_MEASURED),
        (9.0, "at most", Limits(lower=1.0, upper=10.0), Decision.NOT_MEASURED),
        (80.0, "at least", Limits(lower=70.0), PASS),
        (60.0, "at least", Limits(lower=70.0), Decision.NOT_MEASURED),
        (60.0, "at least", Limits(upper=70.0), Decision.NOT_MEASURED),
        (60.0, "at least", Limits(), Decision.NO_LIMIT),
    ],
)
def test_a_bound_may_pass_and_never_fails(value, bound, limits, said):
    """It decides beside the limit that it keeps away from; beyond that, and beside the other, nothing, and a note says why.

    Of interval arithmetic: a value known to lie in (-inf, b] meets an upper limit T for certain where b <= T alone.
    """
    statement = decide(value, 0.5, limits, bound=bound)
    assert statement.decision is said
    assert statement.conformity_probability is None
    assert bool(statement.notes) is (said is Decision.NOT_MEASURED)


@given(value=numbers, expanded=uncertainties, limit=numbers, factor=factors)
def test_a_bound_passes_where_its_value_would_and_else_is_never_held_against_a_unit(
    value, expanded, limit, factor
):
    """Under every rule: what passes as a value passes as a bound, and no bound fails, not even conditionally."""
    rule = Rule(guard_factor=factor)
    for bound, limits in (("at most", Limits(upper=limit)), ("at least", Limits(lower=limit))):
        plain = decide(value, expanded, limits, rule).decision
        said = decide(value, expanded, limits, rule, bound=bound).decision
        assert said is (plain if plain in (PASS, CONDITIONAL_PASS) else Decision.NOT_MEASURED)
