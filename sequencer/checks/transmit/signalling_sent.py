"""Signalling that a transmitter sends with speech: a sub-audible tone, a digital code, or two tones, from the analyser's baseband samples.

Nothing is at the microphone. Which tones and codes there are: `sequencer/checks/shared/asked/signalling_lists.yaml`, with sources.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field, model_validator
from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import RangeState, Reading, Samples
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.limits import DeviationLimit, RatioLimit
from sequencer.checks.shared.asked.signalling_lists import known_code, lists, tone_said
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.checks.shared.readings.settle import agreeing
from sequencer.checks.shared.transmit.keyed_readings import with_note
from sequencer.dsp.samples import SamplesError
from sequencer.files.fields import FrequencyHz, Percent, between
from sequencer.frozen import dataclass
from sequencer.problems import FieldProblem
from sequencer.safety.transmit import TransmitSide
from sequencer.safety.transmitting.key_recordings import ON_ITS_RATE
from sequencer.uncertainty.budget import Contribution
from sequencer.uncertainty.contributions import scatter
from sequencer.uncertainty.decision import Limits

if TYPE_CHECKING:
    from sequencer.dsp.signalling import Heard

RECORDINGS = 3
RECORDING_S = 0.6  # two listed tones 2.3 Hz apart are parted in 0.44 s; a code's word takes 0.17 s
RATE_HZ = 16e3
RATE_FORECAST_S = 0.55
AGREE = {
    "Hz": 2.0,
    "bit/s": 0.2,
    "dB": 0.1,
}  # what recordings of steady signalling agree to: common practice, no source
TONE_PERCENT = 0.5  # a sender's tolerance, from memory
RATE_PERCENT = 0.5  # of a code's clock; no source
DUAL_PERCENT = 1.8  # a sender's tolerance, seen in course notes
REACH = 0.05  # of a tone of two: it is looked for so far to either side
NO_WRONG_BITS = Limits(upper=0.0)
Sub = Annotated[FrequencyHz, AfterValidator(between(60.0, 260.0, "Hz"))]
Dual = Annotated[FrequencyHz, AfterValidator(between(300.0, 2_500.0, "Hz"))]
Share = Annotated[Percent, AfterValidator(between(0.01, 5.0, "%"))]
TONE, CODE, DUAL = "sub-audible tone", "digital code", "dual tone"


class SignallingSentSettings(CheckSettings):
    """Settings of `signalling_sent`: one of `tone`, `code` and `tones`."""

    check: Literal["signalling_sent"]
    """Which check this is."""
    tone_hz: Sub | None = None
    """The sub-audible tone that the unit must send."""
    code: Annotated[str, Field(max_length=20), AfterValidator(known_code)] | None = None
    """The digital code that the unit must send: `D023N`, or `D023I` for its levels the other way round."""
    tones_hz: tuple[Dual, ...] | None = None
    """The two tones that the unit must send at once, the lower first."""
    within_percent: Share | None = None
    """How far a frequency, or a code's bit rate, may be off: 0.5 % of a tone (from memory) and of a code's clock, 1.8 % of two tones."""
    deviation: DeviationLimit = DeviationLimit.unstated()
    """Peak deviation that is right; of a code how far its levels lie from their middle, of two tones the peaks of both together."""
    twist: RatioLimit = RatioLimit.unstated()
    """Two tones: by how much the higher is stronger than the lower."""

    @model_validator(mode="after")
    def _of_one_kind(self) -> SignallingSentSettings:
        stated = [
            key
            for key, one in (("tone", self.tone_hz), ("code", self.code), ("tones", self.tones_hz))
            if one is not None
        ]
        if len(stated) != 1:
            raise FieldProblem(
                f"{' and '.join(stated)} are given" if stated else "it is not said what the unit sends",
                at=(stated[-1],) if stated else (),
                allowed="one of 'tone: 88.5 Hz', 'code: D023N', 'tones: [770 Hz, 1209 Hz]'",
            )
        if self.tones_hz is not None and (
            len(self.tones_hz) != 2 or self.tones_hz[0] * 1.1 >= self.tones_hz[1]
        ):
            raise FieldProblem(
                "that is no pair of tones", at=("tones",), allowed="two, the lower first: [770 Hz, 1209 Hz]"
            )
        return self

    @property
    def share(self) -> float:
        """How far a frequency or a bit rate may be off, as a share."""
        usual = (
            TONE_PERCENT
            if self.tone_hz is not None
            else RATE_PERCENT
            if self.code is not None
            else DUAL_PERCENT
        )
        return (usual if self.within_percent is None else self.within_percent) / 100.0

    @property
    def wanted(self) -> tuple[tuple[str, str, Limits], ...]:
        """The quantities, their units and limits."""
        deviation = self.deviation.limits
        if self.tone_hz is not None:
            around = Limits.around(self.tone_hz, self.share * self.tone_hz)
            return (TONE, "Hz", around), (f"{TONE}, deviation", "Hz", deviation)
        if self.tones_hz is not None:
            tones = tuple(
                (f"{DUAL}, {which}", "Hz", Limits.around(one, self.share * one))
                for which, one in zip(("lower", "higher"), self.tones_hz, strict=True)
            )
            return (
                *tones,
                (f"{DUAL}, deviation", "Hz", deviation),
                (f"{DUAL}, twist", "dB", self.twist.limits),
            )
        rate = lists().codes.bit_rate
        return (
            (f"{CODE}, bits that are not those of {self.code}", "bits", NO_WRONG_BITS),
            (f"{CODE}, bit rate", "bit/s", Limits.around(rate, self.share * rate)),
            (f"{CODE}, deviation", "Hz", deviation),
        )


class SignallingSent(Check[SignallingSentSettings]):
    """Key the unit with nothing at its microphone, record it, and recognise what it is modulated with; then see that it goes with PTT."""

    name: ClassVar[str] = "signalling_sent"
    summary: ClassVar[str] = (
        "sub-audible tone, digital code or dual tone that the unit sends: which, and how strong"
    )
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"modulation_analyser", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM"})
    depends_on: ClassVar[DependsOn] = frozenset()
    limit_keys = MappingProxyType(
        {
            f"{TONE}, deviation": "deviation",
            f"{CODE}, deviation": "deviation",
            f"{DUAL}, deviation": "deviation",
            f"{DUAL}, twist": "twist",
            f"{CODE}, bits": "code",
            f"{CODE}, bit rate": "within",
            TONE: "within",
            DUAL: "within",
        }
    )
    settings = SignallingSentSettings

    @override
    def quantities(self, settings: SignallingSentSettings) -> tuple[tuple[str, str], ...]:
        return tuple((quantity, unit) for quantity, unit, _ in settings.wanted)

    @override
    def limits_of(self, settings: SignallingSentSettings, conditions: Conditions) -> tuple[Limits, ...]:
        return tuple(limits for _, _, limits in settings.wanted)

    def needs(self, settings: SignallingSentSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        flatness = ("modulation_analyser.flatness",) if settings.tones_hz is not None else ()
        return "modulation_analyser.frequency", "modulation_analyser.deviation", *flatness

    def commands(self, settings: SignallingSentSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.recording("modulation_analyser", "recorded_baseband")

    def forecast_s(self, settings: SignallingSentSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: four recordings, one of them released, behind two that show their rate."""
        return 0.3 + RATE_FORECAST_S + (RECORDINGS + 1) * RECORDING_S

    @override
    def keyed_s(self, settings: SignallingSentSettings, conditions: Conditions) -> float:
        return 0.2 + RECORDINGS * RECORDING_S

    @override
    def transmit(
        self, side: TransmitSide, settings: SignallingSentSettings, conditions: Conditions
    ) -> list[Finding]:
        side.remove_audio()
        shown = side.confirm_rate(RATE_HZ)
        recorded: list[Samples] = []

        def hear() -> _Heard:
            recorded.append(side.capture_baseband(RECORDING_S, RATE_HZ))
            return _heard(recorded[-1], settings)

        try:
            found = _findings([hear() for _ in range(RECORDINGS)], hear, settings, conditions)
        except SamplesError as error:
            side.rest()
            return _unmeasured(settings, f"{RangeState.NO_MEASUREMENT.value}; {error}")
        side.confirm_baseband_falls(recorded[-1])
        side.rest()
        return found if shown else [with_note(one, ON_ITS_RATE) for one in found]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Heard:
    """What one recording holds: a figure for each quantity, None where the unit sends no such thing, and in words what it sends.

    ``clock`` is the standard uncertainty of a bit rate as it was fitted, ``noise`` that of each figure by the noise beside a tone.
    """

    figures: tuple[float | None, ...]
    sent: str
    clock: float = 0.0
    noise: tuple[float, ...] = ()


