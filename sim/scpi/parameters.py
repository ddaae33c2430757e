"""Kinds of parameters, and answers in the form SCPI prescribes.

SCPI-1999 volume 1 chapter 7 and IEEE 488.2 chapters 7 and 8, from memory. Which number a wrong parameter
gets, where the standard leaves a choice: a data element of the wrong type -104; a word that is not known
where some words are
-141; no word allowed at all -148; a word outside a list of choices -224; outside the range -222.

Does not model: UP and DOWN (steps), UNIT-dependent default units (an instrument that has UNIT:POWer converts
by itself), FORMat-dependent answers (an instrument that has FORMat returns `Block`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import KW_ONLY
from functools import cache
from typing import Any, Protocol

from sim.frozen import dataclass
from sim.scpi.status import ScpiError
from sim.scpi.syntax import Token

OVER_RANGE, NOT_A_NUMBER = 9.9e37, 9.91e37

_MULTIPLIERS = {
    "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3, "": 1.0,
    "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}  # fmt: skip

# Suffix units of each dimension, to the unit in which the handler gets the number. A function where it is not
# a factor.
_LINEAR: dict[str, dict[str, float]] = {
    "HZ": {"HZ": 1.0}, "V": {"V": 1.0}, "A": {"A": 1.0}, "W": {"W": 1.0}, "OHM": {"OHM": 1.0},
    "S": {"S": 1.0},
    "RAD": {"RAD": 1.0, "DEG": math.pi / 180}, "DEG": {"DEG": 1.0, "RAD": 180 / math.pi}, "CEL": {"CEL": 1.0},
}  # fmt: skip
_DBM_AT_1_UV = -10 * math.log10(50 * 1e-3 / 1e-12)  # 1 uV across 50 ohm


def _dbm_from_w(power_w: float) -> float:
    return 10 * math.log10(power_w * 1e3) if power_w > 0 else -math.inf


_EXACT: dict[str, dict[str, Callable[[float], float]]] = {
    "DBM": {"DBM": float, "DBUV": lambda level_dbuv: level_dbuv + _DBM_AT_1_UV},
    "W": {"DBM": lambda level_dbm: 10 ** (min(level_dbm, 3000) / 10) * 1e-3},
    "DB": {"DB": float},
    "PCT": {"PCT": float},
    "DBUV": {"DBUV": float},
}


class Kind(Protocol):
    """What a parameter may be."""

    @property
    def optional(self) -> bool:
        """Whether the parameter may be left out."""

    @property
    def default(self) -> Any:
        """The content after *RST, when the parameter belongs to a setting."""

    def read(self, device: Any, token: Token) -> Any:
        """Turn a data element into what the handler gets; raises ScpiError."""

    def answer(self, content: Any) -> str:
        """Say the content as a query answers it."""


@cache
def short_form(mnemonic: str) -> str:
    """Return the short form of a mnemonic written like ``FREQuency``: its capitals (and digits)."""
    return "".join(char for char in mnemonic if not char.islower())


def to_unit(number: float, suffix: str, unit: str) -> float:
    """Convert a number with a suffix to ``unit``; raises -131 or -138."""
    if not suffix:
        return number
    wanted = unit.upper()
    exact = _EXACT.get(wanted, {})
    if suffix in exact:
        return exact[suffix](number)
    for name, factor in _LINEAR.get(wanted, {}).items():
        if suffix.endswith(name) and suffix[: -len(name)] in _MULTIPLIERS:
            prefix = suffix[: -len(name)]
            # SCPI-1999 volume 1, 7.1.3: M is mega before HZ and OHM, milli elsewhere.
            multiplier = 1e6 if prefix == "M" and name in ("HZ", "OHM") else _MULTIPLIERS[prefix]
            return number * multiplier * factor
    if wanted == "DBM" and suffix.endswith("W") and suffix[:-1] in _MULTIPLIERS:
        return _dbm_from_w(number * _MULTIPLIERS[suffix[:-1]])
    raise ScpiError(-131 if unit else -138, suffix)


Limit = float | Callable[[Any], float] | None


def _at(limit: Limit, device: Any) -> float | None:
    return limit(device) if callable(limit) else limit


@dataclass(frozen=True, slots=True)
class Number:
    """A number in ``unit`` (Hz, V, A, W, ohm, s, rad, deg, dB, dBm, dBuV, PCT or none), answered as NR3, or NR1 if ``integer``.

    ``minimum``, ``maximum`` (inclusive) and ``default`` may be functions of the device. It is rounded to
    ``resolution`` first and then compared with the range: outside is -222. A word is -141; if none of
    minimum, maximum and default is stated, or ``words`` is False, -148.
    """

    unit: str = ""
    _: KW_ONLY
    minimum: Limit = None
    maximum: Limit = None
    default: Limit = None
    resolution: float | None = None
    integer: bool = False
    words: bool = True
    optional: bool = False

    def read(self, device: Any, token: Token) -> float | int:
        """Turn a data element into a number in ``unit``."""
        if token.kind == "word":
            return self._coerce(self.named(device, str(token.content)))
        if token.kind != "number":
            raise ScpiError(-104, f"{token.kind} where a number is due")
        number = to_unit(float(token.content), token.suffix, self.unit)  # type: ignore[arg-type]
        if not math.isfinite(number):
            raise ScpiError(-222, f"{number:g}")
        number = self._coerce(number)
        low, high = _at(self.minimum, device), _at(self.maximum, device)
        if (low is not None and number < low) or (high is not None and number > high):
            raise ScpiError(-222, f"{number:.9g}; allowed {_said(low)} to {_said(high)}")
        return number

    def named(self, device: Any, word: str) -> float:
        """Return what MINimum, MAXimum or DEFault stands for at this moment."""
        if not self.words or (self.minimum is None and self.maximum is None and self.default is None):
            raise ScpiError(-148, word)
        for name, limit in (("MINimum", self.minimum), ("MAXimum", self.maximum), ("DEFault", self.default)):
            if word in (short_form(name), name.upper()):
                number = _at(limit, device)
                if number is None:
                    break
                return number
        if word in ("INF", "INFINITY", "NINF", "NINFINITY", "NAN"):
            raise ScpiError(-222, word)
        raise ScpiError(-141, word)

    def _coerce(self, number: float) -> float | int:
        if self.integer:
            return round(number)
        if self.resolution:
            steps = number / self.resolution
            # beyond 2**53 steps rounding means nothing, and the product would only add error
            return round(steps) * self.resolution if abs(steps) < 2**53 else number
        return number

    def answer(self, content: Any) -> str:
        """Say the number in NR1 or NR3."""
        return str(int(content)) if self.integer else nr3(float(content))


def _said(limit: float | None) -> str:
    return "anything" if limit is None else f"{limit:.9g}"


@dataclass(frozen=True, slots=True)
class Boolean:
    """ON, OFF or a number (rounded; other than 0 is on); answered 1 or 0."""

    _: KW_ONLY
    default: bool | None = None
    optional: bool = False

    def read(self, device: Any, token: Token) -> bool:
        """Turn a data element into a truth."""
        if token.kind == "number":
            if token.suffix:
                raise ScpiError(-138, token.suffix)
            return not abs(float(token.content)) <= 0.5  # type: ignore[arg-type]
        if token.kind != "word":
            raise ScpiError(-104, f"{token.kind} where ON or OFF is due")
        if token.content not in ("ON", "OFF"):
            raise ScpiError(-141, str(token.content))
        return token.content == "ON"

    def answer(self, content: Any) -> str:
        """Say 1 or 0."""
        return "1" if content else "0"


class Choice:
    """One of the words, each declared like ``"INTernal"``; the handler gets it as declared; answered in short form."""

    def __init__(self, *words: str, default: str | None = None, optional: bool = False) -> None:
        self.words = words
        self.default = default
        self.optional = optional
        self._found = {spelling: word for word in words for spelling in (word.upper(), short_form(word))}
        if default is not None and default not in words:
            raise ValueError(f"default {default!r} is not among the choices {words}")

    def read(self, device: Any, token: Token) -> str:
        """Turn a data element into the word as declared."""
        if token.kind != "word":
            raise ScpiError(-104, f"{token.kind} where one of {'|'.join(self.words)} is due")
        word = str(token.content)
        if word not in self._found:
            raise ScpiError(-224, f"{word}; allowed {'|'.join(self.words)}")
        return self._found[word]

    def answer(self, content: Any) -> str:
        """Say the short form in capitals."""
        return short_form(content)


@dataclass(frozen=True, slots=True)
class Text:
    """A quoted string of at most ``longest`` characters; answered in double quotes."""

    _: KW_ONLY
    default: str | None = None
    longest: int = 255
    optional: bool = False

    def read(self, device: Any, token: Token) -> str:
        """Turn a data element into its text."""
        if token.kind != "string":
            raise ScpiError(-104, f"{token.kind} where a string is due")
        text = str(token.content)
        if len(text) > self.longest:
            raise ScpiError(-223, f"at most {self.longest} characters")
        return text

    def answer(self, content: Any) -> str:
        """Say it in double quotes."""
        return quoted(content)


@dataclass(frozen=True, slots=True)
class Channels:
    """A channel list ``(@1,3,5:8)``; the handler gets a tuple of integers. Outside ``minimum``..``maximum`` is -222."""

    _: KW_ONLY
    minimum: int = 1
    maximum: int = 99
    default: tuple[int, ...] | None = None
    optional: bool = False

    def read(self, device: Any, token: Token) -> tuple[int, ...]:
        """Turn a data element into channel numbers."""
        if token.kind != "channels":
            raise ScpiError(-104, f"{token.kind} where a channel list is due")
        channels: tuple[int, ...] = token.content  # type: ignore[assignment]
        for channel in channels:
            if not self.minimum <= channel <= self.maximum:
                raise ScpiError(-222, f"channel {channel}; allowed {self.minimum} to {self.maximum}")
        return channels

    def answer(self, content: Any) -> str:
        """Say it as a channel list."""
        return "(@" + ",".join(map(str, content)) + ")"


@dataclass(frozen=True, slots=True)
class Data:
    """A block of bytes, at most ``longest``; answered as a definite block."""

    _: KW_ONLY
    default: bytes | None = None
    longest: int = 1_000_000
    optional: bool = False

    def read(self, device: Any, token: Token) -> bytes:
        """Turn a data element into its bytes."""
        if token.kind != "block":
            raise ScpiError(-104, f"{token.kind} where a block is due")
        content: bytes = token.content  # type: ignore[assignment]
        if len(content) > self.longest:
            raise ScpiError(-223, f"at most {self.longest} bytes")
        return content

    def answer(self, content: Any) -> str:
        """Say it as a definite block."""
        return block(content)


def nr3(number: float) -> str:
    """Say a number as NR3; infinities and NaN by SCPI's special numbers (SCPI-1999 volume 1, 7.2.1)."""
    if math.isnan(number):
        return "9.91E+37"
    if number in (math.inf, -math.inf):
        return "9.9E+37" if number > 0 else "-9.9E+37"
    return f"{number:.9E}"


def quoted(text: str) -> str:
    """Say a text as a double-quoted string."""
    doubled = text.replace('"', '""')
    return f'"{doubled}"'


def block(content: bytes) -> str:
    """Say bytes as a definite block, one character a byte."""
    length = str(len(content))
    return f"#{len(length)}{length}{content.decode('latin-1')}"


def say(answer: Any) -> str:
    """Say what a handler returned: bool 1/0, int NR1, float NR3, bytes a block, str as it is, a sequence with commas."""
    if isinstance(answer, str):
        return answer
    if isinstance(answer, bool):
        return "1" if answer else "0"
    if isinstance(answer, int):
        return str(answer)
    if isinstance(answer, float):
        return nr3(answer)
    if isinstance(answer, bytes):
        return block(answer)
    if isinstance(answer, list | tuple):
        return ",".join(map(say, answer))
    raise TypeError(
        f"a handler returned {answer!r}; str, bool, int, float, bytes, a sequence of these, or Later are due"
    )
