"""The syntax of program messages: units, headers, data elements, and framing of a byte stream.

SCPI-1999 volume 1 chapters 6 and 7 and IEEE 488.2 chapter 7, from memory.

Does not model: expressions other than channel lists, compound suffixes such as ``V/S``, macros, and NL inside
a quoted string (a NL always ends a message here, except inside a definite block; IEEE 488.2 would allow it).
"""

from __future__ import annotations

import re
from typing import NamedTuple

from sim.frozen import dataclass
from sim.scpi.status import ScpiError

WHITE = "".join(map(chr, [*range(10), *range(11, 33)]))  # IEEE 488.2 7.4.1.2: all control characters but NL
_TRIMMED = WHITE + "\n"
_WS = "[\\x00-\\x09\\x0b-\\x20]*"
MAX_MNEMONIC = 12
_DIGITS = tuple("0123456789")

_HEADER = re.compile(r"(\*[A-Za-z][A-Za-z0-9_]*|:?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(\??)")
_PLAIN = re.compile(r"[^\"'#(;,]+")
_STRING = re.compile(r"\"(?:[^\"]|\"\")*\"|'(?:[^']|'')*'")
_GROUP = re.compile(r"\([^()\"';]*(?:\([^()\"';]*\)[^()\"';]*)*\)")
_NUMBER = re.compile(rf"([+-]?)([0-9]+\.?[0-9]*|\.[0-9]+)(?:{_WS}[Ee]{_WS}([+-]?[0-9]+))?({_WS})", re.ASCII)
_SUFFIX = re.compile(r"[A-Za-z]+")
_WORD = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_NON_DECIMAL = {
    "H": (16, re.compile("[0-9A-Fa-f]+")),
    "Q": (8, re.compile("[0-7]+")),
    "B": (2, re.compile("[01]+")),
}
_CHANNEL = re.compile(r"([0-9]+)(?::([0-9]+))?")
_MAX_CHANNELS = 1000


