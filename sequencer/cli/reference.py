"""The command `reference`: prints a page, or writes them all into a folder."""

from __future__ import annotations

from pathlib import Path

import click

from sequencer.reference import PAGES, write_pages


def reference_command(kind: str | None, into: Path | None) -> None:
    """Print the page of ``kind`` ("checks" without one), or write every page ``into`` a folder."""
    if into is None:
        click.echo(PAGES[kind or "checks"](), nl=False)
        return
    for path in write_pages(into):
        click.echo(str(path))
