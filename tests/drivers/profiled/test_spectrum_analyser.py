"""The spectrum analyser on its profile: what is set is read back, what moved is found, and a trace is levels or no trace."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from drivers.faults import NotConfirmed, UnexpectedReply
from drivers.roles import RangeState, SpectrumSettings
from tests.support.profiled_bench import CHANNEL_20_HZ, ProfiledBench, changed, shipped_profile

ROLE = "spectrum_analyser"
USUAL = SpectrumSettings(
    centre_hz=CHANNEL_20_HZ,
    span_hz=40e3,
    resolution_bandwidth_hz=300.0,
    points=401,
    reference_level_dbm=10.0,
    attenuation_db=20.0,
)


def test_a_keyed_unit_is_seen_and_a_released_one_is_not() -> None:
    """The carrier's power stands at its own place, 30 dB below the unit's, and the sum over the trace is the power meter's."""
    with ProfiledBench() as bench:
        bench.transmit()
        analyser = bench.driver(ROLE)
        made = analyser.configure_spectrum(USUAL)
        assert made.sweep_time_s == pytest.approx(2.5 * 40e3 / 300.0**2, rel=1e-6)
        spectrum = analyser.read_spectrum()
        power_dbm = bench.driver("power_meter").read_power_dbm().number
        assert (spectrum.state, spectrum.is_calibrated, spectrum.is_watched) == (
            RangeState.IN_RANGE,
            True,
            True,
        )
        summed_w = np.sum(10.0 ** (spectrum.levels_dbm / 10.0)) * USUAL.step_hz / (1.1285 * 300.0)
        assert 10.0 * np.log10(summed_w) == pytest.approx(
            power_dbm, abs=1.2
        )  # its own errors: 0.4, 0.4 and 0.15 dB, 3 %
        bench.driver("radio").unkey()
        assert analyser.read_spectrum().levels_dbm.max() < -90.0
        assert bench.simulation.hazards == ()


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"resolution_bandwidth_hz": 200.0}, "resolution_bandwidth was set to 200 and reads back"),
        ({"attenuation_db": 5.0}, "attenuation was set to 5 and reads back"),
    ],
)
def test_what_it_has_not_is_an_error_and_no_rounding(changes: dict[str, Any], named: str) -> None:
    """A filter or a step of the attenuator that it rounds to another is not taken for the one asked for."""
    with ProfiledBench() as bench, pytest.raises(NotConfirmed, match=named):
        bench.driver(ROLE).configure_spectrum(replace(USUAL, **changes))


def test_a_setting_that_another_moved_is_found() -> None:
    """A reference level that reads otherwise once everything is set leaves nothing to read: such settings couple."""
    with ProfiledBench() as bench:
        analyser = bench.driver(ROLE)
        device = bench.device(ROLE)

        def moved() -> None:
            device.settings["reference_dbm"] = 0.0

        device._leave_sweep = moved  # what a change of the sweep time calls
        with pytest.raises(
            NotConfirmed, match="its settings move one another: reference_level was set to 10 and reads"
        ):
            analyser.configure_spectrum(replace(USUAL, sweep_time_s=2.0))


def test_only_the_attenuation_is_sent_where_nothing_else_changed() -> None:
    """The proof by another attenuation costs one setting; everything is still asked for again."""
    with ProfiledBench() as bench:
        analyser = bench.driver(ROLE)
        analyser.configure_spectrum(USUAL)
        before = len(bench.sent(ROLE))
        analyser.configure_spectrum(replace(USUAL, attenuation_db=30.0))
        since = bench.sent(ROLE)[before:]
        assert sum(":INPut:ATTenuation 3E+1" in each for each in since) == 1
        assert not any("SPAN " in each for each in since)
        assert any("SPAN?" in each for each in since)


def test_a_trace_of_another_length_is_no_trace() -> None:
    """Fewer levels than points were set mean that each belongs to another frequency."""
    with ProfiledBench() as bench:
        analyser = bench.driver(ROLE)
        analyser.configure_spectrum(USUAL)
        bench.device(ROLE).read_trace = lambda _name: np.full(400, -50.0, dtype=">f4").tobytes()
        with pytest.raises(UnexpectedReply, match="400 numbers came where 401 points were set"):
            analyser.read_spectrum()
        bench.device(ROLE).read_trace = lambda _name: np.full(401, -50.0, dtype=">f8").tobytes()
        with pytest.raises(UnexpectedReply, match="numbers of 64 bits"):
            analyser.read_spectrum()


