"""The bench's own check before the first unit of a session and after the last, as a run of its own."""

from __future__ import annotations

import json
import sys
from contextlib import suppress

import click

from sequencer.cli.check_bench import own_sequence
from sequencer.cli.common.outlet import reader_may_be_gone
from sequencer.cli.run import Asked, execute, prepare
from sequencer.cli.run_told import as_plain, tell
from sequencer.inputs.load_bench import LoadedBench
from sequencer.run.interrupt import Stopper
from sequencer.run.status import ExitStatus


def checked_bench(asked: Asked, bench: LoadedBench, stopper: Stopper, *, as_json: bool) -> ExitStatus:
    """Have the bench of a session check itself; what it found is told as that of any run, as JSON in one line. Raises InputError."""
    sequence, serial = own_sequence(bench)
    own = Asked(
        sequence_name=sequence,
        bench_name=asked.bench_name,
        serial=serial,
        dry_run=asked.dry_run,
        folder=asked.folder,
        store=asked.store,
    )
    prepared = prepare(own)
    with stopper.as_before():
        ran = execute(prepared)
    if not as_json:
        return ExitStatus(tell(ran, as_json=False))
    with suppress(OSError):
        click.echo(json.dumps(as_plain(ran), ensure_ascii=False))
    with reader_may_be_gone(sys.stderr):
        click.echo("\n".join((*ran.outcome.problems, ran.outcome.safe_state.last_line())), err=True)
    return ran.status
