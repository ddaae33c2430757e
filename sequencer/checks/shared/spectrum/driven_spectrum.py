"""The spectrum of a driven transmitter: traces of an analyser, or an estimate from the modulation analyser's samples where there is none.

Each look is three sweeps, one with more attenuation that proves the analyser's input, and one with the drive a little lower, which tells
how the figure goes with the drive: the audio source's own error enters every result by that slope.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import AfterValidator, model_validator

from drivers.profiled.commands import Need
from drivers.roles import RangeState, Reading, Spectrum, SpectrumSettings
from sequencer.checks.finding import Conditions, Demand
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.readings.settle import agreeing, settle
from sequencer.checks.shared.spectrum import traces as looks
from sequencer.checks.shared.spectrum.drive_tone import is_shown_by_tone
from sequencer.checks.shared.spectrum.traces import Untrusted
from sequencer.checks.shared.transmit.keyed_readings import SETTLED_DB, Drive, Tone, drive_text, raised_v
from sequencer.dsp.samples import SamplesError
from sequencer.files.fields import FrequencyDifferenceHz, RatioDb, between
from sequencer.frozen import dataclass
from sequencer.safety.transmit import TransmitSide
from sequencer.safety.transmitting.key_recordings import ON_ITS_RATE
from sequencer.units.convert import dbm_from_w
from sequencer.units.format import format_quantity

if TYPE_CHECKING:
    from sequencer.dsp.spectrum import PowerSpectrum

SWEEPS = 3
LOWER_DB = 1.0  # of drive: enough to see the slope, little enough that it is the slope there
SSB_TONES_HZ = (400.0, 2_500.0)  # from memory: the two tones of the 27 MHz standards
MARGIN_FILTERS = 6.0  # beyond the outermost band, so that its edge is not the span's
SAMPLED_STEP_HZ = 50.0
SAMPLED_WIDTH_HZ = 2.0 * SAMPLED_STEP_HZ  # a line of the window is two steps wide at half its power
SAMPLED_S = 0.5
LOWEST_RATE_HZ = 48e3
RATE_SHARE = 2.6  # of the outermost frequency: the recording's own filter ends before half its rate
SIDEBANDS = ("USB", "LSB")
Filter = Annotated[FrequencyDifferenceHz, AfterValidator(between(10.0, 3e6, "Hz"))]
Above = Annotated[RatioDb, AfterValidator(between(0.0, 60.0, "dB"))]


class DrivenSettings(CheckSettings):
    """What the checks of a driven transmitter's spectrum are told."""

    drive_v: Drive
    """Level at the microphone input that gives 60 % of the highest modulation, V rms; SSB: of each of two tones, at the rated power."""
    above_db: Above = 20.0
    """How far above `drive` the unit is driven; SSB: not at all."""
    tone_hz: Tone = 1250.0
    """Tone at the microphone input; SSB: 400 Hz and 2500 Hz instead."""
    resolution_bandwidth_hz: Filter = 300.0
    """The analyser's filter: 1 to 4 % of the band whose power is summed."""
    read: Literal["spectrum", "samples"] = "spectrum"
    """By a spectrum analyser, or from the modulation analyser's baseband samples, with their smaller dynamic range."""

    @model_validator(mode="after")
    def _bears_the_drive(self) -> DrivenSettings:
        raised_v(self.drive_v, self.above_db)
        return self

    def level_v(self, mode: str) -> float:
        """Return the level at the microphone input in an emission, V rms; in SSB that of each tone."""
        return self.drive_v if mode in SIDEBANDS else raised_v(self.drive_v, self.above_db)


def roles_of(settings: DrivenSettings) -> frozenset[str]:
    """Return by what such a check reads, and what drives the unit."""
    by = looks.ROLE if settings.read == "spectrum" else "modulation_analyser"
    return frozenset({by, "power_meter", "audio_analyser"})


