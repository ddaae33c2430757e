"""The first line of a run's journal: all that it takes to carry the run on."""

from __future__ import annotations

from pathlib import Path

from sequencer import __version__
from sequencer.results.journal import Head, PlannedStep
from sequencer.results.journal_lines import FORMAT
from sequencer.results.model import NOT_ENDED, RunRecord
from sequencer.results.store.place import StorePlace
from sequencer.run.facts import RunFacts
from sequencer.run.keeping.inputs import asked_of, input_hashes


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
        share_key=plan.share_key,
        model_named=str(model.path.absolute()) if is_file and model is not None else facts.model_named,
        dry_run=facts.dry_run,
        steps=tuple(
            PlannedStep(index=step.index, label=step.label, check=step.check.name) for step in plan.steps
        ),
        inputs=input_hashes(plan),
    )


def run_record(facts: RunFacts) -> RunRecord:
    """Return the record of a run that begins."""
    of = facts.evaluated
    return RunRecord(
        run=facts.run,
        time=facts.time,
        serial=facts.serial,
        model=facts.model,
        sequence=facts.plan.sequence.sequence.sequence,
        sequence_hash=facts.plan.sequence.hash,
        bench=facts.bench_name,
        bench_hash=facts.plan.bench.hash,
        simulated=facts.simulated,
        outcome=NOT_ENDED,
        part=", ".join(facts.plan.only),
        again=facts.again.run if facts.again is not None else "",
        reason=facts.again.reason if facts.again is not None else "",
        model_hash=facts.plan.sequence.model_hash,
        asked=asked_of(facts.plan, facts.model_named),
        evaluated_from=of.run if of is not None else "",
        from_time=of.time if of is not None else "",
        from_sequence_hash=of.sequence_hash if of is not None else "",
        from_bench_hash=of.bench_hash if of is not None else "",
        **facts.line.as_plain(),
    )
