"""The witness: records every hazard on the simulated bench, whoever caused it and in whatever order.

It judges states, not commands: a hazard is a state of the whole bench that must not be (keyed while the
switch stands on the generator), so it makes no difference which of the two came first. Time limits are
judged whenever time is seen to have passed, so a key-down that was too long is recorded even if it was
released before anybody looked. Each hazard is recorded once for each time it begins; ``figure`` then holds
the worst.

Duty: key-down time T may be followed by the next key-down after a rest of T·(1-d)/d; any order of key-downs
and rests is judged by the fill of a bucket that rises by 1-d while keyed, sinks by d while not, and must
not pass the fill of one longest key-down from rest. (The usual rate rule "a share of any long time, and one
burst"; a choice, no source.) Which states are hazards is common practice, no source.

Not modelled: damage. A hazard is recorded; the gear lives on.
"""

from __future__ import annotations

from dataclasses import replace
from enum import Enum
from math import inf

from sim.frozen import dataclass
from sim.lag import SimClock
from sim.radio.fm_receiver import level_dbm
from sim.wiring.paths import CHECK, NORMAL, OPEN, RECEIVE


class HazardKind(Enum):
    """What can happen that must not."""

    KEYED_INTO_GENERATOR = "PTT pressed while the switch stands on the generator"
    KEYED_WITHOUT_LOAD = "PTT pressed with the antenna connector open"
    POWER_INTO_GENERATOR = "transmit power into the generator above its rating"
    RECEIVER_OVERDRIVEN = "generator level into the receiver above its rating"
    GENERATOR_ON_WHILE_KEYED = "generator on while PTT is pressed on its path"
    PATH_OVERLOADED = "power above the rating of the transmit path"
    LOAD_OVERLOADED = "power above the rating of the load"
    METER_OVERLOADED = "level above the rating of the meter"
    KEY_DOWN_TOO_LONG = "PTT pressed longer than allowed at a stretch"
    DUTY_EXCEEDED = "PTT pressed for a larger share of the time than allowed"
    HOT_SWITCHING = "switch moved while PTT is pressed"
    CABLES_MOVED_LIVE = "cables moved by hand with the generator on or PTT pressed"
    CONNECTOR_TOUCHED_LIVE = "unit's connector touched with the supply on, PTT pressed or the generator on"
    SUPPLY_OVER_VOLTAGE = "supply voltage above the limit"
    SUPPLY_OVER_CURRENT = "supply current above the limit"


@dataclass(frozen=True, slots=True, kw_only=True)
class Hazard:
    """One hazard: when it began, what it was, the worst figure and the limit, both in ``unit``.

    ``limit`` is None where no figure is allowed at all.
    """

    time_s: float
    kind: HazardKind
    figure: float
    limit: float | None
    unit: str

    def __str__(self) -> str:
        text = f"{self.time_s:.3f} s: {self.kind.value}: {self.figure:g} {self.unit}"
        return text if self.limit is None else f"{text}, limit {self.limit:g} {self.unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class WitnessLimits:
    """The ratings that the witness holds the bench to; infinity means no limit."""

    generator_reverse_dbm: float = 0.0
    receiver_input_dbm: float = 0.0
    path_rating_w: float = inf
    load_rating_w: float = inf
    meter_rating_dbm: float = 20.0
    key_time_s: float = 20.0
    key_duty_percent: float = 50.0
    supply_v: float = 16.0
    supply_a: float = 6.0

    def __post_init__(self) -> None:
        if not 0 < self.key_duty_percent <= 100:
            raise ValueError(
                f"key_duty_percent: {self.key_duty_percent} is not allowed; above 0, at most 100"
            )
        if not self.key_time_s > 0:
            raise ValueError(f"key_time_s: {self.key_time_s} is not allowed; above 0")


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchState:
    """All that the witness judges, at one moment. None is "nothing there".

    ``unfed``: the unit is seen to have no supply, so that a closed push-to-talk line heats nothing.
    """

    keyed: bool = False
    unfed: bool = False
    transmit_w: float = 0.0
    position: str = OPEN
    moving: bool = False
    generator_on: bool = False
    at_antenna_dbm: float | None = None
    into_generator_dbm: float | None = None
    at_meter_dbm: float | None = None
    at_load_w: float = 0.0
    supply_v: float = 0.0
    supply_a: float = 0.0
    by_hand: str = NORMAL
    connections_made: int = 0


