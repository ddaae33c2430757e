"""Locks and marks stand where every process of the machine meets, whoever runs it; no stranger's file is followed or changed."""

from __future__ import annotations

import json
import os
import stat
import tempfile
import time
from argparse import Namespace
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from drivers.faults import Refused
from sequencer.bench.aliases import names_of
from sequencer.bench.locks import (
    BenchBusy,
    address_key,
    cables_mark,
    confirm_held,
    key_mark,
    lock_addresses,
    lock_path,
)
from sequencer.inputs.bench import BenchFile
from sequencer.inputs.load_bench import load_bench
from sequencer.safety.remembered.mark import Mark
from sequencer.safety.remembered.state_folder import StateFolder
from tests.support.another_user import NOBODY, as_nobody, two_users

pytestmark = pytest.mark.skipif(not hasattr(os, "geteuid"), reason="POSIX users, links and modes")


@pytest.fixture
def state(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder of locks that everybody may reach and write to, as /var/tmp is."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o1777)
        monkeypatch.setenv("SEQUENCER_STATE", name)
        yield folder


@pytest.fixture
def real_bench(bench_file: Callable[..., Path]) -> BenchFile:
    """A bench of real instruments, which are never spoken to here."""
    return load_bench(str(bench_file())).bench.model_copy(update={"visa": "py", "unit": None})


def _mark() -> Mark:
    return Mark(StateFolder.find(), "some.cables")


def _taken(bench: BenchFile) -> ExitStack:
    stack = ExitStack()
    try:
        lock_addresses(bench, stack)
    except BaseException:
        stack.close()
        raise
    return stack


def test_two_processes_meet_although_their_temporary_folders_differ(
    real_bench: BenchFile, state: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A session's TMPDIR does not decide where locks stand: with another one, the second process is refused all the same."""
    with _taken(real_bench):
        monkeypatch.setenv("TMPDIR", str(tmp_path))
        with pytest.raises(BenchBusy, match="another process drives") as caught:
            _taken(real_bench)
    assert str(state) in str(caught.value), "it says where"


def test_without_a_word_from_anybody_they_stand_in_the_machines_own_folder(
    real_bench: BenchFile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """/var/tmp is kept when the machine restarts (FHS 3.0, 5.15), and neither TMPDIR nor HOME moves it."""
    monkeypatch.delenv("SEQUENCER_STATE")
    for name in ("TMPDIR", "HOME", "XDG_STATE_HOME", "XDG_RUNTIME_DIR"):
        monkeypatch.setenv(name, str(tmp_path))
    mark = cables_mark(real_bench)
    assert mark is not None
    assert lock_path("TCPIP0::192.0.2.1::1::SOCKET").parent == Path("/var/tmp") == mark.path.parent


def test_a_link_in_place_of_the_folder_is_not_followed(
    real_bench: BenchFile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a link leads to somebody's private folder, that folder keeps its mode and gets no file; the bench is refused."""
    private = tmp_path / "private"
    private.mkdir(mode=0o700)
    (tmp_path / "link").symlink_to(private)
    monkeypatch.setenv("SEQUENCER_STATE", str(tmp_path / "link"))
    with pytest.raises(BenchBusy, match="a link to one"):
        _taken(real_bench)
    assert stat.S_IMODE(private.stat().st_mode) == 0o700
    assert list(private.iterdir()) == []


def test_a_folder_in_which_others_may_remove_our_files_is_refused(real_bench: BenchFile, state: Path) -> None:
    """Without the sticky bit a stranger could take a lock file away and put another in its place; the mode stays as it is."""
    state.chmod(0o777)
    with pytest.raises(BenchBusy, match=r"no sticky bit(.|\n)*SEQUENCER_STATE"):
        _taken(real_bench)
    assert stat.S_IMODE(state.stat().st_mode) == 0o777


@pytest.mark.parametrize("kind", ["link", "hard link", "folder", "pipe"])
def test_what_is_not_a_plain_file_is_not_taken_for_a_lock(
    real_bench: BenchFile, state: Path, tmp_path: Path, kind: str
) -> None:
    """A link, a second name, a folder or a pipe in a lock's place refuses the bench, touches nothing and does not hang."""
    victim = tmp_path / "victim"
    victim.write_text("precious")
    victim.chmod(0o600)
    lock = lock_path(next(iter(real_bench.instruments.values())).address)
    if kind == "link":
        lock.symlink_to(victim)
    elif kind == "hard link":
        lock.hardlink_to(victim)
    elif kind == "folder":
        lock.mkdir()
    else:
        os.mkfifo(lock)
    with pytest.raises(BenchBusy, match="cannot be taken(.|\n)*" + lock.name):
        _taken(real_bench)
    assert victim.read_text() == "precious"
    assert stat.S_IMODE(victim.stat().st_mode) == 0o600


def test_a_lock_file_that_was_removed_meanwhile_keeps_nobody_out_and_is_made_anew(
    real_bench: BenchFile, state: Path
) -> None:
    """A lock that stands is a lock on the file that the next process will open."""
    _taken(real_bench).close()
    for lock in state.iterdir():
        lock.unlink()
    with _taken(real_bench), pytest.raises(BenchBusy):
        _taken(real_bench)


@two_users
def test_another_users_run_is_kept_out_and_let_in_afterwards(real_bench: BenchFile, state: Path) -> None:
    """Two users meet at one lock, whatever their umask: refused while we hold it, and free to take it when we do not."""
    before = os.umask(0o077)
    try:
        with _taken(real_bench):
            assert "another process drives" in as_nobody(lambda: _taken(real_bench))
        assert as_nobody(lambda: _taken(real_bench)) == ""
    finally:
        os.umask(before)


@two_users
def test_a_mark_that_another_user_laid_neither_hides_ours_nor_is_it_overlooked(state: Path) -> None:
    """A stranger's "cables are back" does not take back ours, a stranger's "moved" is asked about, and neither lets ours be removed."""
    mark = _mark()
    mark.write(stands=True)
    assert as_nobody(lambda: _mark().write(stands=False)) == ""
    found = mark.find()
    assert found is not None
    assert found.is_ours
    assert as_nobody(mark.path.unlink).startswith("PermissionError")
    mark.write(stands=False)
    assert mark.find() is None
    assert as_nobody(lambda: _mark().write(stands=True)) == ""
    found = mark.find()
    assert found is not None
    assert found.uid == NOBODY
    mark.write(stands=False)  # confirmed here, after they said so
    assert mark.find() is None


@two_users
def test_a_file_laid_under_our_own_name_is_not_written_to(state: Path) -> None:
    """What a stranger could remove later is no place to remember anything: it is refused, and what it says still counts."""
    mark = _mark()
    laid = mark.path
    assert as_nobody(lambda: laid.write_text("{}")) == ""
    assert mark.find() is not None
    with pytest.raises(OSError, match=f"belongs to user {NOBODY}"):
        mark.write(stands=True)
    assert laid.read_text() == "{}"


def test_a_mark_that_cannot_be_read_counts(state: Path) -> None:
    """Half a record, a link or an empty file is the safe side: it stands."""
    mark = Mark(StateFolder.find(), "some.cables")
    for content in (b"", b'{"stands": fal', b"[]", json.dumps({"stands": False}).encode()):
        mark.path.write_bytes(content)
        assert mark.find() is not None, content
    mark.path.unlink()
    mark.path.symlink_to(state / "nowhere")
    assert mark.find() is not None


def test_moved_cables_go_by_the_generators_address_and_not_by_the_benchs_title(
    real_bench: BenchFile, state: Path
) -> None:
    """Whoever gives the bench file another title, or another name to the file, is asked about the same cables."""
    mark = cables_mark(real_bench)
    renamed = cables_mark(real_bench.model_copy(update={"bench": "Another title"}))
    assert mark is not None
    assert renamed is not None
    mark.write(stands=True)
    assert renamed.find() is not None


@two_users
def test_a_clock_that_was_set_back_does_not_hide_what_another_user_says(
    state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is newer is told by the machine's own clock, which nobody sets: their "moved" after our "back" counts."""
    mark = _mark()
    mark.write(stands=False)
    now = time.time
    monkeypatch.setattr(time, "time", lambda: now() - 86400.0)
    assert as_nobody(lambda: _mark().write(stands=True)) == ""
    assert mark.find() is not None


def test_who_is_refused_is_told_who_holds_the_bench(real_bench: BenchFile, state: Path) -> None:
    """Process, command and since when; of a file that says nothing of the kind, the file."""
    with _taken(real_bench):
        with pytest.raises(
            BenchBusy, match=rf"\(process {os.getpid()}, 'sequencer.*', since 20.*, holds {state}"
        ):
            _taken(real_bench)
        for lock in state.iterdir():
            lock.write_text("{")
        with pytest.raises(BenchBusy, match=rf"\(it holds {state}"):
            _taken(real_bench)


def test_a_lock_whose_process_has_ended_is_said_to_be_held_by_something_else(
    real_bench: BenchFile, state: Path
) -> None:
    """A child that outlived it, or a share's server: the file names a process that is no more, and the words say so."""
    child = os.fork()
    if child == 0:
        os._exit(0)
    os.waitpid(child, 0)
    with _taken(real_bench):
        for lock in state.iterdir():
            said = json.loads(lock.read_text())
            lock.write_text(json.dumps(said | {"pid": child}))
        with pytest.raises(
            BenchBusy, match=rf"process {child}.*which has ended: a process that it started, or the server"
        ):
            _taken(real_bench)


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A user's own state folder, and no folder that the user has chosen for all."""
    monkeypatch.delenv("SEQUENCER_STATE", raising=False)
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state" / "radio-bench-sequencer"


def test_a_mark_outlives_a_clean_up_of_the_machine_s_folder(home: Path, tmp_path: Path) -> None:
    """What this user has said stands in the user's own folder too, which nobody else may write to; the newer of both counts."""
    machine = tmp_path / "machine"
    machine.mkdir(mode=0o700)
    mark = Mark(StateFolder(path=machine, chosen=True), "some.key", own=StateFolder.of_user())
    mark.write(stands=True, serial="M40-0007")
    assert stat.S_IMODE(home.stat().st_mode) == 0o700
    mark.path.unlink()
    found = mark.find()
    assert found is not None
    assert found.path.parent == home
    assert found.facts["serial"] == "M40-0007"
    mark.write(stands=False)
    assert mark.find() is None
    alone = Mark(mark.folder, "some.key")  # as the watchdog writes it, which knows the machine's folder alone
    alone.write(stands=True)
    assert mark.find() is not None


@pytest.mark.parametrize("mode", [0o777, 0o770])
def test_a_folder_that_others_may_write_to_is_nobody_s_own(home: Path, mode: int) -> None:
    """Whoever may write there could forge what this user has said."""
    home.mkdir(parents=True)
    home.chmod(mode)
    assert StateFolder.of_user() is None


def test_systemd_s_state_folder_comes_first(
    home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A unit with StateDirectory= has its own (systemd.exec(5)); a folder chosen for all users is the only one."""
    given = tmp_path / "given"
    given.mkdir(mode=0o700)
    monkeypatch.setenv("STATE_DIRECTORY", f"{given}:{tmp_path / 'second'}")
    found = StateFolder.of_user()
    assert found is not None
    assert found.path == given
    monkeypatch.setenv("SEQUENCER_STATE", str(given))
    assert StateFolder.of_user() is None


def test_a_lock_that_was_removed_under_a_run_is_seen_before_ptt_is_pressed(
    real_bench: BenchFile, state: Path
) -> None:
    """Another process may be let in by then: before each press and each move of the switch the open file must be the one of that name."""
    with ExitStack() as stack:
        locks = lock_addresses(real_bench, stack)
        assert locks
        asking = Namespace(name="radio", address="A::1")
        confirm_held(locks, asking)  # type: ignore[arg-type]
        for one in locks:
            one.path.unlink()
        with pytest.raises(
            Refused, match="was removed while this run goes on: another process may drive this bench"
        ):
            confirm_held(locks, asking)  # type: ignore[arg-type]
        with _taken(real_bench), pytest.raises(Refused):  # and it stays seen once another process has come in
            confirm_held(locks, asking)  # type: ignore[arg-type]


@pytest.mark.parametrize("host", ["0.0.0.0", "127.0.0.1", "[::1]", "[::]"])
def test_this_machine_has_one_lock_under_all_its_own_addresses(host: str) -> None:
    """0.0.0.0 reaches this machine (RFC 1122, 3.2.1.3), as 127.0.0.1 does."""
    assert "TCPIP0::127.0.0.1::5025::SOCKET" in names_of(f"TCPIP0::{host}::5025::SOCKET")


def test_a_mark_is_found_whichever_way_a_bench_file_writes_the_address(
    real_bench: BenchFile, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A key left pressed on a bench that names a host is known on one that states its address by HiSLIP, and taken back there."""
    monkeypatch.setenv("SEQUENCER_STATE", str(tmp_path))

    def bench(address: str) -> BenchFile:
        name, radio = real_bench.with_role("radio") or ("", None)
        assert radio is not None
        instruments = {**real_bench.instruments, name: radio.model_copy(update={"address": address})}
        return real_bench.model_copy(update={"instruments": instruments})

    named = key_mark(bench("TCPIP0::localhost::5025::SOCKET"))
    stated = key_mark(bench("TCPIP::127.0.0.1::hislip0::INSTR"))
    other = key_mark(bench("TCPIP0::192.0.2.99::5025::SOCKET"))
    assert named is not None
    assert stated is not None
    assert other is not None
    named.write(stands=True, serial="M40-0007")
    found = stated.find()
    assert found is not None
    assert found.facts["serial"] == "M40-0007"
    assert other.find() is None
    stated.write(stands=False)
    assert named.find() is None
    # what an earlier sequencer left under the address as it is written
    old = Mark(StateFolder.find(), f"{address_key('TCPIP0::localhost::5025::SOCKET')}.key")
    old.write(stands=True, serial="M40-0012")
    assert named.find() is not None
    named.write(stands=False)
    assert named.find() is None
    assert old.find() is None
