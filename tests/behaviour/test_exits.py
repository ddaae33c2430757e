"""Promises 4 to 6 of design section 6, with real processes, real signals and real sockets: every way out leaves the bench safe.

A simulated bench is served by one process, driven by another that is interrupted, killed or left alone, and asked by a plain socket
client how it stands. POSIX signals and pseudo-terminals (IEEE Std 1003.1); exit statuses as design section 12 states them.
"""

from __future__ import annotations

import contextlib
import csv
import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.support.served_bench import (
    ROOT,
    SAFE,
    SEQUENCER,
    SERIAL,
    Client,
    Served,
    serve,
    start_run,
    wait_until,
)

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "login_tty"), reason="POSIX signals and pseudo-terminals"),
]

KEYED_LONG = """
sequence: Keyed for long
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
share_key: no
checks:
  - {check: carrier_power, channel: 20, readings: 2, limit: {max: 4 W}}
  - {check: carrier_power, channel: 20, keyed_for: 60 s}
"""
LISTENING_LONG = """
sequence: Listening for long
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20, readings: 2, limit: {max: 4 W}}
  - {check: sensitivity, channel: 20, target: 12 dB SINAD, tone: 1 kHz, deviation: 1.2 kHz, accuracy: 0.05 dB}
"""
ASKING = """
sequence: Asking
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
prepare:
  - confirm: volume at half
checks:
  - {check: carrier_power, channel: 20, readings: 2, limit: {max: 4 W}}
"""


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A served bench for the whole module; its witness must have seen nothing when it ends."""
    bench = serve(tmp_path_factory.mktemp("served"))
    yield bench
    assert "witness" not in bench.end()


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Callable[..., Client]]:
    """Start a run on a bench file; whatever is left of it afterwards is killed."""
    started: list[Client] = []

    def start(bench: Path, sequence: str, *options: str) -> Client:
        (tmp_path / "sequence.yaml").write_text(sequence, encoding="utf-8")
        started.append(start_run(tmp_path, bench, *options))
        return started[-1]

    yield start
    for client in started:
        if client.process.poll() is None:
            client.process.kill()
            client.process.communicate()


PHASES = {"keyed": (KEYED_LONG, "keyed"), "listening": (LISTENING_LONG, "generator_on")}


def _in_phase(client: Client, served: Served, attribute: str) -> None:
    def there() -> bool:
        assert client.process.poll() is None, client.process.communicate()
        return len(client.rows()) >= 1 and bool(getattr(served, attribute))

    wait_until(there, f"the second check is on and {attribute}")


# --- promise 4: every way out ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("phase", "signals"),
    [
        ("keyed", ("SIGINT",)),
        ("keyed", ("SIGINT", "SIGINT")),
        ("keyed", ("SIGTERM", "SIGINT")),
        ("keyed", ("SIGHUP",)),
        ("keyed", ("SIGQUIT",)),
        ("listening", ("SIGINT",)),
        ("listening", ("SIGQUIT", "SIGQUIT", "SIGTERM")),
        ("listening", ("SIGTERM",)),
    ],
    ids=lambda one: one if isinstance(one, str) else "+".join(one),
)
def test_an_interrupted_run_leaves_the_bench_safe_and_its_results(served, run, phase, signals):
    """Ctrl-C once or more, SIGTERM or a lost terminal: status 4, unit unkeyed, generator and supply off, what was measured is kept."""
    sequence, attribute = PHASES[phase]
    client = run(served.bench, sequence)
    _in_phase(client, served, attribute)
    for name in signals:
        client.process.send_signal(getattr(signal, name))
        time.sleep(0.001)  # the way out takes longer
    status, said, last_line = client.end()
    assert (status, last_line) == (4, SAFE), said
    assert served.is_safe()
    rows = client.rows()
    assert [row["quantity"] for row in rows] == ["carrier power"]
    stored, results = client.stored()
    # Two that arrive before Python looks are taken in the order of their numbers.
    assert stored.outcome in {f"interrupted ({name})" for name in signals}
    assert stored.bench_safe
    assert [result.value for result in results] == [float(rows[0]["value"])]


def test_a_burst_of_signals_up_to_the_end_takes_neither_the_status_nor_the_last_line(served, run):
    """Whoever leans on Ctrl-C until the process is gone gets status 4 and is told how the bench was left, all the same."""
    client = run(served.bench, LISTENING_LONG)
    _in_phase(client, served, "generator_on")
    sent = 0
    while client.process.poll() is None and sent < 20_000:
        client.process.send_signal((signal.SIGINT, signal.SIGTERM, signal.SIGQUIT)[sent % 3])
        sent += 1
        time.sleep(0.003)
    status, said, last_line = client.end()
    assert (status, last_line) == (4, SAFE), said
    assert sent > 3
    assert served.is_safe()


def test_a_reader_that_has_gone_costs_neither_the_status_nor_the_last_line(tmp_path):
    """`sequencer run … | head -1`: the pipe closes behind the first line, and standard error still says how the bench was left."""
    (tmp_path / "sequence.yaml").write_text(KEYED_LONG.replace("60 s", "1 s"), encoding="utf-8")
    for options in ([], ["--json"]):
        command = [*SEQUENCER, "run", tmp_path / "sequence.yaml", *SERIAL, *options]
        command += ["--bench", ROOT / "sim" / "bench.yaml", "--results", tmp_path / "results"]
        reading, writing = os.pipe()
        process = subprocess.Popen(command, cwd=ROOT, text=True, stdout=writing, stderr=subprocess.PIPE)
        os.close(writing)
        os.close(reading)
        _, errors = process.communicate(timeout=60)
        assert errors.strip().splitlines()[-1] == SAFE, errors
        assert "Exception ignored" not in errors
        assert process.returncode == 0, errors


LATE_SIGNAL = """
import signal, sys
import sequencer.cli.screens.screen
made = sequencer.cli.screens.screen.results_table
def interrupted(*arguments, **options):
    signal.raise_signal(signal.SIGINT)
    return made(*arguments, **options)
