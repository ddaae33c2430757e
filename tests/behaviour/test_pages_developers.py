"""DEVELOPERS.md and CHANGELOG.md are true: every room has its row, every path is there, every name that moved can be imported."""

from __future__ import annotations

import re
from importlib import import_module

import pytest

from tests.support.page_blocks import TOP

TEXT = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
ROOMS = ("sequencer", "drivers", "sim")


def _packages() -> set[str]:
    """Return every room: packages below the three, but for those within a room."""
    return {
        f"{top}/{folder.name}"
        for top in ROOMS
        for folder in (TOP / top).iterdir()
        if (folder / "__init__.py").is_file()
    }


def test_every_room_has_a_row_and_every_row_a_room() -> None:
    """The table is the tree: a room that is added or goes is missed here."""
    rows = set(re.findall(r"^\| `((?:sequencer|drivers|sim)/\w+)` \|", TEXT, re.MULTILINE))
    assert rows == _packages()


def test_every_path_named_is_there() -> None:
    """Each file or folder between backticks exists."""
    prefix = "|".join((*ROOMS, "sequences", "tests"))
    paths = re.findall(rf"`((?:{prefix})/[\w./-]*\w)`", TEXT)
    assert len(paths) > 30
    for path in paths:
        assert (TOP / path).exists(), path


def test_the_layers_are_those_that_are_kept() -> None:
    """The layers drawn are those of the contract in pyproject.toml, word for word and in order."""
    drawn = re.search(r"only rooms below it\n(.*?)sequences/", TEXT, re.DOTALL)
    contract = re.search(
        r'containers = \["sequencer"\]\nlayers = \[\n(.*?)\]',
        (TOP / "pyproject.toml").read_text("utf-8"),
        re.DOTALL,
    )
    assert drawn is not None
    assert contract is not None
    layers = re.findall(r'"([^"]+)"', contract[1])
    assert [line.strip().replace(".py", "") for line in drawn[1].splitlines()] == layers


@pytest.mark.parametrize(
    "name",
    [
        *re.findall(
            r"^\| `[\w.]+`[^|]*\| `([\w.]+)` \|$", (TOP / "CHANGELOG.md").read_text("utf-8"), re.MULTILINE
        ),
        "sequencer.checks.base",
        "drivers.roles",
        "drivers.faults",
    ],
)
def test_a_public_name_can_be_imported(name: str) -> None:
    """Where the changelog says that something went, it is; and what was promised to stay has stayed."""
    assert import_module(name).__doc__
