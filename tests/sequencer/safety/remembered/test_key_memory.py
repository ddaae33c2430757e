"""A pressed key is remembered before it is pressed, and the rest that a unit is owed beyond the end of a process."""

from __future__ import annotations

import json
import os
import time
from contextlib import suppress
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from drivers.faults import InstrumentFault, Refused
from sequencer.bench.open_bench import BenchUnsafe
from sequencer.safety.remembered.key_memory import LONGEST_COUNTED_S, KeyMemory, LeftKeyed
from sequencer.safety.remembered.mark import Mark
from sequencer.safety.remembered.state_folder import StateFolder

RADIO: Any = SimpleNamespace(name="radio", address="here")


def _opened(folder: Path, serial: str = "M40-0007", duty: float = 0.5) -> KeyMemory:
    """Return the memory as the next process finds it."""
    memory = KeyMemory(Mark(StateFolder(path=folder), "radio.key"), serial=serial, duty=duty)
    memory.recall()
    return memory


def test_a_process_that_ends_while_keyed_leaves_it_to_the_next(tmp_path: Path) -> None:
    """The next one knows since when, and of which unit; once the key was confirmed open, it is owed a rest, and nobody is told again."""
    _opened(tmp_path).note_pressed(RADIO)
    after = _opened(tmp_path, serial="M40-0012")
    assert after.left is not None
    assert after.left.serial == "M40-0007"
    assert "PTT of unit M40-0007 was pressed: it may have been transmitting for up to" in str(after.left)
    time.sleep(0.02)
    after.note_open()
    assert after.rest_left_s > 0.0
    assert _opened(tmp_path).left is None


def test_a_key_that_was_released_leaves_its_rest_to_the_next_run_of_that_unit(tmp_path: Path) -> None:
    """The duty is the unit's: the same unit rests on in the next process, another one on the same bench is fresh."""
    memory = _opened(tmp_path)
    memory.note_pressed(RADIO)
    memory.note_released(30.0)
    same = _opened(tmp_path)
    assert same.left is None
    assert 29.0 < same.rest_left_s <= 30.0
    assert _opened(tmp_path, serial="M40-0012").rest_left_s == 0.0


@pytest.mark.parametrize(
    ("since_s", "rest_s"), [(-86400.0, LONGEST_COUNTED_S), (+86400.0, LONGEST_COUNTED_S), (-10.0, 10.0)]
)
def test_the_rest_is_bounded_whatever_the_clock_says(tmp_path: Path, since_s: float, rest_s: float) -> None:
    """A day keyed, or a clock that was set back a day, is owed what the longest counted key-down is; ten seconds are ten."""
    memory = _opened(tmp_path)
    memory.note_pressed(RADIO)
    after = _opened(tmp_path)
    after.left = LeftKeyed(since_s=time.time() + since_s, until_s=time.time(), serial="M40-0007")
    after.note_open()
    assert after.rest_left_s == pytest.approx(rest_s, abs=1.0)


def test_what_cannot_be_remembered_is_not_keyed(tmp_path: Path) -> None:
    """A key that would be pressed without anybody's knowing afterwards is refused, and the file named."""
    memory = KeyMemory(Mark(StateFolder(path=tmp_path / "none"), "radio.key"))
    with pytest.raises(Refused, match="cannot record that PTT is pressed") as caught:
        memory.note_pressed(RADIO)
    assert str(tmp_path / "none") in str(caught.value)


def test_a_simulated_bench_remembers_nothing() -> None:
    """It is new each time."""
    memory = KeyMemory()
    memory.recall()
    memory.note_pressed(RADIO)
    memory.note_released(10.0)
    assert memory.left is None
    assert memory.rest_left_s == 0.0