sequencer.cli.screens.screen.results_table = interrupted
from sequencer.cli.main import main
main()
"""


def test_ctrl_c_while_the_table_is_printed_does_not_cost_the_last_line(tmp_path):
    """A Ctrl-C that comes after the run, while its results are shown, neither hides how the bench was left nor says anything untrue."""
    (tmp_path / "sequence.yaml").write_text(KEYED_LONG.replace("60 s", "1 s"), encoding="utf-8")
    command = [sys.executable, "-c", LATE_SIGNAL, "run", str(tmp_path / "sequence.yaml"), *SERIAL]
    done = subprocess.run(
        [*command, "--bench", ROOT / "sim" / "bench.yaml", "--folder", tmp_path / "results"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert "before anything was sent" not in done.stderr
    assert done.stderr.strip().splitlines()[-1] == SAFE


def test_ctrl_z_does_not_put_a_keyed_run_to_sleep(served, run):
    """SIGTSTP (Ctrl-Z) during a run is ignored: a sleeping process could not release the key."""
    client = run(served.bench, KEYED_LONG)
    _in_phase(client, served, "keyed")
    client.process.send_signal(signal.SIGTSTP)
    client.process.send_signal(signal.SIGINT)
    status, said, last_line = client.end()
    assert (status, last_line) == (4, SAFE), said
    assert served.is_safe()


def test_a_bench_lost_while_keyed_is_said_in_plain_words(tmp_path, run):
    """When every instrument is gone the results so far are kept, the status is 3 and the last line says to remove the supply."""
    # A keyed wait talks to nobody: the loss is noticed when the key is due to be released.
    bench = serve(tmp_path, timeout="0.3 s", max_key_time="10 s")
    client = run(bench.bench, KEYED_LONG.replace("60 s", "5 s"))
    _in_phase(client, bench, "keyed")
    bench.process.kill()
    bench.process.communicate()
    status, said, last_line = client.end()
    assert status == 3, said
    assert last_line.startswith("THE BENCH COULD NOT BE CONFIRMED SAFE: PTT could not be confirmed released")
    assert "Remove the supply from the unit now" in last_line
    rows = client.rows()
    assert [row["decision"] for row in rows] == ["pass", "not measured"]
    stored, results = client.stored()
    assert not stored.bench_safe
    assert len(results) == 2


# --- promise 5: after a crash ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["run", "identify"])
def test_after_kill_9_the_next_command_makes_the_bench_safe_first(served, run, command):
    """A run killed while keyed, its watchdog too, leaves the unit keyed; what opens the bench next unkeys it first, and says so."""
    killed = run(served.bench, KEYED_LONG)
    _in_phase(killed, served, "keyed")
    watchdog = killed.watchdog()
    killed.process.send_signal(signal.SIGSTOP)  # it would see that its watchdog has gone
    os.kill(watchdog, signal.SIGKILL)
    killed.process.kill()
    killed.process.communicate()
    assert served.keyed, "nothing but the next command can release it"
    stored, results = killed.stored()
    assert stored.outcome == "not ended"
    assert len(results) == 1
    if command == "identify":
        done = subprocess.run(
            [*SEQUENCER, "identify", "--bench", served.bench],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        said = done.stderr
    else:
        client = run(
            served.bench,
            ASKING.replace("carrier_power, channel: 20", "carrier_power, channel: 21"),
            "--confirmed",
        )
        status, said, _ = client.end(40.0)
        assert status == 0, said
        # The witness of the served bench, which knows the duty, is asked when the module ends.
    assert (
        "An earlier run ended while PTT of unit M40-0007 was pressed: it may have been transmitting for up to"
        in said
    )
    assert served.is_safe()
    # The served bench's witness, asked when the module ends, has seen no switch move while keyed.


# --- promise 6: one process, one bench -------------------------------------------------------------------------------


def test_a_second_process_is_refused_and_the_first_goes_on(served, run):
    """While one process drives the bench a second is refused with status 3, says nothing of safety, and sends nothing."""
    first = run(served.bench, KEYED_LONG)
    _in_phase(first, served, "keyed")
    second = run(served.bench, LISTENING_LONG)
    status, said, last_line = second.end()
    assert status == 3, said
    assert "another process drives" in said
    assert last_line == "The bench was left as it stood: nothing was sent to it."
    assert second.rows() == []
    assert not second.stored()[0].bench_safe, "a bench that was not looked at is not stored as safe"
    assert first.process.poll() is None
    first.process.send_signal(signal.SIGINT)
    assert first.end()[::2] == (4, SAFE)
    assert served.is_safe()


# --- a person at the terminal ----------------------------------------------------------------------------------------


def _at_terminal(tmp_path: Path, typed: bytes | signal.Signals) -> tuple[int, str, list[dict[str, str]]]:
    """Run the asking sequence at a pseudo-terminal and type when it asks; return status, screen and rows."""
    (tmp_path / "asking.yaml").write_text(ASKING, encoding="utf-8")
    folder = tmp_path / "results"
    command = [*SEQUENCER, "run", str(tmp_path / "asking.yaml"), "--bench", str(ROOT / "sim" / "bench.yaml")]
    command += ["--serial", "M40-0007", "--folder", str(folder)]
    master, slave = os.openpty()
    environment = {**os.environ, "TERM": "dumb", "COLUMNS": "200"}
    process = subprocess.Popen(
        command,
        cwd=ROOT,
        preexec_fn=lambda: os.login_tty(slave),  # noqa: PLW1509 - no threads here; it makes the terminal ours, for Ctrl-C
        pass_fds=[slave],
        env=environment,
    )
    os.close(slave)

    def say() -> None:
        if isinstance(typed, signal.Signals):
            process.send_signal(typed)
        else:
            os.write(master, typed)

    screen, asked = b"", False
    with contextlib.suppress(OSError):  # the end of a pseudo-terminal is an error (EIO) on Linux
        while True:
            if not select.select([master], [], [], 3.0 if asked else 30.0)[0]:
                assert asked, screen
                # Python loses a Ctrl-C that comes between its last look and the read: a person types it once more.
                say()
                continue
            chunk = os.read(master, 4096)
            if not chunk:
                break
            screen += chunk
            if b"is that so?" in screen and not asked:
                asked = True
                time.sleep(0.1)
                say()
    os.close(master)
    return process.wait(20), screen.decode(), Client(process, folder).rows()  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("typed", "status", "quantities"),
    [
        (b"\x03", 4, []),
        (b"\x1c", 4, []),
        (signal.SIGTERM, 4, []),
        (b"n\n", 3, ["confirmed: volume at half"]),
        (b"\x04", 3, ["confirmed: volume at half"]),
        (b"y\n", 0, ["confirmed: volume at half", "carrier power"]),
    ],
    ids=["Ctrl-C", "Ctrl-backslash", "SIGTERM", "no", "end of input", "yes"],
)
def test_a_person_answers_a_confirmation(tmp_path, typed, status, quantities):
    """At the prompt Ctrl-C and Ctrl-\\ are status 4, "n" and end of input are status 3 with no later check, "y" goes on; it ends safe."""
    ended, screen, rows = _at_terminal(tmp_path, typed)
    assert ended == status, screen
    assert screen.strip().splitlines()[-1].strip() == SAFE
    assert [row["quantity"] for row in rows] == quantities
    assert "Traceback" not in screen


def test_a_terminal_that_is_closed_at_a_prompt_ends_the_run_safe(tmp_path):
    """The window is closed while a person is asked (SIGHUP, POSIX 11.1.10): nobody is there to be told, the store says how it was left."""
    (tmp_path / "asking.yaml").write_text(ASKING, encoding="utf-8")
    folder = tmp_path / "results"
    command = [*SEQUENCER, "run", str(tmp_path / "asking.yaml"), "--bench", str(ROOT / "sim" / "bench.yaml")]
    master, slave = os.openpty()
    process = subprocess.Popen(
        [*command, *SERIAL, "--folder", str(folder)],
        cwd=ROOT,
        preexec_fn=lambda: os.login_tty(slave),  # noqa: PLW1509 - as above
        pass_fds=[slave],
        env={**os.environ, "TERM": "dumb"},
    )
    os.close(slave)
    screen = b""
    while b"is that so?" not in screen:
        assert select.select([master], [], [], 30.0)[0], screen
        screen += os.read(master, 4096)
    os.close(master)
    assert process.wait(20) == 4
    run, results = Client(process, folder).stored()  # type: ignore[arg-type]
    assert (run.outcome, run.bench_safe, results) == ("interrupted (SIGHUP)", True, [])


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full is needed")
@pytest.mark.parametrize("stream", ["stdout", "stderr"])
@pytest.mark.parametrize("options", [[], ["--json"]])
def test_a_full_output_costs_neither_the_last_line_nor_what_stands_where(tmp_path, options, stream):
    """`sequencer run … > file` on a full disk: status 3, what is cut short is said, the counts are the files', and the last line follows.

    Where standard error is full the words go to standard output, or stand in the JSON. /dev/full: full(4) of the Linux manual pages.
    """
    (tmp_path / "sequence.yaml").write_text(KEYED_LONG.replace("60 s", "1 s"), encoding="utf-8")
    command = [*SEQUENCER, "run", tmp_path / "sequence.yaml", *SERIAL, *options]
    command += ["--bench", ROOT / "sim" / "bench.yaml", "--folder", tmp_path / "results"]
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, stream: full}
        done = subprocess.run(command, cwd=ROOT, text=True, check=False, **streams)
    if stream == "stderr":
        assert done.returncode == 0
        assert (SAFE in done.stdout) if not options else (json.loads(done.stdout)["last_line"] == SAFE)
        return
    assert done.returncode == 3
    said, last_line = done.stderr.strip().splitlines()
    assert last_line == SAFE
    assert said.startswith("Standard output could not be written to: No space left on device.")
    (table,) = (tmp_path / "results").glob("*.csv")
    with table.open(encoding="utf-8", newline="") as file:
        rows = len(list(csv.DictReader(file)))
    assert f"of {rows} results the table {table} holds {rows}, the store" in said
