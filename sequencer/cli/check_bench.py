"""`check-bench`: the bench measures itself, or its golden unit, and is held against its own history."""

from __future__ import annotations

from pathlib import Path

import click

from sequencer.cli.run import Asked
from sequencer.cli.run_told import run_command
from sequencer.files.find import file_named_in
from sequencer.inputs.bench_parts.bench_health import OwnCheck, bench_serial
from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.problems import FileProblems
from sequencer.run.bench_health.own_sequences import lacking_check


def check_bench_command(
    bench_name: str,
    *,
    golden: bool,
    confirmed: bool,
    dry_run: bool,
    folder: Path,
    store: str = "",
    as_json: bool,
) -> int:
    """Run the bench's own sequence, or that of its golden unit; returns the exit status."""
    loaded = load_bench(bench_name)
    sequence, serial = _golden(loaded) if golden else own_sequence(loaded)
    if lacking := lacking_check(loaded, "golden_unit" if golden else "bench_check"):
        click.echo(f"This is no check of the bench: {lacking}.", err=True)
    asked = Asked(
        sequence_name=sequence,
        bench_name=bench_name,
        serial=serial,
        confirmed=confirmed,
        dry_run=dry_run,
        folder=folder,
        store=store,
    )
    return run_command(asked, as_json=as_json)


def own_sequence(loaded: LoadedBench) -> tuple[str, str]:
    """Return the sequence of the bench's own check, and the serial under which its results stand. Raises FileProblems."""
    stated = loaded.bench.bench_check
    sequence = (stated or OwnCheck()).sequence
    if stated is not None and "sequence" in stated.model_fields_set:
        sequence = _beside(loaded, sequence, "bench_check")
    return sequence, bench_serial(loaded.bench.bench)


def _golden(loaded: LoadedBench) -> tuple[str, str]:
    unit = loaded.bench.golden_unit
    if unit is None:
        raise FileProblems(
            [
                loaded.source.complain(
                    (),
                    "the bench file names no golden unit",
                    allowed="'golden_unit: {serial: …, sequence: …}': a unit that stays with the bench",
                    hint="'sequencer reference bench-health' says how to choose one",
                )
            ]
        )
    return _beside(loaded, unit.sequence, "golden_unit"), unit.serial


def _beside(loaded: LoadedBench, name: str, key: str) -> str:
    """Return the path of a sequence that the bench file names: beside it, or a shipped one."""
    return str(file_named_in(name, "sequence", loaded.path, loaded.source, (key, "sequence")))
