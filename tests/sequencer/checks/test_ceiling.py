"""The most power a preset may be turned to: the least of what path, meter and model allow, at the unit's connector."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from sequencer.checks.adjusting.ceiling import told_too_much
from sequencer.checks.finding import Conditions
from sequencer.inputs.load_bench import load_bench

POWER: Any = SimpleNamespace(preset=SimpleNamespace(of="carrier_power"))
PATH = "the rating of the transmit path and its load"
METER = "what the power meter may be given through the path"


@pytest.fixture(scope="module")
def conditions() -> Conditions:
    """The shipped bench on CEPT channel 20: a path of 50 W and 30.1 dB, and a meter that may be given 100 mW."""
    return Conditions(bench=load_bench("bench").bench, channel=20, frequency_hz=27.205e6, mode="FM")


def with_path(conditions: Conditions, **changes: Any) -> Conditions:
    """Return the conditions with the transmit path changed."""
    paths = conditions.bench.paths
    assert paths.transmit is not None
    changed = paths.model_copy(update={"transmit": paths.transmit.model_copy(update=changes)})
    return replace(conditions, bench=conditions.bench.model_copy(update={"paths": changed}))


def test_the_path_s_rating_is_named_above_it_and_not_at_it(conditions: Conditions) -> None:
    """At a rating a load may be used for ever; it is what lies above that it is not made for."""
    told = told_too_much(POWER, conditions)
    assert told(50.0) == ""
    assert told(50.01) == f"50 W is above {PATH} (50 W)"
    assert told(80.0) == f"80 W is above {PATH} (50 W)"


def test_a_meter_behind_little_loss_is_what_counts(conditions: Conditions) -> None:
    """100 mW at the meter behind 30.1 dB are 102.3 W at the unit: 0.1 x 10^3.01; with a path of 500 W it is the least."""
    told = told_too_much(POWER, with_path(conditions, rating_w=500.0))
    assert told(102.0) == ""
    assert told(103.0) == f"103 W is above {METER} (102 W)"
    assert told(600.0).endswith(f"above {METER} (102 W)")  # the least of those that are passed


def test_half_as_much_again_as_the_model_s_rated_power_is_too_much(conditions: Conditions) -> None:
    """A model rated for 4 W: 6 W are what no hand that passes the target reaches. A model that states no power limits nothing."""
    rated: Any = SimpleNamespace(rated_power_w=4.0)
    told = told_too_much(POWER, replace(conditions, model=rated))
    assert told(6.0) == ""
    assert told(6.1) == "6.1 W is above 1.5 times the model's rated power (6 W)"
    unstated: Any = SimpleNamespace(rated_power_w=None)
    assert told_too_much(POWER, replace(conditions, model=unstated))(49.0) == ""


def test_without_a_transmit_path_the_model_alone_limits(conditions: Conditions) -> None:
    """A bench without such a path has no rating of its own."""
    paths = conditions.bench.paths.model_copy(update={"transmit": None})
    bare = replace(conditions, bench=conditions.bench.model_copy(update={"paths": paths}))
    assert told_too_much(POWER, bare)(1e4) == ""


def test_what_is_no_power_is_never_too_much(conditions: Conditions) -> None:
    """5000 Hz of deviation is not 5000 W."""
    deviation: Any = SimpleNamespace(preset=SimpleNamespace(of="peak_deviation"))
    assert told_too_much(deviation, conditions)(5000.0) == ""