_Finding = tuple[HazardKind, float, float | None, str]

# A float's rounding on the clock must not make a hazard of a key-down of exactly the limit.
_TIME_TOLERANCE_S = 1e-6


class Witness:
    """Watches one bench; tell it every state, in order of time."""

    def __init__(self, limits: WitnessLimits, clock: SimClock) -> None:
        self.limits = limits
        self._clock = clock
        self._state = BenchState()
        self._seen_s = clock.now_s()
        self._keyed_since_s = 0.0
        self._bucket_s = 0.0
        self._hazards: list[Hazard] = []
        self._open: dict[HazardKind, int] = {}

    @property
    def hazards(self) -> tuple[Hazard, ...]:
        """Everything recorded up to now."""
        self._pass_time(self._clock.now_s())
        return tuple(self._hazards)

    def observe(self, state: BenchState, at_s: float | None = None) -> None:
        """See the bench become ``state`` at ``at_s`` (default now); the state before it held until then."""
        now_s = self._clock.now_s() if at_s is None else max(at_s, self._seen_s)
        self._pass_time(now_s)
        self._mark_key(state, now_s)
        moved = [*_moved_by_hand(self._state, state)]
        self._state = state
        self._judge([*_instant_hazards(state, self.limits), *moved], now_s)

    def forget_unit(self) -> None:
        """Take it that another unit lies on the bench from now on: what the one before was keyed for is not this one's duty."""
        self._pass_time(self._clock.now_s())
        self._bucket_s = 0.0

    def _mark_key(self, state: BenchState, now_s: float) -> None:
        if _heats(state) and not _heats(self._state):
            self._keyed_since_s = now_s
        if not _heats(state):
            self._open.pop(HazardKind.KEY_DOWN_TOO_LONG, None)
            self._open.pop(HazardKind.DUTY_EXCEEDED, None)

    def _judge(self, findings: list[_Finding], now_s: float) -> None:
        present = {kind for kind, *_ in findings}
        timed = (HazardKind.KEY_DOWN_TOO_LONG, HazardKind.DUTY_EXCEEDED)
        for kind in [kind for kind in self._open if kind not in present and kind not in timed]:
            del self._open[kind]
        for finding in findings:
            self._record(finding, now_s)

    def _record(self, finding: _Finding, at_s: float) -> None:
        kind, figure, limit, unit = finding
        known = self._open.get(kind)
        if known is None:
            self._open[kind] = len(self._hazards)
            self._hazards.append(Hazard(time_s=at_s, kind=kind, figure=figure, limit=limit, unit=unit))
        elif figure > self._hazards[known].figure:
            self._hazards[known] = replace(self._hazards[known], figure=figure)

    def _pass_time(self, now_s: float) -> None:
        elapsed_s = max(0.0, now_s - self._seen_s)
        self._seen_s = max(now_s, self._seen_s)
        duty = self.limits.key_duty_percent / 100.0
        if not _heats(self._state):
            self._bucket_s = max(0.0, self._bucket_s - duty * elapsed_s)
            return
        self._bucket_s += (1.0 - duty) * elapsed_s
        self._judge_key_time(now_s)
        self._judge_duty(now_s)

    def _judge_key_time(self, now_s: float) -> None:
        limit_s, keyed_s = self.limits.key_time_s, now_s - self._keyed_since_s
        if keyed_s > limit_s + _TIME_TOLERANCE_S:
            self._record((HazardKind.KEY_DOWN_TOO_LONG, keyed_s, limit_s, "s"), self._keyed_since_s + limit_s)

    def _judge_duty(self, now_s: float) -> None:
        fill_rate = 1.0 - self.limits.key_duty_percent / 100.0
        full_s = fill_rate * self.limits.key_time_s
        excess_s = self._bucket_s - full_s
        if fill_rate > 0 and excess_s > _TIME_TOLERANCE_S:
            share = self._bucket_s / full_s
            began_s = now_s - excess_s / fill_rate
            self._record((HazardKind.DUTY_EXCEEDED, 100.0 * share, 100.0, "% of the allowance"), began_s)


