"""Sending one message on a connection of its own, to an instrument that does not answer: nothing is waited for, and all of it is kept."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

from drivers.clock import Clock
from drivers.faults import facts_from
from drivers.link.error_map import fault_from
from drivers.trace import Direction, Exchange, Trace


def send_unanswered(
    library: Any, message: bytes, *, name: str, address: str, wait_s: float, clock: Clock, keep: Trace
) -> None:
    """Open a connection, send ``message`` and close it; whatever fails of that is kept and raises nothing."""

    def kept(direction: Direction, content: bytes = b"", error: Exception | None = None) -> None:
        fault = None if error is None else fault_from(error, instrument=name, address=address)
        keep(
            Exchange(
                time_s=clock.now_s(),
                instrument=name,
                direction=direction,
                content=content,
                fault="" if fault is None else str(fault),
                facts=None if fault is None or error is None else facts_from(fault, error),
            )
        )

    try:
        session = library.open_session(address, open_timeout_s=wait_s, timeout_s=wait_s)
    except Exception as error:
        kept(Direction.OPENED, error=error)
        return
    kept(Direction.OPENED)
    try:
        session.wire.send(message, wait_s)
        kept(Direction.SENT, message)
    except Exception as error:
        kept(Direction.RECEIVED, error=error)
    finally:
        with suppress(Exception):
            session.close(lost=True)
        kept(Direction.CLOSED)
