"""Loads the sequence that a command names, with its channel plan."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from sequencer.files.find import file_hash, file_named_in, named_file
from sequencer.files.read import read_file
from sequencer.files.yaml_tree import Source
from sequencer.inputs.channel_plan import ChannelPlan, read_plan
from sequencer.planning.sequence import Sequence, sequence_model_for


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedSequence:
    """A sequence file with its plan, where it stands, and a hash of its text."""

    sequence: Sequence
    source: Source
    path: Path
    plan: ChannelPlan | None
    hash: str

    @property
    def modes(self) -> frozenset[str]:
        """The emissions in which it measures."""
        settings = self.sequence
        return frozenset({check.mode or settings.mode for check in settings.checks} or {settings.mode})

    @property
    def frequencies_hz(self) -> dict[int, float]:
        """The channels of its plan, Hz by number; none without a plan."""
        return {} if self.plan is None else dict(self.plan.frequencies_hz)


def load_sequence(text: str) -> LoadedSequence:
    """Return the sequence that ``text`` names: a path, or a shipped one. Raises FileProblems with all complaints."""
    path = named_file(text, "sequence")
    read = read_file(path, sequence_model_for)
    plan = None
    if read.model.channels is not None:
        plan = read_plan(file_named_in(read.model.channels, "plan", path, read.source, ("channels",)))
    return LoadedSequence(sequence=read.model, source=read.source, path=path, plan=plan, hash=file_hash(path))
