"""Loads the sequence and the bench that a command names, or complains of both at once, with what the plan proves of the rest."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from sequencer.files.ordinary import is_ordinary
from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.planning.load import LoadedSequence, load_readable, load_sequence
from sequencer.planning.loading.model_file import Wanted
from sequencer.planning.plan import plan_complaints
from sequencer.planning.proving.proof import complaints_without_bench
from sequencer.problems import Complaint, FileProblems


def load_both(
    sequence_name: str, bench_name: str, *, serial: str = "", model: str = ""
) -> tuple[LoadedSequence, LoadedBench]:
    """Return the sequence and the bench that a command names. Raises FileProblems with the complaints of both at once.

    ``model`` or ``serial`` chooses the model that fills in what the sequence leaves out. Where something cannot be read, what the plan
    proves of the rest is told in the same look.
    """
    # of a shipped bench, whose name is no path, the current folder: nobody puts models beside what is shipped
    folder = Path(bench_name).parent if is_ordinary(bench_name) else Path()
    wanted = Wanted(name=model, serial=serial, bench_folder=folder)
    complaints: list[Complaint] = []
    sequence: LoadedSequence | None = None
    bench: LoadedBench | None = None
    try:
        sequence = load_sequence(sequence_name, wanted)
    except FileProblems as problems:
        complaints += problems.complaints
    try:
        bench = load_bench(bench_name)
    except FileProblems as problems:
        complaints += problems.complaints
    if sequence is not None and bench is not None:
        return sequence, bench
    readable = (sequence, True) if sequence is not None else load_readable(sequence_name, wanted, complaints)
    if readable is not None:
        rest, whole = readable
        if bench is None:
            complaints += complaints_without_bench(rest)
        else:
            complaints += plan_complaints(rest, bench, serial=serial, whole=whole)
    raise FileProblems(_in_order(complaints))


def _in_order(complaints: Iterable[Complaint]) -> list[Complaint]:
    """Return complaints file by file, each in the file's order, none twice."""
    found = dict.fromkeys(complaints)
    files = list(dict.fromkeys(one.file for one in found))
    return sorted(found, key=lambda one: (files.index(one.file), one.line, one.column))
