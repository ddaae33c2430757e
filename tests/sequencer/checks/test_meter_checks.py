"""S9 point and S-meter curve: needles, bars, nominal levels of IARU Region 1 R.1, and a bar that is searched as a needle."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from sequencer.checks.receive.s_meter_curve import SMeterCurveSettings
from sequencer.checks.shared.asked.meter_marks import above_s9_db
from sequencer.checks.shared.level_search.s_meter import FALLS
from sequencer.inputs.bench import S9Levels
from sequencer.problems import FileProblems
from sequencer.uncertainty.decision import Decision, Limits
from sim.bench import SimulatedBench
from tests.support.running import run_checks
from tests.support.truth import write_bench

MARKS = "S1: 0.25 V, S2: 0.5 V, S3: 0.75 V, S5: 1.25 V, S6: 1.5 V, S8: 2 V, S9: 2.25 V, S9+20 dB: 2.55 V, S9+60: 3.15 V"


@pytest.mark.parametrize(
    ("serial", "channel", "plan", "supply", "nominal_dbm", "decision"),
    [
        ("M40-0007", 20, "cept-40", "13.2 V", -73.0, Decision.PASS),
        ("M40-0015", 20, "cept-40", "13.2 V", -73.0, Decision.FAIL),
        ("V5-0301", 5, "vhf-workshop", "7.4 V", -93.0, Decision.PASS),
    ],
)
def test_s9_is_judged_by_the_frequency_s_own_level(
    tmp_path: Path, serial: str, channel: int, plan: str, supply: str, nominal_dbm: float, decision: Decision
) -> None:
    """'within' alone takes -73 dBm below 30 MHz and -93 dBm from there on (IARU Region 1 R.1); the unit an S-unit out fails 3 dB."""
    check = f"{{check: s9_point, channel: {channel}, target: 2.25 V, limit: {{within: 3 dB}}}}"
    result = run_checks(tmp_path, serial, check, plan=plan, supply=supply).found("S9 point")
    assert (result.lower_limit, result.upper_limit) == (nominal_dbm - 3.0, nominal_dbm + 3.0)
    assert result.decision is decision


def test_the_bench_or_the_sequence_may_say_otherwise(tmp_path: Path) -> None:
    """The bench file's s9 is taken before IARU's, a limit's own nominal before both."""
    bench = Path(write_bench(tmp_path))
    bench.write_text(bench.read_text(encoding="utf-8") + "s9: {hf: -67 dBm}\n", encoding="utf-8")
    checks = """
    {check: s9_point, channel: 1, target: 2.25 V, limit: {within: 3 dB}}
    {check: s9_point, channel: 2, target: 2.25 V, limit: {nominal: -70 dBm, within: 2 dB}}
    """
    ran = run_checks(tmp_path, "M40-0015", checks, bench=str(bench))
    assert (ran.found("S9 point", 1).lower_limit, ran.found("S9 point", 1).upper_limit) == (-70.0, -64.0)
    assert ran.found("S9 point", 1).decision is Decision.PASS
    assert (ran.found("S9 point", 2).lower_limit, ran.found("S9 point", 2).upper_limit) == (-72.0, -68.0)
    assert S9Levels().at(29.9e6) == -73.0
    assert S9Levels().at(30e6) == -93.0


@pytest.mark.parametrize(
    ("limit", "message"),
    [
        ("nominal: -73 dBm", "'nominal' needs 'within'"),
        ("within: 6 dB, max: -70 dBm", "limits are given twice"),
        ("min: -60 dBm, max: -70 dBm", "contradictory limits"),
    ],
)
def test_half_a_limit_is_refused(tmp_path: Path, limit: str, message: str) -> None:
    """A nominal without a width, two ways of saying it, and limits the wrong way round are complaints."""
    with pytest.raises(FileProblems, match=message):
        run_checks(
            tmp_path, "M40-0007", f"{{check: s9_point, channel: 20, target: 2.25 V, limit: {{{limit}}}}}"
        )


def falling(simulation: SimulatedBench) -> None:
    """Let the line work the other way, as where a detector pulls it down: 4.5 V without a signal, 2.25 V at S9, lower above."""
    unit = simulation.unit
    meter = replace(
        unit.specimen.meter, s_unit_v=-0.25, over_s9_v=-0.15, maximum_v=4.6, s9_dbm=-72.0, minimum_v=0.2
    )
    unit._meter.fit(meter)


