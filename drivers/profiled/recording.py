"""Recordings: set points and interval, record, and take the samples as a definite-length block of REAL,32.

SCPI-1999 FORMat REAL,32 with BORDer NORMal is big-endian IEEE 754 (from memory); profiles of instruments that send otherwise
need a driver of their own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.roles import Samples

CLOCK_SHARE, CLOCK_S = 0.01, 0.002
"""By how much two clocks, and the wire, may make a recording seem shorter than it was. Common practice, no source."""

CLIPPED_SHARE, CLIPPED_SPREAD = 0.005, 0.2
"""Of an overloaded input: share of I at its end exactly, and how far Q moves meanwhile. Eight bits give 6 % and 0.1 by themselves."""

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from drivers.profiled.base import Begun, ProfiledInstrument


def record(
    instrument: ProfiledInstrument, name: str, seconds: float, rate_hz: float, *, is_complex: bool = False
) -> Samples:
    """Record ``seconds`` at about ``rate_hz`` and return the samples; the rate is the one the instrument made of it.

    Raises Refused for a recording of no or too many samples, UnexpectedReply for a block of another size, or not of numbers.
    """

    count, interval_s = instrument.prepare_recording(seconds, rate_hz)
    flat = _numbers(instrument, name, instrument.read_block(name, extra_s=seconds))
    if flat.size != (2 * count if is_complex else count):
        raise instrument.wrong_block(name, flat.size, count)
    samples = _pairs(instrument, name, flat) if is_complex else flat
    return Samples(content=samples, rate_hz=1.0 / interval_s)


def _pairs(instrument: ProfiledInstrument, name: str, flat: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return I and Q as complex numbers.

    UnexpectedReply where Q is nought throughout, which noise alone never makes it, and where an overloaded input cut them off.
    """
    if flat[0::2].any() and not flat[1::2].any():
        raise instrument.no_quadrature(name, flat.size // 2)
    for one, other in ((flat[0::2], flat[1::2]), (flat[1::2], flat[0::2])):
        if share := _clipped(one, other):
            raise instrument.clipped(name, float(abs(one).max()), share)
    made: NDArray[np.complex128] = flat[0::2] + 1j * flat[1::2]
    return made


def _clipped(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """Return the share of samples of I (or Q) that stand at its end exactly while the other moves; nought where that is as it should be.

    What turns freely is at its end only where the other is near nought, and a carrier that stands still moves neither.
    """
    import numpy as np

    size = np.abs(one)
    at_end = size == size.max()
    share = float(at_end.mean())
    if share < CLIPPED_SHARE or not size.any():
        return 0.0
    low, high = np.quantile(np.abs(other[at_end]), (0.1, 0.9))
    return share if high - low > CLIPPED_SPREAD * size.max() else 0.0


def _numbers(instrument: ProfiledInstrument, name: str, content: bytes) -> NDArray[np.float64]:
    """Return the numbers of a block; UnexpectedReply where one is none, as line noise gives."""
    import numpy as np

    with np.errstate(invalid="ignore"):
        flat = np.frombuffer(content, dtype=">f4").astype(np.float64)
    if not np.isfinite(flat).all():
        raise instrument.no_numbers(name, int(flat.size - np.isfinite(flat).sum()), flat.size)
    return flat


def finish(instrument: ProfiledInstrument, name: str, begun: Begun) -> Samples:
    """Wait until a complex recording is over and return its samples.

    When it can have begun: not before the order went out, and, as it was over when the instrument said so, not later than its own length
    before that. Raises UnexpectedReply for a block of another size, for one that is no I and Q, and for a recording that was over
    before it can have lasted so long.
    """

    length_s = begun.count * begun.interval_s
    over_s = instrument.await_recording(length_s)
    if over_s - begun.ordered_s < length_s * (1.0 - CLOCK_SHARE) - CLOCK_S:
        raise instrument.over_too_soon(name, length_s, over_s - begun.ordered_s)
    flat = _numbers(instrument, name, instrument.read_block(name))
    if flat.size != 2 * begun.count:
        raise instrument.wrong_block(name, flat.size, begun.count)
    latest_s = max(begun.ordered_s, over_s - length_s)
    return Samples(
        content=_pairs(instrument, name, flat),
        rate_hz=1.0 / begun.interval_s,
        begun_s=(begun.ordered_s, latest_s),
    )
