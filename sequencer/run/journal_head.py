"""The first line of a run's journal: all that it takes to carry the run on."""

from __future__ import annotations

from pathlib import Path

from sequencer import __version__
from sequencer.results.journal import Head, PlannedStep
from sequencer.results.journal_lines import FORMAT
from sequencer.results.model import RunRecord
from sequencer.results.store.place import StorePlace
from sequencer.run.facts import RunFacts


def head_of(facts: RunFacts, run: RunRecord, table: Path, place: StorePlace) -> Head:
    """Return how a run begins. A store's address stands there as it may be shown: without a password."""
    plan = facts.plan
    model = plan.sequence.model
    is_file = facts.model_named.endswith((".yaml", ".yml")) and model is not None
    return Head(
        format=FORMAT,
        program=__version__,
        record=run,
        sequence_file=str(plan.sequence.path.absolute()),
        bench_file=str(plan.bench.path.absolute()),
        model_file="" if model is None else str(model.path.absolute()),
        folder=str(table.parent.absolute()),
        table=table.name,
        store_file="" if place.path is None else str(place.path.absolute()),
        store_address="" if place.url is None else str(place),
        only=plan.only,
        order="written" if plan.arranged is None else "quickest",
        model_named=str(model.path.absolute()) if is_file and model is not None else facts.model_named,
        dry_run=facts.dry_run,
        steps=tuple(
            PlannedStep(index=step.index, label=step.label, check=step.check.name) for step in plan.steps
        ),
    )
