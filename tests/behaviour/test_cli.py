"""The command line as programs and people meet it: statuses, streams, terminals."""

from __future__ import annotations

import csv
import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.results.store.store import Store

TOP = Path(__file__).parents[2]
BENCH = load_bench("bench").path
RUN = ("run", "fm-mobile-acceptance", "--bench", "bench", "--serial", "M40-0007", "--confirmed")
SHORT = """\
sequence: Short
channels: plans/cept-40.yaml
supply: 13.2 V
checks:
  - {check: carrier_power, channel: [1, 20, 40], limit: {max: 4 W}}
"""


def _environment(**changes: str) -> dict[str, str]:
    kept = {
        name: text for name, text in os.environ.items() if name not in ("NO_COLOR", "COLUMNS", "FORCE_COLOR")
    }
    return {**kept, "PYTHONPATH": str(TOP), "TERM": "xterm-256color", **changes}


def _command(folder: Path, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "sequencer", *arguments],
        cwd=folder,
        env=_environment(**environment),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=100,
        check=False,
    )


def _json(*arguments: str) -> Any:
    result = CliRunner().invoke(main, arguments)
    assert isinstance(result.exception, (SystemExit, type(None))), result.exception
    return json.loads(result.stdout)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A results folder with one run of the sound specimen in it."""
    folder = tmp_path_factory.mktemp("results")
    assert CliRunner().invoke(main, [*RUN, "--folder", str(folder)]).exit_code == 0
    return folder


@pytest.mark.parametrize(("serial", "status"), [("M40-0007", 0), ("M40-0011", 1), ("M40-0001", 2)])
def test_the_status_says_how_it_went(serial: str, status: int, tmp_path: Path) -> None:
    """0 all passed, 1 a limit failed, 2 the input is wrong (no such specimen)."""
    words = [*RUN[:4], "--serial", serial, "--confirmed", "--folder", str(tmp_path / "r")]
    assert CliRunner().invoke(main, words).exit_code == status


def test_a_bench_that_does_not_answer_has_status_3(tmp_path: Path) -> None:
    """Nothing listens at the addresses: status 3, an instrument named, and what was recorded says so."""
    text = BENCH.read_text(encoding="utf-8").replace("visa: sim\n", "")
    text = re.sub(r"(?m)^(unit|clock|seed): .*\n", "", text).replace("192.0.2.1", "127.0.0.1")
    text = re.sub(r"127\.0\.0\.1(\d)::5025", r"127.0.0.1::1\1", text)
    (tmp_path / "b.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "s.yaml").write_text(SHORT, encoding="utf-8")
    words = ["run", str(tmp_path / "s.yaml"), "--bench", str(tmp_path / "b.yaml"), "--serial", "X1"]
    result = CliRunner().invoke(main, [*words, "--folder", str(tmp_path / "r")])
    assert result.exit_code == 3, result.stderr
    assert "127.0.0.1" in result.stderr
    assert "Traceback" not in result.stderr
    with Store.open_to_read(tmp_path / "r" / "results.sqlite") as store:
        assert store.read_runs()[0].outcome == "the bench failed"
    said = json.loads(CliRunner().invoke(main, [*words, "--folder", str(tmp_path / "j"), "--json"]).stdout)
    fault, *again = said["faults"]
    assert again == [fault], "it was opened once more"
    assert set(fault) == {"kind", "what", "instrument", "address", "command", "reply", "next_move"}
    assert fault["kind"] == "ConnectFailed"
    assert fault["instrument"] in load_bench(str(tmp_path / "b.yaml")).bench.instruments
    assert fault["address"].startswith("TCPIP0::127.0.0.1")


def test_json_of_a_run_is_all_of_standard_output(tmp_path: Path) -> None:
    """A program that reads standard output gets one JSON value with status, rows, files and `simulated`."""
    done = _command(tmp_path, *RUN, "--json")
    said = json.loads(done.stdout)
    assert done.returncode == said["status"] == 0
    assert said["simulated"] is True
    assert "(simulated)" in said["bench"]
    assert said["bench_safe"] is True
    assert said["hazards"] == []
    assert (tmp_path / said["table"]).is_file()
    rows = said["results"]
    assert {"quantity", "value", "unit", "uncertainty", "lower_limit", "upper_limit", "decision"} <= set(
        rows[0]
    )
    assert all(row["simulated"] is True for row in rows)
    assert said["last_line"] in done.stderr


def test_json_of_the_listings_parses_and_agrees(folder: Path) -> None:
    """Runs, one run and its trace are JSON that a program can follow from one to the next."""
    (run,) = _json("results", "--json", "--folder", str(folder))
    assert run["simulated"] is True
    assert run["decisions"]["pass"] == 12
    assert set(run["instruments"]) >= {"radio", "signal_generator"}
    one = _json("results", run["run"], "--json", "--folder", str(folder))
    assert len(one["results"]) == sum(run["decisions"].values())
    sensitivity = next(row for row in one["results"] if row["check"] == "sensitivity")
    assert len(sensitivity["points"]) >= 3
    assert sensitivity["budget"]["contributions"]
    index = str(sensitivity["check_index"])
    result = CliRunner().invoke(main, ["trace", "last", "--json", "--step", index, "--folder", str(folder)])
    lines = [json.loads(line) for line in result.stdout.splitlines()]
    assert {line["check_index"] for line in lines} == {sensitivity["check_index"]}
    assert any(line["instrument"] == "audio_analyser" and line["direction"] == "received" for line in lines)


def test_a_trace_shows_every_reading_of_a_search(folder: Path) -> None:
    """Each point of a search can be found among the answers of the instrument it was read from."""
    one = _json("results", "last", "--json", "--folder", str(folder))
    sensitivity = next(row for row in one["results"] if row["check"] == "sensitivity")
    words = ["trace", "last", "--json", "--step", str(sensitivity["check_index"]), "--folder", str(folder)]
    lines = [json.loads(line) for line in CliRunner().invoke(main, words).stdout.splitlines()]
    answers = " ".join(line["content"] for line in lines if line["direction"] == "received")
    numbers = [float(found) for found in re.findall(r"[-+]?\d+\.?\d*(?:E[-+]?\d+)?", answers)]
    for point in sensitivity["points"]:
        assert any(abs(number - point["reading"]) < 1e-6 for number in numbers), point


def test_a_trace_of_a_check_that_was_not_is_refused(folder: Path) -> None:
    """A check's number outside the run is told the numbers there are."""
    result = CliRunner().invoke(main, ["trace", "last", "--step", "99", "--folder", str(folder)])
    assert result.exit_code == 2
    assert "has no check 99" in result.stderr
    assert "allowed: 0 to 11" in result.stderr


