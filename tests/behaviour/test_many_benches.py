"""Several benches of one machine at once: each in a process of its own, one screen, and what befalls one touches no other."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from sequencer.cli.benches.child import Child
from sequencer.cli.benches.lane import Lane
from sequencer.cli.main import main
from sequencer.results.store.store import Store, Wanted
from tests.support.at_terminal import AtTerminal

TOP = Path(__file__).resolve().parents[2]
SIM = TOP / "sim"
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "fork"), reason="forks, POSIX signals and pseudo-terminals"),
]
SHORT = """
sequence: Short
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20, readings: 2, limit: {max: 4 W}}
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
"""
LONG = """
sequence: Long
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: frequency_error, channel: 20, limit: {within: 1 kHz}}
  - {check: sensitivity, channel: 20, target: 12 dB SINAD, tone: 1 kHz, deviation: 1.2 kHz, accuracy: 0.05 dB}
"""
ASKING = SHORT.replace("checks:", "prepare:\n  - confirm: squelch open\nchecks:")
SAFE = "The bench is safe: PTT released, generator off, supply off, each read back."


def _bench(folder: Path, number: int, *, clock: str = "virtual", **other: str) -> str:
    text = (SIM / "bench.yaml").read_text(encoding="utf-8").replace("clock: virtual", f"clock: {clock}")
    for old, new in {
        "Demonstration bench": f"Bench {number}",
        "unit: units ": f"unit: {SIM / 'units'} ",
        **other,
    }.items():
        text = text.replace(old, new)
    (folder / f"b{number}.yaml").write_text(text, encoding="utf-8")
    return f"b{number}.yaml"


def _list(folder: Path, *lines: str, head: str = "bench,sequence,serial") -> Path:
    for name, content in (("short", SHORT), ("long", LONG), ("asking", ASKING)):
        (folder / f"{name}.yaml").write_text(content, encoding="utf-8")
    path = folder / "list.csv"
    path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    return path


def _begun(folder: Path, path: Path, *more: str) -> subprocess.Popen[str]:
    words = [
        sys.executable,
        "-m",
        "sequencer",
        "benches",
        str(path),
        "--folder",
        str(folder / "results"),
        *more,
    ]
    return subprocess.Popen(
        words,
        cwd=TOP,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def _until(process: subprocess.Popen[str], *words: str) -> list[str]:
    """Read lines until each of ``words`` stood in one."""
    assert process.stdout is not None
    lines: list[str] = []
    while not all(any(word in line for line in lines) for word in words):
        line = process.stdout.readline()
        assert line, (lines, process.stderr.read() if process.stderr else "")
        lines.append(line)
    return lines


def _children(process: subprocess.Popen[str]) -> list[int]:
    text = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text(encoding="ascii")
    return [int(one) for one in text.split()]


@pytest.fixture(scope="module")
def worked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """Four simulated benches at once; the third has two units one after another, and one of all fails."""
    folder = tmp_path_factory.mktemp("many")
    (folder / "two.csv").write_text("serial\nM40-0019\nM40-0014\n", encoding="utf-8")
    lines = [
        f"{_bench(folder, 1)},short.yaml,M40-0007,",
        f"{_bench(folder, 2)},short.yaml,M40-0012,",
        f"{_bench(folder, 3)},,,two.csv",
        f"{_bench(folder, 4)},short.yaml,M40-0011,",
    ]
    path = _list(folder, *lines, head="bench,sequence,serial,units")
    process = _begun(folder, path, "--sequence", str(folder / "short.yaml"), "--json")
    out, err = process.communicate(timeout=90)
    return folder, subprocess.CompletedProcess([], process.returncode, out, err)


def test_each_bench_is_measured_and_kept(worked: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    """Every result of every bench is in the one store, and the exit status is the highest: M40-0012 is off frequency."""
    folder, done = worked
    assert done.returncode == 1, done.stderr
    plain = json.loads(done.stdout)
    found = {run["serial"]: (run["bench"], run["status"]) for one in plain["benches"] for run in one["runs"]}
    assert found == {
        "M40-0007": ("Bench 1 (simulated)", 0),
        "M40-0012": ("Bench 2 (simulated)", 1),
        "M40-0019": ("Bench 3 (simulated)", 0),
        "M40-0014": ("Bench 3 (simulated)", 0),
        "M40-0011": ("Bench 4 (simulated)", 0),
    }
    with Store.open_to_read(folder / "results" / "results.sqlite") as store:
        kept = {run.serial: len(run.results) for run in store.iterate_runs(Wanted())}
    assert kept == dict.fromkeys(found, 2)


def test_what_is_said_names_the_bench(worked: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    """Away from a terminal each line has its bench before it; the end says of each unit what came of it, and that all are safe."""
    _, done = worked
    assert f"Bench 3: {SAFE}" in done.stderr
    assert "Bench 2: M40-0012: 2 of 2  frequency error, ch 20  937 Hz  fail" in done.stderr
    assert "Each bench that was worked is safe" in done.stderr


def test_a_process_that_is_killed_is_told_and_the_others_go_on(tmp_path: Path) -> None:
    """`kill -9` of one: its line says so and what to do, the other bench's run is whole, and the status is 3."""
    path = _list(
        tmp_path,
        f"{_bench(tmp_path, 1, clock='real')},long.yaml,M40-0007",
        f"{_bench(tmp_path, 2)},short.yaml,M40-0011",
    )
    process = _begun(tmp_path, path)
    _until(process, "Bench 1: M40-0007: run", "Bench 2: M40-0011: All limits met.")
    (child,) = _children(process)
    os.kill(child, signal.SIGKILL)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 3, err
    assert (
        "M40-0007: its process was ended by SIGKILL. How the bench is left is not known: remove the supply"
        in out
    )
    assert "Bench 2  M40-0011: All limits met." in out
    assert "Each bench that was worked is safe" not in out


