"""Signalling received: the level at which a receiver opens for its own sub-audible tone or digital code, and that it stays shut for others.

A receiver whose decoder keeps the loudspeaker muted is given a tone to be heard, and its own signalling beside it by the generator's second
source; it is open where the loudspeaker's voltage says so, as `squelch` has it. A decoder opens within 250 ms, from memory of the trade;
what it is given is stated, and that it needs no longer is seen.
"""

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field, model_validator
from typing_extensions import override

from drivers.profiled.commands import Need
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.people import by_hand
from sequencer.checks.settings import SOME, CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.levels import LevelWindow, SearchAccuracyDb
from sequencer.checks.shared.asked.limits import LevelLimit
from sequencer.checks.shared.asked.signalling_lists import known_code
from sequencer.checks.shared.budgets.level_budget import LEVEL_NEEDS
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.checks.shared.signalling import sender
from sequencer.checks.shared.signalling.decoder_levels import DWELL_S, DecoderOnSide, StaysShut
from sequencer.checks.shared.signalling.false_openings import count_openings, why_doubted
from sequencer.checks.shared.signalling.sender import NOTHING, Below
from sequencer.files.fields import FrequencyDifferenceHz, FrequencyHz, LevelDbm, TimeS, VoltageV, between
from sequencer.problems import FieldProblem
from sequencer.safety.receive import ReceiveSide
from sequencer.uncertainty.decision import Limits

SLOW_TIMES, SLOW_S = 6.0, 1.5  # what a decoder that is slower than stated is given
TESTS = 22.0  # of the search, counted on the simulated bench
OPENS, CLOSES, FALSE = "signalling opens", "signalling closes", "false openings"
NO_OPENING = Limits(upper=0.0)
Sub = Annotated[FrequencyHz, AfterValidator(between(60.0, 260.0, "Hz"))]
Swing = Annotated[FrequencyDifferenceHz, AfterValidator(between(50.0, 5e3, "Hz"))]


class SignallingReceivedSettings(CheckSettings):
    """Settings of `signalling_received`: one of `tone` and `code`."""

    check: Literal["signalling_received"]
    """Which check this is."""
    tone_hz: Sub | None = None
    """The sub-audible tone that opens the unit."""
    code: Annotated[str, Field(max_length=20), AfterValidator(known_code)] | None = None
    """The digital code that opens the unit: `D023N`, or `D023I` for its levels the other way round."""
    signalling_deviation_hz: Swing
    """Peak deviation of the tone, or how far the code's levels lie from their middle."""
    neighbours_hz: Annotated[tuple[Sub, ...], *SOME] | None = None
    """Tones for which it must stay shut; without them those beside it in the list that has it."""
    audio_tone_hz: Annotated[FrequencyHz, AfterValidator(between(300.0, 3_000.0, "Hz"))] = 1000.0
    """Tone to be heard."""
    deviation_hz: Annotated[FrequencyDifferenceHz, AfterValidator(between(50.0, 1e5, "Hz"))] = 1200.0
    """Peak deviation of the tone to be heard."""
    detect_s: Annotated[TimeS, AfterValidator(between(0.05, 5.0, "s"))] = 0.25
    """What the decoder is given to open, and to shut: 250 ms from memory of the trade. That it needs no longer is seen."""
    open_above_v: Annotated[VoltageV, AfterValidator(between(1e-4, 10.0, "V"))] | None = None
    """Loudspeaker voltage above which it counts as open; without it found between no signal and its own tone on a strong one."""
    accuracy_db: SearchAccuracyDb = 0.5
    """Half-width of the 95 % interval at which the search may stop, for each of both levels."""
    levels: LevelWindow = Field(default_factory=LevelWindow)
    """The levels the search may use."""
    strong_dbm: LevelDbm = -60.0
    """The level at which it must stay shut for what is not its own."""
    shut_for_s: Annotated[TimeS, AfterValidator(between(1.0, 3600.0, "s"))] = 10.0
    """For how long it must stay shut for each of them."""
    opening: LevelLimit = LevelLimit.unstated()
    """Where it must open: usually a max."""
    closing: LevelLimit = LevelLimit.unstated()
    """Where it must close."""

    @model_validator(mode="after")
    def _is_one_kind(self) -> "SignallingReceivedSettings":
        if (self.tone_hz is None) == (self.code is None):
            both = self.tone_hz is not None
            raise FieldProblem(
                "a tone and a code are given" if both else "it is not said what opens the unit",
                at=("code",) if both else (),
                allowed="one of 'tone: 88.5 Hz' and 'code: D023N'",
            )
        if self.code is not None and self.neighbours_hz is not None:
            raise FieldProblem(
                "a code has no tones beside it",
                at=("neighbours",),
                allowed="none: its inverse and no code at all are tried",
            )
        if self.tone_hz is not None:
            self._refuse_tones(self.tone_hz)
        return self

    def _refuse_tones(self, tone_hz: float) -> None:
        if self.neighbours_hz is None and not sender.listed_neighbours(tone_hz):
            raise FieldProblem(
                f"no list has a tone of {tone_hz:g} Hz, so that nobody knows which tones lie beside it",
                at=("tone",),
                allowed=f"a listed tone (the nearest is {sender.nearest_listed_hz(tone_hz):g} Hz), or 'neighbours: [...]' too",
            )
        for at, one_hz in enumerate(self.neighbours_hz or ()):
            if abs(one_hz - tone_hz) < 0.005 * tone_hz:
                raise FieldProblem(
                    f"{one_hz:g} Hz is the unit's own tone, as far as a decoder may be off",
                    at=("neighbours", at),
                    allowed="0.5 % from the tone or more",
                )

    @property
    def own(self) -> Below:
        """What opens the unit."""
        return sender.of_code(self.code) if self.code is not None else sender.of_tone(self.tone_hz or 0.0)

    @property
    def wrong(self) -> tuple[Below, ...]:
        """For what it must stay shut."""
        if self.code is not None:
            return replace(sender.inverse_of(self.code), name="inverse code"), replace(
                NOTHING, name="no code"
            )
        tones_hz = self.neighbours_hz or sender.listed_neighbours(self.tone_hz or 0.0)
        return *map(sender.of_tone, tones_hz), replace(NOTHING, name="no tone")

    @property
    def pause_s(self) -> float:
        """What is waited after the signal was changed by far, s."""
        return 2.0 * self.detect_s + 0.2

    @property
    def slow_s(self) -> float:
        """What a decoder that may be slower than stated is given, s."""
        return max(SLOW_S, SLOW_TIMES * self.detect_s)


