"""Reads a file that a person wrote into a model, or complains of everything that is wrong with it at once.

Every complaint carries file, line, column, what was found, what is allowed and a hint. Nothing in a file can
make reading hang, run code or raise anything but `FileProblems`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from importlib.resources import files
from pathlib import Path
from typing import Generic, TypeVar

from pydantic import BaseModel, ValidationError

from sequencer.files.collector import collector_at_rest
from sequencer.files.explain import complaints_of, keys_at
from sequencer.files.kinds import other_kind
from sequencer.files.ordinary import format_of, read_ordinary, seems_utf16
from sequencer.files.yaml_tree import Node, Source, compose
from sequencer.frozen import dataclass
from sequencer.problems import Complaint, FileProblems, about_file, listed

LARGEST_BYTES = 1024 * 1024
"""Files beyond this are refused before they are read."""

_SHIPPED = ("sequences", "sim", "drivers")
"""The packages with files of ours."""

M = TypeVar("M", bound=BaseModel)
T = TypeVar("T")
Fill = Callable[[Source], None]


_below: ContextVar[Path | None] = ContextVar("below", default=None)


@contextmanager
def reading_only_below(folder: Path) -> Iterator[None]:
    """Refuse meanwhile every file that is neither below ``folder`` nor shipped: a file of somebody else's may name what it likes."""
    token = _below.set(folder.resolve())
    try:
        yield
    finally:
        _below.reset(token)


def _refuse_elsewhere(path: Path) -> None:
    folder = _below.get()
    if folder is None:
        return
    real = path.resolve()
    shipped = [Path(str(files(package))).resolve() for package in _SHIPPED]
    if not any(real.is_relative_to(one) for one in (folder, *shipped)):
        raise about_file(
            path.name,
            "names a file that does not stand beside it",
            allowed="a file of the run itself, or a shipped one",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Read(Generic[T]):
    """What a file says (``model``), and where it says it (``source``)."""

    model: T
    source: Source


def read_file(
    path: Path | str, model: type[M] | Callable[[Node], type[M]], *, fill: Fill | None = None
) -> Read[M]:
    """Return the file at ``path`` as ``model``, or as the model that a function chooses by its tree. Raises FileProblems.

    ``fill`` may take over into the tree what the file leaves out, before it is held against the model.
    """
    return read_text(read_utf8(path), model, file=str(path), fill=fill)


def read_text(
    text: str,
    model: type[M] | Callable[[Node], type[M]],
    *,
    file: str = "<text>",
    fill: Fill | None = None,
) -> Read[M]:
    """Return YAML ``text`` as ``model``; complaints, which all come at once, call it ``file``. Raises FileProblems."""
    with collector_at_rest():
        return _read_text(text, model, file, fill)


def _read_text(
    text: str, model: type[M] | Callable[[Node], type[M]], file: str, fill: Fill | None
) -> Read[M]:
    source, complaints = compose(text, file)
    if source is None:
        raise FileProblems(complaints)
    wanted: type[M] = model if isinstance(model, type) else model(source.root)
    if source.root.kind != "mapping" and not source.root.spoiled:
        found = source.root.described()
        keys = listed(keys_at(wanted, ()))
        message = f"the file holds {found}, not a mapping of keys to values"
        complaints.append(
            source.complain((), message, found=found, allowed=f"a mapping with the keys {keys}")
        )
        raise FileProblems(complaints)
    if (other := other_kind(source, keys_at(wanted, ()))) is not None:
        raise FileProblems([other])  # what else is wrong with it as the wrong kind helps nobody
    if fill is not None:
        fill(source)
    validated: M | None = None
    try:
        # Strict JSON is the mode that suits YAML: text becomes dates and enumerations, lists become tuples,
        # but '20' is no number, true is not 1, and 4 is no text.
        validated = wanted.model_validate_json(
            json.dumps(source.root.plain()), strict=True, by_alias=True, by_name=False
        )
    except ValidationError as error:
        complaints += complaints_of(error, source, wanted)
    if complaints or validated is None:
        raise FileProblems(sorted(set(complaints), key=lambda one: (one.line, one.column, one.message)))
    return Read(model=validated, source=source)


def read_utf8(path: Path | str) -> str:
    """Return the text of an ordinary file of at most `LARGEST_BYTES`. Raises FileProblems."""
    return _decoded(read_bytes(path), Path(path))


def read_bytes(path: Path | str, *, kind: str = "a YAML file") -> bytes:
    """Return the content of an ordinary file of at most `LARGEST_BYTES`; complaints ask for ``kind``. Raises FileProblems."""
    path = Path(path)
    _refuse_elsewhere(path)
    return read_ordinary(path, kind=kind, most_bytes=LARGEST_BYTES, too_large="to be written by hand")


def _decoded(content: bytes, path: Path) -> str:
    if known := format_of(content):
        hint = "name the file that was meant, or save its text as plain text"
        raise _no_text(path, f"this is {known}", found=known, hint=hint)
    if seems_utf16(content):
        hint = "the file looks like UTF-16; save it as UTF-8"
        raise _no_text(path, "not UTF-8 text", found="UTF-16", hint=hint)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = content[: error.start].split(b"\n")
        byte = f"byte 0x{content[error.start]:02X}"
        column = len(before[-1].decode("utf-8", "replace")) + 1
        hint = "the file looks binary" if b"\0" in content else "save the file as UTF-8"
        message = f"not UTF-8 text: {byte}"
        raise _no_text(path, message, len(before), column, found=byte, hint=hint) from error


def _no_text(
    path: Path, message: str, line: int = 1, column: int = 1, *, found: str, hint: str
) -> FileProblems:
    allowed = "a YAML file in UTF-8"
    one = Complaint(
        file=str(path), line=line, column=column, message=message, found=found, allowed=allowed, hint=hint
    )
    return FileProblems([one])
