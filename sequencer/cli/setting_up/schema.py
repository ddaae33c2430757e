"""`schema`: writes the JSON Schemas of the files a person writes."""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import click

from sequencer.files.write import write_all
from sequencer.planning.loading.schemas import schemas


def schema_command(kind: str | None, into: Path | None, *, force: bool = False) -> None:
    """Print JSON Schemas, or write them all into a folder."""
    found = schemas()
    if into is None:
        click.echo(_text(found if kind is None else found[kind]), nl=False)
        return
    titles = {f"{name}.schema.json": str(one["title"]) for name, one in found.items()}
    contents = {into / f"{name}.schema.json": _text(one).encode() for name, one in found.items()}
    written = write_all(
        contents, kind="a schema of ours", force=force, is_own=lambda path: _is_own(path, titles[path.name])
    )
    for path in written:
        click.echo(str(path))


def _text(schema: Mapping[str, Any]) -> str:
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def _is_own(path: Path, title: str) -> bool:
    """Say whether ``path`` holds a schema of that title, as this command writes it; or nothing at all."""
    with suppress(OSError, ValueError):
        content = path.read_bytes() if path.is_file() else b"?"
        if not content:
            return True
        held = json.loads(content)
        return isinstance(held, dict) and held.get("title") == title and "$schema" in held
    return False
