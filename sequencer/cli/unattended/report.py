"""What a series needs to know of a run that is over, and what is said of it in a few lines."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.cli.run import Ran
from sequencer.cli.screens.summary import MOST_NAMED, not_met, not_met_text, verdict_line
from sequencer.problems import printable
from sequencer.results.model import FaultFacts
from sequencer.run.series.turn import RunReport
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision


def report_of(ran: Ran) -> RunReport:
    """Return the report of a run."""
    facts, outcome, kept = ran.facts, ran.outcome, ran.record.kept
    wrong = not_met(outcome.results)
    own = [*(text for text in outcome.problems if text not in ran.record.problems), *map(str, ran.hazards)]
    spoilt = ran.status is ExitStatus.BENCH_FAILED
    faults = tuple(dict.fromkeys(map(fault_line, outcome.faults))) if spoilt else ()
    safe = outcome.safe_state.confirmed or not outcome.safe_state.problems
    missing = any(one.decision is Decision.NOT_MEASURED for one in wrong)
    return RunReport(
        status=ran.status,
        verdict=verdict_line(outcome) or "The bench could not be confirmed safe.",
        serial=facts.serial,
        run=facts.run,
        model=facts.model,
        sequence=facts.plan.sequence.sequence.sequence,
        bench=facts.bench_name,
        simulated=facts.simulated,
        wrong=tuple(_named([f"{one.decision.value}: {not_met_text(one)}" for one in wrong])),
        faults=faults,
        problems=tuple(dict.fromkeys([*outcome.problems, *map(str, ran.hazards)])),
        safe=safe,
        last_line=outcome.safe_state.last_line(),
        bench_s=outcome.bench_s,
        table=str(ran.record.table.path),
        store=ran.record.store.where,
        try_again=spoilt and bool(own or faults or missing or not safe),
        bench_failed=spoilt and bool(own or faults),
        limit_failed=any(one.decision in (Decision.FAIL, Decision.CONDITIONAL_FAIL) for one in wrong),
        lost=kept is not None and bool(kept.nowhere),
        batch_stopped=ran.batch_stopped,
        alike=(
            str(int(ran.status)),
            "" if safe else "not safe",
            *sorted({f"{one.check} {one.channel} {one.quantity} {one.decision.value}" for one in wrong}),
            *sorted({f"{one.kind} {one.instrument}" for one in outcome.faults if spoilt}),
        ),
    )


def fault_line(fault: FaultFacts) -> str:
    """Return a fault in a line: instrument, address, what, and what to do next."""
    return printable(
        " ".join(filter(None, (f"{fault.instrument} ({fault.address}): {fault.what}.", fault.next_move)))
    )


def wrong_lines(report: RunReport) -> list[str]:
    """Return what went wrong in a run, a line each: results, then instruments, then whatever else; nothing twice."""
    said = list(report.wrong)
    for text in (*report.faults, *report.problems):
        what = text.partition(". ")[0].rstrip(
            "."
        )  # a fault's next move stands with the result that it spoilt, too
        if not any(what in earlier for earlier in said):
            said.append(text)
    return [line for text in said for line in printable_lines(text)]


def printable_lines(text: str) -> list[str]:
    """Return a text's lines with nothing in them that a terminal could act on."""
    return [printable(line) for line in text.splitlines() if line.strip()]


def _named(lines: list[str]) -> Iterator[str]:
    yield from lines[:MOST_NAMED]
    if len(lines) > MOST_NAMED:
        yield f"and {len(lines) - MOST_NAMED} more, in the table"
