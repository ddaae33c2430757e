"""A session at a station: twenty specimens at a pseudo-terminal with a scanner's keystrokes, and the other ways serials come in."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import signal
import struct
import sys
import time
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.results.store.store import Store, Wanted
from tests.support.person_at_terminal import ROOT

SEQUENCE = """
sequence: Short line test
channels: cept-40
mode: FM
supply: 13.2 V
checks:
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
"""
SHELF = [f"M40-00{number}" for number in ("07", *range(11, 22), 31, 32, 33)]
"""Fifteen mobiles of the simulated shelf; M40-0012 and M40-0031 are off frequency (their specimen files say by how much)."""
OFF_FREQUENCY = {"M40-0012", "M40-0031"}
ANSWER_S = 60.0
F2, F3, F10, ENTER, CTRL_C = b"\x1bOQ", b"\x1bOR", b"\x1b[21~", b"\r", b"\x03"
CODES = re.compile(
    r"\x1b\[[0-9;?<>=]*[ -/]*[@-~]|\x1b[()][A-Za-z0-9]|\x1b[=>]|\x1b\][^\x07]*\x07|\x1bP[^\x1b]*\x1b\\"
)


class AtStation:
    """`sequencer line` at a pseudo-terminal; ``text`` is all that was written there, without what moves the cursor."""

    def __init__(
        self, folder: Path, *more: str, size: tuple[int, int] = (24, 80), term: str = "xterm-256color"
    ) -> None:
        import fcntl
        import termios

        file = folder / "short.yaml"
        file.write_text(SEQUENCE, encoding="utf-8")
        words = ["line", str(file), "--bench", "bench", "--folder", str(folder / "results"), *more]
        self.raw = ""
        self.child, self.terminal = pty.fork()
        if self.child == 0:
            os.chdir(ROOT)
            signal.signal(signal.SIGINT, signal.SIG_DFL)
            fcntl.ioctl(0, termios.TIOCSWINSZ, struct.pack("HHHH", *size, 0, 0))
            kept = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
            environment = {**kept, "TERM": term, "NO_COLOR": "1"}
            os.execvpe(sys.executable, [sys.executable, "-m", "sequencer", *words], environment)
        fcntl.ioctl(self.terminal, termios.TIOCSWINSZ, struct.pack("HHHH", *size, 0, 0))

    @property
    def text(self) -> str:
        """All that was written, without control sequences."""
        return CODES.sub("", self.raw)

    def wait_for(self, *patterns: str) -> None:
        """Read until every pattern stands in what was written since the last call that typed something."""
        until_s = time.monotonic() + ANSWER_S
        while not all(re.search(one, CODES.sub("", self.raw[self.since :]), re.DOTALL) for one in patterns):
            assert time.monotonic() < until_s, (
                f"no {patterns!r} in {CODES.sub('', self.raw[self.since :])[-3000:]!r}"
            )
            assert self.more(), self.text[-3000:]

    since = 0

    def type(self, keys: bytes) -> None:
        """Type; what is waited for next is what comes after it."""
        self.since = len(self.raw)
        os.write(self.terminal, keys)

    def press(self, key: bytes, *patterns: str) -> None:
        """Press a function key until it was taken: one that comes with other keys is not, and that is said."""
        self.type(key)
        while True:
            self.wait_for(f"{patterns[0]}|press it again")
            if re.search(patterns[0], CODES.sub("", self.raw[self.since :]), re.DOTALL):
                break
            self.type(key)
        self.wait_for(*patterns)

    def more(self) -> bool:
        """Take what was written; false at the end."""
        if not select.select([self.terminal], [], [], 0.2)[0]:
            return True
        try:
            found = os.read(self.terminal, 65536)
        except OSError:
            return False
        self.raw += found.decode("utf-8", "replace")
        return bool(found)

    def end(self) -> int:
        """Read to the end and return the exit status."""
        until_s = time.monotonic() + ANSWER_S
        while self.more():
            assert time.monotonic() < until_s, self.text[-2000:]
        _, status = os.waitpid(self.child, 0)
        os.close(self.terminal)
        return os.waitstatus_to_exitcode(status)


def runs_in(folder: Path) -> list[tuple[str, bool]]:
    """Return serial and whether a limit failed of each run in the store, oldest first."""
    with Store.open_to_read(folder / "results" / "results.sqlite") as store:
        found = store.read_runs(Wanted(), limit=None)
    return [(one.serial, "fail" in one.decisions) for one in reversed(found)]


pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are needed"),
]


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> tuple[AtStation, Path, int]:
    """Twenty units: some scanned in bursts, doubled, while another is measured, or a second time with a reason."""
    folder = tmp_path_factory.mktemp("line")
    at = AtStation(folder, "--station", "3", "--operator", "M. Okafor", "--lot", "26-47")
    # typed before anything was asked for: it begins nothing by itself
    at.type(b"M40-0032" + ENTER)
    at.wait_for("M40-0032 was scanned before the station waited", "F3 leave it out")
    at.press(F3, "Left out: M40-0032", "SCAN THE NEXT UNIT", "The unit may be changed")
    for number, serial in enumerate(SHELF[:12]):
        scan = serial.encode() + ENTER
        # prefix, stray controls and a doubled scan, as scanners send them
        at.type(b"]C1" + scan + scan if number % 3 == 1 else b"\x1d" + scan if number % 3 == 2 else scan)
        at.wait_for(f"Last unit: {serial}", "The unit may be changed", "SCAN THE NEXT UNIT")
    # three in one burst: the first is measured, the others are asked about
    burst = [one.encode() for one in SHELF[12:]]
    at.type(ENTER.join(burst) + ENTER)
    at.wait_for(f"{SHELF[13]} was scanned before the station waited", "F2 measure it")
    at.press(F2, f"{SHELF[14]} was scanned before the station waited", "F2 measure it")
    at.press(F2, f"Last unit: {SHELF[14]}", "SCAN THE NEXT UNIT")
    for serial in ("M40-0012", "M40-0007", "M40-0011", "M40-0013", "M40-0015"):  # tested today already
        at.type(serial.encode() + ENTER)
        at.wait_for(f"{serial} was tested today", "F3 leave it out")
        at.type(b"M4\x1bOQ0" + ENTER)  # a bar code that holds what F2 sends
        at.wait_for("2 scans kept|M4.*kept")
        at.press(F2, "Why is", "F2 take it")
        at.type(b"plug was loose" + ENTER)
        at.wait_for("typed; F2 take it")
        at.press(F2, f"Last unit: {serial}", "SCAN THE NEXT UNIT")
    at.type(b"=1+1" + ENTER)
    at.wait_for("Refused: =1\\+1")
    at.press(F10, "The session: ")
    return at, folder, at.end()


@pytest.mark.slow
def test_twenty_units_are_measured_each_under_its_own_serial(session: tuple[AtStation, Path, int]) -> None:
    """None merged, lost or doubled; the verdicts are those that the specimen files state."""
    _, folder, status = session
    wanted = [*SHELF, "M40-0012", "M40-0007", "M40-0011", "M40-0013", "M40-0015"]
    assert runs_in(folder) == [(serial, serial in OFF_FREQUENCY) for serial in wanted]
    assert status == 1, "a limit failed (1); a scan that was refused (2) does not hide it"


@pytest.mark.slow
def test_what_was_said_of_the_line_and_why_a_unit_is_tested_again_stands_with_the_runs(
    session: tuple[AtStation, Path, int],
) -> None:
    """Station, operator and lot with each; the reason with the second runs only."""
    _, folder, _ = session
    with Store.open_to_read(folder / "results" / "results.sqlite") as store:
        runs = store.read_runs(Wanted(), limit=None)[::-1]
    assert {(one.station, one.operator, one.lot) for one in runs} == {("3", "M. Okafor", "26-47")}
    assert [one.retest_reason for one in runs] == [""] * 15 + ["plug was loose"] * 5
    assert {one.outcome for one in runs} == {"done"}
    assert {one.bench_safe for one in runs} == {True}


@pytest.mark.slow
def test_the_session_ends_with_what_it_came_to_and_a_bench_that_was_read_back(
    session: tuple[AtStation, Path, int],
) -> None:
    """First passes count once, whatever was tested again; the last line says how the bench was left."""
    at, _, _ = session
    text = " ".join(at.text.split())
    assert "first-pass yield so far 13 of 15 (87 %)" in text
    assert "again 5" in text
    assert text.endswith("The bench is safe: PTT released, generator off, supply off, each read back.")


@pytest.mark.slow
@pytest.mark.parametrize("how", ["Ctrl-C", "the terminal is closed"])
def test_it_is_ended_with_the_bench_safe(tmp_path: Path, how: str) -> None:
    """Also in raw mode, where the terminal sends no signal for a key; the status says that it was interrupted."""
    at = AtStation(tmp_path, size=(20, 60))
    at.wait_for("SCAN THE NEXT UNIT")
    if how == "Ctrl-C":
        at.type(CTRL_C)
    else:
        os.kill(at.child, signal.SIGHUP)
    assert at.end() == 4
    assert "The bench is safe" in " ".join(at.text.split())


def test_a_handler_writes_serials_and_reads_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A line each, the last without an end; what raises a question is left out and said, for nobody is there."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    serials = "M40-0007\nM40-0012\n../x\nM40-0007\nM40-9999\nM40-0018"
    done = CliRunner().invoke(main, ["line", "short.yaml", "--bench", "bench"], input=serials)
    lines = done.stdout.splitlines()
    assert done.exit_code == 1, done.output
    assert lines[1:5] == [
        "ready",
        "M40-0007: measuring. Do not touch the unit.",
        "M40-0007 M40: PASS",
        "The unit may be changed: PTT released, generator off, supply off, each read back.",
    ]
    assert "M40-0012 M40: FAIL" in lines
    assert "Refused: ../x: it is a path of a file." in lines
    assert "Left out: M40-0007." in lines
    assert "Refused: no specimen with serial 'M40-9999' lies on this simulated bench." in lines
    assert lines[-1] == "ready"
    assert runs_in_folder(tmp_path) == ["M40-0007", "M40-0012", "M40-0018"]


def runs_in_folder(folder: Path) -> list[str]:
    """Return the serials of the runs in the results folder, oldest first."""
    return [serial for serial, _ in runs_in(folder)]


def test_each_run_is_a_line_of_json(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a program reads is on standard output alone."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    words = ["line", "short.yaml", "--bench", "bench", "--json", "--batch", "October"]
    done = CliRunner().invoke(main, words, input="M40-0007\nM40-0012\n")
    assert done.exit_code == 1, done.output
    read = [json.loads(line) for line in done.stdout.splitlines()]
    assert [(one["serial"], one["status"], one["batch"], one["attempt"]) for one in read] == [
        ("M40-0007", 0, "October", 1),
        ("M40-0012", 1, "October", 1),
    ]


def test_a_bench_whose_cable_is_worn_measures_no_more_unasked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The bench file rates its cable for one connection: the second unit is asked about, and nobody is there to answer."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    bench = (ROOT / "sim" / "bench.yaml").read_text(encoding="utf-8").replace("units/", f"{ROOT}/sim/units/")
    (tmp_path / "bench.yaml").write_text(f"{bench}\nconnections: {{cable: 1}}\n", encoding="utf-8")
    done = CliRunner().invoke(
        main, ["line", "short.yaml", "--bench", "bench.yaml"], input="M40-0007\nM40-0018\n"
    )
    assert done.exit_code == 0, done.output
    said = " ".join(done.output.split())
    assert (
        "cable: 1 of 1 rated connections: worn contacts read wrong before they fail. Nobody is here to ask."
        in said
    )
    assert "Left out: M40-0018." in said
    assert runs_in_folder(tmp_path) == ["M40-0007"]


def test_the_bench_checks_itself_before_the_first_unit_and_after_the_last(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In runs of its own, under its own serial; a bench that has moved since measures no unit, and the session ends with 3."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    check = "{check: bench_check, levels: [0 dBm], frequencies: [27 MHz], supply: 13.2 V, fewest: 3}"
    own = f"sequence: Own\nchannels: plans/cept-40.yaml\nsupply: 13.2 V\nchecks:\n  - {check}\n"
    (tmp_path / "own.yaml").write_text(own, encoding="utf-8")
    shipped = yaml.safe_load((ROOT / "sim" / "self-checking-bench.yaml").read_text(encoding="utf-8"))
    bench = {**shipped, "unit": f"{ROOT}/sim/units", "bench_check": {"sequence": "own.yaml"}}

    def session(serial: str, **changes: Any) -> Any:
        (tmp_path / "bench.yaml").write_text(yaml.safe_dump({**bench, **changes}), encoding="utf-8")
        words = ["line", "short.yaml", "--bench", "bench.yaml", "--check-bench", "--json"]
        return CliRunner().invoke(main, words, input=f"{serial}\n")

    sound = [session("M40-0018"), session("M40-0019")]  # four checks: three make the history
    worn = session("M40-0020", worn={"generator_cable": "3 dB"})
    assert [one.exit_code for one in (*sound, worn)] == [0, 0, 3], worn.output
    bench_itself = f"bench {bench['bench']}"
    read = [[json.loads(line)["serial"] for line in one.stdout.splitlines()] for one in (*sound, worn)]
    assert read == [
        [bench_itself, "M40-0018", bench_itself],
        [bench_itself, "M40-0019", bench_itself],
        [bench_itself],
    ]
    assert "The bench is not in order: no unit is measured." in worn.stderr
    assert "The bench is safe" in worn.stderr


def test_units_of_a_list_are_measured_in_its_order_and_all_are_proved_before_the_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`--auto`: one that cannot be measured is found with its line before anything is sent."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    units = tmp_path / "units.csv"
    words = ["line", "short.yaml", "--bench", "bench", "--units", "units.csv", "--auto"]
    units.write_text("serial\nM40-0018\nM40-9999\n", encoding="utf-8")
    refused = CliRunner().invoke(main, words)
    assert refused.exit_code == 2
    assert "M40-9999" in refused.output
    assert not (tmp_path / "results").exists()
    units.write_text("serial\nM40-0018\nM40-0007\n", encoding="utf-8")
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 0, done.output
    assert runs_in_folder(tmp_path) == ["M40-0018", "M40-0007"]


@pytest.mark.parametrize(
    ("listed", "says"),
    [
        ("serial,serial\nA-1,A-1\n", "units.csv:1:1: the column 'serial' stands there 2 times"),
        ("unit\nA-1\n", "there is no column 'serial'"),
        ("serial\nM40-0007\nM40-0007\n", "units.csv:3:1: the serial 'M40-0007' stands on line 2 already"),
    ],
)
def test_a_list_with_doubled_or_missing_columns_is_refused_with_its_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, listed: str, says: str
) -> None:
    """Before the bench is opened."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    (tmp_path / "units.csv").write_text(listed, encoding="utf-8")
    done = CliRunner().invoke(
        main, ["line", "short.yaml", "--bench", "bench", "--units", "units.csv", "--auto"]
    )
    assert done.exit_code == 2
    assert says in done.output


