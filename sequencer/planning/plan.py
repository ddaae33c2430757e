"""The plan: what will be done, in order, and the proof of what can be proved before the first byte is sent."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

from sequencer.checks import find_check
from sequencer.checks.finding import Conditions
from sequencer.checks.settings import CheckSettings
from sequencer.checks.unit.confirm import Confirm, ConfirmSettings
from sequencer.checks.unit.enter_reading import EnterReadingSettings, ToEnter
from sequencer.files.shipped import is_shipped
from sequencer.frozen import dataclass
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.load import LoadedSequence
from sequencer.planning.ordering.arranged import Arranged
from sequencer.planning.ordering.axis_points import in_least_settling, kept_point, points_of, with_settling
from sequencer.planning.ordering.released import with_readings_released
from sequencer.planning.ordering.rests import Duty, timed
from sequencer.planning.ordering.settling import settling_s
from sequencer.planning.ordering.sharing import parts
from sequencer.planning.proving.axis_proof import (
    own_supply_complaints,
    point_complaints,
    temperature_complaints,
)
from sequencer.planning.proving.contradictions import contradictions
from sequencer.planning.proving.proof import UNIT_SIDES, keyed_roles, step_complaints, whole_complaints
from sequencer.planning.step import Step, Timing
from sequencer.problems import Complaint, FileProblems, did_you_mean, listed, printable
from sequencer.results.at_point import AtPoint
from sequencer.safety.control.supply import SUPPLY_SETTLE_S

OrderAsked = Literal["written", "quickest"]
SIDE_CHANGE_S = 0.13
"""About what it takes to reach a side: unkey, generator off, switch, select. Measured on the simulated bench."""
LINK_S = 0.2
"""About what the some hundred exchanges of a check take on real links, s. Measured over sockets of one machine, where each takes 1.5 ms."""
TERMINALS_S = 0.03
"""About what reading the supply's terminals takes behind the readings of a key-down, s. Measured on the simulated bench."""
PROOF_S = {"audio_analyser": 1.3, "voltmeter": 1.1}
"""How long an instrument's proof of response takes before the receive side is left, s; on the transmit side it counts once, at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Every step of a run, in the order in which they are made. ``only``: the checks that were chosen from the sequence; empty for all.

    ``arranged`` says what was moved and what not, and why; None where the steps stand as in the file. ``share_key`` is what was asked
    for, for a sequence that says nothing of it.
    """

    sequence: LoadedSequence
    bench: LoadedBench
    steps: tuple[Step, ...]
    only: tuple[str, ...] = ()
    arranged: Arranged | None = None
    share_key: bool = True

    @property
    def parts(self) -> tuple[tuple[Step, ...], ...]:
        """The steps as they are made: those that share a key-down together, each of the others by itself."""
        return tuple(parts(self.steps))

    @property
    def forecast_s(self) -> float:
        """About how long the run takes, bench time, s: with people's readings, without the confirmations that they are asked for."""
        return self.opening_s + sum(step.forecast_s for step in self.steps)

    @property
    def failing_s(self) -> float:
        """How much longer it takes on a unit that fails each check that then proves more, s."""
        return sum(
            step.check.failing_s(step.settings, step.conditions) for step in self.steps if step.side != "none"
        )

    @property
    def opening_s(self) -> float:
        """How long the bench waits before the first check, s: for the unit to start."""
        return SUPPLY_SETTLE_S if self.sequence.sequence.supply_v is not None else 0.0

    @property
    def confirmations(self) -> int:
        """How often a person is asked."""
        return sum(isinstance(step.check, Confirm) for step in self.steps)

    @property
    def to_enter(self) -> tuple[ToEnter, ...]:
        """The readings that a person is asked to enter, in order."""
        return tuple(
            ToEnter(name=step.settings.name, dial=step.settings.dial)
            for step in self.steps
            if isinstance(step.settings, EnterReadingSettings)
        )

    @property
    def by_hand(self) -> tuple[Step, ...]:
        """The steps in the middle of which a person moves cables."""
        return tuple(step for step in self.steps if step.check.moves_cables(step.settings))


