"""Makes an answer that fits a profile's pattern: what a simulated instrument says around the number that it is asked for."""

from __future__ import annotations

import re
from importlib import import_module
from typing import Any


def answer_that_fits(pattern: str, value: str) -> str:
    """Return an answer out of which ``pattern``, a regular expression with one group, picks ``value``.

    ``value`` itself is returned where none is found: the driver then says that the pattern does not fit.
    """
    if not pattern:
        return value
    for candidate in (value, _written(_parsed(pattern), value)):
        match = re.search(pattern, candidate)
        if match is not None and match.group(1) is not None and match.group(1).strip() == value:
            return candidate
    return value


def text_that_fits(pattern: str, group: str = "") -> str:
    """Return a text in which ``pattern`` is found, with ``group`` for its first group where it has one."""
    return _written(_parsed(pattern), group)


def _parsed(pattern: str) -> Any:
    # The interpreter's own reading of the expression. A second one, written here, would differ where it matters.
    return import_module("re._parser").parse(pattern)


def _written(tree: Any, value: str) -> str:
    return "".join(_part(str(kind), argument, value) for kind, argument in tree)


def _part(kind: str, argument: Any, value: str) -> str:
    match kind:
        case "LITERAL":
            return chr(int(argument))
        case "NOT_LITERAL":
            return "x" if argument != ord("x") else "y"
        case "ANY":
            return "x"
        case "SUBPATTERN":
            return value if int(argument[0] or 0) == 1 else _written(argument[3], value)
        case "MAX_REPEAT" | "MIN_REPEAT" | "POSSESSIVE_REPEAT":
            least, _most, inner = argument
            holds_group = any(str(each) == "SUBPATTERN" and what[0] == 1 for each, what in inner)
            times = max(1, int(least)) if holds_group else int(least)
            return _written(inner, value) * times
        case "BRANCH":
            return _written(argument[1][0], value)
        case "IN":
            return _of_set(argument)
        case "ATOMIC_GROUP":
            return _written(argument, value)
    return ""  # an anchor, or what looks ahead or behind


def _of_set(members: Any) -> str:
    fits = {"CATEGORY_DIGIT": "0", "CATEGORY_SPACE": " ", "CATEGORY_WORD": "x"}
    for kind, argument in members:
        if str(kind) == "LITERAL":
            return chr(argument)
        if str(kind) == "RANGE":
            return chr(argument[0])
        if str(kind) == "CATEGORY":
            return fits.get(str(argument), "x")
    return "x"
