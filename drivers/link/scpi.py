"""SCPI messages and replies: what is sent, and what an answer means.

Pure: no instrument, no clock. Sources: IEEE 488.2-1992 (numbers, strings, blocks, common commands) and
SCPI-1999 volume 1 (headers, special numbers, error queue), both from memory where no page is given.

Outgoing numbers are base units in NR3 and never carry a suffix: ``M`` means milli except before HZ and OHM,
where it means mega, so a suffix is a factor of a thousand million waiting to happen. Units of a message are
joined by ``;:`` because after a bare ``;`` the parser stands inside the last subsystem (SCPI-1999 volume 1,
6.2.4).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from decimal import Decimal

from drivers.frozen import dataclass
from drivers.roles import Identity, RangeState, Reading

NOT_A_NUMBER = 9.91e37  # SCPI-1999 volume 1, 7.2.1.5: NAN, also "no measurement"
INFINITY = 9.9e37  # ... and +INF / -INF: over range and under range
SPECIAL_TOLERANCE = 1e-4  # the two differ by 1e-3, and some instruments send them in single precision

MAX_NUMBER_LENGTH = 255  # IEEE 488.2, 7.7.2.4.1: no longer mantissa need be understood
MAX_ERROR_READS = 32  # an error queue is finite; a broken instrument's is not

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?: ?[Ee] ?[+-]?\d+)?", re.ASCII)
_HEADER = re.compile(r":?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*\??|\*[A-Za-z]+\??", re.ASCII)
_QUOTE = re.compile("[\"']")
_MNEMONIC = re.compile(r"[A-Za-z][A-Za-z0-9_]*", re.ASCII)
_PROMPTS = (
    ":",
    ">",
    "$",
    "#",
    "?",
)  # a port for people asks for a name or a command: common practice, no source
_WORDS = {"ON": True, "OFF": False}
_SHOWN = 80


class WrongReply(ValueError):
    """A reply that does not look like its question's answer; the link makes it an ``UnexpectedReply``."""

    def __init__(self, expected: str, reply: str | bytes) -> None:
        self.expected = expected
        self.reply = reply
        shown = repr(reply if len(reply) <= _SHOWN else reply[:_SHOWN])
        super().__init__(f"expected {expected}, got {shown}{'' if len(reply) <= _SHOWN else ' and more'}")


# --- messages ---


def number(quantity: float) -> str:
    """Write a number as NR3 in base units, with the fewest digits that read back as the same float.

    Legal: finite and below 9.9E37, where SCPI's special values begin. Raises ValueError otherwise.
    """
    if (
        isinstance(quantity, bool)
        or not math.isfinite(quantity)
        or abs(quantity) >= INFINITY * (1 - SPECIAL_TOLERANCE)
    ):
        raise ValueError(f"{quantity!r} cannot be sent as a SCPI number; it must be finite and below 9.9E37")
    return f"{Decimal(repr(float(quantity))).normalize():E}"


def boolean(on: bool) -> str:
    """Write a switch position: ``1`` or ``0``, the form the instrument itself answers in."""
    return "1" if on else "0"


def string(text: str) -> str:
    """Write string data in double quotes, inner quotes doubled. ValueError for unprintable or non-ASCII."""
    if not (text.isascii() and text.isprintable()):
        raise ValueError(f"{text!r} cannot be sent as SCPI string data; printable ASCII only")
    return '"' + text.replace('"', '""') + '"'


def command(header: str, *parameters: float | str) -> str:
    """Write one program message unit: header, a space, parameters joined by commas.

    Numbers become NR3, booleans ``1`` or ``0``; text goes as it stands (character data, or the result of
    `string`). Raises ValueError for a malformed header and for text that would end the
    unit.
    """
    if not _HEADER.fullmatch(header):
        raise ValueError(f"{header!r} is not a SCPI header; write it like ':FREQ', ':SOUR:POW?' or '*RST'")
    if not parameters:
        return header
    return f"{header} {','.join(_parameter(item) for item in parameters)}"


