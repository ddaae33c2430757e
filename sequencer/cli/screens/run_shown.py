"""What came of a run, as a person reads it."""

from __future__ import annotations

from sequencer.cli.screens.summary import not_met_table, verdict_line
from sequencer.run.facts import RunFacts
from sequencer.run.runner import RunOutcome


def show_run(facts: RunFacts, outcome: RunOutcome, table: str) -> None:
    """Show results, what else is said of the run, and the verdict, on standard output; ``table`` is the results table's path."""
    from sequencer.cli.common.console import console_for
    from sequencer.cli.screens.screen import results_table, run_lines
    from sequencer.results.text import limits_from_text, line_text, repeats_text

    plan = facts.plan
    title = (
        f"{plan.sequence.sequence.sequence}: {f'{facts.model} {facts.serial}'.strip()} on {facts.bench_name}"
    )
    shown = console_for()
    shown.print(results_table(outcome.results, title, width=shown.width))
    shown.print(
        run_lines(
            run=facts.run,
            part=", ".join(plan.only),
            line=line_text(facts.line),
            repeats=repeats_text(facts.again.run, facts.again.reason) if facts.again is not None else "",
            rule=str(plan.sequence.sequence.rule),
            limits=limits_from_text(outcome.results) if plan.sequence.model is not None else "",
            table=table,
            bench_s=outcome.bench_s,
            forecast_s=plan.forecast_s if facts.carried is None else None,  # that of the rest alone
        ),
        soft_wrap=True,
    )
    shown.print(verdict_line(outcome), highlight=False, style="bold")
    if (not_met := not_met_table(outcome.results, width=shown.width)) is not None:
        shown.print(not_met)
