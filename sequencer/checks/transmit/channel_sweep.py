"""Channel sweep: every channel of the plan radiates where and what it should, and nothing radiates outside the plan."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, model_validator
from typing_extensions import override

from drivers.faults import InstrumentError, LinkFault, NotSettled, UnexpectedReply
from drivers.profiled.commands import Need
from drivers.roles import Reading
from sequencer.bench.further import Noting
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.settings import SOME, ChannelNumber, CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.limits import FrequencyErrorLimit, PowerLimit
from sequencer.checks.shared.budgets.pooled_scatter import pooled
from sequencer.checks.shared.readings.after_fault import again_after
from sequencer.checks.shared.readings.settle import read_pair
from sequencer.checks.shared.transmit.keyed_readings import (
    POWER_SCATTER,
    SETTLED_DB,
    not_read,
    numbers,
    power_finding,
    power_needs,
    with_note,
)
from sequencer.checks.shared.transmit.sweep_outside import ACCEPTED, in_dbm, look_outside
from sequencer.checks.shared.transmit.sweep_proof import (
    Stand,
    is_doubted,
    judged,
    looked_again_after,
    why_not_followed,
)
from sequencer.checks.transmit.frequency_error import (
    FREQUENCY_NEEDS,
    SETTLED_HZ,
    counted_step_hz,
    error_budget,
)
from sequencer.files.fields import PowerW, between
from sequencer.frozen import dataclass
from sequencer.inputs.channel_plan import ChannelPlan
from sequencer.problems import FieldProblem
from sequencer.results.model import FaultFacts
from sequencer.safety.control.channel import ChannelRefused
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.decision import Limits

LOOK_AGAIN_AT = (
    2  # channels in a row whose carrier is not where it should be: a fault that passes is over by then
)
TWICE, FOLLOWED = "that the channel reads so twice", "that radio and analyser go where they are told"
GIVE_UP_AFTER = 2  # channels in a row that a fault cost: each costs time-outs, and a dead instrument costs the rest as well
NONE_WRONG = Limits(upper=0.0)


class ChannelSweepSettings(CheckSettings):
    """Settings of `channel_sweep`."""

    check: Literal["channel_sweep"]
    """Which check this is."""
    sweep: Annotated[tuple[ChannelNumber, ...], *SOME] | Literal["all"] = "all"
    """Which channels of the plan are swept."""
    frequency: FrequencyErrorLimit | None = None
    """How far each carrier may be off."""
    power: PowerLimit = PowerLimit.unstated()
    """Lowest and highest power that is right on each."""
    outside: tuple[ChannelNumber, ...] = ()
    """Channel numbers outside the plan that the unit is asked to go to: it must refuse them, or radiate nothing there."""
    radiates_above_w: Annotated[PowerW, AfterValidator(between(1e-9, 1e5, "W"))] = 1e-3
    """What counts as radiating, on a channel outside the plan."""

    @model_validator(mode="after")
    def _goes_by_itself(self) -> "ChannelSweepSettings":
        if self.channel is not None:
            raise FieldProblem(
                "channel_sweep goes to its channels itself",
                at=("channel",),
                allowed="'sweep: [1, 20]', or all",
            )
        for key, named in (("sweep", self.sweep if self.sweep != "all" else ()), ("outside", self.outside)):
            twice = sorted({channel for channel in named if named.count(channel) > 1})
            if twice:
                raise FieldProblem(
                    f"channel {twice[0]} is named twice", at=(key,), allowed="each channel once"
                )
        return self


class ChannelSweep(Check[ChannelSweepSettings]):
    """Go to each channel with PTT released, press it, read carrier and power.

    Reports frequency error and carrier power on each channel; of each channel outside the plan whether the unit refused it (refused
    outside the plan), kept silent there (silent outside the plan) or what it radiated (radiated outside the plan); and how many of all
    these are outside their limits.
    """

    name: ClassVar[str] = "channel_sweep"
    summary: ClassVar[str] = "each channel of the plan: frequency and power; nothing outside it"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"power_meter", "modulation_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM", "CW"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage", "reference"})
    limit_keys = MappingProxyType({"carrier power": "power", "frequency error": "frequency"})
    settings = ChannelSweepSettings

    @override
    def quantities(self, settings: ChannelSweepSettings) -> tuple[tuple[str, str], ...]:
        return (("channel sweep, outside its limits", "findings"),)

    @override
    def limits_of(self, settings: ChannelSweepSettings, conditions: Conditions) -> tuple[Limits, ...]:
        return (NONE_WRONG,)

    def start_channel(self, settings: ChannelSweepSettings, conditions: Conditions) -> int | None:
        """Return the channel on which the side is entered: the first of the sweep."""
        swept = _swept(settings, conditions)
        return swept[0] if swept else None

    def other_starts(self, settings: ChannelSweepSettings, conditions: Conditions) -> Sequence[int]:
        """Return the rest of the sweep: one refused channel costs itself alone."""
        return _swept(settings, conditions)[1:]

    def needs(self, settings: ChannelSweepSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return (*power_needs(conditions), *FREQUENCY_NEEDS)

    def demands(self, settings: ChannelSweepSettings, conditions: Conditions) -> list[Demand]:
        """Return the highest power it lets pass, and channels that the plan does not have."""
        demands = (
            []
            if settings.power.max_w is None
            else [Demand(at=("power", "max"), power_w=settings.power.max_w)]
        )
        plan = conditions.plan
        if plan is None:
            return demands
        known = set(plan.channels)
        wrong = [channel for channel in _swept(settings, conditions) if channel not in known]
        demands += [
            Demand(
                at=("sweep",),
                refused=f"channel {channel} is not in the plan {plan.name!r}",
                allowed=plan.described,
            )
            for channel in wrong
        ]
        demands += [
            Demand(
                at=("outside",),
                refused=f"channel {channel} is in the plan {plan.name!r}",
                allowed="numbers that are not",
            )
            for channel in settings.outside
            if channel in known
        ]
        return demands

    def commands(self, settings: ChannelSweepSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.of("modulation_analyser", "carrier_frequency")

    def last_keyed_s(self, settings: ChannelSweepSettings, conditions: Conditions) -> float:
        """Return how long the last of its key-downs lasts, s: half of what a channel takes, the other half is its rest."""
        return 0.33

    @override
    def waits_of(self, settings: ChannelSweepSettings, conditions: Conditions) -> Mapping[str, float]:
        count = len(_swept(settings, conditions))
        return {"power_meter": 2.0 * (count + len(settings.outside)), "modulation_analyser": 1.5 * count}

    @override
    def forecast_s(self, settings: ChannelSweepSettings, conditions: Conditions) -> float:
        return 0.66 * (len(_swept(settings, conditions)) + len(settings.outside))

    @override
    def transmit(
        self, side: TransmitSide, settings: ChannelSweepSettings, conditions: Conditions
    ) -> list[Finding]:
        plan = conditions.plan
        assert plan is not None  # the plan has proved it
        swept, found, counts = _swept(settings, conditions), dict[int, _Channel](), list[Reading]()
        lost = doubted = 0
        for channel in swept:
            one = _tried(
                side,
                channel,
                settings,
                conditions,
                is_given_up=lost >= GIVE_UP_AFTER,
                looks_again=doubted < LOOK_AGAIN_AT,
            )
            lost, doubted = lost + 1 if one.is_lost else 0, doubted + 1 if is_doubted(one.findings) else 0
            found[channel] = one
            counts += one.errors
            conditions.say(f"channel {channel}")
        findings, follows = _proved(side, found, conditions)
        # a counter in steps counts the same twice on one channel: only all channels together show its step
        findings = pooled(pooled(findings, POWER_SCATTER), "repeatability", step=counted_step_hz(counts))
        # the meter has shown that it sees this unit's power: what it does not see elsewhere is not radiated
        stands = [*_stands(found, doubted=False), *(_stands(found, doubted=True) if follows else ())]
        seen = next((one for one in stands if one.is_seen), None)
        findings += [
            replace(look_outside(side, channel, settings.radiates_above_w, conditions, seen), channel=channel)
            for channel in settings.outside
        ]
        return [_summary(findings, settings, conditions), *findings]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Channel:
    """What one channel of a sweep came to."""

    findings: list[Finding]
    stand: Stand | None = None
    """Where the carrier was counted; None where it was not, and where nothing was read."""
    errors: tuple[Reading, ...] = ()
    """The errors counted, Hz."""
    is_lost: bool = False
    """Whether a fault cost it."""


def _stands(found: Mapping[int, _Channel], *, doubted: bool) -> list[Stand]:
    """Return where the carrier was counted, the last first, on channels that are doubted, or on the others."""
    return [
        one.stand
        for one in reversed([*found.values()])
        if one.stand is not None and is_doubted(one.findings) is doubted
    ]


def _proved(
    side: TransmitSide, found: Mapping[int, _Channel], conditions: Conditions
) -> tuple[list[Finding], bool]:
    """Return the findings of all channels, and whether all is seen to follow where one is doubted.

    Findings that nothing shows to be the unit's lose their numbers, the others are blamed on it.
    """
    assert conditions.plan is not None
    doubted = [channel for channel, one in found.items() if is_doubted(one.findings) and not one.is_lost]
    why = ""
    with conditions.further(FOLLOWED, wanted=bool(doubted), sets=False) as further:
        why = _why_not_followed(side, found, doubted, conditions.plan) if doubted else ""
    findings = list[Finding]()
    for channel, one in found.items():
        frequency_hz = conditions.plan.frequency_hz(channel)
        placed = [replace(finding, channel=channel, frequency_hz=frequency_hz) for finding in one.findings]
        if channel in doubted:
            is_missing = further.is_missing
            placed = [one.noted(further.note) for one in placed] if is_missing else judged(placed, why)
        findings += placed
    return findings, not why


def _why_not_followed(
    side: TransmitSide, found: Mapping[int, _Channel], doubted: Sequence[int], plan: ChannelPlan
) -> str:
    others = [Stand(channel=one, carrier_hz=plan.frequency_hz(one)) for one in plan.channels]
    places = [*_stands(found, doubted=False), *_stands(found, doubted=True), *others]
    missed_hz = [plan.frequency_hz(one) for one in doubted if found[one].stand is None]
    return why_not_followed(side, places, missed_hz, of_one=len(others) == 1)


def _swept(settings: ChannelSweepSettings, conditions: Conditions) -> tuple[int, ...]:
    if settings.sweep != "all":
        return settings.sweep
    return conditions.plan.channels if conditions.plan is not None else ()


def _summary(findings: list[Finding], settings: ChannelSweepSettings, conditions: Conditions) -> Finding:
    """Return how many findings count against the unit; no number where none does and not all was measured."""
    assert conditions.plan is not None
    wrong = sum(finding.counts_against_unit for finding in findings)
    missing = sum(finding.value is None and not finding.on_unit for finding in findings)
    note = f"{len(_swept(settings, conditions))} channels of {conditions.plan.name}"
    note += f", {len(settings.outside)} outside it" if settings.outside else ""
    note += f"; {missing} of {len(findings)} results not measured" if missing else ""
    return Finding(
        quantity="channel sweep, outside its limits",
        value=None if missing and not wrong else float(wrong),
        unit="findings",
        exact=True,
        limits=NONE_WRONG,
        note=note,
    )


def _tried(
    side: TransmitSide,
    channel: int,
    settings: ChannelSweepSettings,
    conditions: Conditions,
    *,
    is_given_up: bool,
    looks_again: bool,
) -> "_Channel":
    """Return what was found on one channel, and whether a fault cost it: a late answer spoils no other channel.

    ``looks_again``: the channel is set and read once more where the carrier is not seen, or is seen elsewhere.
    """
    assert conditions.plan is not None
    carrier_hz = conditions.plan.frequency_hz(channel)
    if is_given_up:
        why = f"not tried: faults on {GIVE_UP_AFTER} channels in a row"
        return _Channel(findings=_lost(why, settings, carrier_hz), is_lost=True)
    notes: list[str] = []
    while True:
        try:
            found = _on_channel(side, channel, carrier_hz, settings, conditions)
            first, is_again = found, looks_again and is_doubted(found.findings)
            with conditions.further(TWICE, wanted=is_again, sets=False) as further:
                if is_again:
                    found = _on_channel(side, channel, carrier_hz, settings, conditions)
            notes.append(further.note)
            if is_again and not is_doubted(found.findings):
                notes.append(looked_again_after(first.findings))
            return replace(
                found, findings=[with_note(one, "; ".join(filter(None, notes))) for one in found.findings]
            )
        except ChannelRefused as refused:
            side.rest()
            accepted = Finding(quantity="channel accepted", value=0.0, unit="", exact=True, limits=ACCEPTED)
            return _Channel(findings=[replace(accepted, note=refused.what)])
        except (InstrumentError, LinkFault, NotSettled, UnexpectedReply) as fault:
            side.rest()  # what is made again begins released, and everything is asked again before PTT is pressed
            if not conditions.repeat(fault):
                lost = _lost(str(fault), settings, carrier_hz, FaultFacts.of(fault))
                return _Channel(findings=lost, is_lost=True)
            notes.append(again_after(fault))


def _lost(
    why: str, settings: ChannelSweepSettings, carrier_hz: float, fault: FaultFacts | None = None
) -> list[Finding]:
    power = Finding(
        quantity="carrier power", value=None, unit="W", limits=settings.power.limits, note=why, fault=fault
    )
    limits = _frequency_limits(settings, carrier_hz)
    return [power, replace(power, quantity="frequency error", unit="Hz", limits=limits)]


def _on_channel(
    side: TransmitSide,
    channel: int,
    carrier_hz: float,
    settings: ChannelSweepSettings,
    conditions: Conditions,
) -> "_Channel":
    side.select(channel, carrier_hz)
    of_power, of_frequency = Noting(conditions.further), Noting(conditions.further)
    limits = in_dbm(settings.power.limits)
    power = read_pair(side.read_power_dbm, within=SETTLED_DB, limits=limits, further=of_power)
    limits = _frequency_limits(settings, carrier_hz).shifted(carrier_hz)
    frequency = read_pair(side.read_frequency_hz, within=SETTLED_HZ, limits=limits, further=of_frequency)
    side.rest()
    # as errors: channels are multiples of kilohertz themselves
    errors_hz = [(one, one.number - carrier_hz) for one in frequency if one.number is not None]
    counted = numbers(frequency)
    stand = None
    if counted is not None:
        is_seen = numbers(power) is not None
        stand = Stand(channel=channel, carrier_hz=carrier_hz, counted_hz=counted[-1], is_seen=is_seen)
    return _Channel(
        findings=[
            power_finding(
                "carrier power", power, settings.power.limits, replace(conditions, frequency_hz=carrier_hz)
            ).noted(*of_power.notes),
            _frequency_finding(carrier_hz, frequency, settings, conditions).noted(*of_frequency.notes),
        ],
        stand=stand,
        errors=tuple(replace(one, number=error_hz, raw=f"{error_hz:.3f}") for one, error_hz in errors_hz),
    )


def _frequency_finding(
    carrier_hz: float, readings: list[Reading], settings: ChannelSweepSettings, conditions: Conditions
) -> Finding:
    quantity, limits = "frequency error", _frequency_limits(settings, carrier_hz)
    found = numbers(readings)
    if found is None:
        hint = f"no carrier near {carrier_hz / 1e6:.5f} MHz"
        return not_read(quantity, "Hz", limits, "modulation analyser", readings, hint)
    errors_hz = [one - carrier_hz for one in found]
    budget = error_budget(quantity, errors_hz, carrier_hz, conditions)
    return Finding(quantity=quantity, value=budget.value, unit="Hz", limits=limits, budget=budget)


def _frequency_limits(settings: ChannelSweepSettings, carrier_hz: float) -> Limits:
    if settings.frequency is None:
        return Limits()
    tolerance_hz = settings.frequency.within.at(carrier_hz)
    return Limits(lower=-tolerance_hz, upper=tolerance_hz)
