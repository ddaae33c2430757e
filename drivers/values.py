"""What passes between the roles and whoever uses them: readings, identities, recordings, limits, and the words of their settings."""

from __future__ import annotations

from dataclasses import field
from enum import Enum
from typing import TYPE_CHECKING, Any, Literal

from drivers.frozen import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray


class RangeState(Enum):
    """Where a result lies in the instrument's range (IVI: result range type)."""

    IN_RANGE = "in range"
    OVER_RANGE = "over range"
    UNDER_RANGE = "under range"
    NO_MEASUREMENT = "no measurement"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One number from one instrument at one moment, or the reason why there is none.

    ``number`` is a finite float in the unit the method names when ``state`` is IN_RANGE, otherwise None:
    a special value of the instrument never reaches arithmetic. ``reading_s`` is how long it measured, by its own word; None where it
    has none. ``is_cut``: the answer lacks its end, as that instrument writes its numbers. ``by_hand``: a person read it off a dial; then
    ``step`` is what the last digit typed stands for, in the reading's unit, 0 where nothing tells.
    """

    number: float | None
    state: RangeState = RangeState.IN_RANGE
    raw: str = ""
    reading_s: float | None = None
    is_cut: bool = False
    by_hand: bool = False
    step: float = 0.0
    by: str = field(default="", compare=False)
    """The instrument that was read, by the name of its role in the bench file; empty where nobody has said."""
    address: str = field(default="", compare=False)
    """Where that instrument is."""


SIMULATED = "(simulated)"
"""How a simulated instrument's model or firmware ends, brackets and all: no maker calls an instrument or a release so by accident."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What an instrument answers to ``*IDN?`` (IEEE 488.2: four fields)."""

    maker: str
    model: str
    serial: str
    firmware: str

    @property
    def simulated(self) -> bool:
        """Whether it says itself that it is simulated: its model or its firmware ends with the word `SIMULATED`."""
        return self.model.endswith(SIMULATED) or self.firmware.endswith(SIMULATED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """A recording: real samples (V, or the unit the method names), or complex ones about the frequency tuned to.

    ``content`` is a one-dimensional array; ``rate_hz`` its sample rate. ``begun_s`` are the earliest and the latest moment on the bench's
    clock at which the first sample can have been taken, of a recording that something else was done meanwhile; None of every other.
    """

    content: NDArray[Any]
    rate_hz: float
    begun_s: tuple[float, float] | None = None


Detector = Literal["rms", "max peak", "sample"]
"""How a spectrum analyser makes one point of a trace of all that it saw meanwhile (IviSpecAn: detector type). Rms is of power."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpectrumSettings:
    """How a spectrum analyser looks (attributes of IviSpecAn): SI units, and dBm at its own connector.

    ``span_hz`` 0 is zero span: the level at the centre against time. ``video_bandwidth_hz`` and ``sweep_time_s`` None: as the instrument
    couples them.
    """

    centre_hz: float
    span_hz: float
    resolution_bandwidth_hz: float
    points: int
    detector: Detector = "rms"
    reference_level_dbm: float = 0.0
    attenuation_db: float = 10.0
    video_bandwidth_hz: float | None = None
    sweep_time_s: float | None = None

    @property
    def start_hz(self) -> float:
        """The frequency of the first point."""
        return self.centre_hz - self.span_hz / 2.0

    @property
    def stop_hz(self) -> float:
        """The frequency of the last point."""
        return self.centre_hz + self.span_hz / 2.0

    @property
    def step_hz(self) -> float:
        """The distance of two points: the first and the last lie on the ends of the span."""
        return self.span_hz / (self.points - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spectrum:
    """One trace: a level for each point, dBm at the analyser's own connector, and how the analyser stood for it, by its own word.

    ``state`` is OVER_RANGE where it said that its input was overloaded, NO_MEASUREMENT where a point had no number; ``levels_dbm`` then
    is not to be used. ``is_calibrated``: whether it said that it swept slowly enough; None where its profile has no word for that.
    """

    levels_dbm: NDArray[Any]
    settings: SpectrumSettings
    state: RangeState = RangeState.IN_RANGE
    is_calibrated: bool | None = None
    is_watched: bool = False
    """Whether it was asked for an overload."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioFilters:
    """The audio filters behind a demodulator: corners in Hz and the de-emphasis in s; None is off."""

    high_pass_hz: float | None = None
    low_pass_hz: float | None = None
    deemphasis_s: float | None = None


Emission = Literal["FM", "AM", "USB", "LSB", "CW"]
PeakSide = Literal["positive", "negative"]
Weighting = Literal["flat", "psophometric", "C-message"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What the bench file lets one instrument be set to; None is no limit of the bench's own."""

    level_min_dbm: float | None = None
    level_max_dbm: float | None = None
