"""Rows that cannot be read: an error, or, where a list is shown to somebody who looks, left out and told."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TypeVar

from sequencer.results.store.problems import UnreadableRow

_Row = TypeVar("_Row")
_Read = TypeVar("_Read")
_TOLD: ContextVar[list[str] | None] = ContextVar("rows set aside", default=None)


@contextmanager
def rows_set_aside() -> Iterator[list[str]]:
    """Leave out rows that cannot be read, and add to the list which those are and why; outside of it they are raised."""
    told: list[str] = []
    token = _TOLD.set(told)
    try:
        yield told
    finally:
        _TOLD.reset(token)


def readable(read: Callable[[_Row], _Read], rows: Iterable[_Row]) -> Iterator[_Read]:
    """Yield what ``read`` makes of each row. Raises UnreadableRow, but within `rows_set_aside`."""
    for row in rows:
        try:
            one = read(row)
        except UnreadableRow as problem:
            set_aside(problem)
        else:
            yield one


def set_aside(problem: UnreadableRow) -> None:
    """Leave a row out that cannot be read. Raises it outside of `rows_set_aside`."""
    told = _TOLD.get()
    if told is None:
        raise problem
    if str(problem) not in told:
        told.append(str(problem))


def is_setting_aside() -> bool:
    """Say whether somebody wants to be told of rows that are left out."""
    return _TOLD.get() is not None
