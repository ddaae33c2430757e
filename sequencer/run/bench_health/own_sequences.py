"""Whether the sequences that a bench file names for the bench's own health hold the check that its health is known by."""

from __future__ import annotations

from typing import Literal

from sequencer.files.shipped import find_file
from sequencer.inputs.bench_parts.bench_health import OwnCheck
from sequencer.inputs.load_bench import LoadedBench
from sequencer.planning.load import load_sequence
from sequencer.planning.loading.model_file import Wanted
from sequencer.problems import FileProblems, printable

HealthCheck = Literal["bench_check", "golden_unit"]


def lacking_check(loaded: LoadedBench, check: HealthCheck) -> str:
    """Return that the sequence which the bench file names lacks ``check``, so that its run proves nothing, and what to do.

    Empty where it has the check, and where it cannot be read, which is told of where it is run.
    """
    golden = loaded.bench.golden_unit
    if check == "golden_unit" and golden is None:
        return ""
    own = loaded.bench.bench_check or OwnCheck()
    name = golden.sequence if check == "golden_unit" and golden is not None else own.sequence
    serial = golden.serial if check == "golden_unit" and golden is not None else ""
    try:
        path = find_file(name, "sequence", beside=loaded.path)
        sequence = load_sequence(str(path), Wanted(serial=serial, bench_folder=loaded.path.parent)).sequence
    except FileProblems:
        return ""
    if any(one.check == check for one in sequence.checks):
        return ""
    return printable(
        f"the sequence {path.name} has no check '{check}', so that its run holds nothing against its history and proves nothing: "
        f"write '- {{check: {check}}}' as its last check"
    )