def _heard(samples: Samples, settings: SignallingSentSettings) -> _Heard:
    from sequencer.dsp import signalling as dsp

    if settings.tones_hz is not None:
        return _two_tones(samples, settings.tones_hz)
    heard = dsp.hear_below_speech(samples.content, samples.rate_hz)
    if settings.tone_hz is not None:
        if isinstance(heard, dsp.ToneHeard):
            sent = f"it sends {tone_said(heard.frequency_hz)}"
            noise = (heard.frequency_doubt_hz, heard.deviation_doubt_hz)
            return _Heard(figures=(heard.frequency_hz, heard.deviation_hz), sent=sent, noise=noise)
        rest_hz = dsp.deviation_at(samples.content, samples.rate_hz, settings.tone_hz)
        return _Heard(figures=(None, rest_hz), sent=_said(heard))
    assert settings.code is not None
    if not isinstance(heard, dsp.CodeHeard):
        return _Heard(figures=(float(dsp.WORD_BITS), None, None), sent=_said(heard))
    word = dsp.word_of(settings.code[1:4])
    wrong = dsp.bits_apart(heard.word, word if settings.code[4] == "N" else dsp.inverted(word))
    figures = (float(wrong), heard.bit_rate, heard.deviation_hz)
    return _Heard(figures=figures, sent=_said(heard), clock=heard.clock)