def test_ctrl_c_reaches_each_and_each_makes_its_bench_safe(tmp_path: Path) -> None:
    """One signal to the one that shows them: each run ends interrupted, its bench read back as safe, and the status is 4."""
    lines = [f"{_bench(tmp_path, number, clock='real')},long.yaml,M40-00{number:02}" for number in (11, 12)]
    process = _begun(tmp_path, _list(tmp_path, *lines))
    _until(process, *(f"Bench {number}: M40-00{number}: 1 of 2  frequency error" for number in (11, 12)))
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 4, out + err
    assert out.count(SAFE) == 2
    with Store.open_to_read(tmp_path / "results" / "results.sqlite") as store:
        assert [(run.outcome, run.bench_safe) for run in store.read_runs()] == [
            ("interrupted (SIGINT)", True)
        ] * 2


def test_without_the_one_that_shows_them_each_goes_on_to_its_end(tmp_path: Path) -> None:
    """`kill -9` of the parent: each run is finished and kept, and its bench left safe."""
    lines = [f"{_bench(tmp_path, number, clock='real')},short.yaml,M40-00{number:02}" for number in (11, 12)]
    process = _begun(tmp_path, _list(tmp_path, *lines))
    _until(process, "Bench 11: M40-0011: run", "Bench 12: M40-0012: run")
    process.kill()
    process.communicate(timeout=60)
    until_s = time.monotonic() + 60.0
    found: list[Any] = []
    while len(found) < 2:
        assert time.monotonic() < until_s, "the runs did not end"
        time.sleep(0.05)
        with Store.open_to_read(tmp_path / "results" / "results.sqlite") as store:
            found = [run for run in store.read_runs() if run.outcome != "not ended"]
    assert [(run.outcome, run.bench_safe) for run in found] == [("done", True)] * 2