class Token(NamedTuple):
    """One data element: kind is number, word, string, block or channels."""

    kind: str
    content: float | str | bytes | tuple[int, ...]
    suffix: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One program message unit: header without ``?``, its data elements, or the error found in it."""

    header: str = ""
    query: bool = False
    tokens: tuple[Token, ...] = ()
    error: ScpiError | None = None


def parse_message(message: bytes) -> list[Unit]:
    """Split one program message (no terminator needed) into units; parsing ends at the first error, its last unit.

    Never raises: an error is reported by the instrument only after the units before it were executed.
    """
    text = message.decode("latin-1").lstrip(_TRIMMED)
    if not text:
        return []
    units = []
    pieces, failure = _split(text)
    for position, parts in enumerate(pieces):
        broken = failure if position == len(pieces) - 1 else None
        unit = _unit(parts, broken)
        units.append(unit)
        if unit.error:
            break
    return units


def _split(text: str) -> tuple[list[list[str]], ScpiError | None]:
    """Cut at ``;`` and ``,`` outside strings, blocks and parentheses; an error is in the last unit."""
    if not any(mark in text for mark in "\"'#("):
        return [unit.split(",") for unit in text.split(";")], None
    units: list[list[str]] = [[""]]
    at = 0
    while at < len(text):
        char = text[at]
        if char == ";":
            units.append([""])
            at += 1
        elif char == ",":
            units[-1].append("")
            at += 1
        else:
            try:
                end = _piece_end(text, at, units[-1][-1])
            except ScpiError as error:
                return units, error
            units[-1][-1] += text[at:end]
            at = end
    return units, None


def _piece_end(text: str, at: int, before: str) -> int:
    char = text[at]
    if char in "\"'":
        match = _STRING.match(text, at)
        if not match:
            raise ScpiError(-151, text[at : at + 20])
        return match.end()
    if char == "#" and (not before or before[-1] in WHITE) and text[at + 1 : at + 2] in _DIGITS:
        return _block_end(text, at)
    if char == "(":
        match = _GROUP.match(text, at)
        if not match:
            raise ScpiError(-171, text[at : at + 20])
        return match.end()
    match = _PLAIN.match(text, at)
    return match.end() if match else at + 1


def _block_end(text: str, at: int) -> int:
    digits = ord(text[at + 1]) - 48
    if not digits:
        return len(text)
    length = text[at + 2 : at + 2 + digits]
    if len(length) < digits or not (length.isascii() and length.isdigit()):
        raise ScpiError(-161, text[at : at + 12])
    end = at + 2 + digits + int(length)
    if end > len(text):
        raise ScpiError(-161, f"{int(length)} bytes announced, {len(text) - at - 2 - digits} came")
    return end


def _unit(parts: list[str], broken: ScpiError | None) -> Unit:
    try:
        header, query, rest = _cut_header(parts)
        if broken:
            return Unit(error=broken)
        texts = [_trim(rest), *map(_trim, parts[1:])]
        tokens = () if texts == [""] else tuple(parse_data(text) for text in texts)
        return Unit(header=header.upper(), query=query, tokens=tokens)
    except ScpiError as error:
        return Unit(error=error)


def _trim(text: str) -> str:
    text = text.lstrip(_TRIMMED)
    if text[:1] == "#" and text[1:2] in _DIGITS:
        # white space at the end of a block is content
        end = _block_end(text, 0)
        return text[:end] + text[end:].rstrip(_TRIMMED)
    return text.rstrip(_TRIMMED)


def _cut_header(parts: list[str]) -> tuple[str, bool, str]:
    first = parts[0].lstrip(_TRIMMED)
    match = _HEADER.match(first)
    if not match:
        raise ScpiError(-102 if not first or first[0].isascii() else -101, first[:20])
    header, mark = match.groups()
    _check_lengths(header)
    rest = first[match.end() :]
    if rest and rest[0] not in _TRIMMED:
        raise _separator_error(rest, header)
    if not rest and len(parts) > 1:
        raise ScpiError(-111, header + ",")
    return header, mark == "?", rest


def _check_lengths(header: str) -> None:
    for mnemonic in header.strip("*:").split(":"):
        if len(mnemonic) > MAX_MNEMONIC:
            raise ScpiError(-112, mnemonic[:40])


def _separator_error(rest: str, header: str) -> ScpiError:
    if not rest[0].isascii():
        return ScpiError(-101, header + rest[:10])
    return ScpiError(-102 if rest[0] in ":*?" else -111, header + rest[:10])


def parse_data(text: str) -> Token:
    """Read one data element; raises ScpiError with the number that SCPI gives to what is wrong with it."""
    if not text:
        raise ScpiError(-102, "empty parameter")
    first = text[0]
    if first in "+-.0123456789":
        return _number(text)
    if "A" <= first.upper() <= "Z" and first.isascii():
        return _word(text)
    if first in "\"'":
        if not _STRING.fullmatch(text):
            raise ScpiError(-103, text[:20])
        return Token("string", text[1:-1].replace(first * 2, first))
    if first == "#":
        return _hash(text)
    if first == "(":
        return Token("channels", _channels(text))
    raise ScpiError(-101 if not first.isascii() or first in "!$%&@[]\\^`{}|~_" else -102, text[:20])


def _number(text: str) -> Token:
    match = _NUMBER.match(text)
    if not match:
        raise ScpiError(-120, text[:20])
    sign, mantissa, exponent, gap = match.groups()
    if len(mantissa) > 255:
        raise ScpiError(-124, mantissa[:20])
    if exponent and abs(int(exponent[:8])) > 32000:
        raise ScpiError(-123, text[:20])
    number = float(f"{sign}{mantissa}E{exponent or 0}")
    rest = text[match.end() :]
    if not rest:
        return Token("number", number)
    if not ("A" <= rest[0].upper() <= "Z"):
        raise ScpiError(-103 if gap else -120, text[:20])
    if any(char in WHITE for char in rest):
        raise ScpiError(-103, text[:20])
    if not _SUFFIX.fullmatch(rest):
        raise ScpiError(-131, rest[:20])
    if len(rest) > MAX_MNEMONIC:
        raise ScpiError(-134, rest[:20])
    return Token("number", number, rest.upper())


def _word(text: str) -> Token:
    match = _WORD.fullmatch(text)
    if not match:
        raise ScpiError(-103 if any(char in WHITE for char in text) else -141, text[:20])
    if len(text) > MAX_MNEMONIC:
        raise ScpiError(-144, text[:20])
    return Token("word", text.upper())


def _hash(text: str) -> Token:
    mark = text[1:2].upper()
    if mark in _NON_DECIMAL:
        base, digits = _NON_DECIMAL[mark]
        if not digits.fullmatch(text, 2):
            raise ScpiError(-121, text[:20])
        if len(text) > 257:
            raise ScpiError(-124, text[:20])
        number = int(text[2:], base)
        return Token("number", float(number) if number < 2**1000 else float("inf"))
    if mark == "0":
        return Token("block", text[2:].encode("latin-1"))
    if not ("1" <= mark <= "9"):
        raise ScpiError(-161, text[:20])
    end = _block_end(text, 0)
    if end != len(text):
        raise ScpiError(-103, text[end : end + 20])
    return Token("block", text[2 + int(mark) :].encode("latin-1"))


def _channels(text: str) -> tuple[int, ...]:
    inner = text[1:-1].strip(WHITE)
    if not _GROUP.fullmatch(text) or not inner.startswith("@"):
        raise ScpiError(-171, text[:20])
    found: list[int] = []
    for part in inner[1:].split(","):
        match = _CHANNEL.fullmatch(part.strip(WHITE))
        if not match or len(part) > 20:
            raise ScpiError(-171, text[:20])
        low, high = int(match[1]), int(match[2] or match[1])
        if abs(high - low) >= _MAX_CHANNELS or len(found) > _MAX_CHANNELS:
            raise ScpiError(-223, text[:20])
        found.extend(range(low, high + 1) if low <= high else range(low, high - 1, -1))
    return tuple(found)
