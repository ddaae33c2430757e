"""The files that a run was made from: gathered whole, so that it can be gone through again, and laid out again as they stood.

Each stands under a place: where it stood beside the others, below a folder of its own. What is named by an absolute path, or lies far away,
has no place and is not kept. Profiles that are shipped are not kept either: they are this sequencer's, as its code is.
"""

from __future__ import annotations

import hashlib
import json
import posixpath
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path

from drivers.profiled.profile import Profile
from sequencer.files.dataclass_model import read_dataclass
from sequencer.files.read import LARGEST_BYTES
from sequencer.files.shipped import find_file, is_shipped
from sequencer.planning.plan import Plan
from sequencer.problems import FileProblems
from sequencer.results.model import RunInput

DEEP = "up/up/up"
"""Below it stand sequence and bench, so that what they name by `..` has a place too."""
MOST_INPUTS = 100
LONGEST_PLACE = 300
_MOST_LIKE = 8


def inputs_of(plan: Plan) -> tuple[RunInput, ...]:
    """Return the files that ``plan`` was made from; what cannot be read any more, or has no place, is left out."""
    found: dict[str, RunInput] = {}
    for place, kind, path in _named(plan):
        if place in found or len(found) >= MOST_INPUTS or not is_place(place):
            continue
        with suppress(OSError):
            if path.stat().st_size <= LARGEST_BYTES:
                found[place] = RunInput(place=place, kind=kind, content=path.read_bytes())
    return tuple(found.values())


def input_hashes(plan: Plan) -> dict[str, str]:
    """Return the places of the files that ``plan`` was made from, each with a hash of what stands there now."""
    return {one.place: hashlib.sha256(one.content).hexdigest()[:16] for one in inputs_of(plan)}


def asked_of(plan: Plan, model: str) -> str:
    """Return as JSON what was asked for beside the files: the order, whether key-downs are shared, and the model by its name."""
    order = "written" if plan.arranged is None else "quickest"
    return json.dumps({"order": order, "share_key": "yes" if plan.share_key else "no", "model": model})


def is_place(place: str) -> bool:
    """Say whether a text may be a place: a plain path downwards, of printable characters, which leads nowhere else."""
    parts = place.split("/")
    return (
        0 < len(place) <= LONGEST_PLACE
        and place.isprintable()
        and posixpath.normpath(place) == place
        and not any(one in ("", ".", "..") or "\\" in one or ":" in one for one in parts)
    )


def lay_out(inputs: Sequence[RunInput], folder: Path) -> None:
    """Write the files below ``folder``, which is empty. ValueError for a place that none may have."""
    if len(inputs) > MOST_INPUTS:
        raise ValueError(f"{len(inputs)} files; {MOST_INPUTS} at most")
    for one in inputs:
        if not is_place(one.place):
            raise ValueError(f"{one.place[:60]!r} is no place of a file")
    for one in inputs:
        path = folder.joinpath(*one.place.split("/"))
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(one.content)


def _named(plan: Plan) -> Iterator[tuple[str, str, Path]]:
    sequence, bench = plan.sequence, plan.bench
    at = f"{DEEP}/sequence"
    yield f"{at}/{sequence.path.name}", "sequence", sequence.path
    if sequence.sequence.channels is not None:
        yield from _found(sequence.sequence.channels, "plan", at, sequence.path)
    for name, path in sequence.rows.files.items():
        yield _joined(at, name), "limits", path
    if (model := sequence.model) is not None:
        models = f"{at}/models"
        yield f"{models}/{model.path.name}", "model", model.path
        if model.model.channels is not None:
            yield from _found(model.model.channels, "plan", models, model.path)
    for step in plan.steps:
        if (named := getattr(step.settings, "file", None)) and step.check.name == "channel_memory":
            text = str(named).replace("{serial}", step.conditions.serial)
            yield from _beside(text, "list", at, sequence.path)
    at = f"{DEEP}/bench"
    yield f"{at}/{bench.path.name}", "bench", bench.path
    for name, table in bench.tables.items():
        named = bench.source.find(("paths", name, "loss")).scalar
        if isinstance(named, str):
            yield _joined(at, named), "table", table.path
    for entry in bench.bench.instruments.values():
        if entry.profile:
            yield from _profiles(entry.profile, entry.role, at, bench.path, _MOST_LIKE)


def _joined(folder: str, text: str) -> str:
    return "" if Path(text).is_absolute() else posixpath.normpath(f"{folder}/{text}")


def _found(text: str, kind: str, at: str, beside: Path) -> Iterator[tuple[str, str, Path]]:
    with suppress(FileProblems):
        yield _joined(at, text), kind, find_file(text, "plan", beside=beside)


def _beside(text: str, kind: str, at: str, beside: Path) -> Iterator[tuple[str, str, Path]]:
    for path in (beside.parent / text, Path(text)):
        with suppress(OSError, ValueError):
            if path.is_file():
                yield _joined(at, text), kind, path
                return


def _profiles(text: str, role: str, at: str, beside: Path, levels: int) -> Iterator[tuple[str, str, Path]]:
    """Yield an own profile, and those that it is like."""
    try:
        path = find_file(text, "profile", beside=beside, within=role)
    except FileProblems:
        return
    if is_shipped(path, "profile"):
        return
    place = _joined(at, text)
    yield place, "profile", path
    with suppress(FileProblems):  # a text radio's is like no other
        like = read_dataclass(path, Profile).model.like
        if like and levels and place:
            yield from _profiles(like, role, posixpath.dirname(place), path, levels - 1)
