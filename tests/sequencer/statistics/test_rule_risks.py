"""Rules side by side, against JCGM 106 and published guard bands; the interval of a spread against a handbook's."""

from __future__ import annotations

import numpy as np
import pytest

from sequencer.statistics.risk import normal_risk
from sequencer.statistics.rule_risks import Process, find_rule_risks, spread_interval
from sequencer.uncertainty.decision import Limits

RESISTOR = Limits(lower=1499.8, upper=1500.2)
FACTORS = (("simple", 0.0), ("quarter", 0.25), ("guarded", 1.0))


def test_rules_of_the_resistor_lot():
    """JCGM 106 resistor lot: N(1500, .12), U .08; w = 0, .02 and .08 (references as in test_risk)."""
    table = find_rule_risks(Process(mean=1500.0, spread=0.12), 0.08, RESISTOR, factors=FACTORS)
    assert [rule.guard_band for rule in table.rules] == pytest.approx([0.0, 0.02, 0.08])
    consumer = [rule.risk.false_accept for rule in table.rules]
    assert consumer == pytest.approx([0.0189422, 0.0098783, 0.00046863], rel=2e-5)
    producer = [rule.risk.false_reject for rule in table.rules]
    assert producer == pytest.approx([0.0372078, 0.0690265, 0.247670], rel=2e-5)
    assert table.test_uncertainty_ratio == pytest.approx(2.5)


def test_guard_band_for_a_chosen_risk():
    """N(9.5, .3), u .1, limits 9...10: w .0920660 holds .5 % (public package)."""
    process, limits = Process(mean=9.5, spread=0.3), Limits(lower=9.0, upper=10.0)
    table = find_rule_risks(process, 0.2, limits, factors=(), false_accept=0.005)
    assert table.rules[0].guard_band == pytest.approx(0.0920660, abs=6e-8)
    assert table.rules[0].risk.false_accept == pytest.approx(0.005, rel=1e-6)


def test_one_limit_has_a_guard_band_too():
    """A process that stands across its one limit needs a guard band, and gets one."""
    table = find_rule_risks(
        Process(mean=-113.0, spread=1.0), 1.0, Limits(upper=-113.0), factors=(), false_accept=0.001
    )
    assert table.too_wide == ""
    assert table.rules[0].risk.false_accept == pytest.approx(0.001, rel=1e-6)


def test_the_spread_of_few_units_is_told_with_its_interval():
    """95 % interval of a standard deviation, chi-squared with 9 degrees: 0.688 s to 1.826 s (tables of the trade, from memory)."""
    assert spread_interval(1.0, 10) == pytest.approx((0.6878, 1.8256), abs=1e-4)
    table = find_rule_risks(Process(mean=1500.0, spread=0.12, units=10), 0.08, RESISTOR, factors=FACTORS)
    for rule in table.rules:
        assert rule.within is not None
        low, high = rule.within.false_accept
        assert low < rule.risk.false_accept < high
    with pytest.raises(ValueError, match="2 or more"):
        spread_interval(1.0, 1)


@pytest.mark.parametrize(
    ("mean", "expanded"),
    [(3.5, 0.8), (3.9, 0.3), (4.3, 0.4), (3.99, 0.2)],
    ids=["centre", "edge", "beyond", "at limit"],
)
def test_the_interval_holds_every_risk_within_it(mean, expanded):
    """The risks neither rise nor fall all along the spread: no spread of the interval has one beyond what is told, and some have those."""
    limits = Limits(lower=3.0, upper=4.0)
    process = Process(mean=mean, spread=0.3, units=6)
    low, high = spread_interval(0.3, 6)
    spreads = np.linspace(low, high, 41)
    for rule in find_rule_risks(process, expanded, limits, factors=FACTORS).rules:
        risks = [normal_risk(mean, spread, expanded / 2, limits, rule.guard_band) for spread in spreads]
        assert rule.within is not None
        for told, seen in (
            (rule.within.false_accept, [one.false_accept for one in risks]),
            (rule.within.false_reject, [one.false_reject for one in risks]),
            (rule.within.false_accept_of_accepted, [one.false_accept_of_accepted for one in risks]),
            (rule.within.refused, [1.0 - one.accepted for one in risks]),
        ):
            assert told == pytest.approx((min(seen), max(seen)), rel=5e-3, abs=1e-5, nan_ok=True)
        assert rule.within.false_reject[0] <= rule.risk.false_reject <= rule.within.false_reject[1]
        assert rule.within.refused[0] <= 1.0 - rule.risk.accepted <= rule.within.refused[1]


@pytest.mark.parametrize("share", [0.0, 1.0, -0.1])
def test_a_share_that_is_none_is_refused(share):
    """Nothing and all are no risk to be held."""
    with pytest.raises(ValueError, match="between 0 and 1"):
        find_rule_risks(Process(mean=0.0, spread=1.0), 1.0, RESISTOR, factors=(), false_accept=share)
