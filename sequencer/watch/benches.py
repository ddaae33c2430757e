"""What is shown of a bench: in words, what it does, whether the unit may be touched, and what somebody should look at."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import date, datetime, timedelta

from sequencer.analysis.verdict import Verdict, verdict_of
from sequencer.frozen import dataclass
from sequencer.results.bench_now import BenchNow, Doing
from sequencer.results.store.store import Store
from sequencer.results.text import with_minus
from sequencer.units.format import time_text
from sequencer.watch.asked import address
from sequencer.watch.left import GONE, as_left, with_supply
from sequencer.watch.signs import APART_S

SOON = timedelta(days=30)
"""So long before a calibration runs out it is pointed at."""
_STATES = {
    "opening": "Opening the bench",
    "measuring": "Measuring",
    "waiting": "Waiting for a unit",
    "asking": "Asks the operator",
    "stopped": "Stopped: look at the bench",
    "ended": "Not in use",
}
_NOT_HEARD = {"gone": "No sign any more", "awaited": "Its next sign is waited for"}
_KINDS = {"PASS": "pass", "FAIL": "fail", "NOT MEASURED": "not measured", "BENCH": "not measured"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """A calibration: what stands there of it, and whether it is pointed at ("overdue", "soon", or empty)."""

    text: str
    date: str
    mark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchView:
    """One bench, as it is shown. ``safe`` is "in use", "safe", "not safe" or "not known"."""

    anchor: str
    title: str
    where: str
    station: str
    simulated: bool
    state: str
    kind: str
    doing: Doing
    step: str
    left: str
    safe: str
    safe_why: str
    verdict: str
    verdict_kind: str
    dues: tuple[Due, ...]
    wall: str
    clock: str

    @property
    def is_worked(self) -> bool:
        """Whether it has a card: a process works it, or did until it fell silent, or it was left not confirmed safe."""
        return self.kind != "ended" or self.safe == "not safe"

    @property
    def rank(self) -> int:
        """Where it stands on the page: what is not safe above all others, what is not in use last."""
        return 0 if self.safe == "not safe" else 1 if self.is_worked else 2


VerdictOf = Callable[[str], str]
"""Returns the verdict of a run by its name, in the words of a station's screen; empty where it has none."""


def bench_views(benches: Iterable[BenchNow], today: date, verdict: VerdictOf) -> list[BenchView]:
    """Return benches as they are shown: not safe, then worked, then the others; by name, so that none jumps about."""
    found = [_view(one, today, verdict) for one in as_left(benches)]
    return sorted(found, key=lambda one: (one.rank, one.title, one.station, one.anchor))


def find_verdict(store: Store) -> VerdictOf:
    """Return who looks verdicts up in a store."""

    def look_up(run: str) -> str:
        found = store.read_run(run) if run else None
        if found is None or found.status is None:
            return ""
        said = verdict_of(found, store.read_results(run, points=False))
        without = "BENCH" if found.was_left_unsafe else "NOT MEASURED"
        return {Verdict.PASSED: "PASS", Verdict.FAILED: "FAIL"}.get(said, without)

    return look_up


def of_station(views: Iterable[BenchView], *, station: str, bench: str) -> BenchView | None:
    """Return the bench that a wall screen shows; of several the one that comes first on the page.

    ``bench`` is its name, else its machine, else its station: whatever the list prints.
    """
    found = list(views)
    if station:
        return next((one for one in found if one.station == station), None)
    told = [(one.title, one.where, one.station) for one in found]
    return next(
        (one for at in range(3) for one, names in zip(found, told, strict=True) if names[at] == bench), None
    )


def names_of(views: Iterable[BenchView]) -> list[str]:
    """Return the names by which a wall screen may be asked for."""
    return sorted({name for one in views for name in (one.station, one.title, one.where) if name})


def _view(now: BenchNow, today: date, verdict: VerdictOf) -> BenchView:
    worked, doing = now.worked, now.doing
    kind = "gone" if now.is_gone else "awaited" if now.is_awaited else "ended" if now.ended else doing.phase
    safe, why = _safe(doing, kind)
    word = doing.verdict
    if not word and kind in ("ended", "waiting", "stopped") and doing.serial:
        word = verdict(doing.run)
    wall = {"station": worked.station} if worked.station else {"bench": worked.bench}
    return BenchView(
        anchor=f"bench-{worked.id}",
        title=worked.bench,
        where=worked.machine,
        station=worked.station,
        simulated=worked.simulated,
        state=_state(doing, kind),
        kind=kind,
        doing=replace(doing, wrong=tuple(map(with_minus, doing.wrong))),
        step=_step(doing),
        left=""
        if doing.remaining_s is None or kind in _NOT_HEARD
        else f"about {_about(doing.remaining_s)} left",
        safe=safe,
        safe_why=why,
        verdict=word,
        verdict_kind=_KINDS.get(word, "no limit"),
        dues=tuple(_dues(doing, today)),
        wall=address("/station", **wall),
        clock=_clock(now.apart_s, "the database server's" if now.is_by_server else "this server's"),
    )


def _state(doing: Doing, kind: str) -> str:
    if kind in _NOT_HEARD:
        return _NOT_HEARD[kind]
    waits = {"series": "Waits for its next run", "worker": "Waits for a job"}.get(doing.program, "")
    return waits if waits and kind == "waiting" else _STATES[doing.phase]


def _clock(apart_s: float, whose: str) -> str:
    """Return what is said of a clock that is far from ``whose``."""
    if abs(apart_s) <= APART_S:
        return ""
    way = "behind" if apart_s > 0.0 else "ahead of"
    said = f"The clock of its machine is about {time_text(abs(apart_s))} {way} {whose}: set both by the network's time."
    return f"{said} Times of its runs are by its own clock."


def _about(seconds: float) -> str:
    """Return a time as a forecast has it: of the last seconds no tenths."""
    return f"{max(1, round(seconds))} s" if seconds < 10.0 else time_text(seconds)


def _step(doing: Doing) -> str:
    if not doing.check:
        return ""
    return f"{doing.check} ({doing.number} of {doing.checks})" if doing.checks else doing.check


def _safe(doing: Doing, kind: str) -> tuple[str, str]:
    """Return whether the unit may be touched, and what that rests on."""
    why = doing.safe_why.removeprefix("The bench is safe: ")
    if doing.safe is True:
        return "safe", why
    if doing.safe is False:
        return "not safe", with_supply(why)
    if kind in _NOT_HEARD:
        return "not known", GONE
    if kind in ("measuring", "opening"):
        return "in use", "The unit may be on the air. Do not touch it."
    return "not known", why or "Nothing was read back yet."


def _dues(doing: Doing, today: date) -> Iterable[Due]:
    """Yield calibrations that ran out or soon will, else the next that does."""
    dated = sorted((one.due, one.name.replace("_", " ")) for one in doing.calibrated)
    pointed = [Due(text=name, date=due, mark=mark) for due, name in dated if (mark := _mark(due, today))]
    yield from pointed
    if not pointed and dated:
        yield Due(text=dated[0][1], date=dated[0][0], mark="")


def _mark(due: str, today: date) -> str:
    try:
        left = date.fromisoformat(due) - today
    except ValueError:
        return ""
    return "overdue" if left < timedelta() else "soon" if left <= SOON else ""


def today() -> date:
    """Return the day, as this machine has it."""
    return datetime.now().astimezone().date()
