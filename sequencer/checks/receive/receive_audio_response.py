"""Audio response of a receiver: how its loudspeaker follows the modulating frequency, against 1 kHz.

Every tone modulates equally, so that a receiver for FM with pre-emphasis falls by 6 dB an octave. 20 % of the maximum deviation keeps the
loudspeaker out of clipping at low tones, which come out louder; +1 and -3 dB from ideal are customary. Both from memory of TIA-603 and
EN 300 086, low confidence.
"""

import math
import statistics
from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import Reading
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.receive.receive_distortion import (
    READINGS,
    SETTLE_S,
    STEADY,
    StandardSignal,
    apply_standard,
)
from sequencer.checks.settings import SOME
from sequencer.checks.shared import commands
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts, two_readings
from sequencer.checks.shared.level_search.sensitivity_reader import modulation_needs
from sequencer.checks.shared.level_search.wanted_signal import apply_wanted
from sequencer.checks.shared.readings.operator import is_by_hand
from sequencer.checks.shared.readings.reading_steps import step_seen
from sequencer.checks.shared.readings.settle import agreeing_share, several
from sequencer.checks.shared.readings.tone_response import (
    PER_RELATIVE_DB,
    REFERENCE_HZ,
    Emphasis,
    ideal_db,
    slope_at,
)
from sequencer.checks.shared.transmit.keyed_readings import Tone
from sequencer.files.fields import Percent, RatioDb, between
from sequencer.frozen import dataclass
from sequencer.safety.receive import ReceiveSide
from sequencer.uncertainty.contributions import resolution, scatter
from sequencer.uncertainty.decision import Limits
from sequencer.units.format import short_quantity

LEAST_ABOVE_NOISE = 5.0  # times: 14 dB, above which noise adds less than 0.2 dB to a tone; worked out
FALLS_BY = 0.2  # of the voltage, with half the modulation: a demodulator gives half, also where clipping holds a part of it
Within = Annotated[RatioDb, AfterValidator(between(0.0, 40.0, "dB"))]


class ReceiveAudioResponseSettings(StandardSignal):
    """Settings of `receive_audio_response`."""

    check: Literal["receive_audio_response"]
    """Which check this is."""
    tones_hz: Annotated[tuple[Tone, ...], *SOME] = (300.0, 500.0, 700.0, 1500.0, 2000.0, 2500.0, 3000.0)
    """The modulating tones, beside 1 kHz itself."""
    share_percent: Annotated[Percent, AfterValidator(between(5.0, 100.0, "%"))] = 33.3
    """How much of `deviation` or `depth` each tone modulates with: a third of the customary 60 % is 20 % of the maximum."""
    emphasis: Emphasis | None = None
    """What is ideal: audio that falls by 6 dB per octave, or that is flat; without it the former in FM, the latter in AM."""
    within_db: Within | None = None
    """How far from ideal is still right; without it the response is reported and not judged."""
    below_db: Within | None = None
    """How far below ideal is still right, where that is more, or less, than above; without it `within`."""

    def at_tone(self, tone_hz: float) -> StandardSignal:
        """Return the signal with its share of modulation, by ``tone_hz``."""
        share = self.share_percent / 100.0
        changed = {
            "tone_hz": tone_hz,
            "deviation_hz": max(50.0, share * self.deviation_hz),
            "depth_percent": max(1.0, share * self.depth_percent),
        }
        return self.model_copy(update=changed)

    def ideal(self, tone_hz: float, mode: str) -> tuple[float, Emphasis]:
        """Return the ideal response at ``tone_hz`` against 1 kHz, dB, and what is ideal in words."""
        emphasis: Emphasis = self.emphasis or ("6 dB per octave" if mode == "FM" else "flat")
        return -ideal_db(tone_hz, emphasis), emphasis

    def limits_at(self, tone_hz: float, mode: str) -> Limits:
        """Return what is right at ``tone_hz``, dB."""
        if self.within_db is None and self.below_db is None:
            return Limits()
        ideal, below_db = self.ideal(tone_hz, mode)[0], self.below_db
        lower_db = self.within_db if below_db is None else below_db
        return Limits(
            lower=None if lower_db is None else ideal - lower_db,
            upper=None if self.within_db is None else ideal + self.within_db,
        )


