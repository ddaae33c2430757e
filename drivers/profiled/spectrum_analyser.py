"""A spectrum analyser on a command profile: everything set is read back once all of it was set, and a trace is a level for each point.

Settings of such an instrument move one another: a span moves its filters, they move the sweep time. They are sent in the order level,
frequency, filters, detector, time, points, and asked for again at the end, so that one which was moved afterwards is found.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from typing_extensions import override

from drivers.faults import NotConfirmed, SettingLost, UnexpectedReply
from drivers.link import scpi
from drivers.link.scpi import WrongReply
from drivers.profiled.base import ProfiledInstrument
from drivers.profiled.kept_settings import Setting
from drivers.roles import RangeState, Reading, Spectrum, SpectrumAnalyser, SpectrumSettings

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

NEAR_HZ = 1.0  # of a frequency: the display's own rounding
SPAN_SHARE = 1e-3
FILTER_SHARE = 0.01  # a filter further off is another one, and another one is another measurement
LEVEL_DB = 0.1
TIME_SHARE = 0.1
LONGEST_SWEEP_S = 600.0
READINGS_OF_A_TRACE = 3
LEAST_NO_NUMBER = 1e30  # SCPI's special values, also as single precision; no level is that high
SPECTRUM_BLOCK = "block"


class ProfiledSpectrumAnalyser(ProfiledInstrument, SpectrumAnalyser):
    """A spectrum analyser on a command profile."""

    _made: SpectrumSettings | None = None

    @override
    def prepare(self) -> None:
        """Have it sweep when it is told to, and send traces as blocks where its profile says that it can."""
        self._made = None
        settings = [Setting(name="continuous", position=False, optional=True)]
        if self._has("block_format"):
            settings.append(Setting(name="block_format", position=SPECTRUM_BLOCK))
        self._set_together(*settings)

    @override
    def set_start_state(self) -> None:
        """Empty the error queue, and have the next settings made one and all."""
        super().set_start_state()
        self._made = None

    @override
    def configure_spectrum(self, settings: SpectrumSettings) -> SpectrumSettings:
        made = self._made
        self._made = None
        if made is None or "span" not in self._kept or _but_attenuation(made) != _but_attenuation(settings):
            self._set_all(settings)
        else:
            self._set("attenuation", settings.attenuation_db, tolerance=LEVEL_DB)
        try:
            self.confirm_settings()
        except SettingLost as moved:
            raise NotConfirmed(
                f"its settings move one another: {moved.what}",
                instrument=self.name,
                address=self.address,
                command=moved.command,
                reply=moved.reply,
                next_move="Ask for settings that it can have together: a narrower span, a wider resolution bandwidth, or fewer points.",
            ) from moved
        self._made = settings
        return replace(settings, sweep_time_s=self._sweep_s(settings))

    def _set_all(self, settings: SpectrumSettings) -> None:
        self._set("reference_level", settings.reference_level_dbm, tolerance=LEVEL_DB)
        self._set("attenuation", settings.attenuation_db, tolerance=LEVEL_DB)
        self._set("centre", settings.centre_hz, tolerance=NEAR_HZ)
        self._set("span", settings.span_hz, tolerance=SPAN_SHARE * settings.span_hz)
        width_hz = settings.resolution_bandwidth_hz
        self._set("resolution_bandwidth", width_hz, tolerance=FILTER_SHARE * width_hz)
        self._set_coupled("video_bandwidth", settings.video_bandwidth_hz, share=FILTER_SHARE)
        self._set_word("detector", settings.detector)
        self._set_coupled("sweep_time", settings.sweep_time_s, share=TIME_SHARE)
        if self._has("sweep_points"):
            self._set("sweep_points", settings.points, tolerance=0.0)

    def _set_coupled(self, name: str, figure: float | None, *, share: float) -> None:
        """Set what an instrument can choose by itself: to ``figure``, or, with None, left to it."""
        self.forget_setting(name)
        auto = f"{name}_auto"
        if self._has(auto):
            self._set_switch(auto, figure is None)
        if figure is not None:
            self._set(name, figure, tolerance=share * figure)

    def _sweep_s(self, settings: SpectrumSettings) -> float | None:
        if settings.sweep_time_s is not None or not self._has("sweep_time"):
            return settings.sweep_time_s
        coupled_s = self._read_number("sweep_time")
        if not 0.0 < coupled_s <= LONGEST_SWEEP_S:
            raise NotConfirmed(
                f"its sweep takes {coupled_s:g} s",
                instrument=self.name,
                address=self.address,
                next_move=f"A time above 0 and up to {LONGEST_SWEEP_S:g} s is waited for: check the profile's scale, or widen the "
                "resolution bandwidth.",
            )
        return coupled_s

    @override
    def read_spectrum(self) -> Spectrum:
        """Sweep once, as it was configured, and return the trace.

        UnexpectedReply for a trace of another length than was set. What it says of its input and of its sweep is asked for behind it.
        """
        if self._made is None:
            raise self._cannot("sweep before it is configured")
        made = replace(self._made, sweep_time_s=self._sweep_s(self._made))
        self._wait_settled()
        sweep_s = made.sweep_time_s or 0.0
        with self._changing_nothing():
            message = self._command("sweep").set
            if self._has("complete"):
                message += ";" + self._command("complete").query
            self._checked(message, extra_s=sweep_s)
        is_over = self._has("overload") and self._read_bit("overload")
        calibrated = not self._read_bit("uncalibrated") if self._has("uncalibrated") else None
        levels_dbm = self._read_twice(made.points, sweep_s)
        state = RangeState.IN_RANGE
        if is_over:
            state = RangeState.OVER_RANGE
        elif not _are_levels(levels_dbm):
            state = RangeState.NO_MEASUREMENT
        self._without_number += state is not RangeState.IN_RANGE
        return Spectrum(
            levels_dbm=levels_dbm,
            settings=made,
            state=state,
            is_calibrated=calibrated,
            is_watched=self._has("overload"),
        )

    @override
    def read_highest_dbm(self) -> Reading:
        spectrum = self.read_spectrum()
        if spectrum.state is not RangeState.IN_RANGE:
            return Reading(number=None, state=spectrum.state)
        highest_dbm = float(spectrum.levels_dbm.max())
        return Reading(number=highest_dbm, raw=f"{highest_dbm:.9E}")

    def _wrong_count(self, found: int, points: int) -> UnexpectedReply:
        is_double = self._has("block_format") and found == 2 * points
        return UnexpectedReply(
            f"{found} numbers came where {points} points were set",
            instrument=self.name,
            address=self.address,
            command=self._command("trace").query,
            reply=f"{found} numbers",
            next_move=(
                "Twice as many: they are numbers of 64 bits. Have the profile's 'block_format' ask for 32 bits."
                if is_double
                else "Check the profile's 'sweep_points' and whether the trace that is asked for is the one that is swept."
            ),
        )

    def _read_twice(self, points: int, extra_s: float) -> NDArray[np.float64]:
        """Return the trace of one sweep as two readings of it have it: a digit that was spoilt on the way would stand out as a line.

        UnexpectedReply where no two of three are alike.
        """
        import numpy as np

        read: list[NDArray[np.float64]] = []
        while len(read) < READINGS_OF_A_TRACE:
            one = self._read_trace(points, extra_s)
            if any(np.array_equal(one, other, equal_nan=True) for other in read):
                return one
            read.append(one)
        raise self._unexpected(
            "three readings of one sweep differ: it must stand still until it is told to sweep again",
            self._command("trace").query,
            f"{read[-1].size} numbers",
        )

    def _read_trace(self, points: int, extra_s: float) -> NDArray[np.float64]:
        import numpy as np

        if self._has("block_format"):
            block = self.read_block("trace", extra_s=extra_s)
            with np.errstate(invalid="ignore"):  # a NaN of the wrong byte order: it is told as no level
                theirs = np.frombuffer(block, dtype=">f4").astype(np.float64)
        else:
            question = self._command("trace").query
            numbers = self._link.query_parsed(question, _numbers, timeout_s=self._link.timeout_s + extra_s)
            theirs = np.array(numbers)
        if theirs.size != points:
            raise self._wrong_count(theirs.size, points)
        command = self._command("trace")
        if not (command.unit or command.offset or command.scale != 1.0) or not _are_levels(theirs):
            return theirs
        try:
            return np.array([self._profile.ours("trace", float(one)) for one in theirs])
        except ValueError as error:  # a level that its unit cannot express, such as 0 V
            raise self._unexpected(str(error), command.query, f"{theirs.min():g}") from error


def _are_levels(levels: NDArray[np.float64]) -> bool:
    import numpy as np

    return bool(np.all(np.abs(levels) < LEAST_NO_NUMBER))  # of what is no number the comparison is false


def _numbers(reply: str) -> list[float]:
    try:
        return [float(one) for one in scpi.split_outside_quotes(reply, ",")]
    except ValueError:
        raise WrongReply("numbers with commas between them", reply) from None


def _but_attenuation(settings: SpectrumSettings) -> SpectrumSettings:
    return replace(settings, attenuation_db=0.0)