@pytest.mark.parametrize("stepped_s", [-86400.0, +86400.0])
def test_setting_the_time_of_day_changes_no_rest_and_no_key_down(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stepped_s: float
) -> None:
    """A clock set back or forward by a day, within one start of the machine: the rest is as long, a press is as old."""
    memory = _opened(tmp_path)
    memory.note_pressed(RADIO)
    memory.note_released(30.0)
    now = time.time
    monkeypatch.setattr(time, "time", lambda: now() + stepped_s)
    assert 25.0 < memory.rest_left_s <= 30.0
    assert 25.0 < _opened(tmp_path).rest_left_s <= 30.0
    memory.note_pressed(RADIO)
    monkeypatch.setattr(time, "time", now)
    left = _opened(tmp_path).left
    assert left is not None
    assert 0.0 <= left.longest_s < 5.0


def test_a_rest_that_was_written_by_the_time_of_day_still_counts(tmp_path: Path) -> None:
    """A record of an earlier version says until when, in seconds since 1970, and nothing of the machine's start."""
    mark = Mark(StateFolder(path=tmp_path), "radio.key")
    record = {"stands": False, "since": time.time(), "serial": "M40-0007", "rest_until": time.time() + 20.0}
    mark.path.write_text(json.dumps(record), encoding="ascii")
    assert 15.0 < _opened(tmp_path).rest_left_s <= 20.0


@pytest.mark.parametrize(
    "content", [b"\x93\xff\x00rubbish" * 40, b"", b"[" * 2000, b'{"stands": false, "since": NaN}']
)
@pytest.mark.parametrize("destroyed", ["machine", "own"])
def test_a_record_that_cannot_be_read_counts_as_pressed_and_is_told(
    tmp_path: Path, content: bytes, destroyed: str
) -> None:
    """Whatever the other copy says, however old the file looks: it may have been this unit, for the longest that is counted."""
    folders = {name: StateFolder(path=tmp_path / name) for name in ("machine", "own")}
    for folder in folders.values():
        folder.path.mkdir()
    mark = Mark(folders["machine"], "radio.key", own=folders["own"])
    KeyMemory(mark, serial="M40-0007", duty=0.5).note_released(0.0)
    file = folders[destroyed].path / mark.path.name
    file.write_bytes(content)
    os.utime(file, (time.time() - 3600.0, time.time() - 3600.0))
    after = KeyMemory(mark, serial="M40-0007", duty=0.5)
    after.recall()
    assert (
        "What was remembered of PTT of unit M40-0007 cannot be read, so that it is taken as pressed"
        in str(after.left)
    )
    after.note_open()
    following = KeyMemory(mark, serial="M40-0007", duty=0.5)
    following.recall()
    assert following.left is None
    assert following.rest_left_s == pytest.approx(LONGEST_COUNTED_S, abs=5.0)


@pytest.mark.parametrize(
    ("released", "told"), [(False, "tried as well: supply off"), (True, "watchdog took PTT")]
)
def test_what_the_watchdog_did_is_told_as_it_was_read(tmp_path: Path, released: bool, told: str) -> None:
    """PTT that was never read released was not taken by it, though the supply is off."""
    facts = {"pressed": time.time() - 9.0, "held_s": 8.5, "confirmed": True, "released": released}
    why, said = "PTT had not been read released in time", "supply off by supply, read back"
    Mark(StateFolder(path=tmp_path), "radio.key").write(
        stands=True, serial="M40-0007", why=why, said=said, **facts
    )
    assert told in str(_opened(tmp_path).left)


def test_a_unit_whose_supply_was_read_off_transmitted_no_longer_than_until_then(tmp_path: Path) -> None:
    """PTT that could never be read released, and the supply off half a second later: the next run, an hour on, counts half a second."""
    memory = _opened(tmp_path)
    memory.note_pressed(RADIO)
    time.sleep(0.05)
    memory.note_off_air()
    path = Mark(StateFolder(path=tmp_path), "radio.key").path
    record = json.loads(path.read_text())
    path.write_text(json.dumps(record | {"since_boot": record["since_boot"] - 3600.0}))
    after = _opened(tmp_path)
    assert after.left is not None
    assert 0.05 <= after.left.longest_s < 30.0
    assert "its supply was switched off, and read off" in str(after.left)
    after.note_open()
    assert after.rest_left_s == 0.0


