"""Whether a unit that was scanned is measured, refused, or asked about."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.frozen import dataclass
from sequencer.problems import printable
from sequencer.run.line.scans import Scan, twice_in_one


@dataclass(frozen=True, slots=True, kw_only=True)
class Earlier:
    """An earlier run of the unit: when, as a person says it, and what came of it in words ("passed", "failed", "not measured")."""

    when: str
    said: str
    run: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known of a serial before it is measured. What cannot be said (no list, no pattern) is None.

    ``today`` are its runs of today with this sequence, ``other_batch`` names the batch that its last run was of, where it is another.
    ``needs_reason``: it has a verdict, and somebody must say why it gets another. ``cut_short`` names the run of it that did not end.
    ``lookup_problem`` says what could not be looked up.
    """

    listed: bool | None = None
    fits: bool | None = None
    today: tuple[Earlier, ...] = ()
    other_batch: str = ""
    needs_reason: bool = False
    cut_short: str = ""
    lookup_problem: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Admission:
    """``refused`` says why it is not measured at all. ``asked`` says what stands against it, a line each; empty where nothing does.

    ``is_again``: it was tested today. ``is_listed``: it is on the list of the units that are expected. ``can_carry_on``: its run that was
    cut short can be carried on, and ``carries_on``: it is. ``needs_reason``: somebody must say why it is tested again.
    ``is_in_doubt``: something about it could not be looked up.
    """

    serial: str
    refused: str = ""
    asked: tuple[str, ...] = ()
    is_again: bool = False
    is_listed: bool = False
    needs_reason: bool = False
    can_carry_on: bool = False
    carries_on: bool = False
    is_in_doubt: bool = False


def admit(scan: Scan, known: Known) -> Admission:
    """Return what is done with a scan."""
    if scan.wrong:
        return Admission(serial=scan.serial, refused=f"{printable(scan.serial)[:64]}: {scan.wrong}")
    return Admission(
        serial=scan.serial,
        asked=tuple(_against(scan.serial, known)),
        is_again=bool(known.today),
        is_listed=known.listed is True,
        needs_reason=known.needs_reason,
        can_carry_on=bool(known.cut_short),
        is_in_doubt=bool(known.lookup_problem),
    )


def _against(serial: str, known: Known) -> Iterator[str]:
    name = printable(serial)
    if known.fits is False:
        twice = twice_in_one(serial)
        yield f"{name} fits no model's pattern" + (
            f"; it holds {printable(twice)} twice, as two scans without an end do" if twice else ""
        )
    if known.listed is False:
        yield f"{name} is not in the list"
    if known.other_batch:
        yield f"{name} was tested last in batch '{printable(known.other_batch)}'"
    if known.cut_short:
        yield f"run {printable(known.cut_short)} of {name} was cut short"
    for one in known.today[-3:]:
        yield f"{name} was tested today at {one.when}: {one.said}"
    if known.needs_reason and not known.today:
        yield f"{name} has a verdict already"
    if known.lookup_problem:
        yield f"what was measured before cannot be looked up: {known.lookup_problem}"
