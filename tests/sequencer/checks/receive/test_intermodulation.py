"""Intermodulation: against the unit's truth and the cubic characteristic, what is a bound only, and what the plan refuses.

Cubic characteristic: the product of third order stands at 2 P1 + P2 - 2 IP3, so that both at P = (S + 2 IP3)/3 give the level S, and the
ratio P - S is 2/3 (IP3 - S). Any handbook of receivers; from memory.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.problems import FileProblems
from sequencer.results.model import Result
from sequencer.uncertainty.decision import Decision
from tests.support.running import run_checks
from tests.support.truth import INTERFERER, TrueUnit, where, write_bench

CHECK = "{check: intermodulation, channel: 20, spacings: [50 kHz], limit: {min: 65 dB}}"
QUANTITY = "intermodulation, +50 kHz"
INTERCEPTS_DBM = {"M40-0061": 4.0, "M40-0062": -22.0}


def true_ratio_db(serial: str) -> float:
    """Return the ratio at which the product truly gives 12 dB SINAD."""
    true = TrueUnit(serial, "FM", 20)

    def alone_db(level_dbm: float) -> float:
        return true.hear(true.carrier(level_dbm, fm_deviation_hz=1_200.0)).mean_sinad_db()

    def product_db(level_dbm: float) -> float:
        far = true.carrier(level_dbm, 100e3, fm_deviation_hz=1_200.0)
        return true.hear(far, true.carrier(level_dbm, 50e3)).mean_sinad_db()

    return where(product_db, 12.0, -80.0, -30.0) - where(alone_db, 12.0, -135.0, -90.0)


@pytest.mark.parametrize("serial", list(INTERCEPTS_DBM))
def test_the_ratio_is_the_unit_s_and_that_of_the_cubic_model(tmp_path: Path, serial: str) -> None:
    """It lies within its uncertainty of the truth, and within 1 dB more of 2/3 (IP3 - S); the sound unit passes 65 dB by far."""
    bench = write_bench(tmp_path, interferer=INTERFERER)
    result = run_checks(tmp_path, serial, CHECK, bench=bench).found(QUANTITY)
    assert result.value is not None, result.note
    assert result.uncertainty is not None
    assert result.uncertainty < 2.0
    assert abs(result.value - true_ratio_db(serial)) <= result.uncertainty
    cubic_db = 2.0 / 3.0 * (INTERCEPTS_DBM[serial] + 120.1)
    assert abs(result.value - cubic_db) <= result.uncertainty + 1.0
    assert "alone" not in result.note
    assert result.decision is (Decision.PASS if serial == "M40-0061" else result.decision)


def test_the_levels_count_by_the_order(tmp_path: Path) -> None:
    """A third of the generator's half-width at the product, two thirds of the interferer's, all of it at the sensitivity (0.5 dB each)."""
    bench = write_bench(tmp_path, interferer=INTERFERER)
    result = run_checks(tmp_path, "M40-0061", CHECK, bench=bench).found(QUANTITY)
    assert result.budget is not None
    found = {part.source: abs(part.contribution) for part in result.budget.contributions}
    standard_db = 0.5 / 3.0**0.5
    assert found["signal_generator, level accuracy"] == pytest.approx(standard_db / 3.0)
    assert found["interferer, level accuracy"] == pytest.approx(standard_db * 2.0 / 3.0)
    assert found["generator, level accuracy at the sensitivity"] == pytest.approx(standard_db)
    assert found["receive path, loss, common to all"] == 0.0  # it is listed, and cancels in a ratio


def test_a_unit_that_others_jam_before_a_product_is_heard_has_no_figure(tmp_path: Path) -> None:
    """What leaks past its filter jams it long before: words, no ratio that would pass or fail it. The forecast holds all the same."""
    bench = write_bench(tmp_path, interferer=INTERFERER)
    result = run_checks(tmp_path, "M40-0007", CHECK, bench=bench).found(QUANTITY)
    assert result.value is None
    assert result.decision is Decision.NOT_MEASURED
    assert "never reached" in result.note
    ran = run_checks(tmp_path, "M40-0061", CHECK, bench=bench)
    assert 0.8 <= ran.simulation.clock.now_s() / ran.plan.forecast_s <= 1.25


def test_a_bound_passes_what_it_can_and_fails_nothing(tmp_path: Path) -> None:
    """A modulated signal 12 kHz away is heard by itself: the ratio is a bound, which meets 65 dB and decides nothing of 120 dB."""
    bench = write_bench(tmp_path, interferer=INTERFERER)
    near = "{check: intermodulation, channel: 20, spacings: [6 kHz], limit: {min: %s dB}}"
    bound = run_checks(tmp_path, "M40-0061", near % 65, bench=bench).found("intermodulation, +6 kHz")
    assert bound.decision is Decision.PASS
    assert "alone gives 2" in bound.note
    assert bound.bound == "at least"
    assert (
        "no product stands out; that the second generator stood +6 kHz from the channel rests on"
        in bound.note
    )
    undecided = run_checks(tmp_path, "M40-0061", near % 120, bench=bench).found("intermodulation, +6 kHz")
    assert undecided.decision is Decision.NOT_MEASURED
    assert undecided.value is None
    assert undecided.note.endswith("as a bound decides nothing")


def noisy(
    folder: Path, near_db: float, *, serial: str = "M40-0061", seed: int = 1, least: float = 65.0
) -> Result:
    """Return what is measured with two generators that have, and state, so much noise 10 kHz beside their carriers."""
    bench = write_bench(folder, seed=seed, interferer=INTERFERER)
    file = Path(bench)
    stated, vswr = f"    phase_noise: {near_db} dB\n    far_noise: -165 dB\n", "    vswr: 1.3\n"
    text = file.read_text(encoding="utf-8")
    assert text.count(vswr) == 2
    file.write_text(text.replace(vswr, vswr + stated), encoding="utf-8")
    return run_checks(folder, serial, CHECK.replace("65", f"{least:g}"), bench=bench).found(QUANTITY)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("near_db", [-140.0, -125.0, -122.0])
def test_a_little_noise_of_the_generators_lies_within_its_uncertainty(
    tmp_path: Path, near_db: float, seed: int
) -> None:
    """Half of what it may hide is taken off and stands in the budget: the value is the unit's, which has no such noise."""
    found = noisy(tmp_path, near_db, seed=seed)
    assert found.value is not None, found.note
    assert found.uncertainty is not None
    assert not found.bound
    assert abs(found.value - true_ratio_db("M40-0061")) <= found.uncertainty
    assert "own noise" not in found.note
    assert found.budget is not None
    assert "generators' own noise, hides part of the product" in [
        one.source for one in found.budget.contributions
    ]


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("near_db", [-115.0, -110.0, -105.0])
def test_much_noise_of_the_generators_leaves_a_bound_that_holds(
    tmp_path: Path, near_db: float, seed: int
) -> None:
    """The product must drown it, which made the unit look 2 to 5 dB better: "at least" is true of the unit, and no more than 2 dB low."""
    found = noisy(tmp_path, near_db, seed=seed)
    assert found.value is not None, found.note
    assert found.uncertainty is not None
    assert found.bound == "at least"
    assert found.decision is Decision.PASS
    assert -2.0 - found.uncertainty < found.value - true_ratio_db("M40-0061") <= found.uncertainty
    assert "own noise may hide part of the product" in found.note


