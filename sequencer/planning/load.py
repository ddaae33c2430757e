"""Loads the sequence that a command names, with its channel plan and the model that fills in what it leaves out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from sequencer.files.find import file_hash, file_named_in, named_file
from sequencer.files.read import Read, read_file, read_utf8
from sequencer.files.yaml_tree import Source, compose
from sequencer.frozen import dataclass
from sequencer.inputs.channel_plan import ChannelPlan, read_plan
from sequencer.planning.loading.fill import fill, is_left_out, leaves_to_a_model, left_out, whole_presets
from sequencer.planning.loading.left_out import leave_out
from sequencer.planning.loading.limit_rows import TakenRows, checks_in, take_rows
from sequencer.planning.loading.model_file import LoadedModel, Wanted, choose_model, described_models
from sequencer.planning.loading.sequence import Sequence, sequence_model_for
from sequencer.problems import Complaint, FileProblems, listed, printable


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedSequence:
    """A sequence file with its plan and model, where it stands, and a hash of its text."""

    sequence: Sequence
    source: Source
    path: Path
    plan: ChannelPlan | None
    hash: str
    model: LoadedModel | None = None
    rows: TakenRows = TakenRows(taken={}, files={})

    @property
    def model_hash(self) -> str:
        """The hash of the model file; empty without one."""
        return "" if self.model is None else self.model.hash

    @property
    def modes(self) -> frozenset[str]:
        """The emissions in which it measures."""
        settings = self.sequence
        named = {mode or settings.mode for check in settings.checks for mode in check.modes}
        return frozenset(named or {settings.mode})

    @property
    def frequencies_hz(self) -> dict[int, float]:
        """The channels of its plan, Hz by number; none without a plan."""
        return {} if self.plan is None else dict(self.plan.frequencies_hz)


def load_sequence(text: str, wanted: Wanted | None = None) -> LoadedSequence:
    """Return the sequence that ``text`` names: a path, or a shipped one. Raises FileProblems with all complaints.

    ``wanted`` chooses the model that fills in what it leaves out, beside the sequence's own `model`; without it a serial chooses none.
    """
    path = named_file(text, "sequence")
    filled = _Filled(wanted or Wanted(), path)
    try:
        read = read_file(path, sequence_model_for, fill=filled.take)
    except FileProblems as problems:
        if filled.refused:
            raise
        complaints = filled.without_what_is_left_out(problems.complaints)
        raise FileProblems([*filled.complaints, *complaints, *_plan_complaints(path)]) from problems
    if filled.complaints:
        raise FileProblems(filled.complaints)
    return _loaded(read, path, filled, _plan(read, path, filled.model))


def load_readable(
    text: str, wanted: Wanted, complaints: Iterable[Complaint]
) -> tuple[LoadedSequence, bool] | None:
    """Return the sequence without what is complained of, so that the rest can be proved; None where too little is left.

    The flag says whether nothing but checks was left out: what is proved of a sequence as a whole holds then too.
    """
    complaints, only_checks = tuple(complaints), True

    def take(source: Source) -> None:
        nonlocal only_checks
        filled.take(source)
        before = checks_in(source)
        only_checks = leave_out(source, complaints)
        filled.rows = filled.rows.of(before, checks_in(source))

    try:
        path = named_file(text, "sequence")
        filled = _Filled(wanted, path)
        read = read_file(path, sequence_model_for, fill=take)
    except FileProblems:
        return None
    plan = None
    try:
        plan = _plan(read, path, filled.model)
    except FileProblems:
        only_checks = False
    return _loaded(read, path, filled, plan), only_checks


def _plan(read: Read[Sequence], path: Path, model: LoadedModel | None) -> ChannelPlan | None:
    if read.model.channels is None:
        return None if model is None else model.plan
    return read_plan(file_named_in(read.model.channels, "plan", path, read.source, ("channels",)))


def _loaded(read: Read[Sequence], path: Path, filled: _Filled, plan: ChannelPlan | None) -> LoadedSequence:
    model = filled.model
    sequence = read.model if model is None else _with_model(read.model, model)
    return LoadedSequence(
        sequence=sequence,
        source=read.source,
        path=path,
        plan=plan,
        hash=file_hash(path),
        model=model,
        rows=filled.rows,
    )


def _with_model(sequence: Sequence, model: LoadedModel) -> Sequence:
    """Return the sequence with the model handed to what adjusts its presets."""
    if not any(one.check == "adjust" for one in sequence.checks):
        return sequence
    from sequencer.checks.adjusting.settings import AdjustSettings

    checks = tuple(
        one.with_model(model.model, whole_presets(model.model), sequence.mode)
        if isinstance(one, AdjustSettings)
        else one
        for one in sequence.checks
    )
    return sequence.model_copy(update={"checks": checks})


class _Filled:
    """Chooses the model while the sequence is read, and takes over what it has."""

    def __init__(self, wanted: Wanted, path: Path) -> None:
        self.model: LoadedModel | None = None
        self.complaints: list[Complaint] = []
        self.refused = False
        self.rows = TakenRows(taken={}, files={})
        self._wanted, self._path = wanted, path
        self._source: Source | None = None

    def take(self, source: Source) -> None:
        """Fill in what ``source`` leaves out: first from files of limits, then from the model."""
        self.rows, wrong = take_rows(source, self._path)
        self.complaints += wrong
        named = {"model", "model_by_default"} & source.root.entries.keys()
        if self._wanted.name or self._wanted.serial or named:
            try:
                self.model = choose_model(self._wanted, self._path, source)
            except FileProblems:
                self.refused = True
                raise
        self._source = source
        if self.model is not None and self.model.by_chance and not (named or leaves_to_a_model(source)):
            self.model = (
                None  # whole by itself: the serial of somebody's own radio may look like a shipped model's
            )
        if self.model is not None:
            if self._wanted.name or named or leaves_to_a_model(source):
                self.complaints += fill(source, self.model)
        elif lacking := left_out(source):
            self.complaints.append(self._no_model(source, lacking))

    def without_what_is_left_out(self, complaints: Iterable[Complaint]) -> list[Complaint]:
        """Return complaints without those that the one about the missing model says for all."""
        if self._source is None:
            return list(complaints)
        left = {one: is_left_out(one, self._source) for one in complaints}
        if self.model is not None:
            nor = f"nor does the model {printable(self.model.model.model)} ({self.model.path.name}) say it"
            return [replace(one, hint=nor) if left_out_too else one for one, left_out_too in left.items()]
        return [one for one, left_out_too in left.items() if not (left_out_too and self.complaints)]

    def _no_model(self, source: Source, lacking: list[str]) -> Complaint:
        wanted, place = self._wanted, "sequence" if "sequence" in source.root.entries else "checks"
        why = "and no model was chosen"
        if wanted.name:
            why = f"and {printable(wanted.name)!r} is no model file"
        elif wanted.serial:
            why = f"and the serial {printable(wanted.serial)!r} fits no model"
        models = described_models(wanted, self._path)
        return source.complain(
            (place,),
            f"the sequence leaves {listed(lacking)} to a model file, {why}",
            allowed=f"--serial that fits a model, --model with its name, or 'model:' in the sequence; there are {models}",
            hint="'sequencer new model' writes a model file; it belongs into a folder 'models' beside the sequence or the bench file",
        )


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
