"""Each result of a run as a line of JSON, as soon as it is found and kept: for a program that follows a run."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from typing import Any

import click

from sequencer.cli.common.outlet import reader_may_be_gone
from sequencer.results.model import facts_of
from sequencer.run.events import CheckEnded, Event


class JsonLines:
    """A listener that writes to standard output. ``failed`` says why a line could not be written, where somebody misses it."""

    def __init__(self) -> None:
        self.failed = ""

    def __call__(self, event: Event) -> None:
        """Write what a check found: its results, each with the number of the check."""
        if isinstance(event, CheckEnded):
            with reader_may_be_gone(sys.stdout) as shown:
                for one in event.results:
                    _write({"event": "result", "check_index": event.index, **facts_of(one)})
            self.failed = self.failed or shown.failed

    def end(self, run: Mapping[str, Any]) -> None:
        """Write the run as the last line, with all its results once more."""
        _write({"event": "run", **run})


def _write(found: Mapping[str, Any]) -> None:
    click.echo(json.dumps(found, ensure_ascii=False))
