"""Channel plans: which frequency each channel number of a service stands for, read from a plan file.

A plan file names its published source, the edges of the band, and the channels: one by one, or by a rule.
"""

from collections.abc import Mapping, Sequence
from dataclasses import field
from itertools import pairwise
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from sequencer.files.fields import FileModel, FrequencyDifferenceHz, FrequencyHz
from sequencer.files.read import Read, read_file
from sequencer.frozen import dataclass
from sequencer.problems import FieldProblem, FieldProblems
from sequencer.units.format import format_quantity, ranges_text

MOST_CHANNELS = 10_000
"""Channels a plan may have."""

SAME_HZ = 0.5
"""Frequencies nearer than this are the same channel written twice."""

LEAST_STEP_HZ = 2 * SAME_HZ
"""The least distance of neighbours that are told apart with certainty."""

Mode = Literal["FM", "AM", "USB", "LSB", "CW"]
"""Modes of two-way radios that a sequence measures in."""
ChannelNumber = Annotated[int, Field(ge=0, le=99_999)]


def _one_line(name: str) -> str:
    if not name.isprintable() or name != name.strip():
        raise FieldProblem(
            "this name cannot stand in a radio's list", allowed="printable characters, no blank at either end"
        )
    return name


ChannelName = Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_one_line)]


def _apart(step_hz: float) -> float:
    if abs(step_hz) < LEAST_STEP_HZ:
        raise FieldProblem(
            f"a step of {step_hz:g} Hz puts several channels on one frequency",
            allowed=f"{LEAST_STEP_HZ:g} Hz or more, up or down",
        )
    return step_hz


class Band(FileModel):
    """The edges between which every carrier of the plan lies."""

    min_hz: FrequencyHz
    max_hz: FrequencyHz

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.min_hz >= self.max_hz:
            lower = format_quantity(self.min_hz, "Hz")
            raise FieldProblem(
                "the band ends before it begins", at=("max",), allowed=f"a frequency above {lower}"
            )
        return self


class Rule(FileModel):
    """Channels at equal steps, with frequencies left out and channels exchanged."""

    first_hz: FrequencyHz
    """Frequency of the first channel."""
    step_hz: Annotated[FrequencyDifferenceHz, AfterValidator(_apart)]
    """From one channel to the next; negative when channels run downwards."""
    count: Annotated[int, Field(ge=1, le=MOST_CHANNELS)]
    """How many channels there are, not counting frequencies left out."""
    first_channel: ChannelNumber = 1
    """Number of the first channel."""
    skip_hz: tuple[FrequencyHz, ...] = ()
    """Frequencies on the steps that no channel uses."""
    swaps: tuple[tuple[ChannelNumber, ChannelNumber], ...] = ()
    """Pairs of channels that exchange their frequencies, one pair after the other."""

    def frequencies_hz(self) -> dict[int, float]:
        """Return the frequency of each channel. Raises FieldProblems for a skip or swap that fits nothing."""
        frequencies, unused = self._stepped()
        problems = [
            FieldProblem(
                f"no step falls on {format_quantity(skip_hz, 'Hz')}",
                at=("skip", index),
                allowed="frequencies that the rule would otherwise use",
            )
            for index, skip_hz in enumerate(self.skip_hz)
            if index in unused
        ]
        for index, (one, other) in enumerate(self.swaps):
            if one in frequencies and other in frequencies:
                frequencies[one], frequencies[other] = frequencies[other], frequencies[one]
            else:
                missing = other if one in frequencies else one
                allowed = f"channels {min(frequencies)} to {max(frequencies)}"
                problems.append(
                    FieldProblem(f"no channel {missing} to exchange", at=("swaps", index), allowed=allowed)
                )
        if problems:
            raise FieldProblems(problems)
        return frequencies

    def _stepped(self) -> tuple[dict[int, float], set[int]]:
        unused = set(range(len(self.skip_hz)))
        skipped = _by_cell(self.skip_hz)
        frequencies: dict[int, float] = {}
        step = 0
        while len(frequencies) < self.count:
            # a sum of steps would gather rounding; a millihertz is far below any carrier's tolerance
            frequency_hz = round(self.first_hz + step * self.step_hz, 3)
            step += 1
            left_out = {
                index
                for cell in _cells_near(frequency_hz)
                for index in skipped.get(cell, ())
                if abs(self.skip_hz[index] - frequency_hz) < SAME_HZ
            }
            unused -= left_out
            if not left_out:
                frequencies[self.first_channel + len(frequencies)] = frequency_hz
        return frequencies, unused


class PlanFile(FileModel):
    """A plan file: name, published source, band, and either ``channels`` one by one or a ``rule``."""

    plan: str = Field(min_length=1)
    """Name of the plan, as results show it."""
    source: str = Field(min_length=1)
    """Where the frequencies are published."""
    band: Band
    channels: dict[ChannelNumber, FrequencyHz] | None = Field(default=None, min_length=1)
    """Channel number to frequency."""
    rule: Rule | None = None
    names: dict[ChannelNumber, ChannelName] = Field(default={}, max_length=MOST_CHANNELS)
    """What channels are called, where they have names; `sequencer channels` writes them into a radio's list."""
    modes: dict[ChannelNumber, Mode] = Field(default={}, max_length=MOST_CHANNELS)
    """Modes of channels, where the plan lays them down; `sequencer channels` writes them into a radio's list."""

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if (self.channels is None) == (self.rule is None):
            found = "neither" if self.rule is None else "both"
            raise FieldProblem(
                "a plan has either 'channels' or 'rule'", found=found, allowed="one of the two"
            )
        frequencies_hz = self.frequencies_hz()
        problems = list(_problems_of(frequencies_hz, self.band, by_rule=self.channels is None))
        problems += _strangers("names", self.names, frequencies_hz)
        problems += _strangers("modes", self.modes, frequencies_hz)
        if problems:
            raise FieldProblems(problems)
        return self

    def frequencies_hz(self) -> dict[int, float]:
        """Return the frequency of each channel."""
        if self.channels is not None:
            return dict(self.channels)
        assert self.rule is not None
        try:
            return self.rule.frequencies_hz()
        except FieldProblems as error:
            for problem in error.problems:
                problem.at = ("rule", *problem.at)
            raise