def make_plan(
    sequence: LoadedSequence,
    bench: LoadedBench,
    *,
    serial: str = "",
    only: Iterable[str] = (),
    order: OrderAsked = "written",
    share_key: bool = True,
) -> Plan:
    """Return the plan, proved. Raises FileProblems with everything that cannot be done on this bench.

    ``only`` chooses checks by name; the preparation is asked for all the same, and so is every confirmation before the last check chosen.
    Steps keep the numbers they have in the whole sequence. ``order``: "written" takes them as they stand in the file, "quickest" moves
    those for which it is proved that the order does not matter (see `sequencer.planning.ordering.order`). ``share_key``: checks share
    key-downs where the sequence says nothing of it; False is how runs were made before they did.
    """
    only = tuple(dict.fromkeys(only))
    chosen = _chosen(sequence, only)
    settings = _settings(sequence, chosen)
    steps = _steps(sequence, bench, serial, chosen)
    if complaints := _complaints(sequence, bench, steps, settings):
        raise FileProblems(complaints)
    steps = with_settling(in_least_settling(steps), bench.bench, sequence.sequence.supply_v)
    duty = Duty.of(bench, keyed_roles(settings))
    plan = Plan(sequence=sequence, bench=bench, steps=timed(steps, duty), only=only, share_key=share_key)
    if order == "quickest":
        return replace(plan, **_reordered(plan, duty))
    if sequence.sequence.share_key == "yes" or (share_key and sequence.sequence.share_key is None):
        from sequencer.planning.ordering.order import joined_as_written

        return replace(plan, steps=timed(joined_as_written(steps, bench.bench, duty), duty))
    return plan


def plan_complaints(
    sequence: LoadedSequence, bench: LoadedBench, *, serial: str = "", whole: bool = True
) -> list[Complaint]:
    """Return everything that cannot be done on this bench; without ``whole`` only what belongs to single checks."""
    chosen = _chosen(sequence, ())
    settings = _settings(sequence, chosen) if whole else None
    return _complaints(sequence, bench, _steps(sequence, bench, serial, chosen), settings)


def _complaints(
    sequence: LoadedSequence,
    bench: LoadedBench,
    steps: Iterable[Step],
    settings: list[CheckSettings] | None,
) -> list[Complaint]:
    complaints = dict.fromkeys(whole_complaints(sequence, bench, settings) if settings is not None else ())
    for step in steps:
        complaints |= dict.fromkeys(point_complaints(step, sequence, bench))
        complaints |= dict.fromkeys(step_complaints(step, sequence, bench))
    complaints |= dict.fromkeys(own_supply_complaints(sequence))
    complaints |= dict.fromkeys(temperature_complaints(steps, sequence))
    complaints |= dict.fromkeys(contradictions(steps, sequence, bench))
    return list(complaints)


def _settings(sequence: LoadedSequence, chosen: Iterable[_At]) -> list[CheckSettings]:
    return [sequence.sequence.checks[at[1]] for at in chosen if at[0] == "checks"]


def _steps(
    sequence: LoadedSequence, bench: LoadedBench, serial: str, chosen: Iterable[_At]
) -> tuple[Step, ...]:
    wanted = frozenset(chosen)
    return tuple(
        with_readings_released(
            _step(index, *each)
            for index, each in enumerate(_conditions(sequence, bench, serial))
            if each[0] in wanted
        )
    )


def _reordered(plan: Plan, duty: Duty) -> dict[str, Any]:
    """Return what of a plan is another, once its steps stand in the quickest order that is proved."""
    from sequencer.planning.ordering.order import quickest

    share_key = plan.sequence.sequence.share_key != "no"
    bench = plan.bench.bench
    steps, arranged = quickest(plan.steps, bench, duty, began_s=plan.opening_s, share_key=share_key)
    return {"steps": steps, "arranged": arranged}


_At = tuple[str, int]


def _chosen(sequence: LoadedSequence, only: tuple[str, ...]) -> list[_At]:
    """Return the places in the file of what is to be done. Raises FileProblems for a check it has not."""
    checks = sequence.sequence.checks
    named = [one.check for one in checks]
    if missing := [name for name in only if name not in named]:
        there = list(dict.fromkeys(named))
        raise FileProblems(
            [
                Complaint(
                    file="--only",
                    message=f"{sequence.path.name} has no check {printable(name)[:60]!r}",
                    allowed=listed(there),
                    hint=did_you_mean(name, there),
                )
                for name in missing
            ]
        )
    prepare = [("prepare", number) for number in range(len(sequence.sequence.prepare))]
    if not only:
        return [*prepare, *(("checks", number) for number in range(len(named)))]
    last = max(number for number, name in enumerate(named) if name in only)
    chosen = [
        number for number, name in enumerate(named) if name in only or (name == "confirm" and number < last)
    ]
    return [*prepare, *(("checks", number) for number in chosen)]


