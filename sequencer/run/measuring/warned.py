"""What instruments noted in their error queues beside settings that were confirmed all the same, in a result's note."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace

from drivers.profiled.base import ProfiledInstrument
from drivers.roles import Instrument
from sequencer.checks.finding import Finding


def warned(findings: Iterable[Finding], instruments: Iterable[Instrument]) -> list[Finding]:
    """Return the findings with what was noted since the last call in their notes; the instruments forget it."""
    texts = [
        f"{one.name} noted {text}" + (f" ({times} times)" if times > 1 else "")
        for one in instruments
        if isinstance(one, ProfiledInstrument)
        for text, times in Counter(one.take_warnings()).items()
    ]
    if not texts:
        return list(findings)
    return [replace(one, note="; ".join(filter(None, (one.note, *texts)))) for one in findings]
