"""Receive distortion and loudspeaker power, at a standard signal."""

import statistics
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import Reading
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.levels import LevelWindow, one_level
from sequencer.checks.shared.asked.limits import PercentLimit, PowerLimit
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.checks.shared.level_search.sensitivity_reader import modulation_needs
from sequencer.checks.shared.level_search.wanted_signal import (
    WantedSignal,
    apply_wanted,
    find_tone_hz,
    tone_s,
    why_no_tone,
)
from sequencer.checks.shared.readings.operator import is_by_hand
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.readings.settle import agreeing_share, several
from sequencer.files.fields import LevelDbm, ResistanceOhm, TimeS, between
from sequencer.inputs.stated import AUDIO_LEAD
from sequencer.safety.receive import ReceiveSide
from sequencer.uncertainty.contributions import relative_half_width, scatter
from sequencer.uncertainty.decision import Limits
from sequencer.units.format import short_quantity

READINGS = 4
STEADY = 0.1  # what a steady tone's level, or its distortion and noise, scatters by, at most: common practice, no source
SETTLE_S = 0.5
NO_TONE_PERCENT = 70.0  # SINAD of 3 dB: above it the audio is as much noise as tone
LOUDER_DB = 30.0  # how far above the standard signal one that was not heard must be heard
FALLS = 0.7  # times: distortion and noise there, at the most, against those at the standard signal
RISES = 1.3  # times: distortion and noise at the lowest level, against those at the standard signal


class StandardSignal(WantedSignal):
    """What the checks at a standard signal share. −47 dBm (1 mV pd) is customary; source: from memory."""

    level_dbm: LevelDbm = -47.0
    """Level at the antenna connector."""
    reading_s: Annotated[TimeS, AfterValidator(between(0.05, 10.0, "s"))] = 0.25
    """How long one reading takes."""


class ReceiveDistortionSettings(StandardSignal):
    """Settings of `receive_distortion`."""

    check: Literal["receive_distortion"]
    """Which check this is."""
    limit: PercentLimit = PercentLimit.unstated()
    """Highest distortion and noise that is right."""


class AudioOutputSettings(StandardSignal):
    """Settings of `audio_output`."""

    check: Literal["audio_output"]
    """Which check this is."""
    load_ohm: Annotated[ResistanceOhm, AfterValidator(between(0.5, 10_000.0, "ohm"))] = 8.0
    """The load on the loudspeaker line."""
    power: PowerLimit = PowerLimit.unstated()
    """Lowest and highest power that is right, at the volume the knob stands at."""
    distortion: PercentLimit = PercentLimit.unstated()
    """Highest distortion and noise that is right at that power: rated distortion."""


def apply_standard(side: ReceiveSide, settings: StandardSignal, conditions: Conditions) -> str:
    """Apply the standard signal and wait until receiver and analyser have followed; return why nothing is heard, or nothing."""
    if find_tone_hz(side, settings, conditions, at_dbm=settings.level_dbm) is None:
        return why_no_tone(conditions, settings.level_dbm)
    apply_wanted(side, settings, conditions, settings.level_dbm)
    side.wait_s(SETTLE_S)
    return ""