def _strangers(key: str, named: Mapping[int, str], frequencies_hz: Mapping[int, float]) -> list[FieldProblem]:
    """Return the complaints of channels that have a name or a mode and no frequency."""
    return [
        FieldProblem(
            f"no channel {channel} in this plan",
            at=(key, str(channel)),
            allowed=f"channels {ranges_text(sorted(frequencies_hz))}",
        )
        for channel in named
        if channel not in frequencies_hz
    ]


def _cells_near(frequency_hz: float) -> tuple[int, int, int]:
    """Return the cells, each `SAME_HZ` wide, in which lies whatever is nearer than that; the middle one is its own."""
    cell = round(frequency_hz / SAME_HZ)
    return cell - 1, cell, cell + 1


def _by_cell(frequencies_hz: Sequence[float]) -> dict[int, list[int]]:
    """Return the indices of frequencies by cell, so that a long list is not gone through for each channel."""
    found: dict[int, list[int]] = {}
    for index, frequency_hz in enumerate(frequencies_hz):
        found.setdefault(_cells_near(frequency_hz)[1], []).append(index)
    return found


def _problems_of(frequencies: Mapping[int, float], band: Band, *, by_rule: bool) -> list[FieldProblem]:
    problems = []
    edges = f"{format_quantity(band.min_hz, 'Hz')} to {format_quantity(band.max_hz, 'Hz')}"
    seen: dict[int, int] = {}
    for channel, frequency_hz in frequencies.items():
        at = ("rule",) if by_rule else ("channels", str(channel))
        shown = format_quantity(frequency_hz, "Hz")
        if not band.min_hz <= frequency_hz <= band.max_hz:
            problems.append(
                FieldProblem(f"channel {channel}: {shown} lies outside the band", at=at, allowed=edges)
            )
            if by_rule:  # every later step lies outside as well
                break
        before, cell, after = _cells_near(frequency_hz)
        twin = next((seen[near] for near in (before, cell, after) if near in seen), None)
        if twin is not None:
            message = f"channels {twin} and {channel} share the frequency {shown}"
            problems.append(FieldProblem(message, at=at, allowed="a frequency of its own for each channel"))
        seen[cell] = channel
    return problems


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelPlan:
    """The channels of a service. ``frequencies_hz`` maps channel numbers, ascending, to carriers; ``names`` and ``modes`` may lack some."""

    name: str
    source: str
    min_hz: float
    max_hz: float
    frequencies_hz: Mapping[int, float]
    names: Mapping[int, str] = field(default_factory=dict)
    modes: Mapping[int, str] = field(default_factory=dict)

    @property
    def channels(self) -> tuple[int, ...]:
        """The channel numbers, ascending."""
        return tuple(self.frequencies_hz)

    def frequency_hz(self, channel: int) -> float:
        """Return the carrier of ``channel``. Raises KeyError, with the channels there are, for another."""
        try:
            return self.frequencies_hz[channel]
        except KeyError:
            raise KeyError(f"{self.name} has no channel {channel}; it has {self.described}") from None

    def channel_at(self, frequency_hz: float, within_hz: float | None = None) -> int | None:
        """Return the channel whose carrier is nearest, or None when none is ``within_hz``.

        Without ``within_hz``: half the smallest distance between two channels of the plan.
        """
        if within_hz is None:
            within_hz = self.smallest_step_hz / 2
        channel, carrier_hz = min(self.frequencies_hz.items(), key=lambda pair: abs(pair[1] - frequency_hz))
        return channel if abs(carrier_hz - frequency_hz) <= within_hz else None

    @property
    def smallest_step_hz(self) -> float:
        """The smallest distance between two carriers; the width of the band when there is one channel."""
        carriers = sorted(self.frequencies_hz.values())
        return min((b - a for a, b in pairwise(carriers)), default=self.max_hz - self.min_hz)

    @property
    def described(self) -> str:
        """The channels as a complaint names them: ``channels 1 to 40``."""
        return f"channels {ranges_text(self.channels)}"


def plan_from(read: Read[PlanFile]) -> "ChannelPlan":
    """Return the plan a file states."""
    file = read.model
    return ChannelPlan(
        name=file.plan,
        source=file.source,
        min_hz=file.band.min_hz,
        max_hz=file.band.max_hz,
        frequencies_hz=MappingProxyType(dict(sorted(file.frequencies_hz().items()))),
        names=MappingProxyType(file.names),
        modes=MappingProxyType(file.modes),
    )


def read_plan(path: Path | str) -> "ChannelPlan":
    """Return the channel plan in the file at ``path``. Raises FileProblems."""
    return plan_from(read_file(path, PlanFile))