def _heats(state: BenchState) -> bool:
    """Say whether key-down time is counted: a unit without supply transmits nothing, whatever its push-to-talk line says."""
    return state.keyed and not state.unfed


def _instant_hazards(state: BenchState, limits: WitnessLimits) -> list[_Finding]:
    return [*_key_hazards(state), *_level_hazards(state, limits), *_supply_hazards(state, limits)]


def _key_hazards(state: BenchState) -> list[_Finding]:
    if not state.keyed:
        return []
    sent_dbm = level_dbm(state.transmit_w)
    found: list[_Finding] = []
    if state.moving:
        found.append((HazardKind.HOT_SWITCHING, sent_dbm, None, "dBm"))
    elif state.position in (OPEN, CHECK):
        found.append((HazardKind.KEYED_WITHOUT_LOAD, sent_dbm, None, "dBm"))
    elif state.position == RECEIVE:
        found.append((HazardKind.KEYED_INTO_GENERATOR, sent_dbm, None, "dBm"))
        if state.generator_on:
            found.append((HazardKind.GENERATOR_ON_WHILE_KEYED, sent_dbm, None, "dBm"))
    return found


def _level_hazards(state: BenchState, limits: WitnessLimits) -> list[_Finding]:
    path_w = state.at_load_w
    figures = [
        (HazardKind.POWER_INTO_GENERATOR, state.into_generator_dbm, limits.generator_reverse_dbm, "dBm"),
        (HazardKind.RECEIVER_OVERDRIVEN, state.at_antenna_dbm, limits.receiver_input_dbm, "dBm"),
        (HazardKind.PATH_OVERLOADED, path_w, limits.path_rating_w, "W"),
        (HazardKind.LOAD_OVERLOADED, path_w, limits.load_rating_w, "W"),
        (HazardKind.METER_OVERLOADED, state.at_meter_dbm, limits.meter_rating_dbm, "dBm"),
    ]
    return [
        (kind, figure, limit, unit)
        for kind, figure, limit, unit in figures
        if figure is not None and figure > limit
    ]


def _moved_by_hand(before: BenchState, now: BenchState) -> list[_Finding]:
    """Return the hazard of a connector that was touched under power."""
    live = before.generator_on or now.generator_on or before.keyed or now.keyed
    found: list[_Finding] = []
    if before.by_hand != now.by_hand and live:
        found.append((HazardKind.CABLES_MOVED_LIVE, now.transmit_w, None, "W from the unit"))
    if before.connections_made != now.connections_made and (live or before.supply_v > 0 or now.supply_v > 0):
        found.append((HazardKind.CONNECTOR_TOUCHED_LIVE, now.supply_v, None, "V at the unit"))
    return found


def _supply_hazards(state: BenchState, limits: WitnessLimits) -> list[_Finding]:
    found: list[_Finding] = []
    if state.supply_v > limits.supply_v:
        found.append((HazardKind.SUPPLY_OVER_VOLTAGE, state.supply_v, limits.supply_v, "V"))
    if state.supply_a > limits.supply_a:
        found.append((HazardKind.SUPPLY_OVER_CURRENT, state.supply_a, limits.supply_a, "A"))
    return found