def test_a_limit_that_only_noise_would_meet_is_decided_by_no_one(tmp_path: Path) -> None:
    """84.5 dB asked for, 83.2 true: through -110 dBc/Hz it read 86.5 dB, a pass. Through little noise it fails."""
    found = noisy(tmp_path, -110.0, least=84.5)
    assert found.decision is Decision.NOT_MEASURED, found
    assert found.note.endswith("as a bound decides nothing")
    found = noisy(tmp_path, -140.0, least=84.5)
    assert found.decision is Decision.FAIL
    assert "a pad of 3 dB before the unit" in found.note


def test_a_bad_unit_fails_through_noise_too(tmp_path: Path) -> None:
    """A product that is heard early stands far above it: 66 dB is that unit's figure, 75 dB its limit."""
    found = noisy(tmp_path, -110.0, serial="M40-0062", least=75.0)
    assert found.decision is Decision.FAIL
    assert found.value is not None
    assert found.uncertainty is not None
    assert abs(found.value - true_ratio_db("M40-0062")) <= found.uncertainty


def test_noise_that_nobody_states_is_named_where_a_unit_passes(tmp_path: Path) -> None:
    """Unknown, it is not nought: it may make a unit pass. Where the unit fails all the same it is not mentioned."""
    bench = write_bench(tmp_path, interferer=INTERFERER)
    said = "the noise of signal_generator and interferer is not stated"
    assert said in run_checks(tmp_path, "M40-0061", CHECK, bench=bench).found(QUANTITY).note
    fails = run_checks(tmp_path, "M40-0062", CHECK.replace("65", "75"), bench=bench).found(QUANTITY)
    assert fails.decision is Decision.FAIL
    assert said not in fails.note


def test_without_a_sensitivity_there_is_no_ratio(tmp_path: Path) -> None:
    """Where the levels that the search may use end below the sensitivity, each spacing is without a figure, and says why."""
    bench = write_bench(tmp_path, interferer=INTERFERER)
    check = "{check: intermodulation, channel: 20, spacings: [50 kHz, -50 kHz], levels: {max: -126 dBm}}"
    ran = run_checks(tmp_path, "M40-0061", check, bench=bench)
    for quantity in ("intermodulation, +50 kHz", "intermodulation, -50 kHz"):
        found = ran.found(quantity)
        assert found.value is None
        assert found.decision is Decision.NOT_MEASURED
        assert found.note.startswith("sensitivity: ")


@pytest.mark.parametrize(
    ("how", "message"),
    [
        ("mode: AM", "intermodulation.*AM.*allowed: FM"),
        ("target: 20 dB quieting", "cannot be read of a product"),
        ("unwanted_levels: {max: 3 dBm}", "above the receiver's rating"),
        ("spacings: [-20 MHz]", "is not a frequency"),
    ],
)
def test_the_plan_refuses_what_says_nothing(tmp_path: Path, how: str, message: str) -> None:
    """A mode, a target, a level and a spacing that cannot be are said before anything is sent."""
    bench = write_bench(tmp_path, interferer=INTERFERER)
    with pytest.raises(FileProblems, match=f"(?s){message}"):
        run_checks(tmp_path, "MX40-0101", f"{{check: intermodulation, channel: 20, {how}}}", bench=bench)
