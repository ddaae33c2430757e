"""How the cables are is believed only as far as somebody confirmed it, and is remembered by a file."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from drivers.faults import Refused
from sequencer.safety.remembered.cables import Cables
from sequencer.safety.remembered.mark import Mark
from sequencer.safety.remembered.state_folder import StateFolder

GENERATOR: Any = SimpleNamespace(name="signal_generator", address="here")


def _mark(folder: Path) -> Mark:
    return Mark(StateFolder(path=folder), "generator.cables")


def _opened(folder: Path) -> Cables:
    """Return the cables as the next process finds them."""
    cables = Cables(_mark(folder))
    cables.recall()
    return cables


def test_cables_are_normal_until_somebody_is_asked(tmp_path: Path) -> None:
    """From the question on they may be anywhere; what is confirmed is told; only "normal" lets a unit be fed again."""
    told: list[str] = []
    cables = _opened(tmp_path)
    cables.refuse_if_moved(GENERATOR)
    for connection in ("unknown", "direct", "unknown", "through"):
        cables.note(connection, told.append)  # type: ignore[arg-type]
        with pytest.raises(Refused, match="were not confirmed back") as caught:
            cables.refuse_if_moved(GENERATOR)
        assert "Put the cables back" in str(caught.value)
    assert told == ["direct", "through"]
    cables.note("normal", told.append)
    cables.refuse_if_moved(GENERATOR)
    assert _mark(tmp_path).find() is None


def test_a_process_that_ends_in_between_leaves_it_to_the_next(tmp_path: Path) -> None:
    """The file stands from before the question on, so that however a process ends, the next one knows."""
    _opened(tmp_path).note("unknown")
    after = _opened(tmp_path)
    assert after.moved
    after.note("normal")
    assert not _opened(tmp_path).moved


def test_what_cannot_be_remembered_is_not_begun(tmp_path: Path) -> None:
    """Where the file cannot be written nobody is asked to move anything, and the fault says where and why."""
    cables = Cables(_mark(tmp_path / "none"))
    with pytest.raises(Refused, match="cannot record that cables are moved") as caught:
        cables.note("unknown")
    assert str(tmp_path / "none") in str(caught.value)
    assert not cables.moved


def test_a_simulated_bench_remembers_nothing() -> None:
    """It is new each time."""
    Cables().note("unknown")
    assert not Cables().moved
