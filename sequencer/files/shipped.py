"""Finds the file a text names: the user's own first, then one that is shipped with the project.

Shipped files are reached as package data, so that they are found in an installed wheel as in a source tree.
"""

from __future__ import annotations

import atexit
from collections.abc import Iterator
from contextlib import ExitStack
from functools import cache
from importlib.resources import as_file, files
from importlib.resources.abc import Traversable
from pathlib import Path, PurePosixPath
from typing import Literal

from sequencer.files.ordinary import is_ordinary, no_file_but
from sequencer.problems import Complaint, FileProblems, listed, nearest

Kind = Literal["sequence", "plan", "bench", "unit", "profile", "model", "limits"]

_PLACES: dict[Kind, tuple[tuple[str, str], ...]] = {
    "sequence": (("sequences", ""),),
    "plan": (("sequences", "plans"),),
    "model": (("sequences", "models"),),
    "limits": (("sequences", "limits"),),
    "bench": (("sim", ""), ("sequences", "")),
    "unit": (("sim", "units"),),
    "profile": (("drivers", "profiles"),),
}
_CALLED: dict[Kind, str] = {
    "sequence": "sequence file",
    "plan": "plan file",
    "bench": "bench file",
    "unit": "unit file",
    "profile": "profile file",
    "model": "model file",
    "limits": "file of limits",
}
_EXTRACTED = ExitStack()
atexit.register(_EXTRACTED.close)


def find_file(text: str, kind: Kind, *, beside: Path | str | None = None, within: str = "") -> Path:
    """Return the path of the file that ``text`` names.

    Looked up in this order: beside the file that refers to it (``beside``), from the current folder, and
    among the shipped files of its ``kind``, by path (``plans/cept-40.yaml``) or bare name (``cept-40``).
    ``within`` narrows the shipped files to one folder of their kind (``signal_generator`` for profiles).
    Raises FileProblems that names the nearest shipped files.
    """
    own = _own(text, beside)
    if own is not None:
        return own
    shipped = _shipped(kind)
    for name, entry in shipped.items():
        if _names(text, name, kind, within):
            return _on_disk(entry)
    raise FileProblems([_not_found(text, kind, within, list(shipped), _stands_there(text, beside))])


def shipped_names(kind: Kind, *, within: str = "") -> list[str]:
    """Return the names of the shipped files of ``kind``, as `find_file` takes them."""
    return [name for name in _shipped(kind) if not within or name.startswith(within + "/")]


def shipped_files(kind: Kind) -> list[Path]:
    """Return the shipped files of ``kind`` themselves, whatever lies under the same names in the current folder."""
    return [_on_disk(entry) for entry in _shipped(kind).values()]


def shipped_folder(text: str, kind: Kind) -> list[Path]:
    """Return the shipped files of ``kind`` where ``text`` names the folder in which they stand (`units`, `sim/units`), else none."""
    named = {name for package, folder in _PLACES[kind] if folder for name in (folder, f"{package}/{folder}")}
    if text.removeprefix("./").rstrip("/") not in named:
        return []
    return sorted(_on_disk(one) for one in _shipped(kind).values())


def is_shipped(path: Path, kind: Kind) -> bool:
    """Say whether a file is one of those shipped: nothing is written beside those."""
    found = path.resolve()
    return any(one.name == found.name and _on_disk(one).resolve() == found for one in _shipped(kind).values())


def _stands_there(text: str, beside: Path | str | None) -> str:
    """Return what else than an ordinary file has the name ``text``, in words."""
    folders = ([Path(beside).parent] if beside is not None else []) + [Path()]
    return next((wrong for folder in folders if text.strip() and (wrong := no_file_but(folder / text))), "")


def _own(text: str, beside: Path | str | None) -> Path | None:
    if not text.strip():
        return None
    folders = ([Path(beside).parent] if beside is not None else []) + [Path()]
    for folder in folders:
        path = folder / text
        if is_ordinary(path):
            return path
    return None


def _names(text: str, name: str, kind: Kind, within: str) -> bool:
    """Say whether ``text`` means the shipped file ``name`` (a path below its kind's folder)."""
    wanted = text.removesuffix(".yaml").removesuffix(".yml").removeprefix("./")
    stem = name.removesuffix(".yaml")
    if within:
        if not stem.startswith(within + "/"):
            return False
        if stem.removeprefix(within + "/") == wanted:
            return True
    # as written below the folder of their kind, or as in the source tree: sim/bench, sequences/plans/cept-40
    trees = [f"{package.replace('.', '/')}/{folder}".rstrip("/") for package, folder in _PLACES[kind]]
    folders = [*(folder for _, folder in _PLACES[kind] if folder), *trees]
    return wanted in {stem, *(f"{folder}/{stem}" for folder in folders)} or (
        "/" not in wanted and not within and PurePosixPath(stem).name == wanted
    )


def _not_found(text: str, kind: Kind, within: str, names: list[str], stands: str) -> Complaint:
    offered = [name for name in names if not within or name.startswith(within + "/")]
    by_stem = {PurePosixPath(name).stem: name for name in offered}
    alike = nearest(PurePosixPath(text).stem, by_stem, count=3) if text.strip() else []
    hint = "did you mean " + " or ".join(f"'{by_stem[stem]}'" for stem in alike) + "?" if alike else ""
    allowed = f"a path to a file, or a shipped {kind}: {listed(offered)}" if offered else "a path to a file"
    message = stands or f"no such {_CALLED[kind]}"
    if other := _kind_of(text, kind):
        message, hint = f"this is a {_CALLED[other]}, not a {_CALLED[kind]}", ""
    return Complaint(file=text, message=message, found=text, allowed=allowed, hint=hint)


def _kind_of(text: str, but: Kind) -> Kind | None:
    """Return another kind than ``but`` of which there is a shipped file that ``text`` names; None where there is none."""
    others = (kind for kind in _PLACES if kind != but and text.strip())
    return next(
        (kind for kind in others if any(_names(text, name, kind, "") for name in _shipped(kind))), None
    )


@cache
def _shipped(kind: Kind) -> dict[str, Traversable]:
    found: dict[str, Traversable] = {}
    for package, folder in _PLACES[kind]:
        top = files(package)
        here = top.joinpath(folder) if folder else top
        deep = kind in {"plan", "unit", "profile", "model", "limits"}
        for name, entry in _yaml_below(here, deep=deep):
            if kind != "bench" or "bench" in PurePosixPath(name).stem:
                found.setdefault(name, entry)
    return dict(sorted(found.items()))


def _yaml_below(folder: Traversable, *, deep: bool, prefix: str = "") -> Iterator[tuple[str, Traversable]]:
    if not folder.is_dir():
        return
    for entry in folder.iterdir():
        if entry.is_file() and entry.name.endswith(".yaml"):
            yield prefix + entry.name, entry
        elif deep and entry.is_dir():
            yield from _yaml_below(entry, deep=True, prefix=f"{prefix}{entry.name}/")


def _on_disk(entry: Traversable) -> Path:
    if isinstance(entry, Path):
        return entry
    return _EXTRACTED.enter_context(as_file(entry))  # from a zip: kept until the program ends
