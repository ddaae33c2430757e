"""How many limits were met only conditionally, and why: the one place that says so."""

from __future__ import annotations

import math
from collections.abc import Iterable

from sequencer.results.model import Result
from sequencer.results.stages import counting
from sequencer.uncertainty.decision import Decision


def met_words(rows: Iterable[Result]) -> str:
    """Return the sentence of a run whose limits are all met; where none of its figures has a limit, that this is so."""
    rows = tuple(rows)
    figures = [one for one in counting(rows) if one.unit and one.value is not None]
    if figures and all(one.decision is Decision.NO_LIMIT for one in counting(rows)):
        return "No result has a limit."
    counted, why = _counted(rows)
    return f"All limits met, {counted} only conditionally ({why})." if why else "All limits met."


def conditional_words(rows: Iterable[Result]) -> str:
    """Return a sentence on the limits that are met only conditionally; empty where none is."""
    counted, why = _counted(rows)
    return f"{counted} met only conditionally ({why})." if why else ""


def conditional_why(rows: Iterable[Result]) -> str:
    """Return why limits are met only conditionally, with how many of each kind where there are two; empty where none is.

    Conditional is what a guarded rule says of a value inside its limit that may lie in the guard band: because it is that near to the
    limit, or because the uncertainty that the band is made of is not stated.
    """
    found = [one for one in rows if one.decision is Decision.CONDITIONAL_PASS]
    unknown = sum(one.uncertainty is None or math.isinf(one.uncertainty) for one in found)
    reasons = {"uncertainty not stated": unknown, "inside the guard band": len(found) - unknown}
    given = {text: count for text, count in reasons.items() if count}
    return ", ".join(text if len(given) == 1 else f"{count} {text}" for text, count in given.items())


def _counted(rows: Iterable[Result]) -> tuple[str, str]:
    limited = [one for one in counting(rows) if one.decision is not Decision.NO_LIMIT]
    met = sum(one.decision is Decision.CONDITIONAL_PASS for one in limited)
    return f"{met} of {len(limited)}", conditional_why(limited)
