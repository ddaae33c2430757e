"""Recordings of samples: what comes in place of numbers is no recording."""

from __future__ import annotations

import struct
import warnings
from typing import Any

import pytest

from drivers.faults import UnexpectedReply
from drivers.profiled.base import ProfiledInstrument
from drivers.profiled.recording import record


class _Recorder:
    """Hands over one block; what a fault of it says is the shipped instrument's."""

    no_numbers, wrong_block = ProfiledInstrument.no_numbers, ProfiledInstrument.wrong_block

    def __init__(self, block: bytes) -> None:
        self._block = block

    def prepare_recording(self, seconds: float, rate_hz: float) -> tuple[int, float]:
        return round(seconds * rate_hz), 1.0 / rate_hz

    def read_block(self, name: str, *, extra_s: float) -> bytes:
        return self._block

    def _command(self, name: str) -> Any:
        return type("Command", (), {"query": f"{name}?"})

    def _unexpected(self, what: str, message: str, reply: str) -> UnexpectedReply:
        return UnexpectedReply(what, instrument="recorder", address="A::1", command=message, reply=reply)


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
