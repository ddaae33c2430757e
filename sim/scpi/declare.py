"""How an instrument class declares its commands: `command` for methods, `setting` for things set and queried.

Does not model: settings that take several parameters (declare two commands instead).
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import Any, NamedTuple, TypeVar

from sim.scpi.parameters import Kind, Number
from sim.scpi.status import ScpiError
from sim.scpi.syntax import Token
from sim.scpi.tree import Tree, expand

Method = TypeVar("Method", bound=Callable[..., Any])


class Later:
    """An answer that is ready only ``seconds`` after the command began; the instrument is busy meanwhile.

    ``answer`` may be a function without arguments: it is called when the answer is ready (and may return
    another Later). ``seconds`` may be ``math.inf``: never ready, until a device clear.
    """

    __slots__ = ("answer", "seconds")

    def __init__(self, seconds: float, answer: Any = None) -> None:
        self.seconds = seconds
        self.answer = answer


class MethodCommand(NamedTuple):
    """A command that is carried out by a method of the instrument, found by name so that a subclass may override it."""

    method: str
    kinds: tuple[Kind, ...]
    required: int
    indefinite: bool

    def execute(self, device: Any, suffixes: tuple[int, ...], tokens: tuple[Token, ...]) -> Any:
        """Check the parameters and call the method with suffixes, then parameters (None where left out)."""
        kinds = self.kinds
        if not kinds and not tokens:
            return getattr(device, self.method)(*suffixes)
        check_count(len(tokens), self.required, len(kinds))
        arguments: list[Any] = [kind.read(device, token) for kind, token in zip(kinds, tokens, strict=False)]
        arguments += [None] * (len(kinds) - len(arguments))
        return getattr(device, self.method)(*suffixes, *arguments)


def check_count(count: int, least: int, most: int) -> None:
    """Raise -108 or -109 where the number of parameters is wrong."""
    if count > most:
        raise ScpiError(-108, f"{count} parameters; at most {most} allowed")
    if count < least:
        raise ScpiError(-109, f"{count} parameters; at least {least} needed")


def command(pattern: str, *kinds: Kind, indefinite: bool = False) -> Callable[[Method], Method]:
    """Declare a method as the handler of a command (or of a query, where the pattern ends in ``?``).

    The method gets the numeric suffixes of the pattern's ``<low:high>`` nodes, then one argument for each
    kind (None for an optional one left out). A query returns its answer (see `scpi_parameters.say`) or a
    `Later`; a command returns None, or a Later to keep the instrument busy. Wrong use is a raised
    `ScpiError`. ``indefinite``: an answer without an inner end, such as ``*IDN?``, which must be the last of
    a message. May be stacked for several patterns.
    """
    required = sum(not kind.optional for kind in kinds)

    def declare(method: Method) -> Method:
        declared = method.__dict__.setdefault("scpi_commands", [])
        declared.append((pattern, MethodCommand(method.__name__, kinds, required, indefinite)))
        return method

    return declare


class Setting:
    """A quantity that is set and queried; made by `setting`. On an instance it reads as the plain content."""

    indefinite = False

    def __init__(self, pattern: str, kind: Kind) -> None:
        self.pattern = pattern
        self.kind = kind
        self.name = ""
        self._changed = ""
        self._check = ""
        ranges = [node.suffixes for node in expand(pattern)[0] if node.suffixes]
        self._keys = list(product(*(range(low, high + 1) for low, high in ranges))) if ranges else []
        if kind.default is None:
            raise TypeError(f"setting {pattern!r} needs a default: what it is after *RST")

    def __set_name__(self, owner: type, name: str) -> None:
        self.name = name

    def __get__(self, device: Any, owner: type | None = None) -> Any:
        return self if device is None else device.settings[self.name]

    def __set__(self, device: Any, content: Any) -> None:
        device.settings[self.name] = content if self._keys else self._typed(content)

    def _typed(self, content: Any) -> Any:
        # a default written as 5 must not be answered, or measured back, as the integer 5
        return float(content) if isinstance(self.kind, Number) and not self.kind.integer else content

    def changed(self, method: Method) -> Method:
        """Decorate the method that is called (with the suffixes) after the content was set, also by *RST."""
        self._changed = method.__name__
        return method

    def check(self, method: Method) -> Method:
        """Decorate the method that is called (with suffixes and the new content) before it is set; it may raise ScpiError."""
        self._check = method.__name__
        return method

    def declare(self, tree: Tree, *, replace: bool) -> None:
        """Add the command and its query to a tree."""
        tree.add(self.pattern, _Set(self), replace=replace)
        tree.add(self.pattern + "?", _Query(self), replace=replace)

    def first(self, device: Any) -> Any:
        """Return what the setting is after *RST: a dictionary by suffix where the pattern has suffixes."""
        default = self.kind.default
        content = self._typed(default(device) if callable(default) else default)
        return {key[0] if len(key) == 1 else key: content for key in self._keys} if self._keys else content

    def reset(self, device: Any) -> None:
        """Go back to the default, telling the ``changed`` method of each content that differs."""
        before, after = device.settings[self.name], self.first(device)
        device.settings[self.name] = after
        if not self._changed or before == after:
            return
        for key in self._keys or [()]:
            index = key[0] if len(key) == 1 else key
            if not self._keys or before[index] != after[index]:
                getattr(device, self._changed)(*key)

    def put(self, device: Any, suffixes: tuple[int, ...], token: Token) -> None:
        """Set it from a data element."""
        content = self.kind.read(device, token)
        if self._check:
            getattr(device, self._check)(*suffixes, content)
        if suffixes:
            device.settings[self.name][suffixes[0] if len(suffixes) == 1 else suffixes] = content
        else:
            device.settings[self.name] = content
        if self._changed:
            getattr(device, self._changed)(*suffixes)

    def look(self, device: Any, suffixes: tuple[int, ...]) -> Any:
        """Return the content for these suffixes."""
        content = device.settings[self.name]
        if suffixes:
            return content[suffixes[0] if len(suffixes) == 1 else suffixes]
        return content


class _Set:
    indefinite = False

    def __init__(self, owner: Setting) -> None:
        self._setting = owner

    def execute(self, device: Any, suffixes: tuple[int, ...], tokens: tuple[Token, ...]) -> None:
        check_count(len(tokens), 1, 1)
        self._setting.put(device, suffixes, tokens[0])


class _Query:
    indefinite = False

    def __init__(self, owner: Setting) -> None:
        self._setting = owner

    def execute(self, device: Any, suffixes: tuple[int, ...], tokens: tuple[Token, ...]) -> str:
        kind = self._setting.kind
        if not tokens:
            return kind.answer(self._setting.look(device, suffixes))
        check_count(len(tokens), 0, 1 if isinstance(kind, Number) else 0)
        if tokens[0].kind != "word":
            raise ScpiError(-104, "a query takes MINimum, MAXimum or DEFault only")
        return kind.answer(kind.named(device, str(tokens[0].content)))  # type: ignore[attr-defined]


def setting(pattern: str, kind: Kind) -> Setting:
    """Declare a quantity that is set by ``pattern`` and queried by ``pattern?`` (with MIN, MAX, DEF for a Number).

    On an instance, ``self.name`` is the content (a dictionary by suffix where the pattern has ``<low:high>``
    nodes). *RST brings it to the kind's default. Reactions: ``@name.changed`` and ``@name.check``, see
    `Setting`.
    """
    return Setting(pattern, kind)