def test_a_line_that_falls_is_searched_as_one_and_said_to_fall(tmp_path: Path) -> None:
    """The voltage of S9 alone does not say which way the line works; its readings do, and marks do. Right level, direction named."""
    checks = """
    {check: s9_point, channel: 20, target: 2.25 V, limit: {within: 6 dB}}
    {check: s_meter_curve, channel: 20, marks: {S7: 2.75 V, S8: 2.5 V, S9: 2.25 V}, within: 6 dB}
    """
    ran = run_checks(tmp_path, "M40-0007", checks, before=falling)
    for quantity, level_dbm in (
        ("S9 point", -72.0),
        ("S-meter, S9", -72.0),
        ("S-meter, S8", -78.0),
        ("S-meter, S7", -84.0),
    ):
        found = ran.found(quantity)
        assert found.value == pytest.approx(level_dbm, abs=1.2), found
        assert found.slope is not None
        assert found.slope < 0.0
        assert FALLS in found.note
        assert found.decision is Decision.PASS


def test_a_line_that_rises_is_said_to_do_nothing_else(tmp_path: Path) -> None:
    """The direction is named only where it is not the usual one, also where nothing is found."""
    checks = """
    {check: s9_point, channel: 20, target: 2.25 V}
    {check: s9_point, channel: 21, target: 9 V}
    """
    ran = run_checks(tmp_path, "M40-0007", checks)
    assert not any(FALLS in one.note for one in ran.outcome.results)


def test_a_bar_searched_as_a_needle_states_no_number(tmp_path: Path) -> None:
    """Wherever the target lies between the steps of a bar, or on one, there are words and no level; a needle is never taken for a bar."""
    volts = (0.3, 1.0, 1.9, 2.0, 2.25, 2.27)
    checks = "\n".join(
        f"{{check: s9_point, channel: {at}, target: {target} V}}" for at, target in enumerate(volts, 1)
    )
    bench = write_bench(tmp_path, seed=3)
    bar = run_checks(tmp_path, "M40-0018", checks, bench=bench)
    found = [one for one in bar.outcome.results if one.quantity == "S9 point"]
    assert len(found) == len(volts)
    assert [one.value for one in found] == [None] * len(volts)
    assert sum("meter: segments" in one.note for one in found) >= len(volts) // 2
    needle = run_checks(tmp_path, "M40-0007", checks, bench=bench)
    assert all(one.value is not None for one in needle.outcome.results if one.quantity == "S9 point")


def test_nominal_levels_of_the_marks_are_those_of_iaru_r1() -> None:
    """S1 is -121 dBm and S9+60 dB -13 dBm on HF (IARU Region 1 R.1, HF Managers Handbook V9.0)."""
    table = {
        "S1": -121,
        "S2": -115,
        "S5": -97,
        "S8": -79,
        "S9": -73,
        "S9+10 dB": -63,
        "S9+40 dB": -33,
        "S9+60 dB": -13,
    }
    for mark, dbm in table.items():
        assert -73.0 + above_s9_db(mark) == dbm


def test_a_needle_s_curve_is_what_the_specimen_states(tmp_path: Path) -> None:
    """S9 at -73.6 dBm, 6 dB to the S-unit, 0.15 V to 10 dB above: each mark, each unit within its uncertainty, and straight."""
    check = (
        f"{{check: s_meter_curve, channel: 20, marks: {{{MARKS}}}, within: 6 dB, s_unit: {{min: 4 dB, max: 8 dB}}, "
        "linearity: 3 dB}"
    )
    ran = run_checks(tmp_path, "M40-0007", check)
    for mark in ("S3", "S5", "S8", "S9", "S9+20 dB"):
        result = ran.found(f"S-meter, {mark}")
        assert result.value is not None
        assert result.uncertainty is not None
        assert (
            abs(result.value - (-73.6 + above_s9_db(mark))) <= result.uncertainty + 0.1
        )  # noise lifts S3 a little
        assert result.decision is Decision.PASS
    for unit in ("S2 to S3", "S5 to S6", "S8 to S9"):
        result = ran.found(f"S-unit, {unit}")
        assert result.value is not None
        assert result.uncertainty is not None
        assert abs(result.value - 6.0) <= result.uncertainty
        assert result.decision is Decision.PASS
    assert "S3 to S5" not in {one.quantity for one in ran.outcome.results}
    assert ran.number("S-meter linearity") < 1.5
    assert ran.number("S-meter, S9+60 dB") == pytest.approx(-13.6, abs=3.0)