def _traces(*highest_dbm: float) -> Any:
    """Return what gives one trace after the other, each with its own line."""
    left = iter(highest_dbm)

    def read_trace(_name: str) -> bytes:
        levels = np.full(401, -50.0, dtype=">f4")
        levels[17] = next(left)
        return levels.tobytes()

    return read_trace


def test_a_trace_is_what_two_readings_of_one_sweep_have() -> None:
    """A line that only one reading shows is none; where no two of three agree the trace does not stand still, and is none."""
    with ProfiledBench() as bench:
        analyser = bench.driver(ROLE)
        analyser.configure_spectrum(USUAL)
        for readings in ((-20.0, -50.0, -50.0), (-50.0, -20.0, -50.0)):
            bench.device(ROLE).read_trace = _traces(*readings)
            assert analyser.read_spectrum().levels_dbm.max() == -50.0
        bench.device(ROLE).read_trace = _traces(-20.0, -30.0, -40.0)
        with pytest.raises(UnexpectedReply, match="three readings of one sweep differ"):
            analyser.read_spectrum()


@pytest.mark.parametrize("special", [9.91e37, 9.9e37, -9.9e37, float("nan")])
def test_a_special_number_in_a_trace_is_no_level(special: float) -> None:
    """SCPI's not-a-number, its infinities, and a NaN of the block itself: no measurement."""
    with ProfiledBench() as bench:
        analyser = bench.driver(ROLE)
        analyser.configure_spectrum(USUAL)
        levels = np.full(401, -50.0, dtype=">f4")
        levels[17] = special
        bench.device(ROLE).read_trace = lambda _name: levels.tobytes()
        assert analyser.read_spectrum().state is RangeState.NO_MEASUREMENT


def test_traces_come_as_text_and_in_another_unit_too() -> None:
    """An analyser without blocks, that shows dBµV: 0 dBm is 106.99 dBµV into 50 ohm; levels are those of blocks in dBm."""
    sound = shipped_profile(ROLE)
    text = changed(sound, block_format=None, trace={"unit": "dBuV"})
    text = replace(text, prepare=(":UNIT:POWer DBUV", ":FORMat:DATA ASCii"))
    with ProfiledBench() as bench, ProfiledBench(profiles={ROLE: replace(text, prepared=())}) as other:
        for one in (bench, other):
            one.transmit()
            one.driver(ROLE).configure_spectrum(USUAL)
        levels = [one.driver(ROLE).read_spectrum().levels_dbm for one in (bench, other)]
        at = np.argmax(levels[0])
        assert levels[1][at] == pytest.approx(levels[0][at], abs=0.01)
        assert not other.sent(ROLE)[-1].startswith(":FORM")


def test_too_much_at_its_input_and_too_fast_a_sweep_are_told_by_their_bits() -> None:
    """No attenuation under a carrier of +6 dBm overloads it; a sweep in a tenth of the time is not calibrated."""
    with ProfiledBench() as bench:
        bench.transmit()
        analyser = bench.driver(ROLE)
        analyser.configure_spectrum(replace(USUAL, attenuation_db=0.0))
        assert analyser.read_spectrum().state is RangeState.OVER_RANGE
        assert analyser.read_highest_dbm().state is RangeState.OVER_RANGE
        analyser.configure_spectrum(replace(USUAL, sweep_time_s=0.1))
        fast = analyser.read_spectrum()
        assert (fast.state, fast.is_calibrated) == (RangeState.IN_RANGE, False)


def test_zero_span_shows_the_level_against_time() -> None:
    """A still carrier is a level line at the carrier's power."""
    with ProfiledBench() as bench:
        bench.transmit()
        bench.driver("audio_analyser").configure_source_enabled(False)
        analyser = bench.driver(ROLE)
        analyser.configure_spectrum(
            replace(USUAL, span_hz=0.0, resolution_bandwidth_hz=30e3, sweep_time_s=0.05)
        )
        levels_dbm = analyser.read_spectrum().levels_dbm
        assert np.ptp(levels_dbm) < 0.1
        assert levels_dbm.mean() == pytest.approx(
            bench.driver("power_meter").read_power_dbm().number, abs=1.2
        )