def commands_of(settings: DrivenSettings, mode: str) -> frozenset[Need]:
    """Return which commands of its instruments such a check cannot do without."""
    needed: frozenset[Need] = frozenset()
    if mode in SIDEBANDS:
        needed |= commands.of("audio_analyser", "second_tone", "second_level")
    if settings.read == "samples":
        return needed | commands.recording("modulation_analyser", "recorded_baseband")
    return needed | commands.of(looks.ROLE, *looks.COMMANDS)


def waits_of(settings: DrivenSettings) -> dict[str, float]:
    """Return how often such a check waits until an instrument has settled, by role."""
    by = looks.ROLE if settings.read == "spectrum" else "modulation_analyser"
    return {by: 8.0, "power_meter": 2.0}


def demands(settings: DrivenSettings, conditions: Conditions, reach_hz: float, *, at: str) -> list[Demand]:
    """Return what the analyser of the bench cannot do; ``at`` is the setting that the span comes from."""
    if settings.read == "samples" or conditions.frequency_hz is None:
        return []
    found = []
    if refused := looks.notch_refusal(conditions):
        found.append(Demand(at=(), refused=refused[0], allowed=refused[1]))
    if refused := looks.filter_refusal(conditions, settings.resolution_bandwidth_hz):
        found.append(Demand(at=("resolution_bandwidth",), refused=refused[0], allowed=refused[1]))
    at_hz = conditions.frequency_hz
    if refused := looks.span_refusal(conditions, at_hz - reach_hz, at_hz + reach_hz):
        found.append(Demand(at=(at,), refused=refused[0], allowed=refused[1]))
    filter_hz = settings.resolution_bandwidth_hz
    if refused := looks.sweep_refusal(conditions, swept_hz(reach_hz, filter_hz), filter_hz):
        found.append(Demand(at=("resolution_bandwidth",), refused=refused[0], allowed=refused[1]))
    return found


