"""Channel memory: a radio's exported channel list against the plan, before anything is keyed. No RF takes part."""

from collections.abc import Iterator
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field
from typing_extensions import override

from sequencer.checks.check import Check, Side
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.files.fields import FrequencyDifferenceHz, between
from sequencer.files.ordinary import is_there
from sequencer.frozen import dataclass
from sequencer.inputs.channel_plan import ChannelPlan
from sequencer.inputs.lists.channel_list import MemoryColumns, read_channel_list
from sequencer.problems import Complaint, FileProblems
from sequencer.uncertainty.decision import Limits

NONE_WRONG = Limits(upper=0.0)


class ChannelMemorySettings(CheckSettings):
    """Settings of `channel_memory`."""

    check: Literal["channel_memory"]
    """Which check this is."""
    file: str = Field(min_length=1, max_length=500)
    """The exported list (CSV), beside the sequence file or from the current folder; {serial} stands for the unit's serial."""
    columns: MemoryColumns = MemoryColumns.unstated()
    """What the export calls its columns."""
    tolerance_hz: Annotated[FrequencyDifferenceHz, AfterValidator(between(0.0, 1e6, "Hz"))] = 10.0
    """How far an entry may be from the plan: what the export rounds to."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """What a radio has stored under a channel's number, and the line of the export it stands on."""

    channel: int
    frequency_hz: float
    line: int


class ChannelMemory(Check[ChannelMemorySettings]):
    """Read the exported list and name every wrong, missing, doubled or out-of-band entry with what it should be.

    Reports how many entries are wrong, and each of them as `memory channel` with its number and what it should be.
    """

    name: ClassVar[str] = "channel_memory"
    summary: ClassVar[str] = "exported channel list against the plan, no RF"
    side: ClassVar[Side] = "none"
    limit_keys = MappingProxyType({})
    settings = ChannelMemorySettings

    @override
    def quantities(self, settings: ChannelMemorySettings) -> tuple[tuple[str, str], ...]:
        return (("channel memory, entries that are wrong", "entries"),)

    @override
    def limits_of(self, settings: ChannelMemorySettings, conditions: Conditions) -> tuple[Limits, ...]:
        return (NONE_WRONG,)

    def complaints(self, settings: ChannelMemorySettings, conditions: Conditions) -> list[Complaint]:
        """Return what is wrong with the export, if its name is known already."""
        path = _export(settings, conditions)
        if conditions.plan is None:
            allowed = "'channels:' in the sequence, with a plan of your own or a shipped one"
            return [
                _complaint(
                    path, 0, "the sequence names no channel plan to compare this list with", allowed=allowed
                )
            ]
        if "{serial}" in settings.file and not conditions.serial:
            return []
        try:
            read_memory(path, settings.columns)
        except FileProblems as problems:
            return list(problems.complaints)
        return []

    def inspect(self, settings: ChannelMemorySettings, conditions: Conditions) -> list[Finding]:
        """Compare. Raises FileProblems for an export that cannot be read."""
        assert conditions.plan is not None  # the plan has proved it
        path = _export(settings, conditions)
        entries = read_memory(path, settings.columns)
        wrong = list(entry_findings(entries, conditions.plan, settings.tolerance_hz))
        summary = Finding(
            quantity="channel memory, entries that are wrong",
            value=float(len(wrong)),
            exact=True,
            unit="entries",
            limits=NONE_WRONG,
            note=f"{len(entries)} entries of {path.name} against {conditions.plan.name}",
        )
        return [summary, *wrong]


def read_memory(path: Path, columns: MemoryColumns) -> "list[Stored]":
    """Return the entries of an exported list, without empty memories. Raises FileProblems with every line that cannot be read."""
    return [
        Stored(channel=entry.channel, frequency_hz=entry.frequency_hz, line=entry.line)
        for entry in read_channel_list(path, columns).entries
        if entry.frequency_hz is not None
    ]


def entry_findings(entries: list[Stored], plan: ChannelPlan, tolerance_hz: float) -> Iterator[Finding]:
    """Yield what is wrong with the entries, each with what it should be."""
    first: dict[int, Stored] = {}
    for entry in entries:
        if entry.channel in first:
            above = first[entry.channel].line
            yield _entry_finding(
                entry,
                None,
                f"line {entry.line}: doubled, on line {above} too; {_should(entry.channel, plan)}",
            )
            continue
        first[entry.channel] = entry
        should_hz = plan.frequencies_hz.get(entry.channel)
        if should_hz is None:
            note = (
                f"line {entry.line}: not in the plan, which has {plan.described}{_out_of_band(entry, plan)}"
            )
            yield _entry_finding(entry, None, note)
        elif abs(entry.frequency_hz - should_hz) > tolerance_hz:
            yield _entry_finding(entry, (should_hz, tolerance_hz), _why_wrong(entry, should_hz, plan))
    for channel in plan.channels:
        if channel not in first:
            yield Finding(
                quantity=f"memory channel {channel}",
                value=None,
                unit="Hz",
                note=f"missing; {_should(channel, plan)}",
                on_unit=True,
            )


def _why_wrong(entry: Stored, should_hz: float, plan: ChannelPlan) -> str:
    found = f"line {entry.line}: {entry.frequency_hz / 1e6:.5f} MHz should be {should_hz / 1e6:.5f} MHz"
    if beyond := _out_of_band(entry, plan):
        return found + beyond
    owner = plan.channel_at(entry.frequency_hz)
    return f"{found}; that is channel {owner}'s" if owner is not None else found


def _should(channel: int, plan: ChannelPlan) -> str:
    should_hz = plan.frequencies_hz.get(channel)
    return "should not be there" if should_hz is None else f"should be {should_hz / 1e6:.5f} MHz"


def _out_of_band(entry: Stored, plan: ChannelPlan) -> str:
    if plan.min_hz <= entry.frequency_hz <= plan.max_hz:
        return ""
    return f"; out of the band {plan.min_hz / 1e6:.5f} to {plan.max_hz / 1e6:.5f} MHz"


def _entry_finding(entry: Stored, right: tuple[float, float] | None, note: str) -> Finding:
    if right is None:
        # no value is right for an entry that should not be there: any frequency violates an upper limit of 0
        return Finding(
            quantity=f"memory channel {entry.channel}",
            value=entry.frequency_hz,
            unit="Hz",
            exact=True,
            limits=Limits(upper=0.0),
            note=note,
        )
    should_hz, tolerance_hz = right
    return Finding(
        quantity=f"memory channel {entry.channel}",
        value=entry.frequency_hz,
        unit="Hz",
        exact=True,
        limits=Limits.around(should_hz, tolerance_hz),
        note=note,
    )


def _export(settings: ChannelMemorySettings, conditions: Conditions) -> Path:
    text = settings.file.replace("{serial}", conditions.serial)
    beside = conditions.folder / text if conditions.folder is not None else Path(text)
    return Path(text) if is_there(text) and not is_there(beside) else beside


def _complaint(path: Path, line: int, message: str, *, allowed: str = "", hint: str = "") -> Complaint:
    return Complaint(file=str(path), line=line, column=1, message=message, allowed=allowed, hint=hint)