def test_a_trace_is_asked_for_by_the_check_s_name_as_results_are(folder: Path) -> None:
    """`--check` takes a name, as in `results`; a number is told to be one, and a slip is told the nearest."""
    call = CliRunner().invoke
    words = ["trace", "last", "--json", "--folder", str(folder), "--check"]
    found = call(main, [*words, "sensitivity"])
    one = _json("results", "last", "--json", "--check", "sensitivity", "--folder", str(folder))
    assert {json.loads(line)["check_index"] for line in found.stdout.splitlines()} == {
        row["check_index"] for row in one["results"]
    }
    number = call(main, [*words, "3"])
    assert (number.exit_code, "--step 3" in number.stderr) == (2, True)
    slip = call(main, [*words, "sensitivty"])
    assert (slip.exit_code, "did you mean 'sensitivity'?" in slip.stderr) == (2, True)


def test_what_was_renamed_answers_to_its_old_name_which_help_does_not_show(
    folder: Path, tmp_path: Path
) -> None:
    """A script with `--results FOLDER` or `take-in` goes on working."""
    call = CliRunner().invoke
    assert _json("results", "--json", "--results", str(folder)) == _json(
        "results", "--json", "--folder", str(folder)
    )
    for words in (["--help"], ["results", "--help"], ["run", "--help"]):
        shown = call(main, words).stdout
        assert "take-in" not in shown
        assert "--results" not in shown
    assert "no such file" in call(main, ["take-in", str(tmp_path / "none.json")]).stderr


