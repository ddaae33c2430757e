"""What a side's readers may give, and which of them a check can do without."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, nullcontext, suppress
from dataclasses import replace

from drivers.faults import InstrumentFault
from sequencer.safety.control.key import Ratings
from sequencer.safety.proofs.plausible import Span, UnitFacts, transmit_spans


def spans_of(
    facts: UnitFacts, ratings: Ratings, loss_db: Callable[[float], float]
) -> Callable[[float], Mapping[str, Span]]:
    """Return what a reading can be, by carrier frequency; of the values alone, so that no path leads from a side to the bench."""
    return lambda carrier_hz: transmit_spans(
        replace(facts, carrier_hz=carrier_hz),
        path_rating_dbm=ratings.path_rating_dbm,
        meter_top_dbm=ratings.max_meter_dbm + loss_db(carrier_hz),
        supply_limit_a=ratings.max_supply_current_a,
    )


def unless_needed(role: str, roles: frozenset[str] | None) -> AbstractContextManager[None]:
    """Return what lets the faults of a reader pass that the check does not read by."""
    return nullcontext() if roles is None or role in roles else suppress(InstrumentFault)
