"""Each check in the modes it is for, beyond what its own tests show, and what the plan refuses of it.

What is true is what the specimen's file states, or textbook arithmetic named beside the test. Outside the project: 47 CFR 2.1046 (two equal
tones: mean power is half of the peak envelope power), 47 CFR 95.975, MPT 1382.
"""

from __future__ import annotations

import math
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from sequencer.problems import FileProblems
from sequencer.results.model import Result
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from sim.rf_signal import RfSignal
from tests.support.running import run_checks
from tests.support.truth import BENCH, INTERFERER, TrueUnit, where, write_bench

HF: dict[str, Any] = {"plan": "hf-ssb-service", "supply": "13.8 V"}
PASS, FAIL = Decision.PASS, Decision.FAIL


def _near(result: Result, truth: float, slack: float = 0.0) -> None:
    assert result.value is not None, result.note
    assert result.uncertainty is not None
    assert abs(result.value - truth) <= result.uncertainty + slack


# SSB


@pytest.mark.parametrize(
    ("serial", "mode", "channel", "drive", "pep_w", "third_order_db", "more"),
    [
        ("MX40-0101", "USB", 20, "5 mV", 11.0, 28.0, {}),
        ("MX40-0101", "LSB", 20, "5 mV", 11.0, 28.0, {}),
        ("H10-0201", "USB", 5, "4 mV", 10.0, 30.0, HF),
    ],
)
def test_peak_envelope_power_is_the_stated_one(
    tmp_path: Path,
    serial: str,
    mode: str,
    channel: int,
    drive: str,
    pep_w: float,
    third_order_db: float,
    more: dict[str, Any],
) -> None:
    """Two equal tones at full drive give the PEP that the specimen states; their mean is half of it (47 CFR 2.1046) but for the products.

    Two tones of 1 and third-order products of a each, in opposition at the peak: PEP over mean is (2 - 2a)² / (2 + 2a²), 2 for a = 0.
    """
    mean_w: list[float] = []

    def watch(simulation: Any) -> None:
        asked = simulation.wiring.at_meter_peak_dbm

        def at_meter_peak_dbm() -> float | None:
            emission = simulation.wiring.emission()
            if emission is not None:
                mean_w.append(emission.power_w)
            return asked()  # type: ignore[no-any-return]

        simulation.wiring.at_meter_peak_dbm = at_meter_peak_dbm

    check = f"{{check: carrier_power, channel: {channel}, mode: {mode}, drive: {drive}}}"
    result = run_checks(tmp_path, serial, check, before=watch, **more).found("peak envelope power")
    _near(result, pep_w)
    assert mean_w
    a = 10.0 ** (-third_order_db / 20.0)
    expected = (2.0 - 2.0 * a) ** 2 / (2.0 + 2.0 * a**2)
    at_full_drive_w = max(mean_w)  # it is read once more at a lower drive
    assert 10.0 * math.log10(pep_w / at_full_drive_w) == pytest.approx(10.0 * math.log10(expected), abs=0.1)


@pytest.mark.parametrize(
    ("serial", "carrier_db", "sideband_db"), [("H10-0201", 50.0, 55.0), ("H10-0203", 50.0, 22.0)]
)
@pytest.mark.parametrize("mode", ["USB", "LSB"])
def test_carrier_and_unwanted_sideband_are_found_where_they_are_stated(
    tmp_path: Path, serial: str, carrier_db: float, sideband_db: float, mode: str
) -> None:
    """Both suppressions within 2 dB of what the file states; the set with the wrong filter fails 40 dB by its sideband alone."""
    check = "{check: ssb_suppression, channel: 5, drive: 4 mV, carrier: {min: 40 dB}, sideband: {min: 40 dB}}"
    ran = run_checks(tmp_path, serial, check, mode=mode, **HF)
    assert ran.number("carrier suppression") == pytest.approx(carrier_db, abs=2.0)
    assert ran.number("unwanted sideband suppression") == pytest.approx(sideband_db, abs=2.0)
    assert ran.found("carrier suppression").decision is PASS
    assert ran.found("unwanted sideband suppression").decision is (PASS if sideband_db > 40 else FAIL)


