"""The bench file: ranges, paths between stated frequencies, and what must not be said twice."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.files.read import read_text
from sequencer.inputs.bench import BenchFile
from sequencer.inputs.bench_models import bench_model_of
from sequencer.inputs.bench_parts.paths import MOST_BEYOND, LossyPath, RfPath
from sequencer.inputs.load_bench import load_bench
from sequencer.problems import FileProblems

TEXT = load_bench("bench").path.read_text(encoding="utf-8")

LOSS = "loss: {1.8 MHz: 0.42 dB, 27 MHz: 0.42 dB, 28 MHz: 0.43 dB, 175 MHz: 0.43 dB}"
"""The receive path of the shipped bench."""


def _read(**changes: str) -> BenchFile:
    text = TEXT
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new, 1)
    return read_text(text, bench_model_of, file="b.yaml").model


def _complaints(**changes: str) -> list[str]:
    with pytest.raises(FileProblems) as caught:
        _read(**changes)
    return [str(one) for one in caught.value.complaints]


def test_the_shipped_bench_says_what_the_design_says() -> None:
    """Units have been taken off: levels in dBm, times in s, power in W."""
    bench = _read()
    found: Any = bench.with_role("signal_generator")
    assert (found[1].level.min_dbm, found[1].level.max_dbm) == (-137.0, 13.0)
    assert bench.protection.max_key_time_s == 40.0
    assert bench.paths.transmit is not None
    assert bench.paths.transmit.rating_w == 50.0
    assert bench.simulated
    assert bench.with_role("spectrum_analyser") is None


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ("max_key_time: 40 s", "max_key_time: 0.1 s", "0.1 s is out of range"),
        ("key_duty: 50 %", "key_duty: 0 %", "0 % is out of range"),
        ("key_duty: 50 %", "key_duty: 150 %", "150 % is out of range"),
        ("vswr: 1.3", "vswr: 0.9", "0.9 is out of range"),
        ("accuracy: {level: 0.5 dB", "accuracy: {level: -0.5 dB", "-0.5 dB is out of range"),
        ("max_supply_current: 6 A", "max_supply_current: 0 A", "0 A is out of range"),
        ("max_supply_current: 6 A", "max_supply_current: -1 A", "-1 A is out of range"),
        ("settle: 20 ms", "settle: 1e9 s", "'1e9 s' is too large"),
        ("settle: 20 ms", "settle: 90 s", "90 s is out of range"),
        ("uncertainty: 0.1 dB", "uncertainty: 1e9 dB", "'1e9 dB' is too large"),
        ("uncertainty: 0.1 dB", "uncertainty: 40 dB", "40 dB is out of range"),
        (
            LOSS,
            "loss: {1e30 Hz: 1 dB}",
            "'1e30 Hz' is too large",
        ),
        (
            LOSS,
            "loss: {}",
            "no loss is given",
        ),
        (
            LOSS,
            "loss: {27 MHz: 300 dB}",
            "300 dB is out of range",
        ),
        ("28 MHz: 0.43 dB, ", "28 MHz: -0.43 dB, ", "a loss of -0.43 dB is a gain"),
        ("seed: 1", "seed: -1", "-1 is out of range"),
        ("visa: sim", "visa: py", "'unit' is for a simulated bench only"),
        ("unit: units ", "# ", "a simulated bench needs 'unit'"),
        ("192.0.2.12", "192.0.2.11", "power_meter has the address of signal_generator"),
        ("address: TCPIP0::192.0.2.11::5025::SOCKET", "address: 'TCPIP0:: 192'", "is not a VISA resource"),
        ("192.0.2.11::5025::SOCKET", "192.0.2.11::99999::SOCKET", "there is no port 99999"),
        ("192.0.2.11::5025::SOCKET", "192.0.2.11::-1::SOCKET", "there is no port -1"),
        ("TCPIP0::192.0.2.11::5025::SOCKET", "GPIB0::31::INSTR", "there is no bus address 31"),
        ("TCPIP0::192.0.2.11::5025::SOCKET", "foo::bar", "'foo::bar' is not a VISA resource"),
        ("TCPIP0::192.0.2.11::5025::SOCKET", "TCPIP0::h::5025::6::SOCKET", "is not a VISA resource"),
        ("192.0.2.11::5025", "192.0.2.011::5025", "'192.0.2.011' is not an IP address"),
    ],
)
def test_what_makes_no_sense_is_refused(old: str, new: str, text: str) -> None:
    """Figures outside what is possible are refused by name, whatever their unit."""
    assert any(text in one for one in _complaints(**{old: new}))


LOSSES = st.dictionaries(st.floats(1e6, 1e9), st.floats(-0.1, 60.0), min_size=1, max_size=6)


@given(loss=LOSSES, frequency_hz=st.floats(1e5, 1e10))
def test_a_loss_lies_between_its_neighbours(loss: dict[float, float], frequency_hz: float) -> None:
    """Between two stated frequencies the loss lies between theirs; beyond the outermost it is the outermost's."""
    path = RfPath(loss=dict(sorted(loss.items())))
    found = path.loss_db(frequency_hz)
    below = [db for hz, db in sorted(loss.items()) if hz <= frequency_hz][-1:]
    above = [db for hz, db in sorted(loss.items()) if hz >= frequency_hz][:1]
    near = below + above
    assert min(near) - 1e-9 <= found <= max(near) + 1e-9


def test_a_path_with_an_amplifier_may_have_a_gain() -> None:
    """A sign the wrong way round is found out by that: a path gains nothing unless the bench file says so."""
    assert RfPath(loss={27e6: -20.0}, amplifier="yes").loss_db(27e6) == -20.0
    assert RfPath(loss={27e6: -0.05}).loss_db(27e6) == -0.05  # as a short lead may be measured


def test_a_loss_is_interpolated_over_the_logarithm_of_frequency() -> None:
    """Half way in octaves between 10 and 40 MHz is 20 MHz: 1 dB and 3 dB give 2 dB (hand-computed)."""
    assert math.isclose(RfPath(loss={10e6: 1.0, 40e6: 3.0}).loss_db(20e6), 2.0)


@pytest.mark.parametrize(
    ("mhz", "end_mhz"),
    [(26.965, None), (27.405, None), (28.4, None), (25.66, None), (25.6, 27.0), (28.3, None), (29.4, None), (29.5, 28.0), (145.0, 28.0)],
)  # fmt: skip
def test_a_loss_table_holds_a_little_beyond_its_ends(mhz: float, end_mhz: float | None) -> None:
    """Up to 5 % of the frequency: a table of one band serves all its channels; farther off its end is only what there is."""
    path = LossyPath.model_validate({"loss": {27e6: 0.42, 28e6: 0.43}})
    assert path.end_taken_hz(mhz * 1e6) == (None if end_mhz is None else end_mhz * 1e6)
    assert path.loss_db(mhz * 1e6) == pytest.approx(0.42 if mhz < 27.2 else 0.43, abs=0.006)


def test_a_single_loss_serves_the_27_mhz_band() -> None:
    """As it stands in many a bench file: one figure for 26.965 to 27.405 MHz."""
    path = LossyPath.model_validate({"loss": {27e6: 0.42}})
    assert path.end_taken_hz(26.965e6) is path.end_taken_hz(27.405e6) is None
    assert path.end_taken_hz(27e6 * (1.0 + 1.01 * MOST_BEYOND)) == 27e6
