"""What the shell offers when a file's name is completed: shipped names, and YAML files that lie where the word points."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

Completer = Callable[[click.Context, click.Parameter, str], list["CompletionItem"]]


def names_of(kind: Literal["sequence", "bench", "plan", "model"]) -> Completer:
    """Return click's `shell_complete` for a file of that kind. Where nothing fits, the shell looks among its files and folders."""

    def complete(_context: click.Context, _parameter: click.Parameter, typed: str) -> list[CompletionItem]:
        from click.shell_completion import CompletionItem

        from sequencer.files.shipped import shipped_names

        shipped = [name.removesuffix(".yaml") for name in shipped_names(kind)]
        own = sorted(str(path) for path in Path().glob("*.yaml")) if "/" not in typed else []
        fitting = [CompletionItem(name) for name in (*shipped, *own) if name.startswith(typed)]
        return fitting or [CompletionItem(typed, type="file")]

    return complete
