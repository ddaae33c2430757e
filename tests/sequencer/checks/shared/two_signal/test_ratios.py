"""Selectivity and blocking: against the level at which a unit of its own is truly spoiled, and refused without a second generator."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from sequencer.checks.base import Conditions
from sequencer.checks.receive.selectivity import Selectivity, SelectivitySettings
from sequencer.checks.shared.two_signal.settings import offset_name
from sequencer.files.read import read_file
from sequencer.inputs.load_bench import load_bench
from sequencer.problems import FileProblems
from sequencer.results.model import Result
from sequencer.uncertainty.decision import Decision
from tests.support.running import run_checks
from tests.support.truth import INTERFERER, TrueUnit, where, write_bench

MODES = {"FM": (0.0, {"fm_deviation_hz": 1_200.0}), "AM": (0.0, {"am_depth_percent": 60.0}), "USB": (1e3, {})}


def _true_ratio_db(serial: str, mode: str, offset_hz: float, wanted_dbm: float | None = None) -> float:
    """Return the ratio at which SINAD is truly back at 12 dB: wanted 3 dB above where it is 12 dB, interferer raised until it is again."""
    true = TrueUnit(serial, mode, 20)
    beside_hz, modulation = MODES[mode]

    def alone_db(level_dbm: float) -> float:
        return true.hear(true.carrier(level_dbm, beside_hz, **modulation)).mean_sinad_db()

    level_dbm = where(alone_db, 12.0, -135.0, -90.0) + 3.0 if wanted_dbm is None else wanted_dbm
    wanted = true.carrier(level_dbm, beside_hz, **modulation)

    def spoiled_db(interferer_dbm: float) -> float:
        return true.hear(wanted, true.carrier(interferer_dbm, offset_hz)).mean_sinad_db()

    return where(spoiled_db, 12.0, -100.0, -10.0) - level_dbm


def _within(result: Result, truth_db: float) -> None:
    assert result.value is not None, result.note
    assert result.uncertainty is not None
    assert abs(result.value - truth_db) <= result.uncertainty


@pytest.mark.parametrize("mode", ["FM", "AM", "USB"])
def test_ratios_are_what_truly_spoils_reception(tmp_path: Path, mode: str) -> None:
    """At 10 kHz (selectivity) and 1 MHz (blocking) the ratio found lies within its uncertainty of the unit's truth, in each mode."""
    checks = """
    {check: selectivity, channel: 20, limit: {min: 50 dB}}
    {check: blocking, channel: 20, offsets: [1 MHz], limit: {min: 90 dB}}
    """
    bench = write_bench(tmp_path, interferer=INTERFERER)
    ran = run_checks(tmp_path, "MX40-0101", checks, mode=mode, bench=bench)
    for quantity, offset_hz in (
        ("selectivity, +10 kHz", 10e3),
        ("selectivity, -10 kHz", -10e3),
        ("blocking, +1 MHz", 1e6),
    ):
        _within(ran.found(quantity), _true_ratio_db("MX40-0101", mode, offset_hz))
    assert ran.found("selectivity, +10 kHz").decision is Decision.PASS
    assert ran.found("blocking, +1 MHz").decision is Decision.FAIL


def test_a_wanted_level_may_be_stated(tmp_path: Path) -> None:
    """With the wanted signal given nothing is searched before; the ratio is again the true one."""
    bench = write_bench(tmp_path, interferer=INTERFERER)
    check = "{check: selectivity, channel: 20, wanted: -113 dBm, offsets: [10 kHz]}"
    result = run_checks(tmp_path, "M40-0007", check, bench=bench).found("selectivity, +10 kHz")
    _within(result, _true_ratio_db("M40-0007", "FM", 10e3, -113.0))


def test_blocking_by_a_fall_of_sinad(tmp_path: Path) -> None:
    """A fall of 6 dB takes more of an interferer than falling back to the target (some 5 dB in FM)."""
    bench = write_bench(tmp_path, interferer=INTERFERER)
    checks = """
    {check: blocking, channel: 1, offsets: [1 MHz]}
    {check: blocking, channel: 2, offsets: [1 MHz], fall: 8 dB}
    """
    ran = run_checks(tmp_path, "M40-0007", checks, bench=bench)
    assert ran.number("blocking, +1 MHz", 2) > ran.number("blocking, +1 MHz", 1) + 1.0


