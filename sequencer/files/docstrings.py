"""What the docstring below each field of a model says: for schemas and reference pages, read only when one is written."""

from __future__ import annotations

import ast
import inspect
import textwrap
from collections.abc import Mapping
from functools import cache

from pydantic import BaseModel


@cache
def field_docstrings(model: type[BaseModel]) -> Mapping[str, str]:
    """Return the docstring of each field by the field's name, inherited ones too; nothing of a class made at run time."""
    found: dict[str, str] = {}
    for one in reversed(model.__mro__):
        if issubclass(one, BaseModel) and one is not BaseModel:
            found |= _own_docstrings(one)
    return found


def _own_docstrings(model: type[BaseModel]) -> dict[str, str]:
    try:
        body = ast.parse(textwrap.dedent(inspect.getsource(model))).body[0]
    except (OSError, TypeError, SyntaxError):  # a class without a file
        return {}
    if not isinstance(body, ast.ClassDef):
        return {}
    found: dict[str, str] = {}
    for field, below in zip(body.body, body.body[1:], strict=False):
        if (
            isinstance(field, ast.AnnAssign)
            and isinstance(field.target, ast.Name)
            and isinstance(below, ast.Expr)
            and isinstance(below.value, ast.Constant)
            and isinstance(below.value.value, str)
        ):
            found[field.target.id] = inspect.cleandoc(below.value.value)
    return found
