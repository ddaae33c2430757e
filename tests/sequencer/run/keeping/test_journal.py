"""The journal of a run: written before anything has effect, whole again once there is room, and read back as it was."""

from __future__ import annotations

import errno
import os
import zlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from drivers.roles import Identity
from drivers.trace import Direction, Exchange
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.problems import InputError
from sequencer.results.journal import JournalRead, journal_of, read_head, read_journal
from sequencer.results.journal_lines import FORMAT, make_line
from sequencer.run.keeping import journal as run_journal
from sequencer.run.keeping.journal import Journal, JournalBusy
from sequencer.run.record import Record, RunFacts
from sequencer.safety.remembered.announced import Announced
from tests.support.every_check import rig_of
from tests.support.rig import Nodding
from tests.support.stored_results import a_result


@pytest.fixture(scope="module")
def facts() -> RunFacts:
    """What every row of a test's run says alike."""
    plan = make_plan(load_sequence("fm-mobile-acceptance"), load_bench("bench"))
    when = datetime(2027, 1, 2, 3, 4, 5, tzinfo=UTC)
    return RunFacts(
        run="r1", time=when, serial="M40-0007", model="M40", simulated=True, bench_name="B", plan=plan
    )


def _record_a_run(folder: Path, facts: RunFacts) -> Path:
    said = Exchange(
        time_s=1.0, instrument="radio", direction=Direction.SENT, content=b"\xff\x00?\n", fault=""
    )
    who = Identity(maker="Invented", model="PM", serial="7", firmware="1")
    with Record(folder, facts) as record:
        record.keep_instruments({"power_meter": who})
        record.keep(0, [a_result()], [said], on_unit=[False])
        record.announce(Announced(what="PTT to be pressed", begins=True))
        record.announce(Announced(what="PTT released", begins=False, facts={"down_s": 0.4}))
        record.note("entered", check_index=1, name="idle current", text="120 mA", how="typed")
        record.keep(1, [a_result(value=2.0)], [], on_unit=[True])
        record.end(outcome="done", bench_safe=True, bench_s=61.0)
    return record.journal.path


def test_a_journal_reads_back_as_the_run_it_is_of(tmp_path: Path, facts: RunFacts) -> None:
    """How it began, who answered, results, bytes, readings and the end; the store's password is no part of it."""
    found = read_journal(_record_a_run(tmp_path, facts))
    assert (found.head.record.run, found.head.table) == ("r1", found.path.with_suffix(".csv").name)
    assert Path(found.head.sequence_file).name == "fm-mobile-acceptance.yaml"
    assert Path(found.head.store_file) == tmp_path / "results.sqlite"
    assert [one.index for one in found.head.steps] == [step.index for step in facts.plan.steps]
    assert found.kept.instruments[0].serial == "7"
    assert [one.value for check in found.kept.checks for one in check.results] == [a_result().value, 2.0]
    assert found.kept.checks[0].exchanges[0].as_exchange().content == b"\xff\x00?\n"
    assert (found.entered[0].name, found.entered[0].text) == ("idle current", "120 mA")
    assert found.on_unit == {0: (False,), 1: (True,)}
    assert (found.outcome, found.kept.bench_s, found.is_pressed, found.lost) == ("done", 61.0, False, "")


def test_a_journal_cut_at_every_byte_opens_or_says_what_is_lost(tmp_path: Path, facts: RunFacts) -> None:
    """Cut within the first line it says that nothing was measured; behind it every result whose line is whole counts, once."""
    path = _record_a_run(tmp_path, facts)
    content = path.read_bytes()
    first = content.index(b"\n") + 1
    refused, found = set(), []
    for cut in range(len(content)):
        try:
            read = journal_of(path, content[:cut])
        except InputError as problem:
            refused.add(problem.complaints[0].message)
            assert cut < first
            continue
        assert cut >= first
        whole = content[:cut].endswith(b"\n")
        assert bool(read.lost) == (not whole), cut
        values = [one.value for check in read.kept.checks for one in check.results]
        assert values == [a_result().value, 2.0][: len(values)]
        found.append(len(values))
        assert read.outcome == ""
    assert found == sorted(found)
    assert set(found) == {0, 1, 2}
    assert refused == {
        "the journal's first line is not whole, so that nothing was measured yet when the run was cut short"
    }


def test_an_altered_journal_says_so_and_another_file_is_none(tmp_path: Path, facts: RunFacts) -> None:
    """A figure changed by hand does not come in, with all that follows; what is no journal, or a newer one, is refused as that."""
    path = _record_a_run(tmp_path, facts)
    content = path.read_bytes()
    read = journal_of(path, content.replace(b'"value":2.0', b'"value":3.0'))
    assert [one.value for check in read.kept.checks for one in check.results] == [a_result().value]
    assert "was altered" in read.lost
    for wrong, said in (
        (b'{"a": 1}\n', "is not a journal"),
        (b"\x89PNG\n\xff", "is not a journal"),
    ):
        with pytest.raises(InputError, match=said):
            journal_of(path, wrong)
    with pytest.raises(InputError, match="no such file"):
        read_journal(tmp_path / "none.journal")


