"""The log for people: it rotates, keeps a few, takes nothing a terminal could act on, and costs no run where it cannot be written."""

from __future__ import annotations

import errno
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from sequencer.cli.unattended import log as log_module
from sequencer.cli.unattended.log import HumanLog
from sequencer.problems import InputError
from sequencer.results.model import FaultFacts
from sequencer.run.events import FaultMet, Warned
from sequencer.run.series.clock import JumpingClock
from sequencer.run.series.events import Trouble

CLOCK = JumpingClock(datetime(2026, 11, 27, 22, 30, tzinfo=UTC))


def _trouble(text: str) -> Trouble:
    return Trouble(time=CLOCK.now(), text=text)


def test_it_rotates_and_keeps_a_few(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No file beyond its size, the newest lines in the file itself, the oldest gone."""
    monkeypatch.setattr(log_module, "LARGEST_BYTES", 2000)
    monkeypatch.setattr(log_module, "KEPT", 3)
    log = HumanLog(tmp_path / "bench.log", CLOCK)
    for number in range(500):
        log.of_series(_trouble(f"line {number}"))
    log.close()
    files = sorted(tmp_path.iterdir())
    assert [one.name for one in files] == ["bench.log", "bench.log.1", "bench.log.2", "bench.log.3"]
    assert all(one.stat().st_size <= 2000 for one in files)
    assert files[0].read_text(encoding="utf-8").endswith("line 499\n")
    assert "line 0\n" not in "".join(one.read_text(encoding="utf-8") for one in files)
    assert log.failed == ""


def test_what_stood_there_stays(tmp_path: Path) -> None:
    """Another night is written below the one before."""
    for night in ("first", "second"):
        log = HumanLog(tmp_path / "bench.log", CLOCK)
        log.of_series(_trouble(night))
        log.close()
    assert [line[27:] for line in (tmp_path / "bench.log").read_text(encoding="utf-8").splitlines()] == [
        "first",
        "second",
    ]


def test_an_instrument_s_text_is_printable_and_stays_on_its_line(tmp_path: Path) -> None:
    """An escape, a line end, a mark of direction: spelt out."""
    log = HumanLog(tmp_path / "bench.log", CLOCK)
    fault = FaultFacts(
        kind="Senseless",
        what="answered \x1b[2J\r\n2026-11-27 all is well \u202e",
        instrument="power_meter",
        address="TCPIP0::x",
        next_move="Look.",
    )
    log.of_run(FaultMet(index=1, fault=fault))
    log.of_run(Warned(text="\x07 bell"))
    log.close()
    content = (tmp_path / "bench.log").read_bytes()
    assert content.count(b"\n") == 2
    assert b"\\x1b[2J\\r\\n2026-11-27" in content
    assert not set(content.decode("utf-8")) & set("\x1b\r\x07\u202e")


def test_a_log_that_cannot_be_written_is_refused_at_the_start_and_noted_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before: a complaint that names another option. In the night: why is kept, and nothing is raised or printed."""
    (tmp_path / "file").touch()
    with pytest.raises(InputError, match="the log cannot be written here") as raised:
        HumanLog(tmp_path / "file" / "bench.log", CLOCK)
    assert "--log" in str(raised.value)
    log = HumanLog(tmp_path / "bench.log", CLOCK)

    def full(text: str) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(log._handler.stream, "write", full, raising=False)
    log.of_series(_trouble("lost"))
    monkeypatch.undo()
    log.close()
    assert log.failed == "No space left on device"


def test_a_log_is_written_below_a_log_only(tmp_path: Path) -> None:
    """An empty file is taken; notes, another program's log and a device are not, nor is a log put aside over somebody's file."""
    path = tmp_path / "bench.log"
    path.touch()
    HumanLog(path, CLOCK).close()
    for content in (b"serial,model\n", b"\x00\xff", b"2026-11-27 22:30:00,123 INFO began\n", b"\n"):
        path.write_bytes(content)
        with pytest.raises(InputError, match="not a log of this program") as raised:
            HumanLog(path, CLOCK)
        assert "--log" in str(raised.value)
        assert path.read_bytes() == content
    path.unlink()
    (tmp_path / "bench.log.31").write_text("mine\n")
    with pytest.raises(InputError, match=r"bench\.log\.31: the log bench\.log is put aside under this name"):
        HumanLog(path, CLOCK)
    with pytest.raises(InputError, match="not a log of this program"):
        HumanLog(Path("/dev/full"), CLOCK)
    HumanLog(Path("/dev/null"), CLOCK).close()


def test_a_link_to_itself_is_refused(tmp_path: Path) -> None:
    """Said, as any name that cannot be written."""
    path = tmp_path / "bench.log"
    path.symlink_to(path)
    with pytest.raises(InputError, match="the log cannot be written here"):
        HumanLog(path, CLOCK, other_use=lambda one: str(one.resolve()) and "")


class _Day:
    """A clock that stands at noon of a day."""

    def __init__(self, day: int) -> None:
        self.day = day

    def now(self) -> datetime:
        return datetime(2026, 11, self.day, 12, tzinfo=UTC)


def test_each_day_has_a_file_of_its_own(tmp_path: Path) -> None:
    """Within a series, and where the next one begins on another day; on the same day it is written on."""
    clock: Any = _Day(23)
    for day, text in ((23, "first"), (23, "second"), (24, "third")):
        clock.day = day
        log = HumanLog(tmp_path / "bench.log", clock)
        log.of_series(_trouble(text))
        log.close()
    log = HumanLog(tmp_path / "bench.log", clock)
    log.of_series(_trouble("fourth"))
    clock.day = 25
    log.of_series(_trouble("fifth"))
    log.of_series(_trouble("sixth"))
    log.close()
    said = {one.name: [line[27:] for line in one.read_text().splitlines()] for one in tmp_path.iterdir()}
    assert said == {
        "bench.log": ["fifth", "sixth"],
        "bench.log.1": ["third", "fourth"],
        "bench.log.2": ["first", "second"],
    }
    assert log.failed == ""
