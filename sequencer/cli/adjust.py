"""`adjust`: brings presets of the unit's model to their targets, by a sequence of one check that is made for the purpose."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

from sequencer.cli.run import Asked
from sequencer.cli.run_told import run_command
from sequencer.problems import Complaint, FileProblems, option_problem, printable


def adjust_command(
    presets: tuple[str, ...],
    bench_name: str,
    *,
    serial: str,
    model: str,
    rounds: int,
    always: bool,
    confirmed: bool,
    folder: Path,
    store: str,
    as_json: bool,
) -> int:
    """Adjust ``presets`` of the model; returns the exit status of the run."""
    if twice := next((name for name in presets if presets.count(name) > 1), None):
        raise option_problem("PRESET", f"{printable(twice)!r} is named twice", allowed="each preset once")
    with tempfile.TemporaryDirectory(prefix="adjust-") as made:
        file = Path(made) / f"adjust-{presets[0][:30]}.yaml".replace("/", "_")
        file.write_text(_sequence(presets, rounds=rounds, always=always), encoding="utf-8")
        try:
            asked = Asked(
                sequence_name=str(file),
                bench_name=bench_name,
                serial=serial,
                model=model,
                confirmed=confirmed,
                folder=folder,
                store=store,
            )
            return run_command(asked, as_json=as_json)
        except FileProblems as problems:
            raise FileProblems(_of_the_command(problems.complaints, file)) from problems


def _of_the_command(complaints: Iterable[Complaint], file: Path) -> Iterator[Complaint]:
    """Yield complaints; those about the sequence that was made here are about what was typed, for the file is gone."""
    for one in complaints:
        is_ours = one.file == str(file)
        yield replace(one, file="PRESET", line=0, column=0, source_line="") if is_ours else one


def _sequence(presets: tuple[str, ...], *, rounds: int, always: bool) -> str:
    """Return the text of a sequence that adjusts and nothing else; JSON is YAML."""
    entry: dict[str, object] = {"check": "adjust", "always": always}
    if len(presets) == 1:
        entry["preset"] = presets[0]
    else:
        entry |= {"presets": list(presets), "rounds": rounds}
    return json.dumps({"sequence": f"Adjust {', '.join(presets)}"[:100], "checks": [entry]}) + "\n"