def test_a_row_that_could_not_be_measured_has_the_name_of_one_that_could(tmp_path: Path) -> None:
    """Where the whole sequence is in USB, a unit that has none leaves a row for its peak envelope power, not for a carrier."""
    ran = run_checks(tmp_path, "M40-0007", "{check: carrier_power, channel: 20, drive: 5 mV}", mode="USB")
    assert ran.found("peak envelope power").decision is Decision.NOT_MEASURED


# FM and AM, both sides


def test_both_signs_of_deviation_are_told_apart(tmp_path: Path) -> None:
    """The file states 2.6 kHz with positive peaks 6 % larger than negative ones: both signs are found, at normal drive and above."""
    checks = """
    {check: peak_deviation, channel: 1, drive: 10 mV}
    {check: peak_deviation, channel: 2, drive: 10 mV, above: 20 dB}
    """
    ran = run_checks(tmp_path, "M40-0013", checks)
    for channel, words in ((1, ""), (2, ", 20 dB above")):
        positive, negative = (
            ran.number(f"peak deviation, {side}{words}", channel) for side in ("positive", "negative")
        )
        assert positive / negative == pytest.approx(1.06, abs=0.02)
    assert (positive + negative) / 2.0 == pytest.approx(2600.0, rel=0.04)


def test_both_peaks_of_depth_are_told_apart(tmp_path: Path) -> None:
    """Without a limiter upward peaks pass 100 %, while a trough cannot be deeper than no carrier at all."""
    check = (
        "{check: modulation_depth, channel: 20, mode: AM, drive: 10 mV, above: 20 dB, limit: {max: 100 %}}"
    )
    ran = run_checks(tmp_path, "MX40-0102", check)
    positive, negative = (
        ran.found(f"modulation depth, {side}, 20 dB above") for side in ("positive", "negative")
    )
    assert positive.value is not None
    assert negative.value is not None
    assert positive.value > 120.0
    assert positive.decision is FAIL
    assert 95.0 < negative.value <= 100.0 + (negative.uncertainty or 0.0)


# AM and CW, where the check's own tests are in FM


def test_am_distortion_and_residual_are_what_is_stated(tmp_path: Path) -> None:
    """2 % of distortion and 0.4 % rms of hum on a carrier; the hum against a 60 % peak is 20·log(60/√2/0.4), 300 Hz to 3 kHz of it."""
    checks = """
    {check: transmit_distortion, channel: 20, drive: 10 mV, limit: {max: 10 %}}
    {check: residual_modulation, channel: 20, limit: {min: 34 dB}}
    """
    sound = run_checks(tmp_path, "MX40-0101", checks, mode="AM")
    assert sound.number("transmit distortion") == pytest.approx(2.0, abs=1.2)
    expected_db = 20.0 * math.log10(60.0 / math.sqrt(2.0) / 0.4)
    assert sound.number("residual modulation, below normal") == pytest.approx(expected_db, abs=1.0)
    cut = run_checks(
        tmp_path,
        "MX40-0102",
        "{check: transmit_distortion, channel: 20, drive: 100 mV, limit: {max: 10 %}}",
        mode="AM",
    )
    assert cut.found("transmit distortion").decision is FAIL


@pytest.mark.parametrize(("mode", "ideal"), [("AM", "flat"), ("FM", "6 dB per octave")])
def test_the_ideal_response_is_the_mode_s_unless_it_is_stated(tmp_path: Path, mode: str, ideal: str) -> None:
    """AM is flat and FM rises by 6 dB an octave without a word of it; stated the other way round, either fails 3 dB at 500 Hz."""
    other = "flat" if ideal != "flat" else "6 dB per octave"
    checks = f"""
    {{check: audio_response, channel: 20, drive: 3 mV, tones: [500 Hz, 2 kHz], within: 3 dB}}
    {{check: audio_response, channel: 1, drive: 3 mV, tones: [500 Hz, 2 kHz], emphasis: {other}, within: 3 dB}}
    """
    ran = run_checks(tmp_path, "MX40-0101", checks, mode=mode)
    assert ran.found("audio response at 500 Hz", 20).decision is PASS
    assert ran.found("audio response at 2000 Hz", 20).decision is PASS
    assert ideal in ran.found("audio response at 500 Hz", 20).note
    assert ran.found("audio response at 500 Hz", 1).decision is FAIL


