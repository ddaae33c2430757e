"""A replay of a run that was cut short and carried on, and of one that came into the store by its journal."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sequencer.results.store.place import find_place
from sequencer.results.store.store import Store
from sequencer.run.replay.replay import replay
from sequencer.run.replay.source import Source, source_in_store
from sequencer.run.replay.trace_file import read_trace
from sim.bench import SimulatedBench
from sim.scpi.faults import Fault, FaultKind, FaultScript
from tests.support.crashed import RUN, SEQUENCE, call, killed
from tests.support.running import run_checks

CUT_AT = 16  # the line of the journal at which the third of four checks has begun


@pytest.fixture(scope="module")
def resumed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a run that was killed in its third check, and carried on to its end."""
    folder = tmp_path_factory.mktemp("resumed")
    (folder / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    words = ("run", str(folder / "short.yaml"), *RUN, "--folder", str(folder / "r"))
    assert os.WIFSIGNALED(killed(words, lambda number: number == CUT_AT))
    done = call("resume", "--confirmed", "--folder", str(folder / "r"))
    assert done.exit_code == 0, done.output
    return folder / "r"


def _source(folder: Path) -> Source:
    with Store.open_to_read(find_place(folder, "")) as store:
        (run,) = store.read_runs()
        return source_in_store(run, store)


def test_a_run_that_was_carried_on_replays_to_the_same_results(resumed: Path) -> None:
    """Each opening of the bench by itself: what was found before the kill, what after it, and what the notes say of it."""
    done = call("replay", "last", "--folder", str(resumed))
    assert done.exit_code == 0, done.output
    assert "8 of 8 results the same" in done.output
    assert any(
        "measured anew: the run was cut short in this check" in one.note
        for _, one in _source(resumed).results
    )


def test_as_a_test_it_stands_in_a_file_of_its_own(resumed: Path, tmp_path: Path) -> None:
    """The parts stand apart in the file too, and a departure is counted in the trace of the whole run."""
    file = tmp_path / "resumed.json.gz"
    assert call("replay", "last", "--folder", str(resumed), "--as-test", str(file)).exit_code == 0
    assert replay(read_trace(file)).is_same
    source = read_trace(file)
    last = max(at for at, one in enumerate(source.entries) if b"READ?" in one.exchange.content) + 1
    entries = list(source.entries)
    sent = entries[last - 1]
    changed = sent.exchange.__class__(
        time_s=sent.exchange.time_s,
        instrument=sent.exchange.instrument,
        direction=sent.exchange.direction,
        content=b":OTHER?\n",
    )
    entries[last - 1] = sent.__class__(exchange=changed, check_index=sent.check_index)

    departed = replay(replace(source, entries=tuple(entries)))
    assert departed.departure is not None
    assert departed.departure.place == last  # the message before the answer, counted from 1


def test_it_is_judged_anew_by_no_other_file(resumed: Path, tmp_path: Path) -> None:
    """Other limits need a run that was made in one go: refused, with what would do, and nothing is stored."""
    other = tmp_path / "other.yaml"
    other.write_text(SEQUENCE.replace("max: 4 W", "max: 5 W"), encoding="utf-8")
    done = call("replay", "last", "--folder", str(resumed), "--sequence", str(other))
    assert done.exit_code == 2, done.output
    assert "cannot be judged anew: it was cut short and carried on" in done.output
    assert "a run that was made in one go" in done.output


def test_a_trace_that_lacks_an_opening_says_so(resumed: Path) -> None:
    """What of the trace is missing cannot be gone through: how often the run was carried on, and what is there."""

    source = _source(resumed)
    half = replace(source, entries=source.entries[:200])
    with pytest.raises(
        Exception, match="carried on 1 times, and its trace holds 1 whole openings of the bench"
    ):
        replay(half)


@pytest.mark.parametrize(
    ("kind", "argument"),
    [
        (FaultKind.TIMEOUT, None),
        (FaultKind.GARBAGE, b"\x00\xff#"),
        (FaultKind.ERROR, (-222, "Data out of range")),
    ],
)
def test_a_run_put_in_from_its_journal_replays_where_an_instrument_failed(
    tmp_path: Path, kind: FaultKind, argument: Any
) -> None:
    """What is known of a fault stands in the journal beside its words, so that the same is done about it."""

    def break_once(simulation: SimulatedBench) -> None:
        given = {} if argument is None else {"argument": argument}
        script = FaultScript([Fault(kind=kind, match="READ?", skip=3, times=1, **given)])
        for device in simulation.devices.values():
            device.faults = script

    run_checks(tmp_path, "M40-0007", "{check: frequency_error, channel: 20}", before=break_once)
    (journal,) = (tmp_path / "results").glob("*.journal")
    done = call("import-kept", str(journal), "--folder", str(tmp_path / "other"))
    assert done.exit_code == 0, done.output
    replayed = call("replay", "last", "--folder", str(tmp_path / "other"))
    assert replayed.exit_code == 0, replayed.output
    assert "2 of 2 results the same, every message as it was" in replayed.output
    in_a_file = call("import-kept", str(journal), "--folder", str(journal / "deeper"))
    assert (
        in_a_file.exit_code,
        "--folder: the folder cannot be made: Not a directory" in in_a_file.output,
    ) == (
        2,
        True,
    )