def test_what_cannot_be_spoiled_or_heard_is_said(tmp_path: Path) -> None:
    """A wanted signal that is not heard, and an interferer that may not be strong enough, give words with the levels."""
    bench = write_bench(tmp_path, interferer=INTERFERER)
    checks = """
    {check: selectivity, channel: 1, wanted: -125 dBm}
    {check: selectivity, channel: 2, offsets: [10 kHz], interferer_levels: {max: -80 dBm}}
    """
    ran = run_checks(tmp_path, "M40-0007", checks, bench=bench)
    assert "the wanted signal alone" in ran.found("selectivity, +10 kHz", 1).note
    strongest = ran.found("selectivity, +10 kHz", 2)
    assert strongest.value is None
    assert "-80 dBm, 37 dB above the wanted signal" in strongest.note


@pytest.mark.parametrize(
    ("check", "interferer", "message"),
    [
        ("selectivity", "", "selectivity needs a second signal generator, and bench .* has none"),
        ("blocking", "", "blocking needs a second signal generator"),
        ("selectivity, offsets: [0 Hz]", INTERFERER, "0 Hz is on the channel itself"),
        ("selectivity, offsets: []", INTERFERER, "the list is empty"),
        ("selectivity, offsets: [-30 MHz]", INTERFERER, "is not a frequency"),
        ("selectivity, wanted: 3 dBm", INTERFERER, "above the receiver's rating"),
        ("blocking, interferer_levels: {max: 10 dBm}", INTERFERER, "above the receiver's rating"),
        ("selectivity, target: 20 dB quieting", INTERFERER, "cannot be read beside an interferer"),
        (
            "blocking, interferer_levels: {max: -2 dBm}",
            INTERFERER.replace("13 dBm", "-5 dBm"),
            "outside what interferer offers",
        ),
    ],
)
def test_the_plan_refuses_what_this_bench_cannot_do(
    tmp_path: Path, check: str, interferer: str, message: str
) -> None:
    """A missing second generator, its range, the receiver's rating and senseless offsets are said before anything is sent."""
    bench = write_bench(tmp_path, interferer=interferer)
    with pytest.raises(FileProblems, match=message):
        run_checks(tmp_path, "M40-0007", f"{{check: {check}, channel: 20}}", bench=bench)


def test_the_entry_named_interferer_is_the_second_wherever_it_stands(tmp_path: Path) -> None:
    """It stands first in this bench file; the wanted signal still comes from the other one."""
    bench = read_file(
        load_bench(write_bench(tmp_path, interferer=INTERFERER)).path, type(load_bench("bench").bench)
    ).model
    assert next(iter(bench.instruments)) == "interferer"
    assert [name for name, _ in bench.all_with_role("signal_generator")] == ["signal_generator", "interferer"]
    settings = SelectivitySettings(check="selectivity", channel=20)
    conditions = Conditions(bench=bench, channel=20, frequency_hz=27.205e6, mode="FM")
    assert Selectivity().demands(settings, conditions) == []
    assert settings.interferer_levels.bounds_dbm(conditions, interferer=True, highest_dbm=0.0)[1] == 0.0


def test_the_ratio_s_budget_is_both_generators_and_both_searches(tmp_path: Path) -> None:
    """Hand-computed: two rectangular 0.5 dB, the interferer's search, the sensitivity's at 1/(10^0.3 - 1) = 1.005.

    The path's loss is common to both and counts nothing; each generator's match counts, and its frequency on the filter's skirt.
    """
    bench = write_bench(tmp_path, interferer=INTERFERER)
    ran = run_checks(
        tmp_path, "M40-0007", "{check: selectivity, channel: 20, offsets: [10 kHz]}", bench=bench
    )
    budget = ran.found("selectivity, +10 kHz").budget
    assert budget is not None
    found = {part.source: abs(part.contribution) for part in budget.contributions}
    assert found["signal_generator, level accuracy"] == pytest.approx(0.5 / math.sqrt(3.0), rel=1e-3)
    assert found["interferer, level accuracy"] == pytest.approx(0.5 / math.sqrt(3.0), rel=1e-3)
    assert found.keys() == {
        "signal_generator, level accuracy",
        "interferer, level accuracy",
        "interferer's search, 95 % interval",
        "sensitivity's search, 95 % interval",
        "receive path, loss, common to both",
        *(f"mismatch, {one} to {other}" for one in ("generator", "interferer") for other in ("path", "unit")),
        "generator, frequency",
        *(f"interferer, {key}" for key in ("frequency", "deviation", "tone")),
    }
    assert found["receive path, loss, common to both"] == 0.0
    # 8.686·(0.3/2.3)·0.2·10^-0.0422/√2, as of one generator alone
    assert found["mismatch, interferer to unit"] == pytest.approx(0.145, abs=0.001)


def test_offsets_are_named_as_people_say_them() -> None:
    """Kilohertz below a megahertz, megahertz from there on, always with the sign."""
    assert offset_name("selectivity", -12.5e3) == "selectivity, -12.5 kHz"
    assert offset_name("blocking", 1e6) == "blocking, +1 MHz"
