"""Loads the sequence that a command names, with its channel plan."""

from __future__ import annotations

from pathlib import Path

from sequencer.files.find import file_hash, file_named_in, named_file
from sequencer.files.read import read_file, read_utf8
from sequencer.files.yaml_tree import Source, compose
from sequencer.frozen import dataclass
from sequencer.inputs.channel_plan import ChannelPlan, read_plan
from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.planning.sequence import Sequence, sequence_model_for
from sequencer.problems import Complaint, FileProblems


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
    try:
        read = read_file(path, sequence_model_for)
    except FileProblems as problems:
        raise FileProblems([*problems.complaints, *_plan_complaints(path)]) from problems
    plan = None
    if read.model.channels is not None:
        plan = read_plan(file_named_in(read.model.channels, "plan", path, read.source, ("channels",)))
    return LoadedSequence(sequence=read.model, source=read.source, path=path, plan=plan, hash=file_hash(path))


def _plan_complaints(path: Path) -> tuple[Complaint, ...]:
    """Return what is wrong with the channel plan of a sequence that cannot be used itself, so that one look tells all."""
    try:
        source, _ = compose(read_utf8(path), str(path))
        if source is None or source.root.kind != "mapping" or "channels" not in source.root.entries:
            return ()
        named = source.find(("channels",)).scalar
        if isinstance(named, str):
            read_plan(file_named_in(named, "plan", path, source, ("channels",)))
    except FileProblems as problems:
        return problems.complaints
    return ()


def load_both(sequence_name: str, bench_name: str) -> tuple[LoadedSequence, LoadedBench]:
    """Return the sequence and the bench that a command names. Raises FileProblems with the complaints of both at once."""
    complaints: list[Complaint] = []
    sequence: LoadedSequence | None = None
    try:
        sequence = load_sequence(sequence_name)
    except FileProblems as problems:
        complaints += problems.complaints
    try:
        bench = load_bench(bench_name)
    except FileProblems as problems:
        raise FileProblems([*complaints, *problems.complaints]) from problems
    if sequence is None:
        raise FileProblems(complaints)
    return sequence, bench
