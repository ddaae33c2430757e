"""Recordings of samples: what comes in place of numbers is no recording."""

from __future__ import annotations

import struct
import warnings
from typing import Any

import numpy as np
import pytest

from drivers.faults import UnexpectedReply
from drivers.profiled.base import Begun, ProfiledInstrument
from drivers.profiled.recording import finish, record


class _Recorder:
    """Hands over one block; what a fault of it says is the shipped instrument's."""

    no_numbers, wrong_block = ProfiledInstrument.no_numbers, ProfiledInstrument.wrong_block
    no_quadrature, over_too_soon = ProfiledInstrument.no_quadrature, ProfiledInstrument.over_too_soon
    clipped = ProfiledInstrument.clipped

    def __init__(self, block: bytes, over_s: float = 0.0) -> None:
        self._block, self._over_s = block, over_s

    def await_recording(self, length_s: float) -> float:
        return self._over_s

    def prepare_recording(self, seconds: float, rate_hz: float) -> tuple[int, float]:
        return round(seconds * rate_hz), 1.0 / rate_hz

    def read_block(self, name: str, *, extra_s: float = 0.0) -> bytes:
        return self._block

    def _command(self, name: str) -> Any:
        return type("Command", (), {"query": f"{name}?"})

    def _unexpected(self, what: str, message: str, reply: str, next_move: str = "") -> UnexpectedReply:
        return UnexpectedReply(
            what, instrument="recorder", address="A::1", command=message, reply=reply, next_move=next_move
        )


@pytest.mark.parametrize("noise", [b"\x7f\x80\x00\x00", b"\xff\xc0\x00\x00", b"\x7f\xa0\x00\x01"])
def test_samples_that_are_no_numbers_are_refused_in_words(noise: bytes) -> None:
    """Infinity and both kinds of NaN in single precision (IEEE 754): one fault that names the command, and no warning of a library."""
    instrument: Any = _Recorder(struct.pack(">3f", 0.1, 0.2, 0.3) + noise)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(UnexpectedReply, match="1 of 4 samples recorded are no numbers") as fault:
            record(instrument, "samples", 1.0, 4.0)
    assert fault.value.command == "samples?"
    assert record(_sound(), "samples", 1.0, 4.0).content.tolist() == [0.5, 0.5, 0.5, 0.5]


def _sound() -> Any:
    return _Recorder(struct.pack(">4f", 0.5, 0.5, 0.5, 0.5))


def test_a_magnitude_is_no_baseband() -> None:
    """I with a Q of nought throughout shows a carrier whose frequency never moves: refused; nothing at all is judged elsewhere."""
    magnitude: Any = _Recorder(struct.pack(">4f", 0.5, 0.0, 0.4, 0.0))
    with pytest.raises(UnexpectedReply, match="what came is a magnitude, not I and Q") as fault:
        record(magnitude, "baseband", 1.0, 2.0, is_complex=True)
    assert "I and Q in turn" in fault.value.next_move
    silent: Any = _Recorder(struct.pack(">4f", 0.0, 0.0, 0.0, 0.0))
    assert not record(silent, "baseband", 1.0, 2.0, is_complex=True).content.any()
    whole: Any = _Recorder(struct.pack(">4f", 0.5, 0.0, 0.0, 0.25))
    assert record(whole, "baseband", 1.0, 2.0, is_complex=True).content.tolist() == [0.5, 0.25j]


@pytest.mark.parametrize(("over_s", "sound"), [(11.8, False), (11.97, False), (11.99, True), (12.5, True)])
def test_a_recording_that_was_over_too_soon_has_another_interval(over_s: float, sound: bool) -> None:
    """Two seconds ordered at 10 s are over at 12 s at the earliest; sooner, the interval read back is not kept."""
    instrument: Any = _Recorder(struct.pack(">4f", 0.5, 0.1, 0.4, 0.2), over_s)
    begun = Begun(count=2, interval_s=1.0, ordered_s=10.0)
    if sound:
        begun_s = finish(instrument, "baseband", begun).begun_s
        assert begun_s == pytest.approx((10.0, max(10.0, over_s - 2.0)))
        return
    with pytest.raises(
        UnexpectedReply, match=r"a recording of 2000 ms was over 1[89].*does not sample at the interval"
    ):
        finish(instrument, "baseband", begun)


def _recorded(wave: np.ndarray) -> Any:
    """Return a recorder of I and Q."""
    flat = np.empty(2 * wave.size, dtype=">f4")
    flat[0::2], flat[1::2] = wave.real, wave.imag
    return _Recorder(flat.tobytes())


COUNT = 4000
NOISE = np.random.default_rng(3).normal(0.0, 1e-4, (2, COUNT))
PHASE = 3.0 * np.sin(2.0 * np.pi * 0.011 * np.arange(COUNT)) + 2.0 * np.pi * 0.003 * np.arange(COUNT)
FREQUENCY_MODULATED = np.exp(1j * PHASE) + NOISE[0] + 1j * NOISE[1]


@pytest.mark.parametrize("at", [0.5, 0.8, 0.95])
def test_an_overloaded_input_is_refused(at: float) -> None:
    """I and Q that end at one value: a spectrum of what is not there, and 33 dB of adjacent power where 61 are true."""
    wave = np.clip(FREQUENCY_MODULATED.real, -at, at) + 1j * np.clip(FREQUENCY_MODULATED.imag, -at, at)
    with pytest.raises(UnexpectedReply, match="the input is overloaded") as fault:
        record(_recorded(wave), "baseband", 1.0, COUNT, is_complex=True)
    assert "attenuation" in fault.value.next_move


@pytest.mark.parametrize(
    "wave",
    [
        FREQUENCY_MODULATED,
        np.round(FREQUENCY_MODULATED * 127.0) / 127.0,
        np.full(COUNT, 0.5 + 0.5j),
        np.exp(2j * np.pi * 0.25 * np.arange(COUNT)),
        (1.0 + 0.9 * np.sin(2.0 * np.pi * 0.01 * np.arange(COUNT))) * np.exp(0.7j),
        NOISE[0] + 1j * NOISE[1],
    ],
    ids=["FM", "FM of 8 bits", "a carrier that stands", "one that turns by quarters", "AM", "noise"],
)
def test_what_reaches_its_end_by_itself_is_not_overloaded(wave: np.ndarray) -> None:
    """A converter of eight bits stays at its end for 6 % of the time, a standing carrier for all of it."""
    assert record(_recorded(wave), "baseband", 1.0, COUNT, is_complex=True).content.size == COUNT