def test_a_meter_an_s_unit_out_fails_every_mark_and_no_unit(tmp_path: Path) -> None:
    """6 dB out all along: marks fail within 3 dB, sizes of S-units and linearity stay right."""
    marks = "S3: 0.75 V, S4: 1 V, S9: 2.25 V"
    check = f"{{check: s_meter_curve, channel: 20, marks: {{{marks}}}, within: 3 dB, s_unit: {{min: 4 dB, max: 8 dB}}, linearity: 3 dB}}"
    ran = run_checks(tmp_path, "M40-0015", check)
    failed = {one.quantity for one in ran.outcome.results if one.decision is Decision.FAIL}
    assert failed == {"S-meter, S3", "S-meter, S4", "S-meter, S9"}


def test_a_bar_s_curve_gives_the_level_at_which_each_segment_lights(tmp_path: Path) -> None:
    """Segments at -79 and -73.4 dBm, as the specimen states; the S-unit between them is 5.6 dB."""
    check = "{check: s_meter_curve, channel: 20, meter: segments, marks: {S8: 1.9 V, S9: 2.2 V}}"
    ran = run_checks(tmp_path, "M40-0018", check)
    for mark, dbm in (("S8", -79.0), ("S9", -73.4)):
        result = ran.found(f"S-meter, {mark}")
        assert result.value is not None
        assert result.uncertainty is not None
        assert abs(result.value - dbm) <= result.uncertainty
    assert ran.number("S-unit, S8 to S9") == pytest.approx(5.6, abs=1.1)


def test_marks_below_the_noise_say_so(tmp_path: Path) -> None:
    """S1 at VHF is -141 dBm, below any receiver's noise: no number, and the unit above it says which mark is missing."""
    check = "{check: s_meter_curve, channel: 1, marks: {S1: 0.25 V, S2: 0.5 V, S7: 1.75 V, S8: 2 V}}"
    ran = run_checks(tmp_path, "V5-0301", check, plan="vhf-workshop", supply="7.4 V")
    assert ran.found("S-meter, S1").value is None
    assert "not found" in ran.found("S-unit, S1 to S2").note
    assert ran.number("S-unit, S7 to S8") == pytest.approx(6.0, abs=1.1)
    assert ran.found("S-meter linearity").value is None


@pytest.mark.parametrize(
    ("marks", "message"),
    [
        ("S10: 2 V, S9: 1 V", "'S10' is not a mark"),
        ("S9+15 dB: 2 V, S9: 1 V", "is not a mark"),
        ("S9: 2 V", "1 mark makes no curve"),
        ("S1: 1 V, S5: 3 V, S9: 2 V", "neither rise nor fall"),
        ("S1: 1, S9: 2 V", "has no unit"),
    ],
)
def test_marks_that_make_no_curve_are_refused(tmp_path: Path, marks: str, message: str) -> None:
    """Unknown names, a single mark, voltages in disorder and bare numbers are complaints with a place."""
    with pytest.raises(FileProblems, match=message):
        run_checks(tmp_path, "M40-0007", f"{{check: s_meter_curve, channel: 20, marks: {{{marks}}}}}")


def test_marks_are_put_in_order_and_may_fall() -> None:
    """However they are written they are measured from the lowest; a line that falls with the level is a curve too."""
    written = {"check": "s_meter_curve", "channel": 1, "marks": {"S9+20 dB": "1 V", "S9": "2 V", "S3": "3 V"}}
    settings = SMeterCurveSettings.model_validate(written)
    assert list(settings.marks) == ["S3", "S9", "S9+20 dB"]
    assert settings.s_unit.limits == Limits()


def test_two_spellings_of_one_mark_are_refused(tmp_path: Path) -> None:
    """`S9` and `s9` would be one mark with one of the voltages lost: the second is named with its place."""
    with pytest.raises(FileProblems, match="'S9' and 's9' are one mark"):
        run_checks(
            tmp_path,
            "M40-0007",
            "{check: s_meter_curve, channel: 20, marks: {S5: 1 V, S9: 2.25 V, s9: 2.3 V}}",
        )