@pytest.mark.parametrize(
    ("serial", "mode", "channel", "power_w", "nominal_v", "low_v", "more"),
    [
        ("MX40-0101", "AM", 20, 3.7, 13.2, 10.8, {}),
        ("H10-0201", "CW", 5, 10.0, 13.8, 12.0, HF),
    ],
)
def test_the_checks_of_a_carrier_work_in_am_and_cw(
    tmp_path: Path,
    serial: str,
    mode: str,
    channel: int,
    power_w: float,
    nominal_v: float,
    low_v: float,
    more: dict[str, Any],
) -> None:
    """Power as stated, its fall with the square of the supply (textbook), the carrier within 20 ppm, a sweep, and the current it takes."""
    checks = f"""
    {{check: carrier_power, channel: {channel}}}
    {{check: frequency_error, channel: {channel}, limit: {{within: 20 ppm}}}}
    {{check: frequency_error, channel: 1, read: samples, limit: {{within: 20 ppm}}}}
    {{check: power_against_supply, channel: {channel}, supplies: [{low_v:g} V, {nominal_v:g} V]}}
    {{check: supply_current, channel: {channel}}}
    {{check: channel_sweep, sweep: [1, {channel}], frequency: {{within: 20 ppm}}, power: {{min: 1 W, max: 12 W}}}}
    """
    ran = run_checks(tmp_path, serial, checks, mode=mode, **more)
    assert ran.outcome.status is ExitStatus.PASSED
    power = next(one for one in ran.outcome.results if one.check == "carrier_power")
    _near(power, power_w)
    low_w, nominal_w = (ran.number(f"carrier power at {volts:g} V") for volts in (low_v, nominal_v))
    falls_by = (low_v / nominal_v) ** 2
    assert low_w / nominal_w == pytest.approx(falls_by, rel=0.04)
    assert ran.number("supply current, transmit") > ran.number("supply current, receive") + 0.5


# the receive side


@pytest.mark.parametrize(("serial", "s9_dbm"), [("MX40-0101", -73.6), ("H10-0201", -73.4)])
@pytest.mark.parametrize("mode", ["AM", "USB", "LSB", "CW"])
def test_s9_is_found_in_every_mode_that_a_unit_has(
    tmp_path: Path, serial: str, s9_dbm: float, mode: str
) -> None:
    """The meter hangs on the level and not on the mode: S9 where the file states it, in AM and in SSB; CW where there is one."""
    channel, more = (20, {}) if serial == "MX40-0101" else (5, HF)
    check = f"{{check: s9_point, channel: {channel}, target: 2.25 V, limit: {{within: 6 dB}}}}"
    ran = run_checks(tmp_path, serial, check, mode=mode, **more)
    if serial == "MX40-0101" and mode == "CW":
        assert "this unit has FM, AM, USB, LSB" in ran.found("S9 point").note
        return
    _near(ran.found("S9 point"), s9_dbm, 0.3)
    assert ran.found("S9 point").decision is PASS


@pytest.mark.parametrize(
    ("mode", "weighting"), [("AM", "psophometric"), ("USB", "C-message"), ("LSB", "psophometric")]
)
@pytest.mark.parametrize("ratio_db", [12, 20])
def test_weighted_sinad_in_am_and_ssb(tmp_path: Path, mode: str, weighting: str, ratio_db: int) -> None:
    """The level found is where the unit's true SINAD behind that weighting meets 12 or 20 dB."""
    check = f"{{check: sensitivity, channel: 20, target: {ratio_db} dB SINAD, weighting: {weighting}}}"
    result = run_checks(tmp_path, "MX40-0101", check, mode=mode).found(
        f"sensitivity, {ratio_db} dB SINAD, {weighting}"
    )
    true = TrueUnit("MX40-0101", mode, 20)
    beside_hz = {"AM": 0.0, "USB": 1e3, "LSB": -1e3}[mode]
    depth = 30.0 if mode == "AM" else 0.0

    def sinad_db(level_dbm: float) -> float:
        return true.hear(true.carrier(level_dbm, beside_hz, am_depth_percent=depth)).mean_sinad_db(weighting)

    _near(result, where(sinad_db, float(ratio_db), -135.0, -90.0))


