"""Tells somebody elsewhere what came of runs: by a command, or by a notification service. What fails here costs no result.

Each message is handed to a process of its own, with a time-out, never through a shell: its text goes over standard input, its facts
into environment variables. Addresses with their tokens go over standard input too, where no list of processes shows them.
"""

from __future__ import annotations

import json
import os
import shlex
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import field
from pathlib import Path
from typing import Protocol

from sequencer.frozen import dataclass
from sequencer.problems import InputError, option_problem, printable
from sequencer.run.series.addresses import Address

TIMEOUT_S = 30.0
"""How long one attempt to send a message may take."""
_SENDER = Path(__file__).with_name("send_notice.py")


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """What is told: a title of one line, a text, and the facts as names and values for a program."""

    title: str
    text: str
    facts: Mapping[str, str] = field(default_factory=dict)


class Channel(Protocol):
    """A way to tell somebody."""

    @property
    def name(self) -> str:
        """What it is called where it fails."""

    def send(self, message: Message, timeout_s: float) -> str:
        """Send it; return why that failed, empty where it did not."""


@dataclass(frozen=True, slots=True)
class CommandChannel:
    """Calls a command: the message on its standard input, title first; the facts as variables ``RADIO_BENCH_…``."""

    words: tuple[str, ...]

    @property
    def name(self) -> str:
        """The command, as it is named in a complaint: its arguments may hold a token."""
        return f"the command {printable(self.words[0])}"

    def send(self, message: Message, timeout_s: float) -> str:
        """Call it and wait for its end; a status other than 0 is a failure. What it writes is not repeated: it may hold a token."""
        facts = {f"RADIO_BENCH_{name.upper()}": printable(text) for name, text in message.facts.items()}
        content = f"{message.title}\n\n{message.text}\n".encode("utf-8", "backslashreplace")
        status, _ = _called(self.words, content, {**os.environ, **facts}, timeout_s)
        return "" if status == "0" else status


@dataclass(frozen=True, slots=True)
class ServiceChannel:
    """Notification services by the addresses of a file, each told by itself; complaints name their lines, never an address."""

    addresses: tuple[Address, ...]

    @property
    def name(self) -> str:
        """What all of them are called."""
        return "notification service"

    def send(self, message: Message, timeout_s: float) -> str:
        """Tell every service; return which of them did not take it."""
        asked = {
            "addresses": [one.text for one in self.addresses],
            "title": message.title,
            "text": message.text,
        }
        status, answer = _called(_sender(), json.dumps(asked).encode(), dict(os.environ), timeout_s)
        if status != "0":
            return f"the process that sends it: {status}"
        failed = [
            f"{service} (line {address.line})"
            for address, (service, taken) in zip(self.addresses, _answered(answer), strict=False)
            if not taken
        ]
        return f"not taken by {', '.join(failed)}" if failed else ""


def command_channel(text: str) -> CommandChannel:
    """Return the command that ``--notify`` names. Raises InputError where it cannot be called."""
    try:
        words = shlex.split(text)
    except ValueError as error:
        raise option_problem(
            "--notify", f"the command is not whole: {error}", found=text[:60], allowed=_COMMAND
        ) from error
    if not words:
        raise option_problem("--notify", "no command is named", allowed=_COMMAND)
    if shutil.which(words[0]) is None:
        raise option_problem(
            "--notify",
            f"'{printable(words[0])[:60]}' is not a program that can be called here",
            found=words[0][:60],
            allowed=_COMMAND,
            hint="no shell is called: for pipes and variables name a script",
        )
    return CommandChannel(tuple(words))


_COMMAND = "a program with its arguments, such as 'mail -s bench workshop@ferrow.example'"


def find_unusable(addresses: Sequence[Address], timeout_s: float = TIMEOUT_S) -> list[Address]:
    """Return the addresses that no notification service is known for, or that are not whole. Sends nothing."""
    asked = {"addresses": [one.text for one in addresses], "check": True}
    status, answer = _called(_sender(), json.dumps(asked).encode(), dict(os.environ), timeout_s)
    if status != "0":
        raise option_problem(
            "--notify-file",
            f"the addresses could not be looked at: {status}",
            allowed="an installation with the extra 'notify'",
        )
    return [one for one, (_, known) in zip(addresses, _answered(answer), strict=True) if not known]


def _sender() -> tuple[str, ...]:
    return (sys.executable, "-P", str(_SENDER))


def _answered(answer: bytes) -> list[tuple[str, bool]]:
    try:
        return [(printable(str(name)), bool(taken)) for name, taken in json.loads(answer)]
    except (ValueError, TypeError):
        return []


def _called(
    words: Sequence[str], content: bytes, environment: dict[str, str], timeout_s: float
) -> tuple[str, bytes]:
    """Call a program; return "0" or in words how it ended, and its output (the first 64 KiB)."""
    with tempfile.TemporaryFile() as output:
        try:
            process = subprocess.Popen(
                words,
                stdin=subprocess.PIPE,
                stdout=output,
                stderr=subprocess.DEVNULL,
                env=environment,
                start_new_session=os.name != "nt",
            )
        except OSError as error:
            return f"it could not be called: {error.strerror or error}", b""
        try:
            with suppress(BrokenPipeError):  # who does not read the message need not
                process.communicate(content, timeout=timeout_s)
            status = "0" if process.wait(timeout_s) == 0 else f"it ended with status {process.returncode}"
        except subprocess.TimeoutExpired:
            status = f"it took longer than {timeout_s:g} s and was ended"
        finally:
            _end(process)
        output.seek(0)
        return status, output.read(65536)


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a process with all that it started, whatever state it is in."""
    if process.poll() is None:
        with suppress(OSError):
            if os.name != "nt":
                os.killpg(process.pid, signal.SIGKILL)
            process.kill()
        process.wait()
    if process.stdin is not None:
        with suppress(OSError):
            process.stdin.close()


def missing_extra() -> InputError:
    """Return the complaint that notification services need a library that is not installed."""
    return option_problem(
        "--notify-file",
        "notification services need the package apprise, which is not installed",
        allowed="an installation with the extra 'notify': pip install 'radio-bench-sequencer[notify]'",
        hint="--notify COMMAND needs no extra",
    )
