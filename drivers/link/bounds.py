"""What a message and a time-out may be."""

from __future__ import annotations

from drivers.link import scpi
from drivers.link.error_map import CHECK_COMMAND

MIN_TIMEOUT_S = 0.001
MAX_TIMEOUT_S = 600.0  # a calibration may take minutes; "for ever" is not a time-out
MAX_MESSAGE_LENGTH = 4096  # one piece for pyvisa-py, whose partial sends fail


def wrong_message(message: str, *, asks: bool) -> tuple[str, str] | None:
    """Return what is wrong with a message that is to ask, or not, and what to do next; None for one that may be sent."""
    if not (0 < len(message) <= MAX_MESSAGE_LENGTH and message.isascii() and message.isprintable()):
        what = f"a message must be one line of 1 to {MAX_MESSAGE_LENGTH} printable ASCII characters"
        return what, CHECK_COMMAND
    if scpi.asks(message) is asks:
        return None
    if asks:
        return "a message that asks nothing gets no answer", "Send it with write, not as a query."
    return "the answer to this would stay unread", "Send it as a query, not with write."