def _two_tones(samples: Samples, tones_hz: tuple[float, ...]) -> _Heard:
    from sequencer.dsp import signalling as dsp

    low, high = dsp.hear_two_tones(samples.content, samples.rate_hz, (tones_hz[0], tones_hz[1]), REACH)
    both = (low, high)
    missing = [f"{at_hz:g} Hz" for one, at_hz in zip(both, tones_hz, strict=True) if one is None]
    if low is None or high is None:
        peaks_hz = [
            dsp.deviation_at(samples.content, samples.rate_hz, at_hz) if one is None else one.deviation_hz
            for one, at_hz in zip(both, tones_hz, strict=True)
        ]
        alone = tuple(None if one is None else one.frequency_hz for one in both)
        sent = f"it sends no tone near {' and none near '.join(missing)}"
        doubts = [0.0 if one is None else one.frequency_doubt_hz for one in both]
        return _Heard(figures=(*alone, sum(peaks_hz), None), sent=sent, noise=(*doubts, 0.0, 0.0))
    twist_db = 20.0 * math.log10(high.deviation_hz / low.deviation_hz)
    of_twist = math.hypot(*(one.deviation_doubt_hz / one.deviation_hz for one in (low, high)))
    return _Heard(
        figures=(low.frequency_hz, high.frequency_hz, low.deviation_hz + high.deviation_hz, twist_db),
        sent="it sends two tones",
        noise=(
            low.frequency_doubt_hz,
            high.frequency_doubt_hz,
            math.hypot(low.deviation_doubt_hz, high.deviation_doubt_hz),
            20.0 / math.log(10.0) * of_twist,
        ),
    )


