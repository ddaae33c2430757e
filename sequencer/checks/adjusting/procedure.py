"""The presets of one check on one side: as found, turned, as left; round by round where there are several."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace

from sequencer.checks.adjusting.ceiling import told_too_much
from sequencer.checks.adjusting.pace import TransmitPace
from sequencer.checks.adjusting.presets import LEFT_ALONE, Adjusted, as_left_unmeasured
from sequencer.checks.adjusting.readers import LiveReader
from sequencer.checks.adjusting.settings import AdjustSettings, adjusted
from sequencer.checks.adjusting.turning import Pace, Turned, Turning
from sequencer.checks.adjusting.writing import Writing, Written, put_back
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.live import LivePerson, Press
from sequencer.results.model import Stage

NOBODY = "nobody was there to turn it: run the sequence at a terminal"
ALONE = "not adjusted"
TIME = "time to adjust "


class Adjusting:
    """The presets of one check on one side: as found, turned, as left; round by round where there are several."""

    def __init__(
        self,
        settings: AdjustSettings,
        conditions: Conditions,
        measure: Callable[[Adjusted], list[Finding]],
        reader: Callable[[Adjusted, Finding], tuple[LiveReader, Pace]],
        rest: Callable[[], None],
    ) -> None:
        self._settings = settings
        self._conditions = conditions
        self._measure = measure
        self._reader = reader
        self._rest = rest
        self._presets = adjusted(settings)
        self._found: dict[str, list[Finding]] = {}
        self._left: dict[str, list[Finding]] = {}
        self._turned: dict[str, list[Turned]] = {}
        self._written: dict[str, list[Written]] = {}

    def findings(self) -> list[Finding]:
        """Return what was found and what was left, and how long it took. Any failure puts back what was written."""
        try:
            return self._findings()
        except BaseException:
            for each in self._written.values():
                put_back(self._conditions, each[0].setting, each[0].before, self._rest)
            raise

    def _findings(self) -> list[Finding]:
        for one in self._presets:
            self._conditions.say(f"{one.name}: as found")
            self._found[one.name] = self._measure(one)
            self._conditions.keep_found(self._as_found_of(one))
        for number in range(1, self._rounds + 1):
            open_ones = self._open(first=number == 1)
            if not open_ones or not self._round(open_ones, number):
                break
        return [*self._as_found(), *self._as_left(), *self._given_up(), *self._times()]

    def _given_up(self) -> Iterator[Finding]:
        """Yield, as not measured, that a preset stands where it did not belong and was not kept: such a run has not passed."""
        for one in self._presets:
            turned = self._turned.get(one.name, [])
            kept = bool(turned) and turned[-1].press is Press.KEEP
            if one.name not in self._left or one.name in self._written or kept:
                continue
            if turned or not one.is_right(self._found[one.name]):
                why = f"{ALONE}: {_how(turned, self._settings.away_s)}"
                yield Finding(quantity=f"adjusted: {one.name}", value=None, unit="", note=why)

    @property
    def _rounds(self) -> int:
        return self._settings.rounds if len(self._presets) > 1 else 1

    def _open(self, *, first: bool) -> list[Adjusted]:
        """Return the presets that are to be turned now."""
        if first and self._settings.always:
            return list(self._presets)
        now = {**self._found, **self._left}
        return [
            one
            for one in self._presets
            if not one.is_right(now[one.name])
            and (first or one.preset.best is None)
            and not self._was_skipped(one)
        ]

    def _was_skipped(self, one: Adjusted) -> bool:
        """Say whether the person gave this one up: whoever did is not asked for it again."""
        return [each.press for each in self._turned.get(one.name, [])[-1:]] == [Press.SKIP]

    def _round(self, open_ones: Sequence[Adjusted], number: int) -> bool:
        """Have each preset turned once, then measure all as left; return whether another round makes sense."""
        stopped, at = False, 0
        while at < len(open_ones) and not stopped:
            press = self._adjust(open_ones[at], self._place(at, len(open_ones), number))
            at = max(0, at - 1) if press is Press.BACK else at + 1
            stopped = press is None
        self._rest()
        for one in self._presets:
            if self._turned or self._written:
                self._conditions.say(f"{one.name}: as left")
                self._left[one.name] = self._measure(one)
        return bool(self._turned or self._written) and not stopped

    def _adjust(self, one: Adjusted, place: str) -> Press | None:
        """Have a preset turned or written; return what the person said at the end, None for one who walked away."""
        figure = one.figure(self._found[one.name])
        if figure is None or figure.value is None:
            return Press.SKIP
        if one.preset.write is not None:
            writing = Writing(one, figure, self._conditions, *self._reader(one, figure), self._rest)
            written = writing.run()  # first: a failure in it leaves nothing to put back
            self._written.setdefault(one.name, []).append(written)
            return Press.KEEP
        person = self._conditions.live
        return Press.SKIP if person is None else self._turn(one, figure, person, place)

    def _place(self, at: int, count: int, number: int) -> str:
        if len(self._presets) == 1:
            return ""
        return f"{at + 1} of {count}, round {number}"

    def _turn(self, one: Adjusted, figure: Finding, person: LivePerson, place: str) -> Press | None:
        """Let a preset be turned; return what the person said at the end, None for one who walked away."""
        reader, pace = self._reader(one, figure)
        turning = Turning(
            one.goal(figure),
            person,
            pace,
            reader.read,
            away_s=self._settings.away_s,
            place=place,
            transmits=isinstance(pace, TransmitPace),
            turn_by=self._conditions.find_turner(one.name),
            prepare=reader.prepare,
            watched=lambda: reader.watched and f"{reader.watched}{self._conditions.glance(reader.role)}",
            too_much=told_too_much(one, self._conditions),
        )
        self._rest()  # who reads what is to be turned takes their time
        try:
            turned = turning.run()
        finally:
            self._rest()
        reader.leave()
        self._turned.setdefault(one.name, []).append(turned)
        return turned.press

    def _as_found(self) -> list[Finding]:
        return [found for one in self._presets for found in self._as_found_of(one)]

    def _as_found_of(self, one: Adjusted) -> list[Finding]:
        return one.staged(self._found[one.name], "as found", note=self._said_of_found(one))

    def _said_of_found(self, one: Adjusted) -> str:
        figure = one.figure(self._found[one.name])
        return "" if figure is None else one.too_fine(figure)

    def _as_left(self) -> list[Finding]:
        return [found for one in self._presets for found in self._left_of(one)]

    def _left_of(self, one: Adjusted) -> list[Finding]:
        if one.name in self._left:
            turned, written = self._turned.get(one.name, []), self._written.get(one.name, [])
            bests = [each.best for each in turned] + [each.best for each in written]
            seen = [one for one in bests if one is not None]
            best = seen[-1] if seen else None
            how = written[-1].note if written else _how(turned, self._settings.away_s)
            note = "; ".join(part for part in (how, one.behind(self._left[one.name], best)) if part)
            return one.staged(self._left[one.name], "as left", note=note, best=best)
        if one.is_right(self._found[one.name]):
            alone = one.staged(self._found[one.name], "as left", note=LEFT_ALONE)
            return [replace(each, untouched=True) for each in alone]
        figure = one.figure(self._found[one.name])
        why = NOBODY if self._conditions.live is None else ALONE
        if figure is None or figure.value is None:
            why = "not adjusted: nothing could be read to adjust it by"
        return as_left_unmeasured(one, self._conditions, why)

    def _times(self) -> list[Finding]:
        spent = {name: sum(one.seconds for one in each) for name, each in self._turned.items()}
        spent |= {name: sum(one.seconds for one in each) for name, each in self._written.items()}
        times = [
            Finding(quantity=f"{TIME}{name}", value=round(seconds, 1), unit="s", exact=True)
            for name, seconds in spent.items()
        ]
        return [*self._settings_written(), *times]

    def _settings_written(self) -> Iterator[Finding]:
        """Yield the numbers that stood before and that stand now."""
        for each in self._written.values():
            pairs: tuple[tuple[Stage, int], ...] = (("as found", each[0].before), ("as left", each[-1].now))
            for stage, number in pairs:
                quantity = f"setting {each[0].setting}"
                yield Finding(quantity=quantity, value=float(number), unit="", exact=True, stage=stage)


def _how(turned: Sequence[Turned], away_s: float) -> str:
    """Say how turning ended, where that is more than kept."""
    if not turned:
        return "not turned itself"
    words = {Press.SKIP: "skipped", Press.BACK: "left for the preset before it"}
    if turned[-1].press is None:
        return f"skipped, because no key was pressed for {away_s:g} s"
    times = f"turned {len(turned)} times" if len(turned) > 1 else ""
    return "; ".join(part for part in (words.get(turned[-1].press, ""), times) if part)


def was_adjusted(findings: Iterable[Finding]) -> bool:
    """Say whether anything was turned or written, or may have been before a fault: what was measured before may be old by now."""
    listed = list(findings)
    return any(one.quantity.startswith(TIME) for one in listed) or any(
        one.stage == "as left" and one.value is None and not one.untouched for one in listed
    )
