"""The command `reference`: lists the pages, prints one, or writes them all into a folder."""

from __future__ import annotations

from pathlib import Path

import click

from sequencer.reference import page_text, page_titles, write_pages


def reference_command(name: str | None, into: Path | None, *, force: bool = False) -> None:
    """Print the page ``name``, list all pages where none is named, or write every page ``into`` a folder."""
    if into is not None:
        for path in write_pages(into, force=force):
            click.echo(str(path))
    elif name is not None:
        click.echo(page_text(name), nl=False)
    else:
        titles = page_titles()
        width = max(map(len, titles))
        for page, title in titles.items():
            click.echo(f"{page:<{width}}  {title}")
        click.echo("\nPrint one with `sequencer reference NAME`.")
