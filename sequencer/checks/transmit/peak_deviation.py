"""Peak deviation: how far speech swings the carrier, to either side, at a drive and at tones of the speech band."""

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, model_validator
from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import PeakSide, Reading, Samples
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.settings import SOME, CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.limits import DeviationLimit
from sequencer.checks.shared.budgets.pooled_scatter import pooled
from sequencer.checks.shared.transmit.drive_response import RESPONSE_FORECAST_S, hold_to_drive
from sequencer.checks.shared.transmit.keyed_readings import (
    AUDIO_UPPER_HZ,
    Drive,
    Tone,
    analyser_finding,
    drive_text,
    raised_v,
    read_baseband,
    read_settled,
    record_baseband,
)
from sequencer.files.fields import RatioDb, between
from sequencer.inputs.stated import AUDIO_LEAD
from sequencer.safety.transmit import TransmitSide

SETTLED_HZ = 15.0


class PeakDeviationSettings(CheckSettings):
    """Settings of `peak_deviation`."""

    check: Literal["peak_deviation"]
    """Which check this is."""
    drive_v: Drive
    """Level at the microphone input, V rms."""
    above_db: Annotated[RatioDb, AfterValidator(between(0.0, 60.0, "dB"))] = 0.0
    """How far above `drive` the unit is driven: 20 dB shows what the limiter holds."""
    tone_hz: Tone | Annotated[tuple[Tone, ...], *SOME] = 1000.0
    """Tone at the microphone input, or several: then the highest peak of each side is reported, with its tone."""
    read: Literal["analyser", "samples"] = "analyser"
    """Whether the analyser's own reading counts, or what is worked out from its baseband samples."""
    limit: DeviationLimit = DeviationLimit.unstated()
    """Lowest and highest peak deviation that is right, for either side."""

    @model_validator(mode="after")
    def _bears_the_drive(self) -> "PeakDeviationSettings":
        raised_v(self.drive_v, self.above_db)
        return self

    @property
    def tones_hz(self) -> tuple[float, ...]:
        """The tones, in order."""
        return self.tone_hz if isinstance(self.tone_hz, tuple) else (self.tone_hz,)

    @property
    def level_v(self) -> float:
        """The level at the microphone input, V rms."""
        return raised_v(self.drive_v, self.above_db)


class PeakDeviation(Check[PeakDeviationSettings]):
    """Drive the microphone input with each tone, key the unit, and read both sides' peaks."""

    name: ClassVar[str] = "peak_deviation"
    summary: ClassVar[str] = "peak FM deviation of both sides, at a drive and over tones"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"modulation_analyser", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM"})
    depends_on: ClassVar[DependsOn] = frozenset()
    settings = PeakDeviationSettings

    @override
    def quantities(self, settings: PeakDeviationSettings) -> tuple[tuple[str, str], ...]:
        return ((_quantity("positive", settings), "Hz"), (_quantity("negative", settings), "Hz"))

    def needs(self, settings: PeakDeviationSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return ("modulation_analyser.deviation", "audio_analyser.voltage", AUDIO_LEAD)

    def commands(self, settings: PeakDeviationSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return (
            commands.recording("modulation_analyser", "recorded_baseband")
            if settings.read == "samples"
            else commands.peak_modulation("FM")
        )

    @override
    def waits_of(self, settings: PeakDeviationSettings, conditions: Conditions) -> Mapping[str, float]:
        by_tone = 1.5 if settings.read == "analyser" else 3.0
        return {"modulation_analyser": 2.0 + by_tone * len(settings.tones_hz)}

    def forecast_s(self, settings: PeakDeviationSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: four or five readings of either side at each tone, and one at a lower drive."""
        return 0.3 + 1.13 * len(settings.tones_hz) + RESPONSE_FORECAST_S

    @override
    def may_join_key(self, settings: PeakDeviationSettings) -> bool:
        return settings.read == "analyser"  # what is worked out from samples takes its time

    @override
    def transmit(
        self, side: TransmitSide, settings: PeakDeviationSettings, conditions: Conditions
    ) -> list[Finding]:
        found: dict[PeakSide, list[Finding]] = {"positive": [], "negative": []}
        for tone_hz in settings.tones_hz:
            side.apply_audio(tone_hz=tone_hz, level_v=settings.level_v)
            for which, findings in found.items():
                finding = _measure(side, which, tone_hz, settings, conditions)
                conditions.say(
                    f"{tone_hz:g} Hz, {which}: {finding.value if finding.value is not None else '—'}"
                )
                findings.append(finding)
        both = pooled([one for findings in found.values() for one in findings], "repeatability")
        count = len(settings.tones_hz)
        highest = [_highest(both[:count]), _highest(both[count:])]
        last_hz = settings.tones_hz[-1]
        held = hold_to_drive(
            side,
            highest,
            lambda: _read_once(side, "positive", last_hz, settings),
            before=found["positive"][-1].value,
            tone_hz=last_hz,
            level_v=settings.level_v,
            conditions=conditions,
        )
        side.rest()
        return held


def _measure(
    side: TransmitSide,
    which: PeakSide,
    tone_hz: float,
    settings: PeakDeviationSettings,
    conditions: Conditions,
) -> Finding:
    note = drive_text(settings.level_v, tone_hz)
    if settings.read == "samples":
        note += "; from baseband samples"
        readings = read_baseband(side, lambda samples: _peak_of(samples, which, tone_hz), within=SETTLED_HZ)
    else:
        readings = read_settled(side, lambda: side.read_deviation_hz(which), within=SETTLED_HZ)
    return analyser_finding(
        _quantity(which, settings),
        "Hz",
        readings,
        settings.limit.limits,
        conditions,
        accuracy="deviation",
        note=note,
    )


def _read_once(
    side: TransmitSide, which: PeakSide, tone_hz: float, settings: PeakDeviationSettings
) -> Reading:
    if settings.read == "samples":
        return record_baseband(side, lambda samples: _peak_of(samples, which, tone_hz))
    return side.read_deviation_hz(which)


def _peak_of(samples: Samples, which: PeakSide, tone_hz: float) -> float:
    from sequencer.dsp.baseband import read_fm

    found = read_fm(samples.content, samples.rate_hz, audio_upper_hz=AUDIO_UPPER_HZ, tone_hz=tone_hz)
    return found.positive_peak_hz if which == "positive" else found.negative_peak_hz


def _highest(findings: list[Finding]) -> Finding:
    """Return the highest peak; what could not be read comes first, so that it is not passed over."""
    unread = [finding for finding in findings if finding.value is None]
    return unread[0] if unread else max(findings, key=lambda finding: finding.value or 0.0)


def _quantity(which: str, settings: PeakDeviationSettings) -> str:
    above = f", {settings.above_db:g} dB above" if settings.above_db else ""
    return f"peak deviation, {which}{above}"
