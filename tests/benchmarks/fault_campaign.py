"""Every operation of the VISA library in a run of a shipped sequence, and every kind of fault there, once and for good.

What each run came to is judged by the simulator's witness, by the same run undisturbed, and by what stands in its store; a line for each
kind counts it, a line for each wrong one says how it is made again.

    python -m tests.benchmarks.fault_campaign                              all of both sequences: hours
    python -m tests.benchmarks.fault_campaign --sequence chamber --every 40    a sample of another (spectrum, two-generators, ...)
    python -m tests.benchmarks.fault_campaign --every 7 --jobs 2           a seventh of the operations
    python -m tests.benchmarks.fault_campaign --short                      what the tests do: some operations, one kind each

    python -m tests.benchmarks.fault_campaign --into runs.jsonl --spread 37 --follow 1 --minutes 30     the next slice of it

``--into`` appends a line for each run to a file, and makes none that stands there already: the whole is made in slices. ``--spread 37``
takes every 37th operation first, then those far from them, so that a slice lies over all the run; ``--counts`` makes none, and prints what
stands in the file and what is missing. ``--follow 1`` ends a run once the disturbed check and the next one were made, which is several
times as quick, and misses what shows later. ``--cold`` makes each run from its start in a process of its own, which nothing was warmed
for: two seconds each, for what a copy could hide; runs of the file that came to something else are told.
``--resume`` carries each run on that lacks a result in the end, by the command of that name and without the fault.
``--short`` takes every 61st operation, the kinds and first operation by the day; ``--turn N``, which it prints, takes those of another.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.support.fault_judge import Came
from tests.support.fault_runs import SEQUENCES, WHOLE, Campaign, Verdict, state_folder
from tests.support.wire_faults import KINDS, Fault

SHORT_EVERY = 61  # odd: writing and reading take turns
COLD = """\
import json
from dataclasses import asdict
from tests.support.fault_runs import Campaign, state_folder
from tests.support.wire_faults import Fault
state_folder()
campaign = Campaign({0!r}, follow={1!r})
print(json.dumps(asdict(campaign.from_start({2!r}))))
"""
NOT_WORTH_SHOWING = {Came.UNCHANGED.value, Came.RETRIED.value}


class Counts:
    """How many runs of each kind came to what."""

    def __init__(self, *, show: bool) -> None:
        self._show = show
        self._counts: dict[tuple[str, bool], Counter[str]] = {}
        self.runs = 0
        self.wrong = 0

    def take(self, verdict: Verdict) -> None:
        """Count one run, and print it if it is wrong, or all are to be shown."""
        self.runs += 1
        self._counts.setdefault((verdict.kind, verdict.stays), Counter())[verdict.came] += 1
        is_wrong = verdict.came == Came.WRONG.value
        self.wrong += is_wrong
        if is_wrong or (self._show and verdict.came not in NOT_WORTH_SHOWING):
            how = "for good" if verdict.stays else "once"
            print(
                f"{verdict.came.upper()}: {verdict.kind} {how}, operation {verdict.number}: {verdict.at}; in {verdict.step}"
            )
            for one in verdict.wrong:
                print(f"    {one}")
            if verdict.why:
                print(f"    met: {verdict.why}")
            print(f"    {verdict.again}", flush=True)

    def table(self) -> str:
        """Return a line for each kind."""
        heads = [one.value for one in Came]
        lines = [f"| {'kind':<22} | {'runs':>6} | " + " | ".join(heads) + " |"]
        lines.append("|" + "|".join(["---"] * (len(heads) + 2)) + "|")
        for (kind, stays), counts in sorted(self._counts.items(), key=lambda one: (one[0][1], one[0][0])):
            cells = " | ".join(f"{counts[head]:>{len(head)}}" for head in heads)
            lines.append(
                f"| {kind + (', for good' if stays else ', once'):<22} | {counts.total():>6} | {cells} |"
            )
        return "\n".join(lines)


def one_each(campaign: Campaign, numbers: Sequence[int], turn: int) -> dict[int, list[Fault]]:
    """Return for each operation one fault of those that can be there, by turns."""
    every = campaign.faults(list(KINDS), [False, True], numbers)
    return {
        number: [faults[(turn + place) % len(faults)]] for place, (number, faults) in enumerate(every.items())
    }


def read_verdict(cells: dict[str, Any]) -> Verdict:
    """Return a verdict that was written as JSON."""
    return Verdict(**cells | {"wrong": tuple(cells["wrong"])})


class Kept:
    """The verdicts of a file: a line of JSON for each run, with the commit that it was made with. Nothing is kept without a file."""

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._commit = _commit() if path is not None else ""
        self.verdicts: dict[tuple[str, str, int, bool], Verdict] = {}
        if path is not None and path.exists():
            for line in path.read_text(encoding="utf-8").splitlines():
                cells = json.loads(line)
                del cells["commit"]
                self._take(read_verdict(cells))

    def _take(self, verdict: Verdict) -> None:
        self.verdicts[verdict.sequence, verdict.kind, verdict.number, verdict.stays] = verdict

    def lacks(self, sequence: str, fault: Fault) -> bool:
        """Say whether the run with this fault is still to be made."""
        return (sequence, fault.kind, fault.number, fault.stays) not in self.verdicts

    def keep(self, verdict: Verdict) -> None:
        """Append one run."""
        if self._path is None:
            return
        self._take(verdict)
        cells = asdict(verdict) | {"commit": self._commit, "digest": ""}
        with self._path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(cells) + "\n")


def _commit() -> str:
    asked = ["git", "describe", "--always", "--dirty", "--abbrev=10"]
    return subprocess.run(asked, capture_output=True, text=True, check=False).stdout.strip()


def slices(numbers: range, spread: int) -> Iterator[range]:
    """Yield the numbers in parts, each spread over all of them: every ``spread``-th, then those half way between, and so on."""
    done: list[int] = []
    while len(done) < spread:
        left = [one for one in range(spread) if one not in done]
        # the one that lies furthest from those that were taken, round the circle
        at = max(
            left,
            key=lambda one: min((min((one - o) % spread, (o - one) % spread) for o in done), default=0),
        )
        done.append(at)
        yield numbers[at::spread]


def main(arguments: Sequence[str] | None = None) -> int:
    """Make the runs; return 1 if one is wrong."""
    chosen = _options().parse_args(arguments)
    if chosen.turn is None:
        chosen.turn = datetime.now(UTC).toordinal() if chosen.short else 0
    state_folder()
    began_s, counts, kept = time.perf_counter(), Counts(show=chosen.show), Kept(chosen.into)
    if chosen.short:
        chosen.every, chosen.follow = chosen.every if chosen.every > 1 else SHORT_EVERY, chosen.follow or 1
    for name in chosen.sequence or (WHOLE[:1] if chosen.short else WHOLE):
        campaign = Campaign(
            name, jobs=chosen.jobs, follow=chosen.follow, store=not chosen.no_store, resume=chosen.resume
        )
        if chosen.counts:
            _recount(campaign, kept, counts)
            continue
        if not chosen.cold:
            campaign.warm()
        _disturb(campaign, chosen, kept, counts, began_s)
    print(counts.table())
    print(f"{counts.runs} runs, {counts.wrong} wrong; {time.perf_counter() - began_s:.0f} s")
    return 1 if counts.wrong else 0


def _disturb(
    campaign: Campaign, chosen: argparse.Namespace, kept: Kept, counts: Counts, began_s: float
) -> None:
    """Make the runs of one sequence that are asked for, a part after another."""
    last = min(chosen.last or len(campaign.operations), len(campaign.operations))
    numbers = range(chosen.first + chosen.turn % chosen.every, last + 1, chosen.every)
    print(
        f"{campaign.name}: {len(campaign.operations)} operations, {len(numbers)} of them disturbed "
        f"(every {chosen.every}, from {numbers.start}; --turn {chosen.turn})",
        flush=True,
    )
    time_is_up = False

    def is_due(number: int) -> bool:
        nonlocal time_is_up
        if chosen.minutes and time.perf_counter() - began_s > 60.0 * chosen.minutes:
            if not time_is_up:
                print(f"{campaign.name}: the time was up before operation {number}")
            time_is_up = True
        return not time_is_up

    def take(verdict: Verdict) -> None:
        kept.keep(verdict)
        counts.take(verdict)

    if chosen.cold:
        _cold(campaign, chosen, numbers, counts, kept, is_due)
        return
    for stays in _stays(chosen):
        for part in slices(numbers, chosen.spread):
            faults = {
                number: lacking
                for number, found in _faults(campaign, chosen, stays, part).items()
                if (lacking := [one for one in found if kept.lacks(campaign.name, one)])
            }
            if faults and not time_is_up:
                campaign.run(faults, take, is_due=is_due)


def _stays(chosen: argparse.Namespace) -> list[list[bool]]:
    """Return in what order faults that pass and that stay are taken; in the short form by turns."""
    stays = [one for one in (False, True) if not (chosen.once and one) and not (chosen.stays and not one)]
    return [stays] if chosen.short else [[one] for one in stays]


def _faults(
    campaign: Campaign, chosen: argparse.Namespace, stays: list[bool], numbers: Sequence[int]
) -> dict[int, list[Fault]]:
    if chosen.short:
        return one_each(campaign, numbers, chosen.turn)
    return campaign.faults(chosen.kinds or list(KINDS), stays, numbers)


def _cold(
    campaign: Campaign,
    chosen: argparse.Namespace,
    numbers: Sequence[int],
    counts: Counts,
    kept: Kept,
    is_due: Callable[[int], bool],
) -> None:
    """Make the runs from their start, each in a process of its own."""
    for faults in one_each(campaign, numbers, chosen.turn).values():
        for fault in faults:
            if not is_due(fault.number):
                return
            ran = subprocess.run(
                [sys.executable, "-c", COLD.format(campaign.name, chosen.follow, fault)],
                capture_output=True,
                text=True,
                check=False,
            )
            if ran.returncode:
                raise SystemExit(f"{fault}: {ran.stderr}")
            verdict = read_verdict(json.loads(ran.stdout))
            counts.take(verdict)
            copied = kept.verdicts.get((campaign.name, fault.kind, fault.number, fault.stays))
            if copied is not None and copied.came != verdict.came:
                print(f"copied it came to: {copied.came}; from its start: {verdict.came} ({verdict.again})")


def _recount(campaign: Campaign, kept: Kept, counts: Counts) -> None:
    """Count what stands in the file, and say what is missing."""
    every = campaign.faults(list(KINDS), [False, True], range(1, len(campaign.operations) + 1))
    missing = Counter[str]()
    for fault in (one for each in every.values() for one in each):
        found = kept.verdicts.get((campaign.name, fault.kind, fault.number, fault.stays))
        if found is None:
            missing["for good" if fault.stays else "once"] += 1
        else:
            counts.take(found)
    print(f"{campaign.name}: not made: {missing['once']} once, {missing['for good']} for good")


def _kinds(text: str) -> list[str]:
    kinds = text.split(",")
    if missing := [one for one in kinds if one not in KINDS]:
        raise argparse.ArgumentTypeError(f"no kind {missing[0]!r}; there are {', '.join(KINDS)}")
    return kinds


def _options() -> argparse.ArgumentParser:
    options = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    options.add_argument("--sequence", action="append", choices=list(SEQUENCES))
    options.add_argument("--kinds", type=_kinds, help=", ".join(KINDS))
    options.add_argument("--once", action="store_true", help="faults that pass only")
    options.add_argument("--stays", action="store_true", help="faults that stay only")
    options.add_argument("--from", dest="first", type=int, default=1)
    options.add_argument("--to", dest="last", type=int)
    options.add_argument("--every", type=int, default=1, help="disturb every so many operations")
    options.add_argument("--turn", type=int, help="which of them come first; with --short also which kinds")
    options.add_argument(
        "--follow", type=int, help="how many checks after the disturbed one are made; all of them if left out"
    )
    options.add_argument("--minutes", type=float, help="begin no run after so long, and print what there is")
    options.add_argument(
        "--resume", action="store_true", help="carry on, without the fault, what lacks a result in the end"
    )
    options.add_argument("--into", type=Path, help="a file of verdicts: go on with it")
    options.add_argument(
        "--spread", type=int, default=1, help="take the operations in so many parts, each spread over all"
    )
    options.add_argument("--counts", action="store_true", help="make no runs, and count those of the file")
    options.add_argument(
        "--cold", action="store_true", help="each from its start, in a process of its own; one kind each"
    )
    options.add_argument("--jobs", type=int, default=1)
    options.add_argument(
        "--no-store",
        action="store_true",
        help="keep nothing on a disk: quicker, and nothing said of the store",
    )
    options.add_argument("--short", action="store_true", help="one kind for each operation, by turns")
    options.add_argument("--show", action="store_true", help="print what is not measured, too")
    return options


if __name__ == "__main__":
    sys.exit(main())