class ReceiveDistortion(Check[ReceiveDistortionSettings]):
    """Apply a standard signal and read distortion and noise of the loudspeaker audio."""

    name: ClassVar[str] = "receive_distortion"
    summary: ClassVar[str] = "distortion and noise of the audio at a standard signal"
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    depends_on: ClassVar[DependsOn] = frozenset()
    waits: ClassVar[Mapping[str, float]] = {"signal_generator": 4.0, "audio_analyser": 3.0}
    settings = ReceiveDistortionSettings

    @override
    def quantities(self, settings: ReceiveDistortionSettings) -> tuple[tuple[str, str], ...]:
        return (("receive distortion", "%"),)

    def demands(self, settings: ReceiveDistortionSettings, conditions: Conditions) -> list[Demand]:
        """Return the levels it uses."""
        return one_level(settings.level_dbm, proves=True)

    def needs(self, settings: ReceiveDistortionSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budget asks of the bench file."""
        return distortion_needs(conditions.mode)

    def commands(self, settings: ReceiveDistortionSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.wanted_signal(conditions.mode) | commands.of("audio_analyser", "distortion")

    @override
    def forecast_s(self, settings: ReceiveDistortionSettings, conditions: Conditions) -> float:
        return 2.0 * SETTLE_S + tone_s(conditions.mode) + (READINGS + 1) * settings.reading_s

    @override
    def receive(
        self, side: ReceiveSide, settings: ReceiveDistortionSettings, conditions: Conditions
    ) -> list[Finding]:
        quantity, limits = "receive distortion", settings.limit.limits
        if why_not := apply_standard(side, settings, conditions):
            return [Finding(quantity=quantity, value=None, unit="%", limits=limits, note=why_not)]
        found = distortion_finding(quantity, side, settings.reading_s, settings.level_dbm, limits, conditions)
        _confirm_rises(side, settings, conditions, found)
        return [_only_if_heard(side, settings, conditions, found)]


class AudioOutput(Check[AudioOutputSettings]):
    """Apply a standard signal and read loudspeaker power into the stated load, and its distortion."""

    name: ClassVar[str] = "audio_output"
    summary: ClassVar[str] = "loudspeaker power and its distortion at a standard signal"
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    depends_on: ClassVar[DependsOn] = frozenset()
    waits: ClassVar[Mapping[str, float]] = {"signal_generator": 4.0, "audio_analyser": 3.0}
    limit_keys = MappingProxyType({"audio output power": "power", "audio output distortion": "distortion"})
    settings = AudioOutputSettings

    @override
    def quantities(self, settings: AudioOutputSettings) -> tuple[tuple[str, str], ...]:
        return (("audio output power", "W"), ("audio output distortion", "%"))

    @override
    def limits_of(self, settings: AudioOutputSettings, conditions: Conditions) -> tuple[Limits, ...]:
        return (settings.power.limits, settings.distortion.limits)

    def demands(self, settings: AudioOutputSettings, conditions: Conditions) -> list[Demand]:
        """Return the levels it uses."""
        return one_level(settings.level_dbm, proves=True)

    def needs(self, settings: AudioOutputSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        own = distortion_needs(conditions.mode)
        return (*own, "audio_analyser.voltage", AUDIO_LEAD, *modulation_needs(conditions.mode))

    def commands(self, settings: AudioOutputSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.wanted_signal(conditions.mode) | commands.of("audio_analyser", "distortion", "level")

    @override
    def forecast_s(self, settings: AudioOutputSettings, conditions: Conditions) -> float:
        return 2.0 * SETTLE_S + tone_s(conditions.mode) + (2.0 * READINGS + 1) * settings.reading_s

    @override
    def receive(
        self, side: ReceiveSide, settings: AudioOutputSettings, conditions: Conditions
    ) -> list[Finding]:
        if why_not := apply_standard(side, settings, conditions):
            limits = self.limits_of(settings, conditions)
            return [
                Finding(quantity=quantity, value=None, unit=unit, limits=one, note=why_not)
                for (quantity, unit), one in zip(self.quantities(settings), limits, strict=True)
            ]
        readings = agreeing_share(
            several(lambda: side.read_audio_v(settings.reading_s), READINGS),
            lambda: side.read_audio_v(settings.reading_s),
            share=STEADY,
        )
        distortion = distortion_finding(
            "audio output distortion",
            side,
            settings.reading_s,
            settings.level_dbm,
            settings.distortion.limits,
            conditions,
        )
        _confirm_rises(side, settings, conditions, distortion)
        if distortion.value is not None and distortion.value > NO_TONE_PERCENT:
            heard = _only_if_heard(side, settings, conditions, distortion)
            return [_noise_only(settings, distortion.value), heard]
        return [_power_finding(readings, settings, conditions), distortion]


def distortion_finding(
    quantity: str,
    side: ReceiveSide,
    reading_s: float,
    level_dbm: float,
    limits: Limits,
    conditions: Conditions,
) -> Finding:
    """Read distortion and noise, and return it with its budget."""
    readings = agreeing_share(
        [side.read_distortion_percent(reading_s) for _ in range(READINGS)],
        lambda: side.read_distortion_percent(reading_s),
        share=STEADY,
    )
    found = [reading.number for reading in readings if reading.number is not None]
    if len(found) < len(readings):
        return _not_read(quantity, "%", limits, readings)
    percent = statistics.fmean(found)
    parts = Parts(conditions.bench)
    parts.accuracy("analyser, distortion accuracy", _reader_error(percent, conditions), unit="%")
    for source, half_width in modulation_shares(conditions, with_tone=False):
        parts.accuracy(source, half_width.of_reading(percent), unit="%")
    step = step_seen(readings)
    parts.add(scatter("repeatability", found, step=step, unit="%"))
    budget = parts.budget(quantity, "%", percent)
    note = f"at {level_dbm:g} dBm"
    return Finding(quantity=quantity, value=percent, unit="%", limits=limits, budget=budget, note=note)


def _confirm_rises(
    side: ReceiveSide, settings: StandardSignal, conditions: Conditions, found: Finding
) -> None:
    """Raise UnexpectedReply where distortion and noise are no higher at the lowest level the bench has."""
    percent = found.value
    if percent is None or percent > NO_TONE_PERCENT:
        return
    lowest_dbm = min(LevelWindow().bounds_dbm(conditions)[0], settings.level_dbm)
    side.confirm_level_counts(
        "distortion",
        lambda: side.read_distortion_percent(settings.reading_s),
        is_same=lambda low_percent: low_percent < RISES * percent,
        levels_dbm=(settings.level_dbm, lowest_dbm),
        settle_s=SETTLE_S,
    )


def _only_if_heard(
    side: ReceiveSide, settings: StandardSignal, conditions: Conditions, found: Finding
) -> Finding:
    """Return ``found``; where it is mostly noise, and a louder signal makes it no less, that nothing was heard.

    A receiver with a generator that does not reach it, or that stands on another frequency, gives the same noise as a deaf one. Raises
    SettingLost where the signal was heard at the same level afterwards: then it was not on when it was read.
    """
    percent = found.value
    if percent is None or percent <= NO_TONE_PERCENT or is_by_hand(conditions, "audio_analyser"):
        return found
    louder_dbm = min(settings.level_dbm + LOUDER_DB, LevelWindow().bounds_dbm(conditions)[1])
    if louder_dbm <= settings.level_dbm:
        return found
    side.set_level_dbm(louder_dbm)
    side.wait_s(SETTLE_S)
    again = side.read_distortion_percent(settings.reading_s).number
    side.set_level_dbm(settings.level_dbm)
    if again is not None and again <= FALLS * percent:
        side.confirm_was_there(
            "distortion and noise, %,",
            lambda: side.read_distortion_percent(settings.reading_s),
            was=percent,
            is_other=lambda now: now <= FALLS * percent,
            level_dbm=settings.level_dbm,
            settle_s=SETTLE_S,
        )
        return found
    shown = "not read" if again is None else f"{again:.3g} %"
    note = (
        f"distortion and noise are {percent:.3g} % of the audio at {settings.level_dbm:g} dBm and {shown} at {louder_dbm:g} dBm: "
        "nothing of the generator's signal is heard. Check whether the generator reaches the unit and stands on its channel, and whether "
        "the unit is on this channel and mode"
    )
    return replace(found, value=None, budget=None, note=note)


def _noise_only(settings: AudioOutputSettings, percent: float) -> Finding:
    """Return the power that is not told: what a loudspeaker gives without the tone is the receiver's own noise."""
    note = (
        f"distortion and noise are {percent:.3g} % of the audio at {settings.level_dbm:g} dBm: the loudspeaker gives noise and no tone. "
        "Check whether the generator reaches the unit, and whether the unit is on this channel and mode"
    )
    return Finding(
        quantity="audio output power", value=None, unit="W", limits=settings.power.limits, note=note
    )


def distortion_needs(mode: str) -> tuple[str, ...]:
    """Return what the bench file must state for a distortion reading to have an uncertainty."""
    return (
        "audio_analyser.distortion|sinad",
        *(need for need in modulation_needs(mode) if ".tone" not in need),
    )


def modulation_shares(conditions: Conditions, *, with_tone: bool) -> list[tuple[str, HalfWidth]]:
    """Return what the generator's modulation may be off by, percent: the audio, and about so its distortion, goes with it."""
    found = []
    for need in modulation_needs(conditions.mode):
        key = need.partition(".")[2]
        half_width = HalfWidth.of(conditions.bench, "signal_generator", key)
        if half_width is not None and (with_tone or key != "tone"):
            found.append((f"generator, {key}", half_width))
    return found


def _reader_error(percent: float, conditions: Conditions) -> HalfWidth | None:
    """Return how far a distortion reading may be off, percent: as stated of distortion, else of SINAD."""
    stated = HalfWidth.of(conditions.bench, "audio_analyser", "distortion", "sinad")
    if stated is None or stated.figure is None or stated.keys[0].endswith(".distortion"):
        return None if stated is None else stated.of_reading(percent)
    share = relative_half_width(stated.figure, of_power=False)
    return HalfWidth(figure=share * percent, keys=stated.keys)


def _power_finding(readings: list[Reading], settings: AudioOutputSettings, conditions: Conditions) -> Finding:
    quantity, limits = "audio output power", settings.power.limits
    found = [reading.number for reading in readings if reading.number is not None]
    if len(found) < len(readings):
        return _not_read(quantity, "W", limits, readings)
    volts = statistics.fmean(found)
    power_w = volts**2 / settings.load_ohm
    per_volt = 2.0 * volts / settings.load_ohm
    parts = Parts(conditions.bench)
    errors = [
        ("audio analyser, voltage accuracy", HalfWidth.of(conditions.bench, "audio_analyser", "voltage"))
    ]
    for source, half_width in (*errors, *modulation_shares(conditions, with_tone=True)):
        in_volts = None if half_width is None else half_width.of_reading(volts)
        parts.accuracy(source, in_volts, unit="V", coefficient=per_volt)
    parts.connection(AUDIO_LEAD, coefficient=2.0 * power_w / 100.0)
    step = step_seen(readings)
    parts.add(scatter("repeatability of the voltage", found, step=step, unit="V", coefficient=per_volt))
    budget = parts.budget(quantity, "W", power_w)
    note = f"{short_quantity(volts, 'V')} into {settings.load_ohm:g} ohm at {settings.level_dbm:g} dBm"
    return Finding(quantity=quantity, value=power_w, unit="W", limits=limits, budget=budget, note=note)


def _not_read(quantity: str, unit: str, limits: Limits, readings: list[Reading]) -> Finding:
    state = next(reading.state.value for reading in readings if reading.number is None)
    return Finding(quantity=quantity, value=None, unit=unit, limits=limits, note=f"audio analyser: {state}")
