"""Audio response of a receiver: against the unit's truth and the single pole of 750 us, its mask, and what is refused."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from sequencer.problems import FileProblems
from sequencer.uncertainty.decision import Decision
from tests.support.running import Ran, run_checks
from tests.support.truth import TrueUnit

SERIAL = "MX40-0101"
TONES_HZ = (300.0, 500.0, 2_000.0, 3_000.0)
CHECK = "{check: receive_audio_response, channel: 20, tones: [300 Hz, 500 Hz, 2 kHz, 3 kHz], within: 1 dB, below: 3 dB}"


def quantity(tone_hz: float) -> str:
    """Return what the result at a tone is called."""
    return f"received audio at {tone_hz:g} Hz"


def true_response_db(serial: str, mode: str, tone_hz: float) -> float:
    """Return the ratio of the loudspeaker's voltages by a tone and by 1 kHz, each read for 200 s."""
    true = TrueUnit(serial, mode, 20)
    how = {"fm_deviation_hz": 0.333 * 1_200.0} if mode == "FM" else {"am_depth_percent": 0.333 * 60.0}
    here, there = (
        true.hear(true.carrier(-47.0, tone_hz=one_hz, **how)).audio_level_v(200.0)
        for one_hz in (tone_hz, 1_000.0)
    )
    return 20.0 * math.log10(here / there)


@pytest.fixture(scope="module", params=["FM", "AM"])
def measured(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Ran]:
    """Return the mode and a run of it."""
    return request.param, run_checks(tmp_path_factory.mktemp("run"), SERIAL, CHECK, mode=request.param)


def test_the_response_is_the_unit_s(measured: tuple[str, Ran]) -> None:
    """At each tone, in FM and AM, it lies within its uncertainty of the truth."""
    mode, ran = measured
    for tone_hz in TONES_HZ:
        result = ran.found(quantity(tone_hz))
        assert result.value is not None, result.note
        assert result.uncertainty is not None
        assert result.uncertainty < 1.0
        assert abs(result.value - true_response_db(SERIAL, mode, tone_hz)) <= result.uncertainty
        assert (result.axis, result.axis_value) == ("audio frequency", tone_hz)


def test_in_fm_it_is_that_of_a_single_pole(measured: tuple[str, Ran]) -> None:
    """750 us: +5.49 dB at 500 Hz and -5.88 dB at 2 kHz against 1 kHz, 1/(1 + (2 pi f t)^2) (worked out); the band filter costs tenths."""
    mode, ran = measured
    if mode == "FM":
        assert ran.number(quantity(500.0)) == pytest.approx(5.49, abs=0.6)
        assert ran.number(quantity(2_000.0)) == pytest.approx(-5.88, abs=0.6)


def test_the_mask_counts_above_and_below_ideal(measured: tuple[str, Ran]) -> None:
    """+1 and -3 dB about 6 dB an octave in FM, about a flat response in AM; what lies outside fails."""
    mode, ran = measured
    for tone_hz in TONES_HZ:
        result = ran.found(quantity(tone_hz))
        ideal_db = -20.0 * math.log10(tone_hz / 1_000.0) if mode == "FM" else 0.0
        assert result.lower_limit == pytest.approx(ideal_db - 3.0)
        assert result.upper_limit == pytest.approx(ideal_db + 1.0)
        assert result.value is not None
        holds = ideal_db - 3.0 <= result.value <= ideal_db + 1.0
        assert (result.decision is Decision.PASS) is holds


def test_where_noise_hides_the_tones_there_is_no_figure(tmp_path: Path) -> None:
    """Below the threshold the audio is hiss with modulation as without: words, no response that would fail the unit."""
    check = "{check: receive_audio_response, channel: 20, level: -125 dBm, tones: [500 Hz], within: 1 dB}"
    result = run_checks(tmp_path, SERIAL, check).found(quantity(500.0))
    assert result.value is None
    assert "no tone stands out of noise and hum" in result.note


@pytest.mark.parametrize(
    ("how", "message"),
    [
        ("mode: USB", "receive_audio_response.*USB.*allowed: .*FM"),
        ("level: 3 dBm", "above the receiver's rating"),
        ("share: 0 %", "share"),
        ("tones: []", "tones"),
    ],
)
def test_the_plan_refuses(tmp_path: Path, how: str, message: str) -> None:
    """A mode without modulation, a level too high, no modulation and no tone are said before anything is sent."""
    with pytest.raises(FileProblems, match=f"(?s){message}"):
        run_checks(tmp_path, SERIAL, f"{{check: receive_audio_response, channel: 20, {how}}}")
