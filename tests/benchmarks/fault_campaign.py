"""Every operation of the VISA library in a run of a shipped sequence, and every kind of fault there, once and for good.

What each run came to is judged by the simulator's witness, by the same run undisturbed, and by what stands in its store; a line for each
kind counts it, a line for each wrong one says how it is made again.

    python -m tests.benchmarks.fault_campaign                              all of both sequences: hours
    python -m tests.benchmarks.fault_campaign --every 7 --jobs 2           a seventh of the operations
    python -m tests.benchmarks.fault_campaign --short                      what the tests do: some operations, one kind each

``--follow 1`` ends a run once the disturbed check and the next one were made, which is several times as quick, and misses what shows later.
``--short`` takes every 61st operation, the kinds and first operation by the day; ``--turn N``, which it prints, takes those of another.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime

from tests.support.fault_judge import Came
from tests.support.fault_runs import SEQUENCES, Campaign, Verdict, state_folder
from tests.support.wire_faults import KINDS, Fault

SHORT_EVERY = 61  # odd: writing and reading take turns
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


def main(arguments: Sequence[str] | None = None) -> int:
    """Make the runs; return 1 if one is wrong."""
    chosen = _options().parse_args(arguments)
    if chosen.turn is None:
        chosen.turn = datetime.now(UTC).toordinal() if chosen.short else 0
    state_folder()
    began_s, counts = time.perf_counter(), Counts(show=chosen.show)
    stays = [one for one in (False, True) if not (chosen.once and one) and not (chosen.stays and not one)]
    if chosen.short:
        chosen.every, chosen.follow = chosen.every if chosen.every > 1 else SHORT_EVERY, chosen.follow or 1
    for name in chosen.sequence or ([next(iter(SEQUENCES))] if chosen.short else list(SEQUENCES)):
        campaign = Campaign(name, jobs=chosen.jobs, follow=chosen.follow, store=not chosen.no_store)
        last = min(chosen.last or len(campaign.operations), len(campaign.operations))
        numbers = range(chosen.first + chosen.turn % chosen.every, last + 1, chosen.every)
        print(
            f"{name}: {len(campaign.operations)} operations, {len(numbers)} of them disturbed (every {chosen.every}, from {numbers.start}; "
            f"--turn {chosen.turn})",
            flush=True,
        )
        faults = (
            one_each(campaign, numbers, chosen.turn)
            if chosen.short
            else campaign.faults(chosen.kinds or list(KINDS), stays, numbers)
        )
        last_due = [0]

        def is_due(number: int, last_due: list[int] = last_due) -> bool:
            if chosen.minutes and time.perf_counter() - began_s > 60.0 * chosen.minutes:
                return False
            last_due[0] = number
            return True

        campaign.run(faults, counts.take, is_due=is_due)
        if last_due[0] < max(faults, default=0):
            print(f"{name}: the time was up after operation {last_due[0]}")
    print(counts.table())
    print(f"{counts.runs} runs, {counts.wrong} wrong; {time.perf_counter() - began_s:.0f} s")
    return 1 if counts.wrong else 0


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