def test_auto_without_a_list_says_what_it_needs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It would have no unit."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    done = CliRunner().invoke(main, ["line", "short.yaml", "--bench", "bench", "--auto"])
    assert done.exit_code == 2
    assert "--units LIST" in done.output


def test_units_in_several_positions_are_measured_each_on_its_own_bench_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The list says where each lies; the one before is left safe first, and each run names its bench."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    bench = (ROOT / "sim" / "bench.yaml").read_text(encoding="utf-8")
    bench = bench.replace("unit: units ", f"unit: {ROOT / 'sim' / 'units'} ")
    for side in ("left", "right"):
        (tmp_path / f"{side}.yaml").write_text(
            bench.replace("bench: Demonstration bench", f"bench: Fixture {side}"), encoding="utf-8"
        )
    (tmp_path / "units.csv").write_text(
        "serial,position\nM40-0007,left.yaml\nM40-0018,right.yaml\n", encoding="utf-8"
    )
    words = ["line", "short.yaml", "--bench", "left.yaml", "--units", "units.csv", "--auto"]
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 0, done.output
    with Store.open_to_read(tmp_path / "results" / "results.sqlite") as store:
        runs = store.read_runs(Wanted(), limit=None)[::-1]
    assert [(one.serial, one.bench) for one in runs] == [
        ("M40-0007", "Fixture left (simulated)"),
        ("M40-0018", "Fixture right (simulated)"),
    ]


def test_on_a_real_bench_two_units_in_one_position_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody would change the unit, and the second would be the first under another name."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "short.yaml").write_text(SEQUENCE, encoding="utf-8")
    bench = (ROOT / "sim" / "bench.yaml").read_text(encoding="utf-8")
    real = re.sub(r"^(visa|unit|clock|seed):.*\n", "", bench, flags=re.MULTILINE)
    (tmp_path / "real.yaml").write_text(real, encoding="utf-8")
    (tmp_path / "units.csv").write_text("serial\nM40-0007\nM40-0018\n", encoding="utf-8")
    done = CliRunner().invoke(
        main, ["line", "short.yaml", "--bench", "real.yaml", "--units", "units.csv", "--auto"]
    )
    assert done.exit_code == 2
    assert "units.csv:3:1: M40-0018 lies in the position of M40-0007 (line 2)" in done.output
