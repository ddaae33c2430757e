"""What is wrong with the profiles and loss tables of a bench file that cannot be used itself, so that one look tells all."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from sequencer.files.read import read_utf8
from sequencer.files.write import is_there
from sequencer.files.yaml_tree import Node, Source, compose
from sequencer.inputs.bench import relative_to
from sequencer.inputs.bench_parts.loss_table import load_table
from sequencer.inputs.profiles import load_profile, load_text_profile
from sequencer.problems import Complaint, FileProblems

MOST_NAMED = 100


def complaints_of_named_files(path: Path) -> list[Complaint]:
    """Return the complaints of every profile and loss table that the bench file ``path`` names in so many words."""
    complaints: list[Complaint] = []
    with suppress(FileProblems):
        source, _ = compose(read_utf8(path), str(path))
        if source is None or source.root.kind != "mapping":
            return []
        for look in (_profiles, _tables):
            for wrong in look(source, path):
                complaints += [one for one in wrong.complaints if one not in complaints]
    return complaints


def _entries(node: Node | None) -> dict[str, Node]:
    return (
        {}
        if node is None or node.kind != "mapping"
        else {key: value for key, (_, value) in node.entries.items()}
    )


def _text(node: Node | None) -> str | None:
    return (
        node.scalar if node is not None and node.kind == "scalar" and isinstance(node.scalar, str) else None
    )


def _profiles(source: Source, path: Path) -> Iterator[FileProblems]:
    for name, entry in list(_entries(_entries(source.root).get("instruments")).items())[:MOST_NAMED]:
        fields = _entries(entry)
        named, role = _text(fields.get("profile")), _text(fields.get("role")) or name
        if named is None:
            continue
        load = load_text_profile if _text(fields.get("driver")) == "text" else load_profile
        try:
            load(named, role, path, source, ("instruments", name, "profile"))
        except FileProblems as problems:
            yield problems


def _tables(source: Source, path: Path) -> Iterator[FileProblems]:
    for entry in _entries(_entries(source.root).get("paths")).values():
        named = _text(_entries(entry).get("loss"))
        if named is None or not named.lower().endswith((".yaml", ".yml")):
            continue
        file = relative_to(path, named)
        if is_there(file):
            try:
                load_table(file)
            except FileProblems as problems:
                yield problems