def test_signal_and_noise_of_ssb_are_the_generator_on_and_off(tmp_path: Path) -> None:
    """(S+N)/N in USB: at the level found the true loudspeaker voltage with the signal is 10 dB above that with the generator off."""
    check = "{check: sensitivity, channel: 20, target: 10 dB (S+N)/N}"
    result = run_checks(tmp_path, "MX40-0101", check, mode="USB").found("sensitivity, 10 dB (S+N)/N")
    true = TrueUnit("MX40-0101", "USB", 20)
    noise_v = true.hear(None).audio_level_v(2_000.0)

    def ratio_db(level_dbm: float) -> float:
        return 20.0 * math.log10(true.hear(true.carrier(level_dbm, 1e3)).audio_level_v(2_000.0) / noise_v)

    _near(result, where(ratio_db, 10.0, -135.0, -110.0), 0.1)


def test_noise_of_am_is_the_unmodulated_carrier(tmp_path: Path) -> None:
    """(S+N)/N in AM: modulation on against off with the carrier standing; taken with no carrier at all it would be another level."""
    check = "{check: sensitivity, channel: 20, target: 10 dB (S+N)/N}"
    result = run_checks(tmp_path, "MX40-0101", check, mode="AM").found("sensitivity, 10 dB (S+N)/N")
    true = TrueUnit("MX40-0101", "AM", 20)
    silent_v = true.hear(None).audio_level_v(2_000.0)

    def ratio_db(level_dbm: float, *, carrier_on: bool) -> float:
        heard_v = true.hear(true.carrier(level_dbm, am_depth_percent=30.0)).audio_level_v(2_000.0)
        noise_v = true.hear(true.carrier(level_dbm)).audio_level_v(2_000.0) if carrier_on else silent_v
        return 20.0 * math.log10(heard_v / noise_v)

    right_dbm = where(partial(ratio_db, carrier_on=True), 10.0, -135.0, -95.0)
    _near(result, right_dbm, 0.1)
    assert ratio_db(right_dbm, carrier_on=False) > 11.0  # the convention matters: the AGC turns the hiss down


def test_a_cw_ratio_beside_an_interferer(tmp_path: Path) -> None:
    """In CW, too, selectivity is the ratio at which the true SINAD is back at 12 dB."""
    bench = write_bench(tmp_path, interferer=INTERFERER)
    check = "{check: selectivity, channel: 5, wanted: -120 dBm, offsets: [10 kHz]}"
    result = run_checks(tmp_path, "H10-0201", check, mode="CW", bench=bench, **HF).found(
        "selectivity, +10 kHz"
    )
    true = TrueUnit("H10-0201", "CW", 5)
    wanted = true.carrier(-120.0)

    def sinad_db(level_dbm: float) -> float:
        return true.hear(wanted, true.carrier(level_dbm, 10e3)).mean_sinad_db()

    _near(result, where(sinad_db, 12.0, -100.0, -10.0) + 120.0)


# proof that nothing is radiated outside the plan


def test_a_unit_that_goes_outside_the_plan_and_stays_silent_there_passes(tmp_path: Path) -> None:
    """It has a stored channel 41 beyond its band and, keyed there, gives no power: a fact, and no 0 W that nobody read."""
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    (shelf / "s-1.yaml").write_text(
        "serial: S-1\nmemory: {frequency: {41: 27.995 MHz}}\n"
        "tuning: {lowest: 26 MHz, highest: 28 MHz, transmit: [26.96 MHz, 27.41 MHz]}\n",
        encoding="utf-8",
    )
    bench = tmp_path / "bench.yaml"
    bench.write_text(
        BENCH.read_text(encoding="utf-8").replace("unit: units ", f"unit: {shelf} "), encoding="utf-8"
    )
    keyed: list[bool] = []

    def watch(simulation: Any) -> None:
        key = simulation.wiring.key

        def pressed() -> None:
            key()
            keyed.append(simulation.unit.channel == 41)

        simulation.wiring.key = pressed

    check = "{check: channel_sweep, sweep: [40], outside: [41, 42]}"
    ran = run_checks(tmp_path, "S-1", check, bench=str(bench), before=watch)
    silent = ran.found("silent outside the plan", 41)
    assert silent.decision is PASS
    assert any(keyed), "it was keyed on channel 41: what is not tried is not shown"
    assert "refuses" in ran.found("refused outside the plan", 42).note
    assert ran.number("channel sweep, outside its limits") == 0


