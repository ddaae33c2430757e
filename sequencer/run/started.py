"""How a run is announced."""

from __future__ import annotations

from sequencer.planning.plan import Plan
from sequencer.run.events import RunStarted
from sequencer.run.facts import RunFacts


def started(facts: RunFacts, plan: Plan) -> RunStarted:
    """Return the event of a run of ``plan`` that begins."""
    return RunStarted(
        run=facts.run,
        time=facts.time,
        serial=facts.serial,
        model=facts.model,
        sequence=plan.sequence.sequence.sequence,
        bench=facts.bench_name,
        simulated=facts.simulated,
        checks=len(plan.steps),
        forecast_s=plan.forecast_s,
    )
