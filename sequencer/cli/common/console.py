"""The terminal as the commands write to it."""

from __future__ import annotations

from typing import Any

from rich.console import Console


def console_for(**options: Any) -> Console:
    """Return a console that prints words as they stand: what a file or a person calls ``:bell:`` is no picture."""
    return Console(emoji=False, **options)
