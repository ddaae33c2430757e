"""The checks that specimen values share: of which field, what was found and what is allowed, for whoever reads the file to say where."""

from __future__ import annotations

from math import isfinite


class NotAllowed(ValueError):
    """What a field was given, and what it may be."""

    def __init__(self, field_name: str, found: object, allowed: str) -> None:
        self.field_name = field_name
        self.message = f"{field_name}: {found} is not allowed"
        self.allowed = allowed
        super().__init__(f"{self.message}; allowed: {allowed}")


def require(holds: bool, field_name: str, found: object, allowed: str) -> None:
    """Raise NotAllowed, which names the field, what was found and what is allowed, unless it holds."""
    if not holds:
        raise NotAllowed(field_name, found, allowed)


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
