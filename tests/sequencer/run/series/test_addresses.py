"""The file with addresses of notification services: what is taken of it, and what is said of the rest without repeating it."""

from __future__ import annotations

import sys
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import ModuleType

import pytest

from sequencer.problems import FileProblems
from sequencer.run.series.addresses import (
    ALLOWED,
    MOST_ADDRESSES,
    Address,
    complaint,
    has_library,
    read_addresses,
)


def _file(folder: Path, content: bytes, mode: int = 0o600) -> Path:
    path = folder / "who.txt"
    path.write_bytes(content)
    path.chmod(mode)
    return path


def test_addresses_keep_their_lines(tmp_path: Path) -> None:
    """Counted from 1, with blank lines and remarks between them, with or without a byte-order mark; blanks round them go."""
    path = _file(tmp_path, b"\xef\xbb\xbf# night\n\n  json://host/a \r\nX+y.1-z://host\n")
    assert read_addresses(path) == (
        Address(text="json://host/a", line=3),
        Address(text="X+y.1-z://host", line=4),
    )


def test_as_many_as_are_allowed_are_taken_and_one_more_is_told_on_its_line(tmp_path: Path) -> None:
    """Fifty."""
    assert len(read_addresses(_file(tmp_path, b"json://h\n" * MOST_ADDRESSES))) == 50
    with pytest.raises(FileProblems) as caught:
        read_addresses(_file(tmp_path, b"json://h\n" * (MOST_ADDRESSES + 1)))
    (one,) = caught.value.complaints
    assert (one.line, one.column, one.message) == (51, 1, "51 addresses; at most 50 are told")


@pytest.mark.parametrize(
    "line", ["json:/s3cret", "://s3cret", "1x://s3cret", "json://s3cret here", "jsön://s3cret", "s3cret"]
)
def test_what_is_no_address_is_told_by_its_line_alone(tmp_path: Path, line: str) -> None:
    """RFC 3986 begins a scheme with a letter, of ASCII; blanks stand in no address."""
    with pytest.raises(FileProblems) as caught:
        read_addresses(_file(tmp_path, f"json://h\n{line}\n".encode()))
    (one,) = caught.value.complaints
    assert (one.line, one.message, one.allowed) == (2, "not an address", ALLOWED)
    assert "s3cret" not in str(caught.value)


@pytest.mark.parametrize(
    ("mode", "who"),
    [(0o620, "its group"), (0o601, "everybody"), (0o666, "its group and everybody")],
)
def test_whoever_may_touch_the_file_is_named(tmp_path: Path, mode: int, who: str) -> None:
    """By any of the permissions, not by reading alone: who may write it may have messages sent elsewhere."""
    with pytest.raises(FileProblems, match=f"{who} may read this file"):
        read_addresses(_file(tmp_path, b"json://h\n", mode))


def test_another_coding_is_refused(tmp_path: Path) -> None:
    """With what is allowed."""
    with pytest.raises(FileProblems, match="not UTF-8 text") as caught:
        read_addresses(_file(tmp_path, b"json://h\xff\n"))
    assert caught.value.complaints[0].allowed == ALLOWED


def test_whether_the_library_is_there_is_seen_without_loading_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """By whether it could be imported."""
    there = ModuleType("apprise")
    there.__spec__ = ModuleSpec("apprise", None)
    for module, found in ((there, True), (None, False)):
        monkeypatch.setitem(sys.modules, "apprise", module)
        assert has_library() is found


def test_an_address_is_never_shown(tmp_path: Path) -> None:
    """Neither by itself nor in a complaint about its line."""
    assert repr(Address(text="json://user:s3cret@h", line=7)) == "Address(line=7)"
    told = complaint(tmp_path / "who.txt", 7, "not an address")
    assert (told.file, told.line, told.column) == (str(tmp_path / "who.txt"), 7, 1)
