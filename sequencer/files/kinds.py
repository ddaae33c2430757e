"""Tells what kind of file a tree is by the key that every file of that kind has, so that one kind given for another is said to be that."""

from __future__ import annotations

from collections.abc import Collection

from sequencer.files.shipped import Kind, shipped_names
from sequencer.files.yaml_tree import Node, Source
from sequencer.problems import Complaint, listed

_CALLED = {
    "batch": "batch file",
    "gauge": "gauge study",
    "sequence": "sequence",
    "bench": "bench file",
    "plan": "channel plan",
    "serials": "model file",
    "profile": "profile",
    "loss_table": "loss table",
    "rows": "file of limits",
    "serial": "specimen of a simulated unit",
}
"""What a file is called, by the key that only files of its kind have at the top."""

_NAME_A_SEQUENCE = ("batch", "gauge")
"""Kinds of files that have the key `sequence` beside their own."""
_SHIPPED: dict[str, Kind] = {"sequence": "sequence", "bench": "bench", "plan": "plan", "serials": "model"}


def other_kind(source: Source, wanted: Collection[str]) -> Complaint | None:
    """Return the complaint that the file is of another kind than one with the keys ``wanted``; None where it is not."""
    root: Node = source.root
    own = next((key for key in _CALLED if key in wanted), None)
    if root.kind != "mapping" or own is None:
        return None
    names_one_too = any(key in root.entries and key not in wanted for key in _NAME_A_SEQUENCE)
    if own in root.entries and not names_one_too:
        return None
    other = next((key for key in _CALLED if key in root.entries and key not in wanted), None)
    if other is None:
        return None
    allowed = f"a {_CALLED[own]}, which has the key '{own}'"
    if (other, own) == ("batch", "sequence"):
        allowed = "a sequence; the batch file goes with --batch"
    if own in _SHIPPED:
        allowed += f"; shipped: {listed(shipped_names(_SHIPPED[own]))}"
    return source.complain(
        (other,), f"this is a {_CALLED[other]}, not a {_CALLED[own]}", found=other, allowed=allowed, key=True
    )