def _parameter(item: float | str) -> str:
    if isinstance(item, bool):
        return boolean(item)
    if not isinstance(item, str):
        return number(item)
    if not item or not (item.isascii() and item.isprintable()) or len(split_outside_quotes(item, ";")) > 1:
        raise ValueError(f"{item!r} cannot be a SCPI parameter; printable ASCII without ';' outside quotes")
    return item


def join(*units: str) -> str:
    """Join program message units with ``;:``, so that each is read from the root of the command tree.

    ``*IDN?`` may only come last, because its answer has no inner end (IEEE 488.2, 6.5.7.5, error -440).
    Raises ValueError.
    """
    if not units or not all(unit.strip(" ;:") for unit in units):
        raise ValueError(f"{units!r} cannot be joined to a message; an empty unit is error -102")
    if any(unit.upper() == "*IDN?" for unit in units[:-1]):
        raise ValueError("*IDN? must be the last question of a message; its answer has no inner end")
    return units[0] + "".join(f";{unit}" if unit[0] in ":*" else f";:{unit}" for unit in units[1:])


def asks(message: str) -> bool:
    """Say whether a message holds a question, that is a ``?`` outside quotes."""
    if "?" not in message:
        return False
    return any("?" in text for text, quoted in _quoting(message) if not quoted)


# --- replies: numbers ---


def parse_reading(reply: str) -> Reading:
    """Read NR1, NR2 or NR3 as a reading; special values become a state without a number.

    9.91E37 is "no measurement" and is tested first, by tolerance, because it is also above 9.9E37 ("over
    range"). Raises WrongReply for anything else, a unit behind the number included (SCPI answers carry none).
    """
    quantity = _finite_or_special(reply, "a number (NR1, NR2 or NR3)")
    if abs(quantity - NOT_A_NUMBER) <= SPECIAL_TOLERANCE * NOT_A_NUMBER:
        return Reading(number=None, state=RangeState.NO_MEASUREMENT, raw=reply)
    if quantity >= INFINITY * (1 - SPECIAL_TOLERANCE):
        return Reading(number=None, state=RangeState.OVER_RANGE, raw=reply)
    if quantity <= -INFINITY * (1 - SPECIAL_TOLERANCE):
        return Reading(number=None, state=RangeState.UNDER_RANGE, raw=reply)
    return Reading(number=quantity, raw=reply)


def parse_number(reply: str) -> float:
    """Read a number that must be one, such as a setting read back: special values are a WrongReply."""
    reading = parse_reading(reply)
    if reading.number is None:
        raise WrongReply("a number, not a special value", reply)
    return reading.number


def parse_integer(reply: str) -> int:
    """Read a whole number: NR1, or NR2/NR3 without a fraction, below 2**53."""
    quantity = _finite_or_special(reply, "a whole number (NR1)")
    if not abs(quantity) < 2**53 or quantity != int(quantity):
        raise WrongReply("a whole number (NR1)", reply)
    return int(quantity)


def parse_boolean(reply: str) -> bool:
    """Read ``1`` or ``0`` (SCPI-1999 volume 1, 7.3), written as any number is, or ``ON`` and ``OFF``, which some instruments answer."""
    if (position := _WORDS.get(reply.strip().upper())) is not None:
        return position
    quantity = _finite_or_special(reply, "a boolean, 1 or 0")
    if quantity not in (0.0, 1.0):
        raise WrongReply("a boolean, 1 or 0", reply)
    return quantity == 1.0


def _finite_or_special(reply: str, expected: str) -> float:
    # float() alone would take 'nan', 'inf', '1_000' and digits of other scripts.
    text = reply.strip()
    if len(text) > MAX_NUMBER_LENGTH or not _NUMBER.fullmatch(text):
        raise WrongReply(expected, reply)
    return float(text.replace(" ", ""))


# --- replies: text ---


def parse_string(reply: str) -> str:
    """Read string data in ``"`` or ``'``, with the doubled quote undone."""
    text = reply.strip()
    quote = text[:1]
    inner = text[1:-1]
    if len(text) < 2 or quote not in "\"'" or text[-1] != quote or quote in inner.replace(quote * 2, ""):
        raise WrongReply("a quoted string", reply)
    return inner.replace(quote * 2, quote)


