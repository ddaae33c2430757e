"""One answer off the wire: text, an identity, nothing, or a block; each bounded."""

from __future__ import annotations

from drivers.link import scpi
from drivers.link.wire import Garbled, Wire

MAX_REPLY_BYTES = 65536


def read_identity(wire: Wire, limit_s: float) -> str:
    """Take an identity; nothing but an end of line is one too: poor, and proved further."""
    reply = read_any_text(wire, limit_s)
    scpi.parse_identity(reply)
    return reply


def read_any_text(wire: Wire, limit_s: float) -> str:
    """Take one answer as text, also an empty one."""
    return read_text(wire, limit_s, may_be_empty=True)


def read_complete(wire: Wire, limit_s: float) -> None:
    """Take the answer to ``*OPC?``."""
    parse_complete(read_text(wire, limit_s))


def read_text(wire: Wire, limit_s: float, *, may_be_empty: bool = False) -> str:
    """Take one answer as text, without terminator and outer blanks; Garbled for what is no printable line."""
    text = wire.read_line(MAX_REPLY_BYTES, limit_s).decode("ascii").strip()
    if not text:
        if may_be_empty:
            return text
        raise Garbled("it is empty")
    if not text.isprintable() and not text.replace("\t", " ").isprintable():
        raise Garbled("it holds control characters")
    return text


def read_nothing(_wire: Wire, _limit_s: float) -> None:
    """Take nothing: the message asked nothing."""


def read_block(wire: Wire, limit_s: float, *, max_bytes: int, terminated: bool) -> bytes:
    """Take the content of a definite-length block, and the NL behind it where it is ``terminated``; Garbled for what is none."""
    digits = scpi.parse_block_digits(wire.read_count(2, limit_s))
    length = scpi.parse_block_length(wire.read_count(digits, limit_s))
    if length > max_bytes:
        raise Garbled(f"a block of {length} bytes; at most {max_bytes} are allowed")
    content = wire.read_count(length, limit_s)
    if terminated and (end := wire.read_count(1, limit_s)) != b"\n":
        raise Garbled(f"{end!r} follows the block instead of NL")
    return content


def parse_complete(reply: str) -> None:
    """Read the answer to ``*OPC?``: it can only be 1."""
    if scpi.parse_integer(reply) != 1:
        raise scpi.WrongReply("1, operation complete", reply)
