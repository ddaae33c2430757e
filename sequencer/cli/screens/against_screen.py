"""Two batches beside each other on the screen."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from sequencer.analysis.batches.against import LITTLE, Against, Moved
from sequencer.analysis.batches.words import share_text, spread_text
from sequencer.problems import printable
from sequencer.units.format import counted

MOST_SHOWN = 12


def against_lines(found: Against, *, width: int, every: bool = False) -> Iterator[str]:
    """Yield the lines: yields, what has moved (with ``every`` all quantities), and what that rests on."""
    one, other = found.units.record, found.other.record
    simulated = " (SIMULATED: no measurement of real units)" if one.simulated or other.simulated else ""
    yield printable(f"Batch {other.batch} against {one.batch}{simulated}")
    for record, yields in ((one, found.yields), (other, found.other_yields)):
        share = (
            "no unit judged" if yields.first_pass is None else f"first pass {share_text(yields.first_pass)}"
        )
        yield printable(f"  {record.batch}: {counted(yields.judged, 'unit')} judged, {share}")
    if found.alike is not None:
        verdict = "the yields differ" if found.alike < LITTLE else "no difference of the yields is seen"
        yield f"  {verdict} (so far apart by chance: {found.alike:.2g}; Fisher's exact test)"
    shown = found.moved if every else found.seen[:MOST_SHOWN]
    yield ""
    yield "Means that have moved" if found.seen else "No mean has moved by more than its scatter would do."
    for moved in shown:
        yield f"  {_line(moved)}"
    if not every and len(found.seen) > MOST_SHOWN:
        yield f"  and {len(found.seen) - MOST_SHOWN} more: --all"
    if found.missing:
        yield printable(
            f"  in one of the two only: {', '.join(found.missing[:6])}{' …' if len(found.missing) > 6 else ''}"
        )
    yield ""
    yield from textwrap.wrap(found.sentence(), max(40, width - 1))


def _line(moved: Moved) -> str:
    title = printable(moved.quantity.title)
    if moved.difference is None:
        return f"{title}: too few values"
    unit, sign = moved.quantity.unit, "+" if moved.difference.difference >= 0 else "-"
    apart = spread_text(abs(moved.difference.difference), unit)
    alike = "" if moved.difference.is_seen else "  (no difference seen)"
    return f"{title}: {sign}{apart} ± {spread_text(moved.difference.expanded, unit)}{alike}"