def split_list(reply: str) -> list[str]:
    """Split a reply at its commas, outside quotes; no element may be empty."""
    items = [item.strip() for item in split_outside_quotes(reply, ",")]
    if not all(items):
        raise WrongReply("a list separated by commas, no element empty", reply)
    return items


def split_outside_quotes(text: str, separator: str) -> list[str]:
    """Split at a one-character separator, but not inside ``"..."`` or ``'...'``."""
    if '"' not in text and "'" not in text:
        return text.split(separator)
    parts = [""]
    for piece, quoted in _quoting(text):
        first, *rest = [piece] if quoted else piece.split(separator)
        parts[-1] += first
        parts.extend(rest)
    return parts


def _quoting(text: str) -> Iterator[tuple[str, bool]]:
    # A doubled quote closes and reopens at once, which for splitting comes to the same.
    start = 0
    while opening := _QUOTE.search(text, start):
        yield text[start : opening.start()], False
        start = opening.start()
        end = text.find(opening.group(), start + 1)
        if end < 0:
            yield text[start:], True
            return
        yield text[start : end + 1], True
        start = end + 1
    yield text[start:], False


def parse_identity(reply: str) -> Identity:
    """Read the answer to ``*IDN?``: maker, model, serial, firmware (IEEE 488.2, 10.14).

    Commas beyond the third stay in the firmware field. What the standard has and the answer has not is empty, and "0" for serial and
    firmware, as the standard has it. WrongReply: a number, which answers another question, and what ends as a prompt does.
    """
    if _NUMBER.fullmatch(reply.strip()) or reply.strip().endswith(_PROMPTS):
        raise WrongReply("who it is: maker, model, serial, firmware", reply)
    fields = [field.strip() for field in reply.strip().split(",", 3)]
    maker, model, serial, firmware = fields + [""] * (4 - len(fields))
    return Identity(maker=maker, model=model, serial=serial or "0", firmware=firmware or "0")


def is_whole_identity(reply: str) -> bool:
    """Say whether an answer to ``*IDN?`` has the four fields of the standard, so that it proves an instrument by itself."""
    fields = [field.strip() for field in reply.strip().split(",", 3)]
    return len(fields) == 4 and bool(fields[0] and fields[1])


# --- replies: the error queue ---


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorEntry:
    """One entry of an instrument's error queue (SCPI-1999 volume 2, 21.8)."""

    code: int
    text: str

    def __bool__(self) -> bool:
        return self.code != 0

    @property
    def is_warning(self) -> bool:
        """Say whether it is the instrument's own note rather than one of the standard's errors, which are negative (21.8.2).

        A note beside a setting that reads back as asked says nothing against that setting.
        """
        return self.code > 0

    def __str__(self) -> str:
        return f'{self.code},"{self.text}"'


def parse_error(reply: str) -> ErrorEntry:
    """Read ``-222,"Data out of range"``; ``+0,"No error"`` is the empty queue, and is false."""
    code, comma, text = reply.strip().partition(",")
    if not comma:
        raise WrongReply('an error entry, like 0,"No error"', reply)
    text = text.strip()
    return ErrorEntry(code=parse_integer(code), text=parse_string(text) if text[:1] in ("'", '"') else text)


def is_no_error(reply: str) -> bool:
    """Say whether an answer of the error queue is one, and says that the queue is empty."""
    try:
        return not parse_error(reply)
    except ValueError:
        return False


# --- blocks ---


def parse_block_digits(head: bytes) -> int:
    """Read ``#n`` and return n, how many digits follow. ``#0``, without a length, has no end on a socket."""
    if len(head) != 2 or head[:1] != b"#" or head[1:] not in b"123456789":
        raise WrongReply("a definite-length block, '#' and a digit from 1 to 9", head)
    return int(head[1:])


def parse_block_length(digits: bytes) -> int:
    """Read the length digits of a block."""
    if not digits.isdigit():
        raise WrongReply("the length digits of a block", digits)
    return int(digits)
