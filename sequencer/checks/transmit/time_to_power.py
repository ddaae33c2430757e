"""Time to power: from push-to-talk until the transmitter's power stays near its steady value.

The recording is under way before PTT is ordered. Of the time found, the exchange with the radio and the response of what closes its
push-to-talk line are told apart from the transmitter, as far as the bench can know them: the order reached the radio within its exchange,
the line closed within what the bench file states as `key_response`. The window of 1 dB below and 1.5 dB above is that of the data
equipment standard EN 300 113, from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.faults import NotSettled
from drivers.profiled.commands import Need
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.shared.asked.limits import TimeLimit
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.checks.shared.spectrum import keyed_carrier as keyed
from sequencer.checks.shared.spectrum.keyed_carrier import Came, KeyedSettings
from sequencer.checks.shared.spectrum.traces import Untrusted
from sequencer.dsp.samples import SamplesError
from sequencer.files.fields import RatioDb, between
from sequencer.frozen import dataclass
from sequencer.inputs.stated import KEY_LINE, key_response_of
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.budget import Contribution
from sequencer.uncertainty.contributions import repeatability
from sequencer.uncertainty.decision import Limits
from sequencer.uncertainty.distributions import Shape
from sequencer.units.format import short_quantity

QUANTITY = "time to power"
AGREE_S = 5e-4  # what presses of a steady unit agree to, beside what is known of the order: common practice, no source
MOST_SCATTER = 5.0  # times what presses of a steady unit agree to
NEAR_S = 0.004  # closer than this the moment of the order need not be known
MOST_PRESSES = 8
LEAST_TOLD_S = 1e-5  # finer than any sample or exchange of a real bench
Near = Annotated[RatioDb, AfterValidator(between(0.2, 3.0, "dB"))]


class TimeToPowerSettings(KeyedSettings):
    """Settings of `time_to_power`."""

    check: Literal["time_to_power"]
    """Which check this is."""
    below_db: Near = 1.0
    """How far below its steady value the power may still lie."""
    above_db: Near = 1.5
    """How far above its steady value the power may still lie."""
    limit: TimeLimit = TimeLimit.unstated()
    """How long it may take: usually a max."""


class TimeToPower(Check[TimeToPowerSettings]):
    """Record the carrier, press PTT in the middle of the recording, and see from when on the power stays near its steady value."""

    name: ClassVar[str] = "time_to_power"
    summary: ClassVar[str] = "time from push-to-talk until the power stays near its steady value"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"modulation_analyser", "power_meter", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage"})
    limit_keys = MappingProxyType({QUANTITY: "limit"})
    settings = TimeToPowerSettings

    @override
    def quantities(self, settings: TimeToPowerSettings) -> tuple[tuple[str, str], ...]:
        return ((QUANTITY, "s"),)

    def demands(self, settings: TimeToPowerSettings, conditions: Conditions) -> list[Demand]:
        """Return why this bench cannot say when PTT was pressed."""
        return keyed.hand_demands(conditions)

    def needs(self, settings: TimeToPowerSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budget asks of the bench file."""
        return "modulation_analyser.step", KEY_LINE

    def commands(self, settings: TimeToPowerSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return keyed.needed_commands()

    @override
    def waits_of(self, settings: TimeToPowerSettings, conditions: Conditions) -> Mapping[str, float]:
        return {"power_meter": 2.0, "modulation_analyser": float(keyed.RECORDINGS)}

    def forecast_s(self, settings: TimeToPowerSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: the power, and three presses, each after a moment released."""
        return keyed.cycles_s(
            conditions, self.last_keyed_s(settings, conditions), keyed.LEAD_S + keyed.BETWEEN_FORECAST_S
        )

    @override
    def keyed_s(self, settings: TimeToPowerSettings, conditions: Conditions) -> float:
        return keyed.POWER_FORECAST_S + keyed.RECORDINGS * self.last_keyed_s(settings, conditions)

    @override
    def last_keyed_s(self, settings: TimeToPowerSettings, conditions: Conditions) -> float:
        return settings.watched_for_s + 0.13

    @override
    def transmit(
        self, side: TransmitSide, settings: TimeToPowerSettings, conditions: Conditions
    ) -> list[Finding]:
        side.remove_audio()
        seen: list[Came] = []
        recorder = keyed.Recorder(side, settings)
        nothing = [(QUANTITY, "s", settings.limit.limits)]

        def press() -> Came:
            seen.append(recorder.press())
            return seen[-1]

        try:
            level_dbm = keyed.meter_dbm(side)
            first = [press() for _ in range(keyed.RECORDINGS)]
            keyed.refuse_another(side, first[-1], level_dbm, conditions)
        except Untrusted as error:
            side.rest()
            return keyed.unmeasured(nothing, error.why)
        except SamplesError as error:
            side.rest()
            return keyed.unmeasured(nothing, f"modulation analyser: {error}")
        times_s, why = keyed.agreed(
            [keyed.reading_of(lambda one=one: _took_s(one, settings)) for one in first],  # type: ignore[misc]
            lambda: keyed.reading_of(lambda: _took_s(press(), settings)),
            within=AGREE_S + max(one.spread_s for one in first),
        )
        if not times_s:
            side.rest()
            return keyed.unmeasured(nothing, f"modulation analyser: {why}")
        kept = [one for one in seen if (_stays_s(one, settings) or 0.0) - one.ordered_middle_s in times_s]
        while (span := _span_s(kept, settings)).width_s > NEAR_S and len(kept) < MOST_PRESSES:
            one = keyed.reading_of(lambda: _took_s(press(), settings))
            if one.number is None:
                side.rest()
                return keyed.unmeasured(nothing, f"modulation analyser: {one.raw}")
            kept.append(seen[-1])
        side.rest()
        if span.width_s > keyed.UNKNOWN_S:
            return keyed.unmeasured(nothing, f"{_unknown(span, kept)}")
        if max(span.least_s, span.most_s) < 0.0:
            return keyed.unmeasured(nothing, _before_ptt(span))
        return [_finding(span, kept, settings, conditions)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Between which times from the order to the power all recordings agree, s."""

    least_s: float
    most_s: float

    @property
    def middle_s(self) -> float:
        """The middle of them."""
        return (self.least_s + self.most_s) / 2.0

    @property
    def width_s(self) -> float:
        """How far they are apart."""
        return abs(self.most_s - self.least_s)


def _span_s(kept: list[Came], settings: TimeToPowerSettings) -> Span:
    """Return what is left where each recording says between which moments the order came: the unit takes as long each time.

    NotSettled where nothing is left, by more than a steady unit scatters.
    """
    ends = [
        (found_s - one.ordered_s[1], found_s - one.ordered_s[0])
        for one in kept
        if (found_s := _stays_s(one, settings)) is not None
    ]
    span = Span(least_s=max(one[0] for one in ends), most_s=min(one[1] for one in ends))
    if span.least_s - span.most_s > MOST_SCATTER * AGREE_S:
        raise NotSettled(
            f"presses of PTT disagree by {short_quantity(span.width_s, 's')} more than is unknown of when they were ordered",
            instrument="modulation_analyser",
            address="while PTT was pressed",
            next_move="See whether the unit comes up as fast each time, and its push-to-talk line for a bad contact; measure again.",
        )
    return span


def _unknown(span: Span, kept: list[Came]) -> str:
    return (
        f"when PTT was ordered is known to {short_quantity(span.width_s, 's')} only after {len(kept)} presses: analyser or radio "
        "answer too late; see what else uses the computer or the line to them, then measure again"
    )


def _before_ptt(span: Span) -> str:
    return (
        f"the power stood {short_quantity(-max(span.least_s, span.most_s), 's')} or more before PTT was ordered: it is no answer to "
        "PTT; see whether the unit transmits by itself or by voice (VOX), what else presses "
        "PTT, and whether the analyser keeps its sample rate"
    )


def _stays_s(one: Came, settings: TimeToPowerSettings, off_db: float = 0.0) -> float | None:
    """Return when the power has come to its window to stay; ``off_db`` moves the edge below."""
    return one.carrier.stays_from_s(min(-settings.below_db + off_db, -0.02), settings.above_db)


def _took_s(one: Came, settings: TimeToPowerSettings) -> float:
    found_s = _stays_s(one, settings)
    if found_s is None:
        raise SamplesError("the power does not stay near its steady value to the recording's end")
    return found_s - one.ordered_middle_s


def line_response(conditions: Conditions) -> HalfWidth:
    """Return half of the time that the push-to-talk line may take, s, which is how far it may be from the middle of it."""
    radio = conditions.bench.with_role("radio")
    assert radio is not None
    return HalfWidth.at(key_response_of(radio)).times(0.5)


def _finding(
    span: Span,
    kept: list[Came],
    settings: TimeToPowerSettings,
    conditions: Conditions,
) -> Finding:
    limits: Limits = settings.limit.limits
    line, step = line_response(conditions), keyed.stated_db(conditions, "step")
    seen, value_s = kept[-1], span.middle_s - (line.figure or 0.0)
    moved_s, keys = keyed.shifted(
        lambda off_db: _stays_s(seen, settings, off_db), step, most=0.9 * settings.below_db
    )
    parts = Parts(conditions.bench)
    parts.accuracy("push-to-talk line, response", line, unit="s")
    parts.accuracy(
        "analyser, step of level at the window's edge",
        HalfWidth(figure=None if step.figure is None else moved_s, keys=keys),
        unit="s",
    )
    parts.add(
        # An order acts, and a recording begins, as they are sent, and both are answered late: the truth lies near an end of what is left.
        Contribution.bounded(
            "when the order was given and the recording began", span.width_s / 2.0, Shape.U_SHAPED, unit="s"
        ),
        Contribution.bounded(
            "a look at the samples", seen.carrier.look_s / 2.0 + 1.0 / settings.rate_hz, unit="s"
        ),
        _scatter(kept, settings),
    )
    said = (
        f"of which the push-to-talk line takes up to {2e3 * line.figure:.3g} ms: the middle of that is taken off"
        if line.figure is not None
        else f"how much of that is the push-to-talk line's is not known ('{line.keys[0].rpartition('.')[2]}' of the radio is not stated)"
    )
    moment = short_quantity(span.width_s, "s", 2) if span.width_s >= LEAST_TOLD_S else "less than 0.01 ms"
    note = (
        f"{span.middle_s * 1e3:.4g} ms from the order to press PTT, whose moment is known to {moment}, {said}; within "
        f"{settings.below_db:g} dB below and {settings.above_db:g} dB above the power {settings.watched_for_s * 1e3:.4g} ms after it"
    )
    found = Finding(
        quantity=QUANTITY,
        value=value_s,
        unit="s",
        limits=limits,
        budget=parts.budget(QUANTITY, "s", value_s),
        note=note,
    )
    return replace(found, points=keyed.level_points(seen, seen.ordered_middle_s))


def _scatter(kept: list[Came], settings: TimeToPowerSettings) -> Contribution:
    """Return how the presses scatter; where that is hidden in what is not known of the orders, what a steady unit scatters at most."""
    if max(one.spread_s for one in kept) > AGREE_S:
        return Contribution.bounded("repeatability, as of a steady unit", AGREE_S, unit="s")
    return repeatability("repeatability", [_took_s(one, settings) for one in kept], unit="s")