class ReceiveAudioResponse(Check[ReceiveAudioResponseSettings]):
    """Modulate a strong signal equally with each tone and compare the loudspeaker's voltage with that at 1 kHz."""

    name: ClassVar[str] = "receive_audio_response"
    summary: ClassVar[str] = "loudspeaker audio over modulating tones, against 1 kHz (FM, AM)"
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM"})
    depends_on: ClassVar[DependsOn] = frozenset()
    limit_keys = MappingProxyType({"": "within"})
    settings = ReceiveAudioResponseSettings

    @override
    def quantities(self, settings: ReceiveAudioResponseSettings) -> tuple[tuple[str, str], ...]:
        return tuple((_quantity(tone_hz), "dB") for tone_hz in settings.tones_hz)

    @override
    def limits_of(self, settings: ReceiveAudioResponseSettings, conditions: Conditions) -> tuple[Limits, ...]:
        return tuple(settings.limits_at(tone_hz, conditions.mode) for tone_hz in settings.tones_hz)

    def demands(self, settings: ReceiveAudioResponseSettings, conditions: Conditions) -> list[Demand]:
        """Return the level it uses."""
        return [Demand(at=("level",), level_dbm=settings.level_dbm)]

    def needs(self, settings: ReceiveAudioResponseSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        needed = ("audio_analyser.voltage", *modulation_needs(conditions.mode), "signal_generator.tone")
        return tuple(dict.fromkeys(needed))

    def commands(self, settings: ReceiveAudioResponseSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.wanted_signal(conditions.mode) | commands.of("audio_analyser", "level")

    @override
    def readings(self, settings: ReceiveAudioResponseSettings, conditions: Conditions) -> float:
        return len(settings.tones_hz) + 3.0  # 1 kHz before and after, and the audio without modulation

    @override
    def waits_of(self, settings: ReceiveAudioResponseSettings, conditions: Conditions) -> Mapping[str, float]:
        places = len(settings.tones_hz) + 4.0
        return {"signal_generator": places, "audio_analyser": places}

    @override
    def forecast_s(self, settings: ReceiveAudioResponseSettings, conditions: Conditions) -> float:
        places = len(settings.tones_hz) + 3
        return 2.0 * SETTLE_S + places * (SETTLE_S + READINGS * settings.reading_s)

    @override
    def receive(
        self, side: ReceiveSide, settings: ReceiveAudioResponseSettings, conditions: Conditions
    ) -> list[Finding]:
        reference = settings.at_tone(REFERENCE_HZ)
        if why_not := apply_standard(side, reference, conditions):
            return self._nothing(settings, conditions, why_not)
        volts = _read_all(side, settings, conditions)
        if why_not := volts.why_not(settings):
            return self._nothing(settings, conditions, why_not)
        if not is_by_hand(conditions, "audio_analyser"):
            _confirm_modulates(side, settings, conditions)
        return [_finding(tone_hz, volts, settings, conditions) for tone_hz in settings.tones_hz]

    def _nothing(
        self, settings: ReceiveAudioResponseSettings, conditions: Conditions, note: str
    ) -> list[Finding]:
        named = zip(self.quantities(settings), self.limits_of(settings, conditions), strict=True)
        return [
            Finding(quantity=quantity, value=None, unit=unit, limits=limits, note=note)
            for (quantity, unit), limits in named
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Volts:
    """The loudspeaker's voltage by tone, and without modulation."""

    by_tone: Mapping[float, list[Reading]]
    plain: list[Reading]

    def at(self, tone_hz: float) -> list[float]:
        """Return the numbers read at a tone, V."""
        return [one.number for one in self.by_tone[tone_hz] if one.number is not None]

    @property
    def plain_v(self) -> float:
        return statistics.fmean(one.number for one in self.plain if one.number is not None)

    def why_not(self, settings: ReceiveAudioResponseSettings) -> str:
        """Return in words why no response can be made of them, or nothing."""
        every = [*(one for some in self.by_tone.values() for one in some), *self.plain]
        if (missing := next((one for one in every if one.number is None), None)) is not None:
            return f"audio analyser: {missing.state.value}"
        softest_v, softest_hz = min((min(self.at(tone_hz)), tone_hz) for tone_hz in self.by_tone)
        if softest_v > LEAST_ABOVE_NOISE * self.plain_v:
            return ""
        return (
            f"{short_quantity(softest_v, 'V')} at {softest_hz:g} Hz, and {short_quantity(self.plain_v, 'V')} without modulation, at "
            f"{settings.level_dbm:g} dBm: no tone stands out of noise and hum there. Check whether the generator reaches the unit and "
            "modulates, whether the unit is on this channel and mode and its volume up, or use a larger 'share' or fewer 'tones'"
        )


def _read_all(side: ReceiveSide, settings: ReceiveAudioResponseSettings, conditions: Conditions) -> _Volts:
    """Read at 1 kHz, at each tone, at 1 kHz again, and without modulation; the signal is left at 1 kHz."""

    def read() -> Reading:
        return side.read_audio_v(settings.reading_s)

    def at(tone_hz: float) -> list[Reading]:
        apply_wanted(side, settings.at_tone(tone_hz), conditions, settings.level_dbm)
        side.wait_s(SETTLE_S)
        return agreeing_share(several(read, READINGS), read, share=STEADY)

    by_tone = {tone_hz: at(tone_hz) for tone_hz in dict.fromkeys((REFERENCE_HZ, *settings.tones_hz))}
    by_tone[REFERENCE_HZ] = [*by_tone[REFERENCE_HZ], *at(REFERENCE_HZ)]
    side.remove_modulation()
    side.wait_s(SETTLE_S)
    side.expect_other_audio()
    plain = several(read, 2)
    apply_wanted(side, settings.at_tone(REFERENCE_HZ), conditions, settings.level_dbm)
    side.wait_s(SETTLE_S)
    return _Volts(by_tone=by_tone, plain=plain)


def _confirm_modulates(
    side: ReceiveSide, settings: ReceiveAudioResponseSettings, conditions: Conditions
) -> None:
    """Raise UnexpectedReply where the audio stays as it is with half the modulation."""
    signal = settings.at_tone(REFERENCE_HZ)

    def modulate(share: float) -> None:
        if conditions.mode == "FM":
            side.set_fm(deviation_hz=share * signal.deviation_hz, tone_hz=signal.tone_hz)
        else:
            side.set_am(depth_percent=share * signal.depth_percent, tone_hz=signal.tone_hz)

    def read() -> Reading:
        return side.read_audio_v(settings.reading_s)

    whole = read().number or 0.0
    side.confirm_modulation_counts("audio level", read, modulate, fall=FALLS_BY * whole, settle_s=SETTLE_S)


def _finding(
    tone_hz: float, volts: _Volts, settings: ReceiveAudioResponseSettings, conditions: Conditions
) -> Finding:
    found, reference = volts.at(tone_hz), volts.at(REFERENCE_HZ)
    here, there = statistics.fmean(found), statistics.fmean(reference)
    response_db = 20.0 * math.log10(here / there)
    parts = _parts(tone_hz, volts, conditions)
    nominal_db, emphasis = settings.ideal(tone_hz, conditions.mode)
    return Finding(
        quantity=_quantity(tone_hz),
        value=response_db,
        unit="dB",
        limits=settings.limits_at(tone_hz, conditions.mode),
        budget=parts.budget(_quantity(tone_hz), "dB", response_db),
        note=f"ideal {nominal_db:+.1f} dB ({emphasis}); {short_quantity(here, 'V')}, {short_quantity(there, 'V')} at 1 kHz, "
        f"at {settings.level_dbm:g} dBm",
        axis="audio frequency",
        axis_value=tone_hz,
        axis_unit="Hz",
        nominal=nominal_db,
    )


def _parts(tone_hz: float, volts: _Volts, conditions: Conditions) -> Parts:
    """Return the response's parts, dB: two voltages and two settings of modulation as independent, the tone by the slope found, noise."""
    bench, parts = conditions.bench, Parts(conditions.bench)
    analyser = HalfWidth.of(bench, "audio_analyser", "voltage")
    in_db = None if analyser is None else analyser.in_db()
    parts.accuracy("analyser, response between the tones", two_readings(in_db), unit="dB")
    kind = "deviation" if conditions.mode == "FM" else "depth"
    modulated = HalfWidth.of(bench, "signal_generator", kind)
    in_db = None if modulated is None else modulated.in_db()
    parts.accuracy(f"generator, {kind} between the tones", two_readings(in_db), unit="dB")
    tone = HalfWidth.of(bench, "signal_generator", "tone")
    relative = None if tone is None else tone.times(1e-2)
    steepest = slope_at(tone_hz, {one: volts.at(one) for one in volts.by_tone})
    parts.accuracy("generator, tone", relative, coefficient=steepest)
    for name, at_hz in (("repeatability", tone_hz), ("repeatability at 1 kHz", REFERENCE_HZ)):
        found = volts.at(at_hz)
        mean_v = statistics.fmean(found)
        step = step_seen(volts.by_tone[at_hz])
        parts.add(scatter(name, found, step=step, coefficient=PER_RELATIVE_DB / mean_v))
        noise_db = 10.0 * math.log10(1.0 + (volts.plain_v / mean_v) ** 2)
        parts.add(resolution(f"noise and hum beside {at_hz:g} Hz", 2.0 * noise_db, unit="dB"))
    return parts


def _quantity(tone_hz: float) -> str:
    return f"received audio at {tone_hz:g} Hz"
