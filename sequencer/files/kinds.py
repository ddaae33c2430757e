"""Tells what kind of file a tree is by the key that every file of that kind has, so that one kind given for another is said to be that."""

from __future__ import annotations

from collections.abc import Collection

from sequencer.files.shipped import Kind, shipped_names
from sequencer.files.yaml_tree import Node, Source
from sequencer.problems import Complaint, listed

_CALLED = {
    "batch": "batch file",
    "sequence": "sequence",
    "bench": "bench file",
    "plan": "channel plan",
    "serials": "model file",
    "profile": "profile",
    "loss_table": "loss table",
    "serial": "specimen of a simulated unit",
}
"""What a file is called, by the key that only files of its kind have at the top."""

_SHIPPED: dict[str, Kind] = {"sequence": "sequence", "bench": "bench", "plan": "plan", "serials": "model"}


def other_kind(source: Source, wanted: Collection[str]) -> Complaint | None:
    """Return the complaint that the file is of another kind than one with the keys ``wanted``; None where it is not."""
    root: Node = source.root
    own = next((key for key in _CALLED if key in wanted), None)
    is_batch = (
        root.kind == "mapping" and "batch" in root.entries and "batch" not in wanted
    )  # it names a sequence too
    if root.kind != "mapping" or own is None or (own in root.entries and not is_batch):
        return None
    other = next((key for key in _CALLED if key in root.entries and key not in wanted), None)
    if other is None:
        return None
    allowed = f"a {_CALLED[own]}, which has the key '{own}'"
    if own in _SHIPPED:
        allowed += f"; shipped: {listed(shipped_names(_SHIPPED[own]))}"
    return source.complain(
        (other,), f"this is a {_CALLED[other]}, not a {_CALLED[own]}", found=other, allowed=allowed, key=True
    )
