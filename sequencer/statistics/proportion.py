"""Shares of counted units with exact intervals: a yield is a proportion, and few units say little about it."""

from __future__ import annotations

from sequencer.frozen import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Proportion:
    """``count`` of ``of`` units, as a share 0...1 with its interval at ``confidence``."""

    count: int
    of: int
    lower: float
    upper: float
    confidence: float

    @property
    def share(self) -> float:
        """The share itself, 0...1."""
        return self.count / self.of


def find_proportion(count: int, of: int, *, confidence: float = 0.95) -> Proportion:
    """Return the share with its exact interval (Clopper and Pearson, Biometrika 26, 1934): it covers at least ``confidence``.

    ``of`` above 0, ``count`` 0...``of``, ``confidence`` between 0 and 1; ValueError otherwise. Where none or all were counted the
    interval is one-sided in effect, but each side still leaves out (1 - confidence) / 2.
    """
    if not (of > 0 and 0 <= count <= of):
        raise ValueError(f"{count} of {of} units is no share: give 0 to {of} of at least one unit")
    _check_confidence(confidence)
    from scipy.special import betaincinv

    tail = (1.0 - confidence) / 2.0
    lower = 0.0 if count == 0 else float(betaincinv(count, of - count + 1, tail))
    upper = 1.0 if count == of else float(betaincinv(count + 1, of - count, 1.0 - tail))
    return Proportion(count=count, of=of, lower=lower, upper=upper, confidence=confidence)


def _check_confidence(confidence: float) -> None:
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence {confidence} must lie between 0 and 1")
