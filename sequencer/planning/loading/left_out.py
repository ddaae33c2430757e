"""Takes out of a sequence's tree what cannot be read, so that what is left can still be held against the bench in the same look."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from sequencer.files.yaml_tree import Node, Source
from sequencer.problems import Complaint, FileProblems

SPARED = (
    "channels",
    "decision_rule",
    "dead_receiver",
    "prepare",
    "rated_power",
    "rated_supply",
    "rated_temperature",
    "share_key",
    "supply",
)
"""Keys without which the checks are still what they are; without a mode or a model they are not."""

_Place = tuple[int, int]


def leave_out(source: Source, complaints: Iterable[Complaint]) -> bool:
    """Take out each check, and each key beside them, that is complained of; say whether these were checks alone.

    Raises FileProblems with the complaints where what is left would not be what was meant.
    """
    complaints = tuple(complaints)
    root = source.root
    checks = root.entries["checks"][1].items if "checks" in root.entries else []
    spoiled, keys = set[int](), set[str]()
    for place in ((one.line, one.column) for one in complaints if one.file == source.file):
        key = _last_before([(name, at) for name, (at, _) in root.entries.items()], place)
        if key == "checks":
            key = _last_before(list(enumerate(checks)), place)
        if isinstance(key, int):
            spoiled.add(key)
        elif key in SPARED:
            keys.add(str(key))
        else:
            raise FileProblems(complaints)
    if spoiled:
        checks[:] = [item for number, item in enumerate(checks) if number not in spoiled]
    for key in keys:
        del root.entries[key]
    return not keys


def _last_before(nodes: Sequence[tuple[str | int, Node]], place: _Place) -> str | int | None:
    """Return which of ``nodes``, by its name, begins last at or before ``place`` in the file's own text."""
    own = [((node.line, node.column), name) for name, node in nodes if node.origin is None]
    return max((one for one in own if one[0] <= place), key=lambda one: one[0], default=(place, None))[1]