def test_a_run_that_is_not_there_is_told_the_nearest(folder: Path) -> None:
    """A run's name with a slip is answered with the run that was meant."""
    (run,) = _json("results", "--json", "--folder", str(folder))
    result = CliRunner().invoke(main, ["results", f"{run['run']}x", "--folder", str(folder)])
    assert result.exit_code == 2
    assert f"did you mean {run['run']}?" in result.stderr
    other = CliRunner().invoke(main, ["results", "last", "--serial", "NONE", "--folder", str(folder)])
    assert "no run 'last' of unit 'NONE'" in other.stderr


def test_validate_says_what_will_be_done_and_sends_nothing(tmp_path: Path) -> None:
    """The plan as JSON: steps with their sides and forecasts; and no file comes of it."""
    before = Path.cwd()
    os.chdir(tmp_path)
    try:
        said = _json("validate", "fm-mobile-acceptance", "--bench", "bench", "--json")
    finally:
        os.chdir(before)
    assert said["valid"] is True
    assert said["simulated"] is True
    assert said["confirmations"] == 1
    assert len(said["steps"]) == 12
    steps_s = sum(step["forecast_s"] for step in said["steps"])
    assert said["forecast_s"] == pytest.approx(said["opening_s"] + steps_s, abs=0.01)
    assert list(tmp_path.iterdir()) == []


def test_validate_of_a_wrong_file_is_json_too(tmp_path: Path) -> None:
    """An editor or a CI job reads the complaints with their places; a person reads them on standard error."""
    (tmp_path / "s.yaml").write_text(SHORT.replace("4 W", "4"), encoding="utf-8")
    result = CliRunner().invoke(main, ["validate", str(tmp_path / "s.yaml"), "--bench", "bench", "--json"])
    assert result.exit_code == 2
    said = json.loads(result.stdout)
    assert said["valid"] is False
    assert [(one["line"], one["column"]) for one in said["complaints"]] == [
        (5, SHORT.splitlines()[4].index("4 W") + 1)
    ]
    assert "has no unit" in result.stderr


def test_identify_asks_every_instrument() -> None:
    """Eight instruments answer with who they are, and the bench says that it is simulated."""
    said = _json("identify", "--bench", "bench", "--json")
    assert said["simulated"] is True
    assert len(said["instruments"]) == 8
    assert all(one["identity"] and not one["problems"] for one in said["instruments"])
    shown = CliRunner().invoke(main, ["identify", "--bench", "bench"])
    assert shown.exit_code == 0
    assert "(simulated)" in shown.stdout.splitlines()[0]


def test_simulated_is_said_everywhere(folder: Path) -> None:
    """On the screen, in the table, in the store, in the run's name and in the plan: nobody takes it for real."""
    (run,) = _json("results", "--json", "--folder", str(folder))
    assert run["run"].endswith("-simulated")
    for words in (["results"], ["results", "last"]):
        assert "(simulated)" in CliRunner().invoke(main, [*words, "--folder", str(folder)]).stdout
    assert "(simulated)" in CliRunner().invoke(main, ["validate", *RUN[1:4]]).stdout
    (table,) = folder.glob("*.csv")
    with table.open(newline="", encoding="utf-8") as file:
        assert {row["simulated"] for row in csv.DictReader(file)} == {"True"}
        file.seek(0)
        assert all("(simulated)" in row["bench"] for row in csv.DictReader(file))


def test_a_budget_is_shown_for_each_uncertainty(folder: Path) -> None:
    """`--budget` prints a budget for every result that has an uncertainty."""
    shown = CliRunner().invoke(main, ["results", "last", "--budget", "--folder", str(folder)]).stdout
    one = _json("results", "last", "--json", "--folder", str(folder))
    assert shown.count("expanded uncertainty:") == sum(
        row["uncertainty"] is not None for row in one["results"]
    )


@pytest.mark.parametrize(
    "command", ["", "run", "validate", "identify", "results", "trace", "schema", "simulate"]
)
def test_help_fits_and_names_every_option(command: str) -> None:
    """Each command explains itself: what it does, and every option with a text."""
    words = [command] if command else []
    result = CliRunner().invoke(main, [*words, "--help"], terminal_width=80)
    assert result.exit_code == 0
    assert all(len(line) <= 100 for line in result.stdout.splitlines())
    found: Any = main.get_command(click.Context(main), command) if command else main
    for parameter in found.params:
        if getattr(parameter, "opts", None) and parameter.opts[0].startswith("--"):
            assert parameter.opts[0] in result.stdout
            assert getattr(parameter, "help", "")


