"""`schema`: writes the JSON Schemas of the files a person writes."""

from __future__ import annotations

import json
from pathlib import Path

import click

from sequencer.planning.schemas import schemas
from sequencer.problems import about_file


def schema_command(kind: str | None, into: Path | None) -> None:
    """Write JSON Schemas."""
    found = schemas()
    if into is not None:
        try:
            into.mkdir(parents=True, exist_ok=True)
            for name, one in found.items():
                path = into / f"{name}.schema.json"
                path.write_text(json.dumps(one, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
                click.echo(str(path))
        except OSError as error:
            raise about_file(
                into,
                f"cannot be written: {error.strerror}",
                allowed="a folder that can be written",
            ) from error
    else:
        wanted = found if kind is None else found[kind]
        click.echo(json.dumps(wanted, indent=2, ensure_ascii=False))
