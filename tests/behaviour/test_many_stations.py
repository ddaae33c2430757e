"""Several stations of one machine at one terminal: a scan says at which bench its unit lies, and each bench works by itself."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import termios
from pathlib import Path

import pytest

from sequencer.results.store.store import Store
from tests.behaviour.test_many_benches import SHORT, _bench, _children, _list, _until
from tests.support.at_terminal import AtTerminal

TOP = Path(__file__).resolve().parents[2]
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "fork"), reason="forks, POSIX signals and pseudo-terminals"),
]


def _stations(folder: Path, *benches: str) -> list[str]:
    path = _list(folder, *(f"{one},short.yaml" for one in benches), head="bench,sequence")
    assert SHORT in (folder / "short.yaml").read_text(encoding="utf-8")
    return ["benches", str(path), "--line", "--folder", str(folder / "results")]


def _begun(words: list[str]) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "sequencer", *words],
        cwd=TOP,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def _measured(folder: Path) -> dict[str, str]:
    with Store.open_to_read(folder / "results" / "results.sqlite") as store:
        return {run.serial: run.bench for run in store.read_runs()}


def test_each_scan_goes_to_the_bench_that_it_names(tmp_path: Path) -> None:
    """By number or name, on one line or on two, in a burst; one that names no bench begins nothing, and the status is the highest."""
    process = _begun(_stations(tmp_path, _bench(tmp_path, 1), _bench(tmp_path, 2)))
    out, err = process.communicate(
        "1 M40-0007\nBench 2\nM40-0012\n2\nM40-0011\nM40-0013\n1 M40-0014\n", timeout=90
    )
    assert process.returncode == 1, (out, err)
    assert _measured(tmp_path) == {
        "M40-0007": "Bench 1 (simulated)",
        "M40-0014": "Bench 1 (simulated)",
        "M40-0012": "Bench 2 (simulated)",
        "M40-0011": "Bench 2 (simulated)",
    }
    assert "M40-0013: at which bench? Scan or type its number (1 to 2) or name first" in out
    assert "2 Bench 2: M40-0012: FAIL" in out
    assert "1 Bench 1: The session: passed 2, failed 0" in out


def test_a_station_that_is_killed_leaves_the_other_at_work(tmp_path: Path) -> None:
    """Its line says so; the other bench measures what is scanned afterwards, and the status is 3."""
    process = _begun(_stations(tmp_path, _bench(tmp_path, 1), _bench(tmp_path, 2)))
    _until(process, "1 Bench 1: ready", "2 Bench 2: ready")
    os.kill(_children(process)[0], signal.SIGKILL)
    _until(process, "1 Bench 1: its process was ended by SIGKILL")
    out, err = process.communicate("2 M40-0011\n1 M40-0012\n", timeout=90)
    assert process.returncode == 3, (out, err)
    assert "2 Bench 2: M40-0011: PASS" in out
    assert "1 Bench 1: its session has ended; M40-0012 is not measured." in out
    assert list(_measured(tmp_path)) == ["M40-0011"]


def test_at_a_terminal_all_stand_on_one_screen(tmp_path: Path) -> None:
    """Scans typed one after another measure on their benches at once; Ctrl-D ends all, and the terminal is as it was."""
    words = _stations(tmp_path, _bench(tmp_path, 1), _bench(tmp_path, 2))
    terminal = AtTerminal(words, lines=24, columns=110)
    terminal.wait_until(lambda screen: screen.count("scan the next unit") == 2)
    terminal.type(b"1\rM40-0007\r2 M40-0012\r")
    terminal.wait_until(
        lambda screen: " PASS " in screen and " FAIL " in screen and screen.count("scan the next unit") == 2
    )
    rows = [line for line in terminal.screen.text.splitlines() if "scan the next unit" in line]
    assert "M40-0007" in rows[0]
    assert "M40-0012" in rows[1]
    terminal.type(b"\x04")
    terminal.wait_for("The bench is safe.*The bench is safe")
    assert os.waitstatus_to_exitcode(os.waitpid(terminal.child, 0)[1]) == 1
    assert termios.tcgetattr(terminal.terminal)[3] == terminal.modes
    os.close(terminal.terminal)
    assert _measured(tmp_path) == {"M40-0007": "Bench 1 (simulated)", "M40-0012": "Bench 2 (simulated)"}
