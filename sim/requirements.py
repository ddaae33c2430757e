"""The checks that specimen values share: what is wrong, found and allowed, in the words the file reader expects."""

from __future__ import annotations

from math import isfinite


def require(holds: bool, field_name: str, found: object, allowed: str) -> None:
    """Raise ValueError that names the field, what was found and what is allowed, unless it holds."""
    if not holds:
        raise ValueError(f"{field_name}: {found} is not allowed; allowed: {allowed}")


def require_positive(owner: object, *names: str) -> None:
    """Require finite numbers above 0."""
    for name in names:
        number = getattr(owner, name)
        require(isfinite(number) and number > 0, name, number, "a finite number above 0")


def require_not_negative(owner: object, *names: str) -> None:
    """Require finite numbers of 0 or above."""
    for name in names:
        number = getattr(owner, name)
        require(isfinite(number) and number >= 0, name, number, "a finite number, 0 or above")


def require_finite(owner: object, *names: str) -> None:
    """Require finite numbers."""
    for name in names:
        number = getattr(owner, name)
        require(isfinite(number), name, number, "a finite number")