def _conditions(
    sequence: LoadedSequence, bench: LoadedBench, serial: str
) -> Iterator[tuple[_At, CheckSettings, Conditions, AtPoint | None]]:
    """Yield for every step its place in the file, its settings, where it stands, and its point on the axes of its check, in order."""
    alike = Conditions(
        bench=bench.bench,
        channel=None,
        frequency_hz=None,
        mode=sequence.sequence.mode,
        plan=sequence.plan,
        model=sequence.model.model if sequence.model is not None else None,
        serial=serial,
        supply_v=sequence.sequence.supply_v,
        folder=sequence.path.parent,
        bench_folder=Path() if is_shipped(bench.path, "bench") else bench.path.parent,
        simulated=bench.bench.simulated,
    )
    for number, preparation in enumerate(sequence.sequence.prepare):
        yield ("prepare", number), ConfirmSettings(check="confirm", text=preparation.confirm), alike, None
    for number, settings in enumerate(sequence.sequence.checks):
        for point in points_of(settings):
            own = (
                settings
                if point.mode in (None, settings.mode)
                else settings.model_copy(update={"mode": point.mode})
            )
            channel = point.channel
            if channel is None:
                channel = find_check(settings.check).start_channel(own, alike)
            frequency_hz = None
            if channel is not None and sequence.plan is not None:
                frequency_hz = sequence.plan.frequencies_hz.get(channel)
            conditions = replace(
                alike,
                channel=channel,
                frequency_hz=frequency_hz,
                mode=own.mode or alike.mode,
                supply_v=alike.supply_v if point.supply_v is None else point.supply_v,
                temperature_c=point.temperature_c,
            )
            yield ("checks", number), own, conditions, kept_point(settings, point)


def _is_by_hand(conditions: Conditions, role: str) -> bool:
    named = conditions.bench.with_role(role)
    return named is not None and named[1].manual


def _step(
    index: int, at: _At, settings: CheckSettings, conditions: Conditions, point: AtPoint | None
) -> Step:
    """Return the step without its forecast, which depends on what comes before it."""
    check = find_check(settings.check)
    check_s, timing = 0.0, Timing()
    if isinstance(settings, ConfirmSettings):
        pass  # takes what it takes
    elif check.side_of(settings) not in UNIT_SIDES:
        check_s = check.forecast_s(settings, conditions)
        timing = Timing(check_s=check_s)
    elif conditions.frequency_hz is not None:
        link_s = 0.0 if conditions.bench.visa == "sim" else LINK_S
        waits_s, keyed_waits_s = settling_s(check, settings, conditions)
        check_s = SIDE_CHANGE_S + link_s + check.forecast_s(settings, conditions) + waits_s
        if check.side_of(settings) == "receive":
            check_s += sum(
                PROOF_S.get(role, 0.0)
                for role in check.roles_of(settings)
                if not _is_by_hand(conditions, role)
            )
        elif not _is_by_hand(conditions, "supply"):
            check_s += TERMINALS_S
        timing = Timing(
            check_s=check_s,
            keyed_s=check.keyed_s(settings, conditions) + keyed_waits_s,
            last_keyed_s=check.last_keyed_s(settings, conditions) + keyed_waits_s,
        )
    person_s = check.person_s(settings, conditions)
    name = check.name.replace("_", " ")
    if isinstance(settings, ConfirmSettings):
        name = "confirm: " + settings.text
    if settings.mode is not None:
        name += f", {settings.mode}"
    if point is not None:
        name += point.suffix
    label = name if conditions.channel is None else f"{name}, channel {conditions.channel}"
    return Step(
        index=index,
        label=label,
        check=check,
        settings=settings,
        conditions=conditions,
        forecast_s=check_s + person_s,
        person_s=person_s,
        timing=timing,
        at=at,
        point=point,
    )
