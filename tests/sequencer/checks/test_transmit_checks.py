"""The transmit-side checks on the simulated shelf: sound units pass, and each fault is found by the check that is for it.

What is true is taken from the specimen's file (stated values) or from textbook arithmetic named beside the test, never from the
simulator's own readings.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from drivers.values import Reading
from sequencer.checks.shared.transmit.keyed_readings import SUPPLY_EXPONENT
from sequencer.checks.transmit import power_against_supply
from sequencer.problems import FileProblems
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from tests.support.running import run_checks

PASS, FAIL = Decision.PASS, Decision.FAIL


def test_the_limiter_holds_the_deviation_over_the_speech_band(tmp_path: Path) -> None:
    """Driven 20 dB above normal at every tone, a sound unit stays at its 1.8 kHz and below 2 kHz (MPT 1382)."""
    ran = run_checks(
        tmp_path,
        "M40-0007",
        "{check: peak_deviation, channel: 20, drive: 10 mV, above: 20 dB, tone: [300 Hz, 500 Hz, 1 kHz, 3 kHz], limit: {max: 2 kHz}}",
    )
    for side in ("positive", "negative"):
        result = ran.found(f"peak deviation, {side}, 20 dB above")
        assert result.decision is PASS
        assert result.value == pytest.approx(1800.0, rel=0.04)


def test_an_over_deviated_unit_fails(tmp_path: Path) -> None:
    """The handheld that swings too far fails ±2.5 kHz (12.5 kHz channels, from memory of EN 300 086), the sound one passes."""
    check = "{check: peak_deviation, channel: 1, drive: 8 mV, above: 20 dB, limit: {max: 2.5 kHz}}"
    plan = _vhf_plan(tmp_path)
    sound = run_checks(tmp_path, "V5-0301", check, plan=plan, supply="7.4 V")
    faulty = run_checks(tmp_path, "V5-0302", check, plan=plan, supply="7.4 V")
    assert sound.found("peak deviation, positive, 20 dB above").decision is PASS
    assert faulty.found("peak deviation, positive, 20 dB above").decision is FAIL


def test_depth_of_am(tmp_path: Path) -> None:
    """At nominal drive the depth is the stated 60 %; 20 dB above a sound unit stays within 100 % (47 CFR 95.975), the faulty does not."""
    checks = """
    {check: modulation_depth, channel: 20, mode: AM, drive: 10 mV}
    {check: modulation_depth, channel: 20, mode: AM, drive: 10 mV, above: 20 dB, limit: {max: 100 %}}
    """
    sound = run_checks(tmp_path, "MX40-0101", checks)
    assert sound.number("modulation depth, positive") == pytest.approx(60.0, abs=3.0)
    assert sound.number("modulation depth, negative") == pytest.approx(60.0, abs=3.0)
    assert sound.found("modulation depth, positive, 20 dB above").decision is PASS
    faulty = run_checks(tmp_path, "MX40-0102", checks)
    assert faulty.found("modulation depth, positive, 20 dB above").decision is FAIL
    assert faulty.outcome.status is ExitStatus.FAILED


@pytest.mark.parametrize(
    ("serial", "mode", "settings"),
    [("M40-0007", "FM", "maximum: 1.8 kHz"), ("MX40-0101", "AM", "depth: 60 %")],
)
def test_microphone_sensitivity_is_what_the_specimen_states(
    tmp_path: Path, serial: str, mode: str, settings: str
) -> None:
    """The specimens state 10 mV for 60 % of 1.8 kHz and for 60 % of depth: found within the stated uncertainty, in few readings."""
    ran = run_checks(
        tmp_path, serial, f"{{check: microphone_sensitivity, channel: 20, mode: {mode}, {settings}}}"
    )
    result = ran.found("microphone sensitivity")
    assert result.value is not None
    assert result.uncertainty is not None
    assert abs(result.value - 0.010) <= result.uncertainty + 0.0002  # asymmetry and limiter: 2 % of the mean
    assert len(result.points) <= 8


def test_a_microphone_that_is_never_enough_is_said_so(tmp_path: Path) -> None:
    """Where no allowed drive reaches 60 % the check says so and states no number."""
    ran = run_checks(
        tmp_path, "M40-0007", "{check: microphone_sensitivity, channel: 20, maximum: 5 kHz, highest: 50 mV}"
    )
    result = ran.found("microphone sensitivity")
    assert result.value is None
    assert result.decision is Decision.NOT_MEASURED
    assert "never reached" in result.note


def test_transmit_distortion_is_small_at_normal_drive_and_large_in_the_limiter(tmp_path: Path) -> None:
    """At normal drive a sound unit is near its stated 1.2 %; 20 dB above, the limiter squares the sine and it has several times that."""
    ran = run_checks(
        tmp_path,
        "M40-0007",
        """
        {check: transmit_distortion, channel: 20, drive: 10 mV, limit: {max: 10 %}}
        {check: transmit_distortion, channel: 1, drive: 100 mV}
        """,
    )
    assert ran.number("transmit distortion", 20) == pytest.approx(1.2, abs=0.8)
    assert ran.found("transmit distortion", 20).decision is PASS
    assert ran.number("transmit distortion", 1) > 3.0 * ran.number("transmit distortion", 20)


def test_a_humming_transmitter_fails_residual_modulation(tmp_path: Path) -> None:
    """The handheld with 60 Hz of residual deviation fails a limit that the sound one, with 12 Hz, meets."""
    check = "{check: residual_modulation, channel: 1, deviation: 1.5 kHz, limit: {min: 34 dB}}"
    plan = _vhf_plan(tmp_path)
    assert (
        run_checks(tmp_path, "V5-0301", check, plan=plan, supply="7.4 V").outcome.status is ExitStatus.PASSED
    )
    assert (
        run_checks(tmp_path, "V5-0305", check, plan=plan, supply="7.4 V").outcome.status is ExitStatus.FAILED
    )


def test_residual_modulation_is_the_power_ratio_of_the_stated_residual(tmp_path: Path) -> None:
    """12 Hz rms of residual FM, flat 300 Hz to 3 kHz, against 1.2 kHz peak: the de-emphasis weights both; textbook integral."""
    ran = run_checks(tmp_path, "M40-0007", "{check: residual_modulation, channel: 20}")
    tau = 750e-6
    # mean of 1/(1+(2 pi f tau)^2) over 300..3000 Hz, in closed form
    upper, lower = (math.atan(2 * math.pi * f * tau) for f in (3000.0, 300.0))
    noise_gain = math.sqrt((upper - lower) / (2 * math.pi * tau) / 2700.0)
    tone_gain = 1.0 / math.hypot(1.0, 2 * math.pi * 1000.0 * tau)
    expected_db = 20 * math.log10(1200.0 * tone_gain / math.sqrt(2.0) / (12.0 * noise_gain))
    # the band filters round the corners, where most of the de-emphasised noise is
    assert ran.number("residual modulation, below normal") == pytest.approx(expected_db, abs=1.0)


def test_audio_response_follows_the_time_constant(tmp_path: Path) -> None:
    """At 300 Hz the response lies at the pre-emphasis of one 750 µs pole re 1 kHz: -8.89 dB (radio handbook table), less the low corner."""
    ran = run_checks(tmp_path, "M40-0007", "{check: audio_response, channel: 20, drive: 3 mV, within: 3 dB}")
    assert ran.number("audio response at 500 Hz") == pytest.approx(-5.49, abs=0.4)
    assert ran.number("audio response at 1500 Hz") == pytest.approx(3.42, abs=0.8)
    assert ran.found("audio response at 300 Hz").decision is PASS


def test_power_goes_with_the_square_of_the_supply_and_the_supply_comes_back(tmp_path: Path) -> None:
    """A class-C stage into a fixed load: power ratio (10.8/13.2)² (textbook), and afterwards the supply stands where it did."""
    voltages: list[float] = []
    ran = run_checks(
        tmp_path,
        "M40-0007",
        """
        {check: power_against_supply, channel: 20, supplies: [10.8 V, 13.2 V, 15.6 V]}
        {check: carrier_power, channel: 20}
        """,
        before=lambda simulation: voltages.append(simulation.unit.supply_v),
    )
    low, nominal = (ran.number(f"carrier power at {volts} V") for volts in ("10.8", "13.2"))
    assert low / nominal == pytest.approx((10.8 / 13.2) ** 2, rel=0.02)
    assert ran.number("carrier power") == pytest.approx(nominal, rel=0.02)


def test_a_voltage_near_another_makes_no_uncertainty_larger() -> None:
    """13.2 and 13.3 V lie 0.07 dB apart by the square law; 0.05 dB of scatter between them says nothing of the slope."""

    def at(supply_v: float, more_db: float = 0.0) -> power_against_supply._AtSupply:
        square_law_dbm = 36.0 + 20.0 * math.log10(supply_v / 13.2)
        return power_against_supply._AtSupply(supply_v, (Reading(number=square_law_dbm + more_db),), None)

    read = [at(10.8), at(13.2), at(13.3, more_db=0.05)]
    for one in read:
        assert power_against_supply._exponent_at(one.supply_v, read) == pytest.approx(2.0, abs=0.1)
    assert power_against_supply._exponent_at(13.2, read[1:]) == SUPPLY_EXPONENT


def test_supplies_beyond_the_supply_are_refused(tmp_path: Path) -> None:
    """A voltage above max_voltage of the bench is refused before anything is sent."""
    with pytest.raises(FileProblems, match=r"18 V is above max_voltage"):
        run_checks(tmp_path, "M40-0007", "{check: power_against_supply, channel: 20, supplies: [18 V]}")


def test_supply_current_listening_and_keyed(tmp_path: Path) -> None:
    """0.35 A idle as the specimen states, and keyed the sum of idle and transmit current."""
    ran = run_checks(tmp_path, "M40-0007", "{check: supply_current, channel: 20, receive: {max: 0.5 A}}")
    assert ran.number("supply current, receive") == pytest.approx(0.35, abs=0.01)
    assert ran.number("supply current, transmit") == pytest.approx(1.6, abs=0.05)


def test_the_sweep_finds_the_wrong_memory_and_nothing_else(tmp_path: Path) -> None:
    """The unit with 23 to 25 stored in order fails on just those, by 10 and 20 kHz (the order of 47 CFR 95.963)."""
    check = "{check: channel_sweep, frequency: {within: 600 Hz}, power: {min: 3 W, max: 4 W}}"
    faulty = run_checks(tmp_path, "M40-0016", check)
    wrong = {
        one.channel
        for one in faulty.outcome.results
        if one.quantity == "frequency error" and one.decision is FAIL
    }
    assert wrong == {23, 24, 25}
    assert faulty.number("channel sweep, outside its limits") == 3
    sound = run_checks(tmp_path, "M40-0007", check)
    assert sound.outcome.status is ExitStatus.PASSED
    assert sum(one.quantity == "carrier power" for one in sound.outcome.results) == 40


def test_a_unit_that_radiates_outside_the_plan_is_found(tmp_path: Path) -> None:
    """The opened-up unit radiates on channel 41 and fails; a sound one refuses the channel and passes."""
    check = "{check: channel_sweep, sweep: [1], outside: [41]}"
    assert run_checks(tmp_path, "MX40-0103", check).found("radiated outside the plan", 41).decision is FAIL
    sound = run_checks(tmp_path, "MX40-0101", check).found("refused outside the plan", 41)
    assert sound.decision is PASS
    assert "refuses channel 41 and stands on 1" in sound.note


def test_a_sweep_of_channels_the_plan_lacks_is_refused(tmp_path: Path) -> None:
    """Sweeping channel 41, or calling channel 40 outside, contradicts the plan and is said so."""
    with pytest.raises(FileProblems, match="channel 41 is not in the plan"):
        run_checks(tmp_path, "M40-0007", "{check: channel_sweep, sweep: [41]}")
    with pytest.raises(FileProblems, match="channel 40 is in the plan"):
        run_checks(tmp_path, "M40-0007", "{check: channel_sweep, sweep: [1], outside: [40]}")


def test_peak_envelope_power_and_suppression_of_ssb(tmp_path: Path) -> None:
    """12 W PEP at most (ECC/DEC/(11)03); carrier and sideband at least 40 dB down, and the leaky unit's carrier is found near -20 dB."""
    checks = """
    {check: carrier_power, channel: 20, mode: USB, drive: 5 mV, limit: {min: 8 W, max: 13 W}}
    {check: ssb_suppression, channel: 20, mode: USB, drive: 5 mV, carrier: {min: 40 dB}, sideband: {min: 40 dB}}
    {check: ssb_suppression, channel: 20, mode: LSB, drive: 5 mV, carrier: {min: 40 dB}, sideband: {min: 40 dB}}
    """
    sound = run_checks(tmp_path, "MX40-0101", checks)
    assert sound.outcome.status is ExitStatus.PASSED
    leaky = run_checks(tmp_path, "MX40-0104", checks)
    carriers = [one for one in leaky.outcome.results if one.quantity == "carrier suppression"]
    assert [one.decision for one in carriers] == [FAIL, FAIL]
    for one in carriers:
        assert one.value == pytest.approx(20.0, abs=3.0)


def test_ssb_power_without_drive_and_am_on_an_fm_unit_are_refused_clearly(tmp_path: Path) -> None:
    """Peak envelope power needs a drive (the plan says so); AM on an FM-only unit is the unit's own refusal, and the bench stays safe."""
    with pytest.raises(FileProblems, match="peak envelope power needs a drive"):
        run_checks(tmp_path, "MX40-0101", "{check: carrier_power, channel: 20, mode: USB}")
    ran = run_checks(tmp_path, "M40-0007", "{check: modulation_depth, channel: 20, mode: AM, drive: 10 mV}")
    assert ran.outcome.status is ExitStatus.BENCH_FAILED
    assert "AM" in ran.found("modulation depth, positive").note


def _vhf_plan(folder: Path) -> str:
    """Write the channels of the invented VHF handheld as a plan beside the sequence."""
    path = folder / "vhf.yaml"
    path.write_text(
        "plan: VHF test channels\nsource: invented for this test\nband: {min: 157 MHz, max: 158 MHz}\n"
        "channels: {1: 157.4125 MHz, 2: 157.425 MHz}\n",
        encoding="utf-8",
    )
    return "vhf.yaml"