def test_the_status_is_explained_in_the_help() -> None:
    """Whoever writes a script finds the statuses without reading the source."""
    assert "4 interrupted" in " ".join(CliRunner().invoke(main, ["--help"]).stdout.split())


@pytest.mark.slow
def test_a_shipped_sequence_is_found_from_any_folder_and_a_pipe_gets_no_escape_codes(tmp_path: Path) -> None:
    """By bare name, from an empty folder, into a pipe: plain text without colours or progress; results beside it."""
    done = _command(tmp_path, *RUN)
    assert done.returncode == 0, done.stderr
    assert "\x1b" not in done.stdout + done.stderr
    assert "\r" not in done.stdout + done.stderr
    assert done.stderr == "The bench is safe: PTT released, generator off, supply off, each read back.\n"
    assert "µV emf" in done.stdout
    assert sorted(one.suffix for one in (tmp_path / "results").iterdir()) == [".csv", ".journal", ".sqlite"]


@pytest.mark.slow
def test_a_terminal_that_knows_no_micro_sign_ends_no_run(tmp_path: Path) -> None:
    """Where the output's encoding has neither µ nor ±, they are replaced; the run ends as it should."""
    done = _command(tmp_path, *RUN, PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert done.returncode == 0, done.stderr
    assert "?V emf" in done.stdout


class Terminal:
    """A command on a pseudo-terminal, as a person has it."""

    def __init__(self, folder: Path, *arguments: str, **environment: str) -> None:
        self.shown = ""
        control, terminal = pty.openpty()
        self._control = control
        self.process = subprocess.Popen(
            [sys.executable, "-m", "sequencer", *arguments],
            cwd=folder,
            env=_environment(**environment),
            stdin=terminal,
            stdout=terminal,
            stderr=terminal,
            start_new_session=True,
        )
        os.close(terminal)

    def until(self, ready: Callable[[], bool], *, most_s: float = 60.0) -> None:
        """Read what is shown until ``ready``; AssertionError if that takes too long."""
        ends = time.monotonic() + most_s
        while not ready():
            assert time.monotonic() < ends, self.shown
            if select.select([self._control], [], [], 0.05)[0]:
                try:
                    self.shown += os.read(self._control, 65536).decode("utf-8", "replace")
                except OSError:  # Linux says EIO when the other end is closed
                    return

    def write(self, text: str) -> None:
        """Type something."""
        os.write(self._control, text.encode())

    def interrupt(self) -> None:
        """Press Ctrl-C until it is heard: Python's prompt misses one that comes in the instant before it waits."""
        before = len(self.shown)
        for _ in range(20):
            self.process.send_signal(signal.SIGINT)
            with suppress(AssertionError):
                self.until(lambda: len(self.shown) > before, most_s=3.0)
                return

    def end(self) -> int:
        """Read to the end; return the status."""
        self.until(lambda: False)
        os.close(self._control)
        return self.process.wait(10)


@pytest.mark.slow
def test_progress_is_shown_on_a_terminal_and_nothing_of_it_stays(tmp_path: Path) -> None:
    """On a terminal the bar with the time left is shown while the run lasts, then the table."""
    terminal = Terminal(tmp_path, *RUN, COLUMNS="100")
    assert terminal.end() == 0
    assert re.search(r"\d s left|min left", terminal.shown)
    assert "\x1b[32m" in terminal.shown  # a pass is green
    assert "All limits met." in terminal.shown


@pytest.mark.slow
def test_no_color_is_honoured_on_a_terminal(tmp_path: Path) -> None:
    """NO_COLOR (no-color.org): not one colour code, though it is a terminal."""
    terminal = Terminal(tmp_path, *RUN, NO_COLOR="1", COLUMNS="100")
    assert terminal.end() == 0
    assert not re.search(r"\x1b\[(?:\d+;)*(?:3[0-7]|9[0-7]|4[0-7]|38|48)(?:;\d+)*m", terminal.shown)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("answer", "status", "text"),
    [("y\n", 0, "All limits met."), ("n\n", 3, "not confirmed"), ("\x03", 4, "Interrupted")],
)
def test_a_person_is_asked_and_heard(answer: str, status: int, text: str, tmp_path: Path) -> None:
    """Yes goes on; no, once it was asked to be set, stops with status 3 and not 1; Ctrl-C at the question with 4; all are safe."""
    terminal = Terminal(tmp_path, *RUN[:-1], COLUMNS="120")
    terminal.until(lambda: "is that so?" in terminal.shown)
    if answer == "\x03":
        terminal.interrupt()
    else:
        terminal.write(answer)
    if answer == "n\n":  # typed before it is asked the second time it would be lost
        terminal.until(
            lambda: "Please set it now" in terminal.shown and terminal.shown.rstrip().endswith("[y/n]:")
        )
        terminal.write(answer)
    assert terminal.end() == status, terminal.shown
    assert text in terminal.shown
    assert "The bench is safe" in terminal.shown


