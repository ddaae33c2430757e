"""The parts of one budget: what the bench file states enters it under its key, and what it does not state is remembered."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any, Self

from sequencer.frozen import dataclass
from sequencer.inputs.bench import INTERFERER, BenchFile
from sequencer.inputs.bench_parts.instrument_roles import Instrument
from sequencer.inputs.bench_parts.paths import LossyPath
from sequencer.inputs.stated import Connector, Facing, Stated, connection_of, loss_uncertainty, stated_of
from sequencer.uncertainty.budget import Budget, Contribution
from sequencer.uncertainty.contributions import (
    connection,
    half_width_db,
    instrument_accuracy,
    mismatch,
    path_loss,
)
from sequencer.units.convert import reflection_from_vswr

MOST_RELATIVE = 0.99
"""A stated 100 % of a voltage or a power has no decibels; taken as this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfWidth:
    """How far something may be off, and the keys that say so; ``figure`` None: they should, and do not."""

    figure: float | None
    keys: tuple[str, ...]

    @classmethod
    def of(cls, bench: BenchFile, role: str, *keys: str) -> Self | None:
        """Return what the instrument in ``role`` states under the first of ``keys`` that it states; None where the bench has no such."""
        named = find_entry(bench, role)
        return None if named is None else cls.at(stated_of(named, *keys))

    @classmethod
    def at(cls, stated: Stated) -> Self:
        """Return a stated figure as it is."""
        return cls(figure=stated.figure, keys=(stated.key,))

    def times(self, factor: float) -> HalfWidth:
        """Return it scaled by a factor."""
        figure = None if self.figure is None else abs(factor) * self.figure
        return HalfWidth(figure=figure, keys=self.keys)

    def of_reading(self, reading: float) -> HalfWidth:
        """Return a percentage as so much of ``reading``."""
        return self.times(reading / 100.0)

    def in_db(self, *, of_power: bool = False) -> HalfWidth:
        """Return a percentage in dB of a voltage (or of a power): the wider side."""
        if self.figure is None:
            return self
        relative = min(self.figure / 100.0, MOST_RELATIVE)
        return HalfWidth(figure=half_width_db(relative, of_power=of_power), keys=self.keys)


class Parts:
    """Collects the contributions to one budget of a result on ``bench``."""

    def __init__(self, bench: BenchFile) -> None:
        self.bench = bench
        self._parts: list[Contribution] = []
        self._unstated: list[str] = []
        self._unstated_connections: list[str] = []

    def add(self, *parts: Contribution) -> None:
        """Take contributions that rest on no key of the bench file."""
        self._parts += parts

    def accuracy(self, source: str, half_width: HalfWidth | None, **rest: Any) -> None:
        """Take how far an instrument may be off, rectangular; None where the bench has no such instrument."""
        if half_width is None:
            return
        if half_width.figure is None:
            self._unstated += half_width.keys
        else:
            self._parts.append(instrument_accuracy(source, half_width.figure, keys=half_width.keys, **rest))

    def loss(self, source: str, name: str, frequency_hz: float | None, **rest: Any) -> None:
        """Take the loss of the path called ``name`` at ``frequency_hz``."""
        path: LossyPath | None = getattr(self.bench.paths, name)
        if path is None:
            return
        stated = loss_uncertainty(path, name, frequency_hz)
        if stated.figure is None:
            # what cancels need not be known
            self._unstated += [stated.key] if rest.get("coefficient") != 0.0 else []
        else:
            self._parts.append(path_loss(source, stated.figure, keys=(stated.key,), **rest))

    def connection(self, what: Connector, *, coefficient: float = 1.0) -> None:
        """Take that the connection is made anew for every run.

        ``coefficient`` is the result's change per dB of a path, per percent of a lead's voltage. In a ratio of two levels, or of two
        voltages on a lead, it cancels and is left out.
        """
        repeats = connection_of(self.bench, what)
        if repeats is None or coefficient == 0.0:
            return
        if repeats.stated.figure is None:
            self._unstated_connections.append(repeats.stated.key)
            return
        how: dict[str, Any] = {
            "unit": repeats.unit,
            "coefficient": coefficient,
            "keys": (repeats.stated.key,),
        }
        source = f"{what}, connection made anew"
        self._parts.append(connection(source, repeats.stated.figure, dof=repeats.dof, **how))

    def mismatches(self, pairs: Iterable[Facing], **rest: Any) -> None:
        """Take pairs of matches that face each other."""
        for pair in pairs:
            keys = tuple(key for key in (pair.one.key, pair.other.key) if key)
            if pair.one.figure is None or pair.other.figure is None:
                self._unstated += [one.key for one in (pair.one, pair.other) if one.figure is None]
                continue
            one, other = (reflection_from_vswr(figure) for figure in (pair.one.figure, pair.other.figure))
            common = "unit" if pair.with_unit else "bench"
            how: dict[str, Any] = {"common": common, "keys": keys, "transmission": pair.transmission}
            self._parts.append(mismatch(pair.name, one, other, **how | rest))

    def take_unstated(self, budget: Budget) -> None:
        """Take what another budget lacks, whose parts enter this one otherwise than by a slope."""
        self._unstated += budget.unstated
        self._unstated_connections += budget.unstated_connections

    def budget(self, quantity: str, unit: str, value: float) -> Budget:
        """Return the budget that they come to."""
        return Budget(
            quantity=quantity,
            unit=unit,
            value=value,
            contributions=tuple(self._parts),
            unstated=tuple(dict.fromkeys(self._unstated)),
            unstated_connections=tuple(dict.fromkeys(self._unstated_connections)),
        )


def find_entry(bench: BenchFile, role: str) -> tuple[str, Instrument] | None:
    """Return the entry that fills ``role``; `interferer` is the second signal generator, whatever it is called."""
    if role == INTERFERER:
        return next(iter(bench.all_with_role("signal_generator")[1:2]), None)
    return bench.with_role(role)


def without_path(keys: Iterable[str]) -> tuple[str, ...]:
    """Return the keys, each once, without those of paths and matches, which cancel in a difference of levels on one path."""
    return tuple(
        dict.fromkeys(key for key in keys if not key.startswith("paths.") and not key.endswith(".vswr"))
    )


def two_readings(half_width: HalfWidth | None) -> HalfWidth | None:
    """Return how far a ratio of two readings may be off whose errors are taken as independent."""
    return None if half_width is None else half_width.times(math.sqrt(2.0))
