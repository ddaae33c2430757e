"""Whether a bench may be measured on: when it was checked last and what that found, and who stood on it in the run before."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Sequence
from datetime import datetime

from sequencer.files.shipped import find_file, is_shipped
from sequencer.inputs.bench_parts.bench_health import OwnCheck, bench_serial
from sequencer.planning.doubts.calibration import Doubt, calibration_doubts
from sequencer.planning.plan import Plan
from sequencer.problems import FileProblems, listed
from sequencer.results.model import BenchInstrument
from sequencer.results.store.commands import options_of
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import StoreProblem
from sequencer.results.stored import StoredResult
from sequencer.run.bench_health.doubted import SOUND
from sequencer.units.format import time_text

CHECKED = "the bench's own check is in date, and found it as it was"
_ROWS = 1000


def doubts_now(plan: Plan, place: StorePlace, *, bench_name: str, simulated: bool) -> tuple[Doubt, ...]:
    """Return what speaks against the bench now. Raises FileProblems where its file says that nothing is measured then."""
    now = datetime.now().astimezone()
    return (
        *calibration_doubts(plan, now.date()),
        *own_check_doubts(plan, place, bench_name=bench_name, simulated=simulated, now=now),
    )


def own_check_doubts(
    plan: Plan, place: StorePlace, *, bench_name: str, simulated: bool, now: datetime
) -> list[Doubt]:
    """Return what speaks against the bench by its own last check; nothing where its file asks for none, or the plan makes one.

    A check in the simulation counts for no real bench, and the other way round, also where both go by one name.

    Raises FileProblems where the bench file says `required: refuse`.
    """
    policy = plan.bench.bench.bench_check
    of_bench = any(step.check.of_bench for step in plan.steps)
    if policy is None or of_bench or _is_of_golden_unit(plan):
        return []
    why_not = _why_not(policy, _last_check(plan, place, bench_name, simulated=simulated), now)
    if not why_not:
        return []
    command = f"'{check_bench_words(plan, place)}' makes one"
    if policy.required == "refuse":
        raise FileProblems(
            [
                plan.bench.source.complain(
                    ("bench_check",),
                    f"no unit is measured on this bench: {why_not}",
                    allowed=f"a check of the bench that passed, not older than {time_text(policy.every_s)}, or 'required: warn'",
                    hint=command,
                )
            ]
        )
    return [Doubt(sentence=CHECKED, why_not=f"{why_not}; {command}")]


def check_bench_words(plan: Plan, place: StorePlace, *options: str) -> str:
    """Return the command that checks the bench of a plan, as it can be typed here: what it finds is looked for in ``place``."""
    path = plan.bench.path
    bench = path.stem if is_shipped(path, "bench") else shlex.quote(str(path))
    return " ".join((f"sequencer check-bench --bench {bench}", *options)) + options_of(place)


def measured_since(plan: Plan, place: StorePlace, *, bench_name: str, simulated: bool, run: str) -> str:
    """Return which units were measured on the bench since its last check that passed, as a sentence; empty where none was.

    For a bench that ``run`` has found changed: nobody knows when that happened.
    """
    from sequencer.results.store.store import Store, Wanted

    own = bench_serial(plan.bench.bench.bench)
    try:
        with Store.open_to_read(place) as store:
            wanted = Wanted(serials=(own,), check="bench_check", measured=True)
            rows = [
                one
                for one in store.find_results(wanted, limit=_ROWS, points=False)
                if one.bench == bench_name and one.simulated == simulated
            ]
            wrong = {one.run for one in rows if one.decision not in SOUND}
            passed = max((one.time for one in rows if one.run not in wrong and one.run != run), default=None)
            runs = store.read_runs(Wanted(since=passed, measured=True), limit=_ROWS)
    except StoreProblem:
        return ""
    found = [
        one
        for one in runs
        if one.bench == bench_name and one.simulated == simulated and one.serial != own and one.run != run
    ]
    serials = list(dict.fromkeys(one.serial for one in reversed(found)))
    if not serials:
        return ""
    since = "ever" if passed is None else f"since its last check that passed ({passed:%Y-%m-%d %H:%M})"
    return f"Measured on this bench {since}: {listed(serials)}. Once it is right, measure again what its change may have decided."


def changed_since(run: str, before: Iterable[BenchInstrument], now: Iterable[BenchInstrument]) -> list[Doubt]:
    """Return which instruments are others than in the earlier ``run``, or have another firmware."""
    then = {one.name: one for one in before}
    doubts = []
    for one in now:
        was = then.get(one.name)
        if was is None or was.role != one.role:
            continue
        if (was.maker, was.model, was.serial) != (one.maker, one.model, one.serial):
            told = f"{one.name}: {_who(was)} in run {run}, {_who(one)} now"
            doubts.append(
                Doubt(
                    sentence=f"{one.name} is the instrument of the run before",
                    why_not=f"{told}: if nobody exchanged it look at the addresses; if somebody did, see that the bench file states its "
                    "accuracy and certificate, and check the bench",
                )
            )
        elif was.firmware != one.firmware:
            doubts.append(
                Doubt(
                    sentence=f"firmware of {one.name} is that of the run before",
                    why_not=f"{one.name}: firmware {was.firmware or 'none'} in run {run}, {one.firmware or 'none'} now: its answers may "
                    "mean something else; check the bench, and 'sequencer identify' what its profile asks",
                )
            )
    return doubts


def _is_of_golden_unit(plan: Plan) -> bool:
    """Say whether the plan is that of `check-bench --golden`: the golden unit, by the sequence that the bench file names for it."""
    golden = plan.bench.bench.golden_unit
    if golden is None or plan.steps[0].conditions.serial != golden.serial:
        return False
    try:
        named = find_file(golden.sequence, "sequence", beside=plan.bench.path)
    except FileProblems:
        return False
    return named.resolve() == plan.sequence.path.resolve()


def _why_not(policy: OwnCheck, last: Sequence[StoredResult], now: datetime) -> str:
    """Return what is wrong with the last check of a bench; empty where nothing is."""
    if not last:
        return "this bench was never checked, as far as this store knows"
    when = f"{last[0].time:%Y-%m-%d %H:%M}"
    if wrong := next((one for one in reversed(last) if one.decision not in SOUND), None):
        return (
            f"the bench's check of {when} (run {wrong.run}) found it changed: {wrong.quantity}: {wrong.note}"
        )
    age_s = now.timestamp() - last[0].time.timestamp()
    if age_s < 0:
        return f"the bench's last check is of {when}, which lies ahead: look at this computer's clock"
    if age_s > policy.every_s:
        return f"the bench's last check was {time_text(age_s)} ago ({when}), and its file asks for one every {time_text(policy.every_s)}"
    return ""


def _last_check(plan: Plan, place: StorePlace, bench_name: str, *, simulated: bool) -> list[StoredResult]:
    """Return the results of the newest check of the bench, those that count."""
    from sequencer.results.store.store import Store, Wanted

    wanted = Wanted(serials=(bench_serial(plan.bench.bench.bench),), check="bench_check", measured=True)
    try:
        with Store.open_to_read(place) as store:
            found = store.find_results(wanted, limit=_ROWS, points=False)
    except StoreProblem:
        return []
    rows = [one for one in found if one.bench == bench_name and one.simulated == simulated and one.counts]
    return [one for one in rows if one.run == rows[0].run]


def _who(one: BenchInstrument) -> str:
    return f"{one.maker} {one.model} serial {one.serial or 'not told'}".strip()