def test_questions_are_asked_one_at_a_time_by_bench(tmp_path: Path) -> None:
    """At a terminal each bench's question stands alone, under its name; each answer goes to the bench that asked."""
    lines = [f"{_bench(tmp_path, number)},asking.yaml,M40-00{number:02}" for number in (11, 14)]
    path = _list(tmp_path, *lines)
    terminal = AtTerminal(
        ["benches", str(path), "--folder", str(tmp_path / "results")], lines=30, columns=110
    )
    asked = []
    for answer in (b"y\r", b"n\r", b"y\r"):
        since = len(terminal.text)
        terminal.wait_for(
            r"Bench 1[14], unit M40-001[14].*squelch open - is that so\? \[y/n\]: ", then=answer
        )
        asked.append(
            (
                "11" if "Bench 11, unit" in terminal.text[since:] else "14",
                "Please set it now" in terminal.text[since:],
            )
        )
    terminal.wait_for("Each bench that was worked is safe")
    first, second = asked[0][0], asked[1][0]
    assert asked == [(first, False), (second, False), (second, True)]
    assert first != second
    assert os.waitstatus_to_exitcode(os.waitpid(terminal.child, 0)[1]) == 0
    os.close(terminal.terminal)


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (("b1.yaml,short.yaml,M40-0007", "./b1.yaml,short.yaml,M40-0011"), ":3:1: the bench file is that of line 2"),
        (("b1.yaml,short.yaml,M40-0007", "b2.yaml,short.yaml,M40-0007"), ":3:1: the unit 'M40-0007' is measured by"),
        (("b1.yaml,short.yaml,M40-0007", "other/b1.yaml,short.yaml,M40-0011"), ":3:1: a bench called 'Bench 1' is that of line 2"),
        (("real1.yaml,short.yaml,M40-0007", "real2.yaml,short.yaml,M40-0011"), ":3:1: the instrument at TCPIP0::192.0"),
        (("b1.yaml,short.yaml,", "b2.yaml,,M40-0011", ",short.yaml,M40-0012"), ":2:1: no unit stands here"),
        (("b1.yaml,short.yaml,", "b2.yaml,,M40-0011", ",short.yaml,M40-0012"), ":4:1: no bench stands here"),
        (("b1.yaml,,M40-0011",), ":2:1: no sequence stands here"),
        (("b1.yaml,asking.yaml,M40-0011",), "asks for 1 confirmation, and there is no terminal to ask at"),
        (("nothing.yaml,short.yaml,M40-0011",), "nothing.yaml"),
    ],
)  # fmt: skip
def test_a_list_that_cannot_be_is_refused_before_anything_begins(
    tmp_path: Path, lines: tuple[str, ...], said: str
) -> None:
    """With both places where two lines name one bench, one instrument or one unit; status 2, and no store is made."""
    (tmp_path / "other").mkdir()
    for folder, number in ((tmp_path, 1), (tmp_path, 2), (tmp_path / "other", 1)):
        _bench(folder, number)
    for number in (1, 2):
        text = (tmp_path / f"b{number}.yaml").read_text(encoding="utf-8")
        real = "\n".join(
            one for one in text.splitlines() if not one.startswith(("visa:", "unit:", "clock:", "seed:"))
        )
        (tmp_path / f"real{number}.yaml").write_text(real.replace("Bench", "Real bench"), encoding="utf-8")
    path = _list(tmp_path, *lines)
    done = CliRunner().invoke(main, ["benches", str(path), "--folder", str(tmp_path / "results")])
    assert done.exit_code == 2, done.output
    assert said in done.output
    assert not (tmp_path / "results").exists()


@pytest.fixture
def lane() -> Iterator[Lane]:
    """A bench with a process that says nothing."""
    from collections import deque

    made = Lane(name="Bench 1", line=2, words=("reference",), units=deque(), manual=False)
    made.child = Child(("reference",))
    yield made
    if made.child is not None:
        os.waitpid(made.child.number, 0)
        made.child.close()


def test_a_bench_that_says_nothing_is_told_from_one_that_takes_its_time(lane: Lane) -> None:
    """Silence counts once it is longer than what the run was to take: a warm-up of a minute is none, nor is a question that waits."""
    lane.heard_s = lane.told_s = 100.0
    lane.left_s = 60.0
    assert lane.silent_s(150.0) == 0.0
    assert lane.silent_s(195.0) == 95.0
    lane.take(json.dumps({"event": "question", "asked": 1, "text": "?"}))
    assert lane.silent_s(lane.heard_s + 500.0) == 0.0


def test_what_is_no_event_ends_nothing(lane: Lane) -> None:
    """A line that is no JSON, or another program's, is kept for who looks for the reason."""
    odd: list[Callable[[], str]] = [
        lambda: "not JSON",
        lambda: "[1]",
        lambda: '{"event": "news"}',
        lambda: "{}",
    ]
    for line in odd:
        assert lane.take(line()) == []
    assert list(lane.said) == ["not JSON", "[1]", "{}"]


def test_a_list_that_is_not_there_is_told_what_one_looks_like(tmp_path: Path) -> None:
    """Status 2, the columns, and the page that shows a list."""
    done = CliRunner().invoke(main, ["benches", str(tmp_path / "nothere.csv")])
    assert done.exit_code == 2
    for word in ("nothere.csv: there is no such file", "'bench,serial'", "sequencer reference many-benches"):
        assert word in done.stderr