def test_what_a_full_disk_kept_out_is_written_when_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No half of a line stands there meanwhile; a write that took a part only is undone, and the next event brings all of it."""
    journal = Journal.create(tmp_path / "j.journal", power_safe=False, begins={"text": "first"})
    first = journal.path.read_bytes()
    taken: list[int] = []

    def full(handle: int, content: bytes, at: int) -> int:
        if taken:
            raise OSError(errno.ENOSPC, "No space left on device")
        taken.append(1)
        return os.pwrite(handle, content[:7], at)

    with monkeypatch.context() as patched:
        patched.setattr(run_journal, "_write_at", full)
        journal.write("second")
        assert journal.problem is not None
        assert journal.path.read_bytes() == first
    journal.write("third")
    assert journal.problem is None
    assert journal.holds_all()
    assert journal.path.read_bytes().count(b"\n") == 3
    journal.close()


def test_a_journal_that_somebody_took_away_is_written_anew(tmp_path: Path) -> None:
    """It is said to stand there only where it does; written anew it does, but never over another file."""
    journal = Journal.create(tmp_path / "j.journal", power_safe=False, begins={})
    journal.path.unlink()
    journal.write("second")
    assert not journal.holds_all()
    journal.write_anew()
    assert journal.holds_all()
    with pytest.raises(FileExistsError):
        journal.write_anew()
    journal.close()


@pytest.mark.skipif(os.name == "nt", reason="no lock there")
def test_nobody_takes_up_the_journal_of_a_run_that_goes_on(tmp_path: Path) -> None:
    """The file is held as long as its run lasts; afterwards it is taken up at its last whole line."""
    journal = Journal.create(tmp_path / "j.journal", power_safe=False, begins={})
    good = len(journal.path.read_bytes())
    again: dict[str, Any] = {"power_safe": False, "number": 1, "good_bytes": good, "last_sum": 0}
    with pytest.raises(JournalBusy):
        Journal.take_up(journal.path, **again)
    journal.close()
    with journal.path.open("ab") as file:
        file.write(b'{"number":1,"ti')
    taken = Journal.take_up(journal.path, **again)
    assert journal.path.stat().st_size == good
    taken.close()


def test_every_press_of_a_run_is_announced_before_the_radio_hears_of_it(tmp_path: Path) -> None:
    """The radio's key command follows a line that says so, and each release is told after it was read back."""
    rig = rig_of(tmp_path, "carrier_power")
    rig.run(Nodding())
    told = [event for event, _ in rig.record.noted if event.startswith("PTT")]
    keyed = [text for text in rig.sent("radio") if "KEY:STAT" in text.upper() and " 1" in text]
    assert told == ["PTT to be pressed", "PTT released"] * len(keyed)
    assert keyed


def test_what_is_nested_beyond_all_measure_is_no_journal(tmp_path: Path, facts: RunFacts) -> None:
    """With right checksums too, in the first line and in one behind it; and a line whose check has no number is none that a run writes."""
    path = _record_a_run(tmp_path, facts)
    head, *_ = path.read_bytes().splitlines(keepends=True)
    sum_before = int(head[-11:-3], 16)
    for depth in (100, 900, 5_000, 100_000):
        deep = b"[" * depth + b"]" * depth
        for number, before, text in (
            (0, 0, b'"format":%d,"record":%s' % (FORMAT, deep)),
            (
                1,
                sum_before,
                b'"time":"2027-01-02T03:04:05+00:00","event":"instruments","instruments":%s' % deep,
            ),
        ):
            body = b'{"number":%d,%s' % (number, text)
            line = b'%s,"sum":"%08x"}\n' % (body, zlib.crc32(body, before))
            path.write_bytes(line if number == 0 else head + line)
            try:
                found = read_journal(path) if number else read_head(path)
            except InputError:
                continue
            assert isinstance(found, JournalRead)
            assert "was altered" in found.lost
    for event in (
        {"event": "check begun", "check_index": [1]},
        {"event": "check begun", "time": 7, "check_index": 1},
    ):
        line, _ = make_line(1, sum_before, event)
        path.write_bytes(head + line)
        with pytest.raises(InputError, match="line 2 is none that a run writes"):
            read_journal(path)


def test_a_run_whose_journal_found_no_room_says_what_resume_does(
    tmp_path: Path, facts: RunFacts, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It says how many lines are missing and what becomes of them; room just before the end is enough for all of them."""

    def full(handle: int, content: bytes, at: int) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    with Record(tmp_path, facts) as record:
        with monkeypatch.context() as patched:
            patched.setattr(run_journal, "_write_at", full)
            record.keep(0, [a_result()], [])
            record.end(outcome="done", bench_safe=True, bench_s=1.0)
        (said,) = record.problems
        assert "2 of its lines are missing" in said
        assert f"'sequencer resume r1 --folder {tmp_path}'" in said
        record.journal.try_again()
        assert record.journal.holds_all()


@pytest.mark.parametrize(
    ("what", "said", "whole"),
    [
        ("emptied", "changed or emptied", True),
        ("taken", "taken away", True),
        ("replaced", "another file", False),
    ],
)
def test_a_journal_that_somebody_touched_is_noticed_at_the_end(
    tmp_path: Path, facts: RunFacts, what: str, said: str, whole: bool
) -> None:
    """It is read back; what can be written again without overwriting another's file is."""
    with Record(tmp_path, facts) as record:
        record.keep(0, [a_result()], [])
        path = record.journal.path
        if what == "emptied":
            os.truncate(path, 0)
        else:
            path.rename(path.with_suffix(".old"))
        if what == "replaced":
            path.write_bytes(b"theirs")
        record.keep(1, [a_result(value=2.0)], [])
        record.end(outcome="done", bench_safe=True, bench_s=1.0)
        (problem,) = record.problems
    assert said in problem
    assert ("holds the whole run" in problem) == whole
    if whole:
        assert (read_journal(path).outcome, read_journal(path).lost) == ("done", "")
    else:
        assert path.read_bytes() == b"theirs"