# what the plan refuses


@pytest.mark.parametrize(
    ("check", "words"),
    [
        ("carrier_power, channel: 20, drive: 5 mV", "measured without modulation in FM"),
        (
            "carrier_power, channel: 20, mode: USB, drive: 5 mV, tones: [1 kHz]",
            "1 tones; allowed|two different tones",
        ),
        (
            "carrier_power, channel: 20, mode: USB, drive: 5 mV, tones: [1 kHz, 1 kHz]",
            "the two tones are one",
        ),
        ("carrier_power, channel: 20, mode: USB, drive: 5 mV, tones: [1 kHz, 2 kHz, 3 kHz]", "3 tones"),
        (
            "microphone_sensitivity, channel: 20, lowest: 1 V, highest: 10 mV",
            "nothing lies between lowest 1 V and highest 0.01 V",
        ),
        ("microphone_sensitivity, channel: 20, highest: 50 uV", "nothing lies between"),
        ("peak_deviation, channel: 20, drive: 2 V, above: 20 dB", "20 dB above a drive of 2 V is 20 V"),
        (
            "modulation_depth, channel: 20, mode: AM, drive: 2 V, above: 20 dB",
            "at most 10 V at the microphone input",
        ),
        ("channel_sweep, channel: 20", "goes to its channels itself"),
        ("channel_sweep, sweep: [1, 2, 1]", "channel 1 is named twice"),
        ("channel_sweep, outside: [41, 41]", "channel 41 is named twice"),
        ("channel_sweep, sweep: []", "the list is empty"),
        ("modulation_depth, channel: 20, drive: 10 mV", "modulation_depth is not for FM"),
        ("peak_deviation, channel: 20, mode: AM, drive: 10 mV", "peak_deviation is not for AM"),
        ("ssb_suppression, channel: 20, drive: 5 mV", "ssb_suppression is not for FM"),
        ("agc_span, channel: 20", "agc_span is not for FM"),
        ("audio_response, channel: 20, mode: USB, drive: 3 mV", "audio_response is not for USB"),
        ("sinad, channel: 20, mode: AM, level: -100 dBm", "sinad is not for AM"),
    ],
)
def test_what_makes_no_sense_is_refused_before_anything_is_sent(
    tmp_path: Path, check: str, words: str
) -> None:
    """A setting that is not for the mode, a range without width, a drive that no microphone input bears, a channel named twice."""
    with pytest.raises(FileProblems, match=words):
        run_checks(tmp_path, "MX40-0101", f"{{check: {check}}}")


def test_a_mode_that_the_unit_has_not_is_its_own_refusal(tmp_path: Path) -> None:
    """SSB and AM checks on an FM-only unit name the mode and what there is; the FM check after them is measured all the same."""
    checks = """
    {check: ssb_suppression, channel: 20, mode: USB, drive: 5 mV}
    {check: sensitivity, channel: 20, mode: LSB, target: 10 dB (S+N)/N}
    {check: agc_span, channel: 20, mode: AM}
    {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
    """
    ran = run_checks(tmp_path, "M40-0007", checks)
    for quantity in ("carrier suppression", "sensitivity, 10 dB (S+N)/N", "AGC span"):
        result = ran.found(quantity)
        assert result.decision is Decision.NOT_MEASURED
        assert "this unit has FM" in result.note
    assert ran.found("frequency error").decision is PASS
    assert ran.outcome.status is ExitStatus.BENCH_FAILED


def test_rf_signals_of_these_tests_are_on_the_dial() -> None:
    """The truth is asked at the unit's own dial frequency: a signal 1 kHz above it is one that USB hears as a tone."""
    true = TrueUnit("MX40-0101", "USB", 20)
    signal = true.carrier(-100.0, 1e3)
    assert isinstance(signal, RfSignal)
    assert true.hear(signal).mean_sinad_db() > 20.0
    assert true.hear(true.carrier(-100.0, -1e3)).mean_sinad_db() < 3.0
