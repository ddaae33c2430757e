"""A new file is whole or not there, and takes nobody's place."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest

from sequencer.files.write import write_beside, write_new


def test_a_file_that_is_there_is_not_written_over(tmp_path: Path) -> None:
    """A second one of a name is refused, and the first stays; nothing else is left in the folder."""
    write_new(tmp_path / "a.txt", b"first")
    with pytest.raises(FileExistsError):
        write_new(tmp_path / "a.txt", b"second")
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"a.txt": b"first"}


def test_the_next_free_number_is_taken(tmp_path: Path) -> None:
    """Three of one name stand beside each other."""
    names = [write_beside(tmp_path / "a.txt", bytes([number])).name for number in range(3)]
    assert names == ["a.txt", "a-2.txt", "a-3.txt"]
    assert [(tmp_path / name).read_bytes() for name in names] == [b"\0", b"\1", b"\2"]


@pytest.mark.parametrize("links", [True, False])
def test_a_full_disk_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: bool) -> None:
    """What cannot be brought onto the disk is not there afterwards, on a file system with links and on one without."""

    def full(_descriptor: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    if not links:
        monkeypatch.setattr(os, "link", _no_links)
    with pytest.raises(OSError, match="No space left"):
        write_new(tmp_path / "a.txt", b"content")
    assert list(tmp_path.iterdir()) == []


def test_a_file_system_without_links_will_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """There it is created under its own name, and still takes nobody's place."""
    monkeypatch.setattr(os, "link", _no_links)
    write_new(tmp_path / "a.txt", b"first")
    with pytest.raises(FileExistsError):
        write_new(tmp_path / "a.txt", b"second")
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"a.txt": b"first"}


def _no_links(*_: Any) -> None:
    raise OSError(errno.EPERM, "Operation not permitted")