class SignallingReceived(Check[SignallingReceivedSettings]):
    """Step a carrier with the unit's own signalling up and down until it opens and shuts, then count what else opens it."""

    name: ClassVar[str] = "signalling_received"
    summary: ClassVar[str] = (
        "level at which the unit opens for its sub-audible tone or digital code, and openings for others"
    )
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM"})
    depends_on: ClassVar[DependsOn] = frozenset()
    limit_keys = MappingProxyType({OPENS: "opening", CLOSES: "closing"})
    settings = SignallingReceivedSettings

    @override
    def quantities(self, settings: SignallingReceivedSettings) -> tuple[tuple[str, str], ...]:
        counted = ((f"{FALSE}, {one.name}", "openings") for one in settings.wrong)
        return ((OPENS, "dBm"), (CLOSES, "dBm"), *counted)

    @override
    def limits_of(self, settings: SignallingReceivedSettings, conditions: Conditions) -> tuple[Limits, ...]:
        return (settings.opening.limits, settings.closing.limits, *(NO_OPENING for _ in settings.wrong))

    def needs(self, settings: SignallingReceivedSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return (*LEVEL_NEEDS, "signal_generator.deviation")

    def demands(self, settings: SignallingReceivedSettings, conditions: Conditions) -> list[Demand]:
        """Return the levels it may use; what a person reads is refused: nobody looks a hundred times in ten seconds."""
        found = settings.levels.demands(conditions)
        found.append(Demand(at=("strong",), level_dbm=settings.strong_dbm))
        if by_hand(conditions, "audio_analyser"):
            found.append(
                Demand(
                    refused="false openings are counted by readings every tenth of a second, which nobody takes by eye",
                    allowed="a bench whose audio analyser answers itself",
                )
            )
        return found

    def commands(self, settings: SignallingReceivedSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        names = ["second_deviation", "second_tone", "second_state"]
        if settings.code is not None:
            names += ["second_shape", "second_bits", "second_bit_rate"]
        return (
            commands.generator_modulation("FM")
            | commands.of("signal_generator", *names)
            | commands.of("audio_analyser", "level", "audio_frequency")
        )

    @override
    def waits_of(self, settings: SignallingReceivedSettings, conditions: Conditions) -> Mapping[str, float]:
        wrong = len(settings.wrong)
        looks = wrong * (settings.shut_for_s / DWELL_S + 1.0)
        return {"signal_generator": TESTS + 6.0 + wrong, "audio_analyser": TESTS + 6.0 + looks}

    def forecast_s(self, settings: SignallingReceivedSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: the search, what proves it, and each wrong signal for its time."""
        search_s = TESTS * (settings.detect_s + DWELL_S)
        proofs_s = 5.0 * (settings.pause_s + DWELL_S) + 2.0 * (settings.slow_s + settings.pause_s + DWELL_S)
        each_s = 2.0 * settings.pause_s + DWELL_S + settings.shut_for_s
        return 1.0 + search_s + proofs_s + len(settings.wrong) * each_s

    @override
    def failing_s(self, settings: SignallingReceivedSettings, conditions: Conditions) -> float:
        return 3.0 * (settings.pause_s + DWELL_S)

    @override
    def receive(
        self, side: ReceiveSide, settings: SignallingReceivedSettings, conditions: Conditions
    ) -> list[Finding]:
        side.configure_audio(tone_hz=settings.audio_tone_hz)
        decoder = _decoder(side, settings, conditions)
        threshold_v = settings.open_above_v or decoder.find_threshold_v()
        if isinstance(threshold_v, StaysShut):
            return self._nothing(settings, conditions, threshold_v)
        found = decoder.find_levels(
            threshold_v,
            (OPENS, settings.opening.limits),
            (CLOSES, settings.closing.limits),
            further=_of_deviation(conditions),
        )
        found += [_counted(decoder, threshold_v, wrong, settings) for wrong in settings.wrong]
        decoder.apply_own(decoder.strong_dbm)
        side.wait_s(settings.pause_s)
        return found

    def _nothing(
        self, settings: SignallingReceivedSettings, conditions: Conditions, shut: StaysShut
    ) -> list[Finding]:
        limits = self.limits_of(settings, conditions)
        return [
            Finding(
                quantity=quantity,
                value=None,
                unit=unit,
                limits=one,
                note=shut.why,
                on_unit=shut.on_unit,
            )
            for (quantity, unit), one in zip(self.quantities(settings), limits, strict=True)
        ]


def _decoder(
    side: ReceiveSide, settings: SignallingReceivedSettings, conditions: Conditions
) -> DecoderOnSide:
    low_dbm, high_dbm = settings.levels.bounds_dbm(conditions)
    return DecoderOnSide(
        side=side,
        conditions=conditions,
        own=settings.own,
        swing_hz=settings.signalling_deviation_hz,
        audible=(settings.audio_tone_hz, settings.deviation_hz),
        detect_s=settings.detect_s,
        pause_s=settings.pause_s,
        slow_s=settings.slow_s,
        window_dbm=(low_dbm, high_dbm),
        strong_dbm=min(settings.strong_dbm, high_dbm),
        accuracy_db=settings.accuracy_db,
    )


def _counted(
    decoder: DecoderOnSide, threshold_v: float, wrong: Below, settings: SignallingReceivedSettings
) -> Finding:
    """Return how often it opened for what is not its own; no number where that may be the generator's doing."""
    listener = decoder.listener(threshold_v)
    count = count_openings(listener, wrong, settings.shut_for_s)
    quantity = f"{FALSE}, {wrong.name}"
    sent = "" if settings.code is None or not wrong.code else f"{sender.inverse_of(settings.code).name}: "
    decoder.conditions.say(f"{quantity}: {count.why_not or count.text}")
    doubt = count.why_not or (why_doubted(listener, wrong) if count.stood_open else "")
    if doubt:
        said = f"{count.text}; {doubt}" if count.openings else doubt
        return Finding(quantity=quantity, value=None, unit="openings", limits=NO_OPENING, note=said)
    return Finding(
        quantity=quantity,
        value=float(count.openings),
        unit="openings",
        exact=True,
        limits=NO_OPENING,
        note=f"{sent}{count.text}; at {decoder.strong_dbm:g} dBm",
    )


def _of_deviation(conditions: Conditions) -> Parts:
    """Return what the deviation of the signalling puts a level off by: as many dB, at the most.

    What a decoder hears of noise falls by more than a dB for each dB of level there, about an FM receiver's threshold (textbook).
    """
    parts = Parts(conditions.bench)
    half = HalfWidth.of(conditions.bench, "signal_generator", "deviation")
    parts.accuracy("generator, deviation of the signalling", half and half.in_db(), unit="dB")
    return parts