def _said(heard: Heard) -> str:
    """Return in words what a unit sends below speech, where it is not what it should be."""
    from sequencer.dsp import signalling as dsp

    if isinstance(heard, dsp.Nothing):
        return "it transmits, and sends no tone and no code"
    if isinstance(heard, dsp.ToneHeard):
        return f"it sends a tone of {heard.frequency_hz:.1f} Hz, {tone_said(heard.frequency_hz)}"
    for code in lists().codes.octal:
        if dsp.bits_apart(heard.word, dsp.word_of(code)) == 0:
            return f"it sends D{code}N"
    return "it sends a digital code of no list"


def _findings(
    heard: list[_Heard], hear: Callable[[], _Heard], settings: SignallingSentSettings, conditions: Conditions
) -> list[Finding]:
    """Return what several recordings hold; nothing where they do not hold the same."""
    kinds = {(one.sent, tuple(figure is None for figure in one.figures)) for one in heard}
    if len(kinds) > 1:
        return _unmeasured(
            settings, "the recordings disagree: " + "; ".join(dict.fromkeys(one.sent for one in heard))
        )
    return [_finding(at, heard, hear, settings, conditions) for at in range(len(settings.wanted))]


def _finding(
    at: int,
    heard: list[_Heard],
    hear: Callable[[], _Heard],
    settings: SignallingSentSettings,
    conditions: Conditions,
) -> Finding:
    quantity, unit, limits = settings.wanted[at]
    note = heard[0].sent

    def reading(one: _Heard) -> Reading:
        figure = one.figures[at]
        return Reading(
            number=figure, state=RangeState.NO_MEASUREMENT if figure is None else RangeState.IN_RANGE
        )

    if heard[0].figures[at] is None:
        return Finding(quantity=quantity, value=None, unit=unit, limits=limits, note=note, on_unit=True)
    if unit == "bits":
        most = max(one.figures[at] or 0.0 for one in heard)
        return Finding(quantity=quantity, value=most, unit=unit, limits=limits, exact=True, note=note)
    agreed = agreeing([reading(one) for one in heard], lambda: reading(hear()), within=AGREE[unit])
    figures = [one.number for one in agreed if one.number is not None]
    if len(figures) != len(agreed):
        return Finding(
            quantity=quantity, value=None, unit=unit, limits=limits, note=f"the recordings disagree: {note}"
        )
    mean = statistics.fmean(figures)
    parts = _parts(quantity, unit, mean, conditions)
    parts.add(scatter("repeatability", figures, unit=unit))
    if unit == "bit/s":
        clock = statistics.fmean(one.clock for one in heard)
        parts.add(Contribution.normal("clock, as it was fitted to the changes of level", clock, unit=unit))
    if heard[0].noise:
        # Few recordings may agree by chance; how much noise there is beside a tone, each of them says by itself.
        noise = statistics.fmean(one.noise[at] for one in heard) / math.sqrt(len(figures))
        parts.add(Contribution.normal("noise beside the tone, as it was fitted", noise, unit=unit))
    budget = parts.budget(quantity, unit, mean)
    return Finding(quantity=quantity, value=mean, unit=unit, limits=limits, budget=budget, note=note)


def _parts(quantity: str, unit: str, figure: float, conditions: Conditions) -> Parts:
    """Return what the analyser may be off by: its reference for a frequency, its deviation, its flatness between two tones."""
    bench, parts = conditions.bench, Parts(conditions.bench)
    key = "flatness" if unit == "dB" else "deviation" if quantity.endswith("deviation") else "frequency"
    half_width = HalfWidth.of(bench, "modulation_analyser", key)
    if half_width is not None:
        if key == "frequency":
            half_width = half_width.times(1e-6 * figure)
        else:
            half_width = half_width.in_db() if key == "flatness" else half_width.of_reading(figure)
    source = {
        "frequency": "analyser's reference",
        "deviation": "analyser, accuracy",
        "flatness": "analyser, flatness",
    }[key]
    parts.accuracy(source, half_width, unit=unit)
    return parts


def _unmeasured(settings: SignallingSentSettings, why: str) -> list[Finding]:
    return [
        Finding(quantity=quantity, value=None, unit=unit, limits=limits, note=f"modulation analyser: {why}")
        for quantity, unit, limits in settings.wanted
    ]