@pytest.mark.slow
def test_results_survive_kill_9(tmp_path: Path) -> None:
    """A process killed between two checks leaves the checks that had ended in table and store, and the run as not ended."""
    text = BENCH.read_text(encoding="utf-8").replace("clock: virtual", "clock: real")
    (tmp_path / "b.yaml").write_text(
        text.replace("unit: units ", f"unit: {BENCH.parent}/units "), encoding="utf-8"
    )
    (tmp_path / "s.yaml").write_text(
        SHORT.replace("[1, 20, 40]", f"[{', '.join(map(str, range(1, 41)))}]"), encoding="utf-8"
    )
    words = ("run", "s.yaml", "--bench", "b.yaml", "--serial", "M40-0007", "--confirmed", "--folder", "r")
    process = subprocess.Popen(
        [sys.executable, "-m", "sequencer", *words],
        cwd=tmp_path,
        env=_environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        ends = time.monotonic() + 60
        while time.monotonic() < ends and not any(
            len(_rows(one)) >= 2 for one in (tmp_path / "r").glob("*.csv")
        ):
            time.sleep(0.02)
    finally:
        process.kill()
        process.wait(10)
    (table,) = (tmp_path / "r").glob("*.csv")
    rows = _rows(table)
    with Store.open_to_read(tmp_path / "r" / "results.sqlite") as store:
        (run,) = store.read_runs()
        stored = store.read_results(run.run)
    assert run.outcome == "not ended"
    assert 2 <= len(rows) < 40
    assert len(rows) - len(stored) in (0, 1)  # the table is written first
    assert [float(row["value"]) for row in rows[: len(stored)]] == [row.value for row in stored]
    shown = CliRunner().invoke(main, ["results", "last", "--folder", str(tmp_path / "r")])
    assert "outcome: not ended" in shown.stdout


def _rows(table: Path) -> list[dict[str, str]]:
    with table.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.mark.slow
def test_a_disk_that_fills_up_is_told_of(tmp_path: Path) -> None:
    """With files bounded at 150 kB the store cannot keep all: the run ends with status 3, and the table has every row."""
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (150_000, 150_000))\n"
        f"sys.argv = ['sequencer', *{RUN!r}]\nfrom sequencer.cli.main import main\nmain()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env=_environment(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr
    assert "Make room on the disk" in done.stderr
    (table,) = (tmp_path / "results").glob("*.csv")
    assert len(_rows(table)) == 13


def test_the_shipped_sequence_has_as_many_steps_as_it_says() -> None:
    """One confirmation and eleven checks: what the tests above count on."""
    sequence = load_sequence("fm-mobile-acceptance").sequence
    assert len(sequence.prepare) + sum(len(check.channels) for check in sequence.checks) == 12


def test_a_model_that_is_no_file_is_a_text_for_validate_as_for_run() -> None:
    """`run` takes it for the results; so does `validate`, and says which model judges the unit."""
    asked = ("quick-check", "--bench", "bench", "--model", "Blue prototype", "--serial", "P-1")
    said = CliRunner().invoke(main, ["validate", *asked])
    assert said.exit_code == 0, said.output
    assert "note: no model file is called 'Blue prototype': it is a text for the results, and " in " ".join(
        said.output.split()
    )
