"""Adjacent channel power and occupied bandwidth, of specimens whose truth is summed from their own wave, and of instruments that lie.

Outside the project: the sums are taken from a long transform of the wave (numpy), which `tests/sequencer/dsp/test_spectrum.py` and
`tests/sim/instruments/test_spectrum_analyser.py` hold against Bessel functions and scipy's estimate. 20 uW: MPT 1382 (a public summary).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from sequencer.checks.transmit.adjacent_channel_power import _to_either_side
from sequencer.problems import FileProblems
from sequencer.uncertainty.budget import Budget, Contribution
from sequencer.uncertainty.decision import Decision
from tests.support.spectral import adjacent_db, emission, occupied_hz, results, run

CHANNEL_HZ = 27_205_000.0
ACP = "check: adjacent_channel_power, channel: 20, drive: 10 mV, limit: {max: 20 uW}"
OBW = "check: occupied_bandwidth, channel: 20, drive: 10 mV, limit: {max: 8 kHz}"
BOTH_WAYS = (ACP, f"{ACP}, read: samples", OBW, f"{OBW}, read: samples")


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """One run of both figures by the analyser and from samples."""
    return run(tmp_path_factory.mktemp("seen"), "M40-0007", *BOTH_WAYS)


def of_step(rig: Any, index: int) -> dict[str, Any]:
    """Return the results of one step by quantity."""
    return {one.quantity: one for one in rig.record.kept[index]}


@pytest.mark.parametrize("step", [0, 1])
def test_the_ratio_is_that_of_the_unit_s_own_wave(seen: Any, step: int) -> None:
    """Both sides lie within U of what the wave holds there, whichever instrument saw it; the two sides differ, as the wave's do."""
    sent = emission("M40-0007", 1_250.0, 0.100)
    found = of_step(seen, seen.plan.steps[step].index)
    for which, middle_hz in (("lower", -10e3), ("upper", 10e3)):
        one = found[f"adjacent channel power ratio, {which}"]
        assert one.value == pytest.approx(
            adjacent_db(sent, CHANNEL_HZ, middle_hz, 8.5e3), abs=one.uncertainty
        )
        power = found[f"adjacent channel power, {which}"]
        assert power.decision is Decision.FAIL
        true_w = sent.power_w * 10.0 ** (-adjacent_db(sent, CHANNEL_HZ, middle_hz, 8.5e3) / 10.0)
        assert power.value == pytest.approx(true_w, abs=power.uncertainty)


@pytest.mark.parametrize("step", [2, 3])
def test_the_bandwidth_is_that_of_the_unit_s_own_wave(seen: Any, step: int) -> None:
    """2500 Hz, 14.4 dB above the level for 60 %: within U of the band that holds 99 % of the wave."""
    sent = emission("M40-0007", 2_500.0, 0.010 * 10.0 ** (14.4 / 20.0))
    one = of_step(seen, seen.plan.steps[step].index)["occupied bandwidth"]
    assert one.value == pytest.approx(occupied_hz(sent, CHANNEL_HZ), abs=one.uncertainty)
    assert one.decision is Decision.PASS


@pytest.mark.parametrize("read", ["spectrum", "samples"])
@pytest.mark.parametrize("tone_hz", [2_100, 2_130, 2_150, 2_170])
@pytest.mark.parametrize("tilt_db", [-0.14, 0.0, 0.14])
def test_a_bandwidth_near_a_step_of_the_tone_holds_the_step_in_its_u(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, tilt_db: float, tone_hz: int, read: str
) -> None:
    """An analyser off by less than its stated 0.15 dB on what lies 12 dB and more down moves the edge to another line: U says so."""
    from sim.instruments.spectrum_analyser import SpectrumAnalyser

    real = SpectrumAnalyser._shown_dbm

    def tilted(self: Any, powers: Any) -> Any:
        shown = real(self, powers)
        return shown + tilt_db * (shown < shown.max() - 12.0)

    monkeypatch.setattr(SpectrumAnalyser, "_shown_dbm", tilted)
    true_hz = occupied_hz(emission("M40-0041", tone_hz, 0.010 * 10.0 ** (14.4 / 20.0)), CHANNEL_HZ)
    asked = f"check: occupied_bandwidth, channel: 20, drive: 10 mV, tone: {tone_hz} Hz, read: {read}, limit: {{max: 8 kHz}}"
    for seed in (1, 2, 3):
        one = results(run(tmp_path, "M40-0041", asked, seed=seed))["occupied bandwidth"]
        assert one.value == pytest.approx(true_hz, abs=one.uncertainty)


def test_a_bandwidth_far_from_a_step_has_no_step_in_its_u(tmp_path: Path) -> None:
    """Where no error of level within what is stated brings another line in, U stays that of the filter: a few of its widths."""
    found = results(run(tmp_path, "M40-0041", OBW.replace("limit", "tone: 2500 Hz, limit")))[
        "occupied bandwidth"
    ]
    assert found.uncertainty is not None
    assert found.uncertainty < 500.0


def test_what_rests_on_the_instrument_is_said_beside_the_result(seen: Any) -> None:
    """Drive, band and own noise stand in the note; of samples that it is from them."""
    steps = [of_step(seen, step.index) for step in seen.plan.steps]
    note = steps[0]["adjacent channel power ratio, upper"].note
    assert "100 mV at 1250 Hz" in note
    assert "8.5 kHz, offsets from the channel's frequency" in note
    assert "own noise -7" in note
    assert "from baseband samples" in steps[1]["adjacent channel power ratio, upper"].note