def swept_hz(reach_hz: float, filter_hz: float) -> float:
    """Return how wide a span is swept to see out to ``reach_hz`` on either side, Hz."""
    return 2.0 * (reach_hz + MARGIN_FILTERS * filter_hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What a look at the driven unit gave: its spectra in W at the antenna connector, offsets from the channel, Hz.

    ``lower`` is one with the drive ``LOWER_DB`` lower; ``meter_dbm`` are the power meter's readings; ``floor_w_per_hz`` is the lowest
    density of the samples, which is their own noise, 0 of traces. ``note`` says what rests on no word of the analyser.
    """

    spectra: tuple[PowerSpectrum, ...]
    lower: PowerSpectrum
    meter_dbm: tuple[float, ...]
    floor_w_per_hz: float = 0.0
    note: str = ""
    levels: tuple[tuple[float, float], ...] = ()

    def figures(self, figure: Callable[[PowerSpectrum], float]) -> list[float]:
        """Return a figure of each spectrum."""
        return [figure(one) for one in self.spectra]

    def per_db(self, figure: Callable[[PowerSpectrum], float]) -> float:
        """Return by how much a figure changes with a decibel of drive."""
        return (statistics.fmean(self.figures(figure)) - figure(self.lower)) / LOWER_DB


class Look:
    """Drives the unit and sees its spectrum out to ``reach_hz`` on either side of its channel."""

    def __init__(
        self, side: TransmitSide, settings: DrivenSettings, conditions: Conditions, *, reach_hz: float
    ) -> None:
        self._side, self._settings, self._conditions = side, settings, conditions
        self._reach_hz = reach_hz
        self._level_v = settings.level_v(conditions.mode)
        self._is_ssb = conditions.mode in SIDEBANDS
        self._raw: Spectrum | None = None
        self._made: SpectrumSettings | None = None
        self._is_shown_by_tone: bool | None = None

    def drive(self, level_v: float) -> None:
        """Drive the microphone input as the check does, at another level."""
        if self._is_ssb:
            self._side.apply_two_tones(tones_hz=SSB_TONES_HZ, level_v=level_v)
        else:
            self._side.apply_audio(tone_hz=self._settings.tone_hz, level_v=level_v)

    def see(self, figures: Callable[[PowerSpectrum], list[float]], *, within: float) -> Seen:
        """Return what is seen. Raises `Untrusted` where it cannot be believed.

        None of the sweeps may stand out of the others in one of its ``figures``; ``within`` is what two of them agree to.
        """
        side = self._side
        is_clocked = self._settings.read != "samples" or side.confirm_rate(self._rate_hz)
        self.drive(self._level_v)
        readings = settle(side.read_power_dbm, side.wait_s, within=SETTLED_DB)
        meter_dbm = [one.number for one in readings if one.number is not None]
        if len(meter_dbm) != len(readings):
            raise Untrusted(why=f"power meter: {readings[-1].state.value}")
        how = None if self._settings.read == "samples" else self._how(statistics.fmean(meter_dbm))
        spectra = self._agreeing(how, figures, within=within)
        note = "" if is_clocked or self._is_shown_by_tone else ON_ITS_RATE
        levels: tuple[tuple[float, float], ...] = ()
        if how is not None:
            raw = self._raw
            assert raw is not None
            note = looks.sweep_note(raw)
            looks.refuse_compressed(side, how, raw, self._conditions)
            shift_db = side.loss_db(side.frequency_hz)
            step, first = raw.settings.step_hz, raw.settings.start_hz - side.frequency_hz
            levels = tuple(
                (first + at * step, float(one) + shift_db) for at, one in enumerate(raw.levels_dbm)
            )
        carrier_dbm = dbm_from_w(spectra[0].total_w)
        looks.refuse_another_carrier(
            side, carrier_dbm, statistics.fmean(meter_dbm), self._conditions, by=self._by
        )
        self.drive(self._level_v * 10.0 ** (-LOWER_DB / 20.0))
        lower = self._spectrum(how)
        self.drive(self._level_v)
        return Seen(
            spectra=tuple(spectra),
            lower=lower,
            meter_dbm=tuple(meter_dbm),
            floor_w_per_hz=_floor(spectra) if how is None else 0.0,
            note=note,
            levels=levels,
        )

    @property
    def _rate_hz(self) -> float:
        return max(LOWEST_RATE_HZ, RATE_SHARE * self._reach_hz)

    @property
    def _by(self) -> str:
        return looks.ROLE if self._settings.read == "spectrum" else "modulation_analyser"

    def modulation(self) -> Reading:
        """Return how much of the power lies beside the carrier, dB; in SSB the power itself, dBm: what follows the drive."""
        try:
            seen = self._spectrum(self._how(None) if self._settings.read == "spectrum" else None)
        except Untrusted as error:
            return Reading(number=None, state=RangeState.NO_MEASUREMENT, raw=error.why)
        return Reading(number=modulation_db(seen, self._settings.tone_hz, is_ssb=self._is_ssb))

    def _how(self, meter_dbm: float | None) -> SpectrumSettings:
        """Return the analyser's settings; without a power those of the look before."""
        if meter_dbm is None:
            assert self._made is not None
            return self._made
        side, filter_hz = self._side, self._settings.resolution_bandwidth_hz
        at_input_dbm = meter_dbm - side.loss_db(side.frequency_hz)
        span_hz = swept_hz(self._reach_hz, filter_hz)
        self._made = SpectrumSettings(
            centre_hz=side.frequency_hz,
            span_hz=span_hz,
            resolution_bandwidth_hz=filter_hz,
            points=looks.points_for(span_hz, filter_hz),
            reference_level_dbm=looks.reference_dbm(at_input_dbm),
            attenuation_db=looks.attenuation_db(at_input_dbm),
        )
        return self._made

    def _agreeing(
        self, how: SpectrumSettings | None, figures: Callable[[PowerSpectrum], list[float]], *, within: float
    ) -> list[PowerSpectrum]:
        """Return three spectra whose figures agree; one that stands out was taken again."""
        spectra = [self._spectrum(how) for _ in range(SWEEPS)]
        for at in range(len(figures(spectra[0]))):
            kept: dict[int, PowerSpectrum] = {}
            first = [_noted(kept, one, figures(one)[at]) for one in spectra]

            def again(at: int = at, kept: dict[int, PowerSpectrum] = kept) -> Reading:
                one = self._spectrum(how)
                return _noted(kept, one, figures(one)[at])

            spectra = [kept[id(one)] for one in agreeing(first, again, within=within)]
        return spectra

    def _spectrum(self, how: SpectrumSettings | None) -> PowerSpectrum:
        """Return one spectrum, W at the antenna connector, by offset from the channel."""
        side = self._side
        loss_db = side.loss_db(side.frequency_hz)
        if how is not None:
            trace = self._raw = looks.believed(side.read_spectrum(how))
            made = looks.power_spectrum(trace, self._conditions, loss_db=loss_db)
            return replace(made, first_hz=made.first_hz - side.frequency_hz)
        from sequencer.dsp.spectrum import sampled_spectrum

        samples = side.capture_baseband(SAMPLED_S, self._rate_hz)
        if self._is_shown_by_tone is None:
            tone_hz, mode = self._settings.tone_hz, self._conditions.mode
            self._is_shown_by_tone = is_shown_by_tone(samples, tone_hz, mode)
        try:
            found = sampled_spectrum(samples.content, samples.rate_hz, step_hz=SAMPLED_STEP_HZ)
        except SamplesError as error:
            raise Untrusted(why=f"modulation analyser: {error}") from error
        return replace(found, powers_w=found.powers_w * 10.0 ** (loss_db / 10.0))


def _noted(kept: dict[int, PowerSpectrum], spectrum: PowerSpectrum, figure: float) -> Reading:
    """Return a spectrum's figure as a reading, by which the spectrum is found again in ``kept``."""
    reading = Reading(number=figure)
    kept[id(reading)] = spectrum
    return reading


def modulation_db(seen: PowerSpectrum, tone_hz: float, *, is_ssb: bool) -> float:
    """Return the power beside the carrier, dB of the whole; in SSB the power itself, dBm."""
    if is_ssb:
        return dbm_from_w(seen.total_w)
    still_w = seen.band_w(-tone_hz / 2.0, tone_hz / 2.0)
    return 10.0 * math.log10(max(1.0 - still_w / seen.total_w, 1e-9))


def note_of(seen: Seen, settings: DrivenSettings, conditions: Conditions) -> str:
    """Return in words how the unit was driven, by what it was seen, and what rests on no word of the analyser."""
    level_v = settings.level_v(conditions.mode)
    if conditions.mode in SIDEBANDS:
        low_hz, high_hz = SSB_TONES_HZ
        driven = f"two tones, {low_hz:g} and {high_hz:g} Hz, each {format_quantity(level_v, 'V')}"
    else:
        driven = drive_text(level_v, settings.tone_hz)
    by = "from baseband samples" if settings.read == "samples" else ""
    return "; ".join(filter(None, (driven, by, seen.note)))


def _floor(spectra: list[PowerSpectrum]) -> float:
    """Return the lowest density that a twentieth of the spectrum shows, W/Hz: of samples their own noise."""
    import numpy as np

    powers_w = np.sort(np.mean([one.powers_w for one in spectra], axis=0))
    return float(np.mean(powers_w[: max(1, len(powers_w) // 20)])) / spectra[0].step_hz


def forecast_s(settings: DrivenSettings, conditions: Conditions, reach_hz: float) -> float:
    """Return about how long such a look takes, s: seven sweeps, one of them released, or six recordings."""
    if settings.read == "samples":
        return 0.4 + 5.5 * SAMPLED_S
    filter_hz = settings.resolution_bandwidth_hz
    sweep_s = looks.sweep_s(conditions, swept_hz(reach_hz, filter_hz), filter_hz)
    return 0.6 + 7.0 * max(sweep_s, 1e-3)
