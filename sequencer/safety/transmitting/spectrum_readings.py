"""What the transmit side reads by a spectrum analyser: traces of a keyed unit, each whole, new and possible.

A trace of the last settings looks like one of these. So each kind of look has a number of points of its own, a little more than was asked
for: a trace that belongs to another has another length. Noise is never alike twice: the same trace again is an old one, and one whose
points are all alike is none. What holds the carrier is read again once the unit is released (`sequencer.safety.proofs.release`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from drivers.faults import UnexpectedReply
from drivers.roles import RangeState, Reading, Spectrum, SpectrumAnalyser, SpectrumSettings
from sequencer.safety.control.side import present
from sequencer.safety.proofs.plausible import Span
from sequencer.safety.proofs.release import BESIDE, CARRIER_SPECTRUM, RELEASED_SPECTRUM
from sequencer.safety.transmitting.carriers import HeldCarrier
from sequencer.safety.transmitting.transmit_readings import TransmitReadings

ROLE = "spectrum_analyser"
SETTING_ANSWERS = 14.0
"""How many answers setting it waits for, at most: a dozen settings, each with its own, and all asked for again."""
SWEEP_ANSWERS = 5.0
"""A sweep, its two status bits, its time and its trace."""
SWEEP_ROOM = 2.0  # as long as the sweep itself is waited for its end
LOWEST_DBM, HIGHEST_DBM = -200.0, 60.0
POINTS_APART = 2
SHOWN = Span(low=LOWEST_DBM, high=HIGHEST_DBM, unit="dBm", why="what an analyser can show")


class SpectrumReadings(TransmitReadings):
    """The keyed unit as a spectrum analyser sees it. Levels are at the analyser's own connector, dBm."""

    __slots__ = ("_extra_points", "_spectra", "_spectrum", "_stands")

    def __init__(self, *, spectrum: SpectrumAnalyser | None, **rest: Any) -> None:
        super().__init__(**rest)
        self._spectrum = spectrum
        self._spectra: dict[SpectrumSettings, bytes] = {}
        self._extra_points: dict[SpectrumSettings, int] = {}
        self._stands: tuple[SpectrumSettings, SpectrumSettings] | None = None

    def loss_db(self, frequency_hz: float) -> float:
        """Return what the transmit path loses at a frequency, dB."""
        return self._loss_db(frequency_hz)

    @property
    def held_carrier(self) -> HeldCarrier | None:
        """The analyser's carrier last held against the power meter, on this side or before; None where none was since cables were moved."""
        return self._carriers.held

    @property
    def is_parted(self) -> bool:
        """Say whether one was held, and cables were moved since."""
        return self._carriers.is_parted

    def note_held(self, held: HeldCarrier) -> None:
        """Note that the analyser's carrier was held against the power meter; what was found before it counts no more."""
        self._carriers.hold(held)

    def read_spectrum(self, settings: SpectrumSettings, *, beside: bool = False) -> Spectrum:
        """Return one sweep of the keyed unit; the settings of the answer are those that were made.

        PTT is released to set the analyser, unless it stands so already. ``beside``: the carrier is not in it, so that nothing of it goes
        when the unit is released. The state says why there are no levels: over range, no measurement.
        """
        analyser = present(self._spectrum, ROLE)
        self._refuse_if_left()
        asked = self._with_own_points(settings)
        made = self._configured(analyser, asked)
        bound_s = self._bounds_s.get(ROLE, 2.0)
        taken: list[Spectrum] = []

        def read() -> Reading:
            self._configured(analyser, asked)
            taken.append(self._new(analyser, asked, analyser.read_spectrum()))
            return _as_reading(taken[-1])

        name = f"{BESIDE if beside else CARRIER_SPECTRUM} at {settings.centre_hz / 1e6:g} MHz"
        answers = SWEEP_ANSWERS + SWEEP_ROOM * (made.sweep_time_s or 0.0) / bound_s
        self._keyed(ROLE, name, analyser, read, answers=answers)
        return taken[-1]

    def read_spectrum_released(self, settings: SpectrumSettings) -> Spectrum:
        """Return one sweep with PTT released: the analyser's own noise, and what reaches it from elsewhere."""
        analyser = present(self._spectrum, ROLE)
        self._unkey()
        asked = self._with_own_points(settings)
        taken: list[Spectrum] = []

        def read() -> Reading:
            self._configured(analyser, asked)
            taken.append(self._new(analyser, asked, analyser.read_spectrum()))
            return _as_reading(taken[-1])

        with analyser.unkeyed():
            self._watch.read(
                f"{RELEASED_SPECTRUM} at {settings.centre_hz / 1e6:g} MHz", analyser, read, span=SHOWN
            )
        return taken[-1]

    def read_highest_dbm(self, settings: SpectrumSettings, *, beside: bool = False) -> Reading:
        """Return the highest level of one sweep of the keyed unit, where a person reads the analyser."""
        analyser = present(self._spectrum, ROLE)
        self._refuse_if_left()
        made = self._configured(analyser, settings)
        bound_s = self._bounds_s.get(ROLE, 2.0)
        answers = 1.0 + (made.sweep_time_s or 0.0) / bound_s  # a person looks once
        name = f"{BESIDE if beside else CARRIER_SPECTRUM} at {settings.centre_hz / 1e6:g} MHz"
        return self._keyed(ROLE, name, analyser, analyser.read_highest_dbm, answers=answers)

    def _configured(self, analyser: SpectrumAnalyser, settings: SpectrumSettings) -> SpectrumSettings:
        if self._stands is None or self._stands[0] != settings:
            self._stands = None
            self._release_unless_room(SETTING_ANSWERS * self._bounds_s.get(ROLE, 2.0))
            self._stands = settings, analyser.configure_spectrum(settings)
        return self._stands[1]

    def _with_own_points(self, settings: SpectrumSettings) -> SpectrumSettings:
        extra = self._extra_points.setdefault(settings, POINTS_APART * len(self._extra_points))
        return replace(settings, points=settings.points + extra)

    def _new(self, analyser: SpectrumAnalyser, asked: SpectrumSettings, spectrum: Spectrum) -> Spectrum:
        """Return the trace; UnexpectedReply where it is the last one again, or no trace at all."""
        levels = spectrum.levels_dbm
        is_flat = spectrum.state is RangeState.IN_RANGE and float(levels.max()) == float(levels.min())
        found = levels.tobytes()
        if is_flat or found == self._spectra.get(asked):
            what = (
                "every point of its trace is the same"
                if is_flat
                else "two traces are the same to the last point"
            )
            raise UnexpectedReply(
                f"{what}: it is not a new sweep",
                instrument=analyser.name,
                address=analyser.address,
                next_move="Check whether it sweeps anew each time it is told to, its trace's mode (clear and write), and the profile's "
                "'sweep' and 'trace'.",
            )
        self._spectra[asked] = found
        return spectrum


def _as_reading(spectrum: Spectrum) -> Reading:
    """Return a trace's highest level; its lowest where that is no level, so that the trace is refused for it."""
    if spectrum.state is not RangeState.IN_RANGE:
        return Reading(number=None, state=spectrum.state)
    lowest_dbm, highest_dbm = float(spectrum.levels_dbm.min()), float(spectrum.levels_dbm.max())
    number = highest_dbm if lowest_dbm >= LOWEST_DBM else lowest_dbm
    return Reading(number=number, raw=f"{number:.9E}")