@pytest.mark.parametrize(("stated_db", "least_db"), [(0.2, 0.2), (1.0, 1.13), (4.0, 11.0), (9.0, 20.0)])
def test_u_of_a_ratio_reaches_as_far_as_that_of_its_power(stated_db: float, least_db: float) -> None:
    """A power of 1.0 mW with U of 0.92 mW may be 0.08 mW: 11 dB further down, and 20 dB at most (arithmetic of decibels)."""
    part = Contribution.expanded("all", stated_db, unit="dB")
    made = _to_either_side(Budget(quantity="ratio", unit="dB", value=35.0, contributions=(part,)))
    assert made.expanded == pytest.approx(least_db, rel=0.03)


def test_a_compressed_mixer_is_over_range_and_no_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An analyser whose mixer is compressed says nothing of it; with 10 dB more before it the carrier rises, so that nothing is stated."""
    from sim.instruments import swept

    monkeypatch.setattr(swept, "THIRD_ORDER_W", 0.2e-3)  # -7 dBm where +17 dBm is usual
    found = results(run(tmp_path, "M40-0007", ACP))
    assert {one.value for one in found.values()} == {None}
    assert (
        "over range: with 10 dB more of attenuation the carrier reads +"
        in found["adjacent channel power, lower"].note
    )
    assert "its input is overloaded" in found["adjacent channel power, lower"].note


def test_an_analyser_that_sees_another_carrier_than_the_power_meter_states_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cable of 6 dB before the analyser that no file knows: both carriers stand in the note."""
    from sim.instruments.spectrum_analyser import SpectrumAnalyser

    real = SpectrumAnalyser._shown_dbm
    monkeypatch.setattr(SpectrumAnalyser, "_shown_dbm", lambda self, powers: real(self, powers) - 6.0)
    found = results(run(tmp_path, "M40-0007", ACP))
    assert {one.value for one in found.values()} == {None}
    assert "the spectrum analyser shows a carrier of" in found["adjacent channel power, upper"].note


def test_a_sweep_that_was_too_fast_states_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The instrument's own word that it is not calibrated leaves no number."""
    from sim.instruments.spectrum_analyser import SpectrumAnalyser

    monkeypatch.setattr(SpectrumAnalyser, "questionable_condition", lambda self: 256)
    found = results(run(tmp_path, "M40-0007", ACP))
    assert {one.value for one in found.values()} == {None}
    assert "it swept too fast" in found["adjacent channel power, upper"].note


def test_a_source_that_does_not_reach_the_unit_gives_no_adjacent_power(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A microphone lead that is off: an unmodulated carrier has next to nothing beside it, and that is no pass."""
    from sim.radio.simulated_unit import SimulatedUnit

    monkeypatch.setattr(SimulatedUnit, "set_microphone", lambda self, *_, **__: None)
    found = results(run(tmp_path, "M40-0007", ACP))
    assert {one.value for one in found.values()} == {None}
    assert "does not follow the drive" in found["adjacent channel power, upper"].note


@pytest.mark.parametrize(
    ("check", "changes", "said"),
    [
        (ACP + ", resolution_bandwidth: 200 Hz", {}, "has no resolution bandwidth of 200 Hz"),
        (ACP, {"highest: 3 GHz": "highest: 20 MHz"}, "beyond the highest frequency of the spectrum analyser"),
        (ACP + ", bandwidth: 25 kHz", {}, "holds the carrier"),
        (
            ACP,
            {"175 MHz: 30.1 dB, 300 MHz: 30.3 dB, 1 GHz: 30.9 dB": "20 MHz: 30.1 dB"},
            "the loss table of the transmit path ends at 20 MHz",
        ),
        (ACP, {"max_power: 1 W": "max_power: 1 mW"}, "is more than max_power of spectrum_analyser"),
    ],
)
def test_what_the_bench_cannot_do_is_refused_before_anything_is_sent(
    tmp_path: Path, check: str, changes: dict[str, str], said: str
) -> None:
    """A filter it has not, a span beyond it or beyond the loss table, a band that holds the carrier, an input that bears less."""
    with pytest.raises(FileProblems) as refused:
        run(tmp_path, "M40-0007", check, **changes)
    assert said in str(refused.value)


def test_two_tones_in_ssb_are_seen_without_a_carrier(tmp_path: Path) -> None:
    """SSB, 400 and 2500 Hz at the rated power: what lies below the analyser's own noise is said to be at most so much."""
    check = "check: adjacent_channel_power, channel: 20, drive: 5 mV, limit: {max: 20 uW}"
    rig = run(tmp_path, "MX40-0101", check, mode="USB")
    sent = emission("MX40-0101", 400.0, 0.005, mode="USB", second_hz=2_500.0)
    for which, middle_hz in (("lower", -10e3), ("upper", 10e3)):
        one = results(rig)[f"adjacent channel power ratio, {which}"]
        true_db = adjacent_db(sent, CHANNEL_HZ, middle_hz, 8.5e3)
        assert one.value is not None
        # nothing 72 dB down or more can be told from the analyser's own noise beside both tones
        assert 66.0 < one.value < true_db + (one.uncertainty or 0.0)
        assert "own noise -7" in one.note
        assert one.bound == "at least"
