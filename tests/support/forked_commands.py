"""The command line in a child of a process that has imported it already: most of the time of a run at a terminal is imports [measured].

For tests in which what a person sees and types matters, not how a process starts. Each command still has a process of its own, with its
own terminal, folder and environment; `tests/behaviour/test_cli.py` and `test_exits.py` start the interpreter itself.

`start` asks the process that stands ready, one for each worker, to fork. Between the two goes one message a command: its words as JSON,
with the terminal and a pipe as file descriptors; into the pipe go the child's number and, at its end, its exit status.
"""

from __future__ import annotations

import atexit
import json
import os
import select
import signal
import socket
import subprocess
import sys
import traceback
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
LONGEST = 1 << 20


@dataclass(slots=True)
class Command:
    """A command under way; ``number`` is its process."""

    number: int
    _told: Any
    _status: int | None = None

    def status(self, *, within_s: float) -> int | None:
        """Return its exit status (negative: the signal that ended it); None where it has not ended by then."""
        if self._status is None and select.select([self._told], [], [], within_s)[0]:
            self._status = int(self._told.readline())
            self._told.close()
        return self._status


def start(words: list[str], environment: dict[str, str], terminal: int) -> Command:
    """Run ``python -m sequencer`` with ``words`` at the terminal ``terminal``, in the project's folder."""
    told, tells = os.pipe()
    message = json.dumps({"words": words, "environment": environment}).encode()
    socket.send_fds(_ready(), [message], [terminal, tells])
    os.close(tells)
    lines = os.fdopen(told, encoding="ascii", buffering=1)
    return Command(int(lines.readline()), lines)


@cache
def _ready() -> socket.socket:
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.support.forked_commands", str(theirs.fileno())],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        pass_fds=[theirs.fileno()],
    )
    theirs.close()

    def end() -> None:
        ours.close()  # at which it ends
        process.wait()

    atexit.register(end)
    return ours


def _serve(asked: socket.socket) -> None:
    """Fork for each message, until the other end is closed."""
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # those who wait for a command are not waited for
    while True:
        message, (*passed,), _, _ = socket.recv_fds(asked, LONGEST, 2)
        if not message:
            return
        if os.fork() == 0:
            asked.close()
            _wait_for(json.loads(message), *passed)
        for one in passed:
            os.close(one)


def _wait_for(asked: dict[str, Any], terminal: int, tells: int) -> None:
    """Fork the command, and tell of it when it has ended."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    child = os.fork()
    if child == 0:
        os.close(tells)
        os._exit(_run(asked, terminal))
    os.close(terminal)
    os.write(tells, f"{child}\n".encode())
    _, status = os.waitpid(child, 0)
    os.write(tells, f"{os.waitstatus_to_exitcode(status)}\n".encode())
    os._exit(0)


def _run(asked: dict[str, Any], terminal: int) -> int:
    """Be the command: as the interpreter does it where it starts with ``-m sequencer``, and where it ends."""
    os.login_tty(terminal)
    os.environ.clear()
    os.environ.update(asked["environment"])
    signal.signal(signal.SIGINT, signal.default_int_handler)
    sys.argv = ["sequencer", *asked["words"]]
    sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115 - the process's own
    sys.stdout = open(1, "w", encoding="utf-8", buffering=1, closefd=False)  # noqa: SIM115
    sys.stderr = open(2, "w", encoding="utf-8", buffering=1, errors="backslashreplace", closefd=False)  # noqa: SIM115
    sys.__stdin__, sys.__stdout__, sys.__stderr__ = sys.stdin, sys.stdout, sys.stderr  # type: ignore[misc]
    from sequencer.cli.main import main

    status = 0
    try:
        main()
    except SystemExit as ended:
        status = ended.code if isinstance(ended.code, int) else int(ended.code is not None)
    except BaseException:
        traceback.print_exc()
        status = 1
    atexit._run_exitfuncs()
    sys.stdout.flush()
    return status


def _import_what_a_run_needs() -> None:
    """Run the shortest command there is on the simulated bench: whatever it imports, each child has."""
    import tempfile

    from click.testing import CliRunner

    from sequencer.cli.main import main

    with suppress(ImportError):  # what workers need besides
        import procrastinate  # noqa: F401
        import psycopg  # noqa: F401
        import psycopg_pool  # noqa: F401

        import sequencer.cli.fleet.worker  # noqa: F401

    with tempfile.TemporaryDirectory() as folder:
        words = ["run", "quick-check", "--bench", "bench", "--serial", "M40-0007", "--confirmed"]
        CliRunner().invoke(main, [*words, "--folder", folder], catch_exceptions=False)


if __name__ == "__main__":
    _import_what_a_run_needs()
    _serve(socket.socket(fileno=int(sys.argv[1])))
