"""Power over time: what is left of the carrier power after seconds of one key-down, and how it got there.

A stage that earlier key-downs left warm has lost some of its power before, and loses less. So the key-down begins from a unit that was seen
to have recovered: its power after PTT is no higher than it was before the last rest. What it still lacks makes the sag read low by no more
than it would still gain: as much as in that rest where the rest lasts 0.7 of the time constant that it cools with (Newton's law of
cooling: exp(-0.7) is a half), more after shorter rests. Of a body that is slower both ways it is less still: it loses as slowly.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.roles import Reading
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared.asked.limits import RatioLimit
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts, two_readings
from sequencer.checks.shared.readings.settle import agreeing, settle, several
from sequencer.checks.shared.spectrum.keyed_carrier import unmeasured
from sequencer.checks.shared.transmit.keyed_readings import SETTLED_DB, not_read, numbers
from sequencer.files.fields import TimeS, between
from sequencer.inputs.bench import longest_release_s
from sequencer.results.model import Point
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.budget import Contribution
from sequencer.uncertainty.contributions import repeatability
from sequencer.uncertainty.decision import Limits

QUANTITY = "power sag"
LOOKS = 60  # over the whole time: a drawing shows no more
LEAST_PAUSE_S = 0.02
AVERAGED = 4  # readings, at the beginning and at the end
AGREE_DB = 0.05  # what readings of one power agree to while it falls: common practice, no source
READINGS_S = 1.0  # what the last readings take at most, beside one answer that is late
PROOF_FORECAST_S = 0.7
USUAL_REST_S = 60.0
COOLS_S = 87.0  # the time constant that a stage is taken to cool with at most: common practice, no source
RECOVERED_DB = (
    0.03  # a power that rises by no more from before a rest to after it stands: common practice, no source
)
MOST_RESTS = 10
LOOKED = 3  # readings of a look


class PowerOverTimeSettings(CheckSettings):
    """Settings of `power_over_time`."""

    check: Literal["power_over_time"]
    """Which check this is."""
    over_s: Annotated[TimeS, AfterValidator(between(1.0, 600.0, "s"))] = 5.0
    """How long the unit transmits, in one go: no longer than `max_key_time` leaves room for."""
    rest_s: Annotated[TimeS, AfterValidator(between(20.0, 3_600.0, "s"))] | None = None
    """How long the unit rests with PTT released before it is seen whether it has recovered: as long as `over`, but a minute at least."""
    limit: RatioLimit = RatioLimit.unstated()
    """By how much the power may have fallen at the end: usually a max; a number below 0 dB is a power that has risen."""

    @property
    def rests_s(self) -> float:
        """How long each rest is, s."""
        return max(USUAL_REST_S, self.over_s) if self.rest_s is None else self.rest_s


class PowerOverTime(Check[PowerOverTimeSettings]):
    """Key the unit without modulation, read its power again and again in one key-down, and state by how much it has fallen at the end.

    The unit rests before it until its power after PTT rises no more from one rest to the next: earlier key-downs leave a stage warm, which
    has lost some of its power already. It counts from the highest power read, as soon after PTT as the power meter answers: what is lost
    before that is not in it.
    """

    name: ClassVar[str] = "power_over_time"
    summary: ClassVar[str] = "by how much the carrier power falls over seconds of one key-down"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"power_meter"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage"})
    limit_keys = MappingProxyType({QUANTITY: "limit"})
    settings = PowerOverTimeSettings

    @override
    def quantities(self, settings: PowerOverTimeSettings) -> tuple[tuple[str, str], ...]:
        return ((_quantity(settings), "dB"),)

    def needs(self, settings: PowerOverTimeSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budget asks of the bench file."""
        return ("power_meter.linearity|power",)

    def demands(self, settings: PowerOverTimeSettings, conditions: Conditions) -> list[Demand]:
        """Return what no power can be read over seconds with: a person, or a key-down that may not last so long."""
        bench = conditions.bench
        meter, radio = bench.with_role("power_meter"), bench.with_role("radio")
        if any(one is not None and one[1].manual for one in (meter, radio)):
            return [
                Demand(
                    refused="a person reads the power meter or presses PTT on this bench: once in a key-down, and not by the clock",
                    allowed="'carrier_power' with 'keyed_for', for the power after a time",
                )
            ]
        if meter is None or radio is None:
            return []
        besides_s = longest_release_s(radio[1]) + meter[1].timeout_s + READINGS_S
        needed_s, limit_s = settings.over_s + besides_s, bench.protection.max_key_time_s
        if needed_s <= limit_s:
            return []
        most_s = math.floor((limit_s - besides_s) * 10.0) / 10.0
        shorter = f"at most {most_s:g} s here, or " if most_s >= 1.0 else ""
        return [
            Demand(
                at=("over",),
                refused=f"{settings.over_s:g} s of transmitting in one go, readings and a release of PTT that may take {besides_s:.3g} s "
                f"do not fit into max_key_time {limit_s:g} s",
                allowed=f"{shorter}'max_key_time' of at least {math.ceil(needed_s):g} s in the bench file, if the unit bears it, or a "
                "shorter 'timeout' of radio and power meter",
            )
        ]

    @override
    def waits_of(self, settings: PowerOverTimeSettings, conditions: Conditions) -> Mapping[str, float]:
        return {"power_meter": 2.0}

    def forecast_s(self, settings: PowerOverTimeSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: a short key-down, a rest, and the long key-down."""
        return PROOF_FORECAST_S + settings.rests_s + settings.over_s

    @override
    def keyed_s(self, settings: PowerOverTimeSettings, conditions: Conditions) -> float:
        return settings.over_s + 0.8

    @override
    def transmit(
        self, side: TransmitSide, settings: PowerOverTimeSettings, conditions: Conditions
    ) -> list[Finding]:
        nothing = (_quantity(settings), "dB", settings.limit.limits)
        rise_db, looked = math.inf, _look(side)
        for _ in range(MOST_RESTS):
            side.pause_s(settings.rests_s)
            before, looked = looked, _look(side)
            if (rise_db := _rise_db(before, looked)) <= RECOVERED_DB:
                break
        if math.isinf(rise_db):
            side.rest()
            return [not_read(*nothing, "power meter", [one for one, _ in looked])]
        if rise_db > RECOVERED_DB:
            side.rest()
            return unmeasured([nothing], _warm(rise_db, settings))
        early = [Point.of_time(at_s, one.number) for one, at_s in looked if one.number is not None]

        def read() -> Reading:
            reading = side.read_power_dbm()
            if reading.number is not None:
                early.append(Point.of_time(side.key_down_s, reading.number))
            return reading

        first = settle(read, side.wait_s, within=SETTLED_DB)
        if first[-1].number is not None:
            first = agreeing([*first, read(), read()], read, within=AGREE_DB)
        if (first_dbm := numbers(first)) is None:
            side.rest()
            return [not_read(*nothing, "power meter", first)]
        points = [_beginning(early, first_dbm, side.key_down_s)]
        last = _to_the_end(side, points, settings)
        side.rest()
        if (last_dbm := numbers(last)) is None:
            return [not_read(*nothing, "power meter", last)]
        return [_finding(first_dbm, rise_db, last_dbm, points, settings, conditions)]


def _look(side: TransmitSide) -> list[tuple[Reading, float]]:
    """Press PTT for a key-down of its own, and read a few powers at once, each with when: short, so that looking warms nothing."""
    side.pause_s(0.0)
    side.hold_keyed_s(0.0)
    return [(side.read_power_dbm(), side.key_down_s) for _ in range(LOOKED)]


def _rise_db(before: Sequence[tuple[Reading, float]], after: Sequence[tuple[Reading, float]]) -> float:
    """Return by how much readings lie above those as long after PTT before a rest, the middle one of them; infinite for none."""
    pairs = [(one.number, other.number) for (one, _), (other, _) in zip(before, after, strict=True)]
    rises = [other - one for one, other in pairs if one is not None and other is not None]
    return statistics.median(rises) if len(rises) == len(pairs) else math.inf


def _to_the_end(side: TransmitSide, points: list[Point], settings: PowerOverTimeSettings) -> list[Reading]:
    """Read until the key-down has lasted so long, with a point each, and return the readings at its end."""
    pause_s = max(LEAST_PAUSE_S, settings.over_s / LOOKS)
    while side.key_down_s < settings.over_s:
        side.wait_s(pause_s)
        reading = side.read_power_dbm()
        if reading.number is not None:
            points.append(Point.of_time(side.key_down_s, reading.number))
    last = several(side.read_power_dbm, AVERAGED)
    if all(one.number is not None for one in last):
        last = agreeing(last, side.read_power_dbm, within=AGREE_DB)
    return last


def _warm(rise_db: float, settings: PowerOverTimeSettings) -> str:
    """Return why nothing is stated of a unit that has not recovered."""
    return (
        f"after {MOST_RESTS} rests of {settings.rests_s:g} s its power after PTT still rose by {rise_db:.2g} dB from one to the next: "
        "earlier key-downs left it warm, and it would lose less. Let it cool with PTT released, or state a longer 'rest', then measure."
    )


def _quantity(settings: PowerOverTimeSettings) -> str:
    return f"{QUANTITY} over {settings.over_s:g} s"


def _beginning(early: Sequence[Point], first_dbm: Sequence[float], at_s: float) -> Point:
    """Return what the power began with: where it stood still first, or the highest reading before, if it had clearly fallen by then."""
    stood_dbm = statistics.fmean(first_dbm)
    highest = max(early, key=lambda one: -math.inf if one.reading is None else one.reading)
    assert highest.reading is not None
    return highest if highest.reading - stood_dbm > SETTLED_DB else Point.of_time(at_s, stood_dbm)


def _finding(
    first_dbm: Sequence[float],
    rise_db: float,
    last_dbm: Sequence[float],
    points: Sequence[Point],
    settings: PowerOverTimeSettings,
    conditions: Conditions,
) -> Finding:
    limits: Limits = settings.limit.limits
    first_level_dbm = points[0].reading
    assert first_level_dbm is not None
    sag_db = first_level_dbm - statistics.fmean(last_dbm)
    parts = Parts(conditions.bench)
    half_width = HalfWidth.of(conditions.bench, "power_meter", "linearity", "power")
    if half_width is not None and half_width.keys[0].endswith(".power"):
        half_width = two_readings(half_width.in_db(of_power=True))
    parts.accuracy("power meter, difference of two levels", half_width, unit="dB")
    parts.add(
        repeatability("repeatability at the beginning", first_dbm, unit="dB"),
        repeatability("repeatability at the end", last_dbm, unit="dB"),
        Contribution.bounded(
            "what the unit had not recovered of earlier key-downs",
            max(rise_db, RECOVERED_DB) * max(1.0, 1.0 / math.expm1(settings.rests_s / COOLS_S)),
            unit="dB",
        ),
    )
    lowest = min(points, key=lambda one: math.inf if one.reading is None else one.reading)
    return Finding(
        quantity=_quantity(settings),
        value=sag_db,
        unit="dB",
        limits=limits,
        budget=parts.budget(_quantity(settings), "dB", sag_db),
        points=tuple(points),
        note=f"{first_level_dbm:.2f} dBm {points[0].at_s:.2g} s after PTT, {statistics.fmean(last_dbm):.2f} dBm at the end; "
        f"lowest {lowest.reading:.2f} dBm, {lowest.at_s:.3g} s after PTT; {len(points)} readings in one key-down, "
        f"after a rest of {settings.rests_s:g} s in which its power after PTT changed by {rise_db:+.2f} dB; "
        "what was lost before the first is not in it",
    )
