"""The whole chain shown true: units with known truth, measured through drivers and safe sides, judged by rule.

The promise tested is that of ILAC-G8:09/2019: with w = U a unit that passes violates the limit with at most 2.3 %; and that of the
GUM: U covers the truth in about 95 of 100. tests/benchmarks/bench_decisions.py does the same with 2,000 units and prints the table.
"""

from __future__ import annotations

from scipy.stats import binom

from tests.benchmarks.bench_decisions import judge

UNITS = 120


def test_wrong_accepts_are_no_more_than_the_rule_promises_and_u_covers_the_truth() -> None:
    """Among 120 units about the limit the guarded rule lets through no more bad ones than 2.3 % allows, and U covers the truth."""
    found = judge(UNITS, first_seed=5000)
    assert found["bad"] > 20
    assert found["good"] > 20
    # one test in a thousand may be unlucky: the binomial quantile of the promised share, of those that are bad
    assert found["guarded accepts"] <= binom.ppf(0.999, found["bad"], 0.0228)
    assert found["guarded rejects"] <= binom.ppf(0.999, found["good"], 0.0228)
    assert found["covered"] >= binom.ppf(0.001, UNITS, 0.95)
