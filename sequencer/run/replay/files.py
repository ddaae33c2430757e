"""Which files a replay plans with: those that the run kept, or those that are named."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import replace
from pathlib import Path
from typing import Literal

from sequencer.files.find import file_hash
from sequencer.files.ordinary import is_ordinary
from sequencer.files.read import reading_only_below
from sequencer.files.shipped import find_file, shipped_names
from sequencer.frozen import dataclass
from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.planning.load import LoadedSequence, load_sequence
from sequencer.planning.loading.model_file import Wanted
from sequencer.planning.plan import Plan, make_plan
from sequencer.problems import FileProblems, about_file
from sequencer.run.keeping.inputs import DEEP, is_place, lay_out
from sequencer.run.replay.source import Source


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """The plan of a replay, and the plan as it was then where its files are there (for a re-evaluation).

    ``changed`` names the files that are not those of the run: "sequence", "model", "bench".
    """

    plan: Plan
    then: Plan | None
    changed: tuple[str, ...] = ()


@contextmanager
def planned(source: Source, *, sequence_name: str = "", bench_name: str = "") -> Iterator[Planned]:
    """Plan the run again; what its files name stands until this ends. Raises FileProblems where it cannot be planned.

    ``sequence_name`` and ``bench_name`` take the place of the files that the run kept.
    """
    with tempfile.TemporaryDirectory(prefix="replay-") as made:
        kept = _Kept(source, Path(made))
        sequence = _named_sequence(source, sequence_name) if sequence_name else kept.sequence()
        bench = load_bench(bench_name) if bench_name else kept.bench()
        changed = _changed(source, sequence, bench)
        if not sequence_name and "sequence" in changed:
            raise _other(source, "sequence")
        if not bench_name and "bench" in changed:
            raise _other(source, "bench")
        plan = _writing_only_below(_plan(source, sequence, bench), Path(made))
        then: Plan | None = plan
        if changed:
            then = None
            with suppress(FileProblems):
                then = _plan(source, kept.sequence(), kept.bench())
        with reading_only_below(Path(made)) if not (sequence_name or bench_name) else nullcontext():
            yield Planned(plan=plan, then=then, changed=changed)


def _writing_only_below(plan: Plan, folder: Path) -> Plan:
    """Return the plan with what a check writes beside the bench file written below ``folder``: the run itself has written it."""
    steps = tuple(
        replace(step, conditions=replace(step.conditions, bench_folder=folder)) for step in plan.steps
    )
    return replace(plan, steps=steps)


class _Kept:
    """The files that a run kept, laid out below a folder when they are first needed."""

    def __init__(self, source: Source, folder: Path) -> None:
        self._source = source
        self._folder = folder
        self._laid_out = False

    def sequence(self) -> LoadedSequence:
        """Load the sequence. Raises FileProblems."""
        path = self._file("sequence")
        with reading_only_below(self._folder):
            return load_sequence(str(path), _wanted(self._source, self._folder))

    def bench(self) -> LoadedBench:
        """Load the bench. Raises FileProblems."""
        path = self._file("bench")
        with reading_only_below(self._folder):
            return load_bench(str(path))

    def _file(self, kind: Literal["sequence", "bench"]) -> Path:
        source = self._source
        if not self._laid_out:
            try:
                lay_out(source.inputs, self._folder)
            except (ValueError, OSError) as error:
                raise about_file(
                    source.where,
                    f"the files of run {source.run.run} cannot be laid out: {error}",
                    allowed=f"files as a run keeps them, or --{kind} FILE",
                ) from error
            self._laid_out = True
        found = next((one for one in source.inputs if one.kind == kind), None)
        if found is not None:
            return self._folder.joinpath(*found.place.split("/"))
        wanted = source.run.sequence_hash if kind == "sequence" else source.run.bench_hash
        for name in shipped_names(kind):
            if file_hash(path := find_file(name, kind)) == wanted:
                return path
        raise about_file(
            f"run {source.run.run}",
            f"cannot be replayed: it did not keep its {kind} file (runs of older sequencers did not)",
            allowed=f"--{kind} FILE, the file as it was then (hash {wanted})",
        )


def _named_sequence(source: Source, name: str) -> LoadedSequence:
    folder = Path(name).parent if is_ordinary(name) else Path()
    run = source.run
    return load_sequence(name, Wanted(name=source.asked("model"), serial=run.serial, bench_folder=folder))


def _wanted(source: Source, folder: Path) -> Wanted:
    """Return by what the model is chosen, as it was then: none where none was, else by its name, or by the serial."""
    run = source.run
    if not run.model_hash:
        return Wanted()
    named = source.asked("model")
    if not named:
        return Wanted(serial=run.serial)
    model = next((one for one in source.inputs if one.kind == "model"), None)
    if named.endswith((".yaml", ".yml")) or is_place(named):
        at = f"{DEEP}/sequence/models/"
        if model is not None and model.place.startswith(at):
            return Wanted(name=str(folder.joinpath(*model.place.split("/"))), serial=run.serial)
    return Wanted(name=named, serial=run.serial)


def _plan(source: Source, sequence: LoadedSequence, bench: LoadedBench) -> Plan:
    order: Literal["written", "quickest"] = "written"
    if source.asked("order") == "quickest":
        order = "quickest"
    shares = source.asked("share_key") == "yes"  # a run from before says nothing of it, and did not
    return make_plan(
        sequence, bench, serial=source.run.serial, only=source.only, order=order, share_key=shares
    )


def _changed(source: Source, sequence: LoadedSequence, bench: LoadedBench) -> tuple[str, ...]:
    run = source.run
    hashes = {
        "sequence": (run.sequence_hash, sequence.hash),
        "model": (run.model_hash, sequence.model_hash),
        "bench": (run.bench_hash, bench.hash),
    }
    return tuple(name for name, (then, now) in hashes.items() if then != now)


def _other(source: Source, kind: Literal["sequence", "bench"]) -> FileProblems:
    return about_file(
        source.where,
        f"run {source.run.run} cannot be replayed: the {kind} file that it kept is not the one that it ran with",
        allowed=f"--{kind} FILE, the file as it was then",
    )