def test_a_watchdog_that_was_first_keeps_its_word(tmp_path: Path) -> None:
    """What it did and when stays in the mark, also where the run reads the supply off later."""
    memory = _opened(tmp_path)
    memory.note_pressed(RADIO)
    mark = Mark(StateFolder(path=tmp_path), "radio.key")
    facts = {"said": "PTT released", "why": "the program hung", "held_s": 1.5, "pressed": time.time()}
    mark.write(stands=True, serial="M40-0007", confirmed=True, released=True, **facts)
    memory.note_off_air()
    left = _opened(tmp_path).left
    assert left is not None
    assert "the program hung" in str(left)


def test_the_way_out_of_a_frozen_radio_writes_down_when_the_supply_was_read_off(
    make_rig: Any, tmp_path: Path
) -> None:
    """The radio answers "pressed" whatever it is told: the bench cuts the supply, reads it off, and the mark has the time."""
    rig = make_rig(serial="M40-0007")
    mark = Mark(StateFolder(path=tmp_path), "radio.key")
    with suppress(BenchUnsafe), rig.open() as bench:
        bench.safe.key_memory = KeyMemory(mark, serial="M40-0007")
        bench.safe.set_supply(13.2)
        with (
            suppress(InstrumentFault),
            bench.safe.transmit_side(channel=20, mode="FM", frequency_hz=27.205e6) as side,
        ):
            side.read_power_dbm()
            radio = rig.device("radio")
            radio.set_key, radio.read_key = (lambda keyed: None), (lambda: True)
            side.rest()
        state = bench.safe.make_safe(last=True)
        assert "supply off" in state.off
        assert not state.confirmed
    left = _opened(tmp_path).left
    assert left is not None
    assert left.by_run, left


def _by_another(folder: Path, monkeypatch: pytest.MonkeyPatch, **facts: Any) -> Path:
    """Leave a mark as another user of this machine would."""
    path = folder / "radio-bench-sequencer-radio.key.64999"
    path.write_text(json.dumps({"stands": True, **facts}), encoding="ascii")
    look = Path.lstat

    def lstat(of: Path) -> Any:
        found = look(of)
        if of != path:
            return found
        return SimpleNamespace(st_uid=64999, st_mtime=found.st_mtime, st_ctime=found.st_ctime)

    monkeypatch.setattr(Path, "lstat", lstat)
    return path


@pytest.mark.skipif(os.name == "nt", reason="files have no owner by number")
@pytest.mark.parametrize(
    "facts",
    [
        {"since": 9e12},
        {"since": 9e12, "said": "x", "pressed": 9e18, "held_s": 1.0},
        {"since": time.time(), "said": "x", "pressed": float("nan"), "held_s": float("inf")},
    ],
    ids=["ahead", "pressed ahead", "no number"],
)
def test_another_user_s_mark_is_named_and_costs_one_rest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, facts: dict[str, Any]
) -> None:
    """It counts, for that user may have driven the bench; it is no newer than its file, and stands no longer once it was answered."""
    path = _by_another(tmp_path, monkeypatch, **facts)
    memory = _opened(tmp_path)
    assert memory.left is not None
    assert str(path) in str(memory.left)
    assert "user 64999" in str(memory.left)
    assert time.strftime("%Y-") in str(memory.left)  # and no date that cannot be
    time.sleep(0.02)
    memory.note_open()
    assert memory.rest_left_s > 0.0
    assert _opened(tmp_path).left is None


def test_our_own_mark_names_nobody(tmp_path: Path) -> None:
    """There is nothing to forge."""
    _opened(tmp_path).note_pressed(RADIO)
    assert "forgery" not in str(_opened(tmp_path).left)
