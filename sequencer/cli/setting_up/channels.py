"""`channels`: puts a channel plan into a radio's exported list, and shows what changes before it is written."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sequencer.checks.unit.channel_memory import entry_findings, read_memory
from sequencer.files.shipped import find_file
from sequencer.files.write import whole_file
from sequencer.inputs.channel_plan import ChannelPlan, read_plan
from sequencer.inputs.lists.channel_list import ON_COMMAND_LINE, ROLES, MemoryColumns, read_channel_list
from sequencer.inputs.lists.channel_list_doubt import far_complaints, refuse_doubtful_columns
from sequencer.inputs.lists.channel_list_fill import ChangedEntry, Filled, fill
from sequencer.inputs.lists.list_numbers import FACTORS
from sequencer.inputs.lists.list_text import SEPARATORS
from sequencer.problems import FileProblems, about_file, did_you_mean, listed, option_problem, printable
from sequencer.units.format import counted, ranges_text

if TYPE_CHECKING:
    from rich.console import RenderableType

_CHOICES: Mapping[str, tuple[str, ...]] = {"unit": tuple(FACTORS), "separator": tuple(SEPARATORS)}
_TOLERANCE_HZ = 10.0
"""What the check `channel_memory` allows an entry to be off by."""
CAUTION = (
    "A radio transmits where its list tells it to: load the list, export it from the radio again, and run the check channel_memory on that "
    "export before the radio is used."
)
EMPTY = "(empty)"
_WIDEST = 10_000


def channels_command(
    plan_name: str,
    *,
    like: Path,
    into: Path | None,
    columns: tuple[str, ...],
    drop: bool,
    far: bool,
    as_json: bool,
) -> int:
    """Show what a plan changes in a radio's exported list, and write the list that comes of it to a new file.

    Returns the exit status: 1 where `channel_memory` would find an entry wrong in what was written.
    """
    plan = read_plan(find_file(plan_name, "plan"))
    asked, left = asked_columns(columns), left_columns(columns)
    if into is not None:
        _refuse_taken(into, like)
    found = read_channel_list(like, asked, stated=ON_COMMAND_LINE)
    refuse_doubtful_columns(found, left)
    filled = fill(found, plan, drop_others=drop)
    if into is not None and filled.far and not far:
        raise FileProblems(list(far_complaints(found, filled.far)))
    if not as_json:
        _show(filled, plan, like)
    if into is not None:
        with whole_file(into) as beside:
            beside.write_bytes(filled.content)
    wrong = _wrong(into, asked, plan) if into is not None else None
    if as_json:
        click.echo(json.dumps(_as_json(filled, plan, into, wrong), ensure_ascii=False, indent=2))
    else:
        _say(_last_lines(into, wrong))
    return 1 if wrong else 0


def asked_columns(texts: tuple[str, ...]) -> MemoryColumns:
    """Return what `--column` states, each ROLE=NAME, unit=kHz, or separator=tab. Raises InputError."""
    known = (*ROLES, *_CHOICES, "other")
    given: dict[str, Any] = {}
    for text in texts:
        role, sign, name = text.partition("=")
        role, name = role.strip(), name.strip()
        if not sign or role not in known or not name:
            raise option_problem(
                "--column",
                f"'{printable(text)[:40]}' names no column",
                allowed=f"ROLE=NAME, with {listed(known)}",
                hint=did_you_mean(role, known),
            )
        if role == "other":
            continue
        if role in given:
            raise option_problem("--column", f"'{role}' is given twice", allowed="each once")
        if role in _CHOICES and name not in _CHOICES[role]:
            raise option_problem(
                "--column", f"'{printable(name)[:40]}' is no {role}", allowed=listed(_CHOICES[role])
            )
        given[role] = name
    return MemoryColumns(**given)


def left_columns(texts: tuple[str, ...]) -> tuple[str, ...]:
    """Return the columns that `--column other=NAME` leaves as they are; as often as there are such columns."""
    parts = [text.partition("=") for text in texts]
    return tuple(name.strip() for role, _, name in parts if role.strip() == "other")


def _refuse_taken(into: Path, like: Path) -> None:
    if into.exists() or into.is_symlink():
        same = like.exists() and into.exists() and into.samefile(like)
        what = "this is the exported list itself" if same else "there is a file of this name already"
        raise about_file(into, f"{what}; nothing was written", allowed="the name of a new file")


def _wrong(into: Path, columns: MemoryColumns, plan: ChannelPlan) -> int:
    """Return how many entries of the written list `channel_memory` would name. Raises FileProblems where it could not read it."""
    return sum(1 for _ in entry_findings(read_memory(into, columns), plan, _TOLERANCE_HZ))


def _show(filled: Filled, plan: ChannelPlan, like: Path) -> None:
    from sequencer.cli.common.console import console_for

    console = console_for()
    _say([f"{like.name} and {plan.name}"])
    if filled.changed:
        console.print(changes_table(filled.changed, width=console.width))
    _say(_said_of(filled))


def _say(lines: list[str]) -> None:
    """Show lines broken at words."""
    from rich.text import Text

    from sequencer.cli.common.console import console_for

    console = console_for()
    for line in lines:
        console.print(Text(printable(line)))


def changes_table(changed: tuple[ChangedEntry, ...], *, width: int = 80) -> RenderableType:
    """Return what changes, a row an entry, each changed column as it was and as it becomes; in lines where that does not fit."""
    from rich.box import SIMPLE_HEAD
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    from sequencer.cli.common.console import console_for

    columns = list(dict.fromkeys(change.column for one in changed for change in one.changes))
    table = Table(header_style="bold", box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("ch", justify="right")
    for name in columns:
        table.add_column(Text(printable(name)))
        table.add_column("becomes")
    table.add_column("")
    for one in changed:
        by_column = {change.column: change for change in one.changes}
        cells: list[Text] = []
        for name in columns:
            change = by_column.get(name)
            becomes = "" if change is None else change.becomes or EMPTY
            # what was copied from its neighbour first stood in no list
            was = change.was if change is not None and one.like is None else ""
            cells += [Text(printable(was)), Text(printable(becomes), style="bold")]
        added = "" if one.like is None else f"added, otherwise as {one.like}"
        table.add_row(str(one.channel), *cells, added)
    if console_for(width=_WIDEST).measure(table).maximum > width:  # a table would cut words off
        return Group(*(Text(printable(_in_words(one))) for one in changed))
    return table


def _in_words(one: ChangedEntry) -> str:
    if one.like is not None:
        stands = [f"{change.column} {change.becomes or EMPTY}" for change in one.changes]
        return f"ch {one.channel}: {'; '.join((f'added, otherwise as {one.like}', *stands))}"
    said = [
        f"{change.column} {change.was or EMPTY} becomes {change.becomes or EMPTY}" for change in one.changes
    ]
    return f"ch {one.channel}: {'; '.join(said)}"


def _said_of(filled: Filled) -> list[str]:
    added = sum(one.like is not None for one in filled.changed)
    said = [
        f"{counted(len(filled.changed) - added, 'entry', 'entries')} changed, {added} added, {filled.unchanged} as they were."
    ]
    if filled.furthest_hz:
        said.append(f"The furthest entry moves by {filled.furthest_hz / 1e6:.5f} MHz.")
    if filled.far:
        numbers = ranges_text(sorted(entry.channel for entry, _ in filled.far))
        several = "channels" if len(filled.far) > 1 else "channel"
        said.append(
            f"CAUTION: far from the plan, perhaps another radio's list: {several} {numbers} (--far writes it all the same)."
        )
    if added:
        said.append(
            "An added channel has every other column of its neighbour (power, tones, scan), and no name unless the plan has one: "
            "look at them."
        )
    if filled.others:
        numbers = ranges_text(filled.others)
        did = "left out" if filled.dropped else "kept (--drop leaves them out)"
        said.append(
            f"Not in the plan, {did}: {'channel' if len(filled.others) == 1 else 'channels'} {numbers}."
        )
    if filled.with_offset:
        numbers = ranges_text(filled.with_offset)
        several = "channels" if len(filled.with_offset) > 1 else "channel"
        said.append(
            f"Transmits at the list's own distance from the plan's frequency: {several} {numbers}. "
            "channel_memory compares what is received."
        )
    return said


def _last_lines(into: Path | None, wrong: int | None) -> list[str]:
    if into is None:
        return ["Nothing was written; --into NEW.csv writes the list."]
    read = f"channel_memory finds {counted(wrong or 0, 'entry', 'entries')} wrong in it"
    return [f"{into}: written and read back; {read}.", CAUTION]


def _as_json(filled: Filled, plan: ChannelPlan, into: Path | None, wrong: int | None) -> dict[str, Any]:
    return {
        "plan": plan.name,
        "into": None if into is None else str(into),
        "changed": [asdict(one) for one in filled.changed],
        "unchanged": filled.unchanged,
        "others": list(filled.others),
        "dropped": filled.dropped,
        "with_offset": list(filled.with_offset),
        "far": [entry.channel for entry, _ in filled.far],
        "furthest_hz": filled.furthest_hz,
        "wrong": wrong,
    }
