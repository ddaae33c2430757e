"""A first-order lag on the bench's clock, evaluated exactly.

Between two changes of input a resistor and capacitor follow v(t) = target + (v0 - target)·exp(-t/τ): no
time step, hence no error of one. The analytic form is elementary and common to every circuit textbook.

Not modelled: a second time constant, overshoot, slew limits.
"""

from __future__ import annotations

from math import exp

from sim.clock import VirtualClock, WallClock

SimClock = VirtualClock | WallClock


class Lag:
    """A quantity that approaches its target with one time constant upwards and another downwards."""

    def __init__(self, *, start: float, attack_s: float, decay_s: float, now_s: float) -> None:
        self._start = start
        self._target = start
        self._since_s = now_s
        self._attack_s = attack_s
        self._decay_s = decay_s

    @property
    def target(self) -> float:
        """Where it is heading."""
        return self._target

    @property
    def _time_constant_s(self) -> float:
        return self._attack_s if self._target > self._start else self._decay_s

    def set_target(self, target: float, now_s: float) -> None:
        """Evolve to ``now_s`` and head for ``target`` from there."""
        if target == self._target:
            return
        self._start = self.at(now_s)
        self._since_s = now_s
        self._target = target

    def jump(self, level: float, now_s: float) -> None:
        """Stand at ``level`` from ``now_s`` on, with no lag."""
        self._start = self._target = level
        self._since_s = now_s

    def at(self, now_s: float) -> float:
        """Return the quantity at ``now_s``."""
        elapsed_s = max(0.0, now_s - self._since_s)
        return self._target + (self._start - self._target) * exp(-elapsed_s / self._time_constant_s)

    def mean(self, from_s: float, span_s: float) -> float:
        """Return the average over ``span_s`` seconds from ``from_s``."""
        time_constant_s = self._time_constant_s
        x = span_s / time_constant_s
        share = (1.0 - exp(-x)) / x if x > 1e-9 else 1.0
        return self._target + (self.at(from_s) - self._target) * share
