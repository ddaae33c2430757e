"""The program's side of the key-down watchdog: starts its process, tells it of each key-down, and hears whether it has acted."""

from __future__ import annotations

import json
import os
import select
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict
from typing import Any

from sequencer.safety.remembered.mark import Mark
from sequencer.safety.watchdog.ways import Tried, Way

GRACE_S = 0.5
"""How long after `max_key_time` it acts: by then the program has released PTT, or cannot."""
START_S = 10.0
"""How long its process may take to come up, on a machine that is busy with other things [measured: 0.02 s]."""
ANSWER_S = 5.0
PROOF_S = 15.0
END_S = 0.2
"""How long its end is waited for; it may be at trying an instrument, and ends by itself after that."""
_ending: list[subprocess.Popen[bytes]] = []
"""Those that have not ended yet: a program that runs all night collects them with the next."""
_START = "import sys; sys.path[:] = sys.argv[2:]; from sequencer.safety.watchdog.process import main; main()"


class Watchdog:
    """The watchdog of one bench; see `sequencer.safety.watchdog` for what it does. ``ways`` are tried in order.

    ``locks`` are the lock files that it takes over if this process ends, ``mark`` is where it leaves word for the next.
    """

    def __init__(
        self, ways: Sequence[Way], *, serial: str = "", mark: Mark | None = None, locks: Sequence[str] = ()
    ) -> None:
        self.ways = tuple(ways)
        self._serial = serial
        self._mark = mark
        self._locks = tuple(locks)
        self._process: subprocess.Popen[bytes] | None = None
        self._link: socket.socket | None = None
        self._held = b""
        self._is_ready = False
        self._armed = False
        self._number = 0
        self._armed_number = 0
        self._problem = ""
        self._proofs: list[Tried] | None = None
        self.acted: dict[str, Any] | None = None
        """What it did, by its own word; None where it has not acted."""

    def start(self) -> None:
        """Start its process and go on at once. What goes wrong is told by `await_ready`."""
        if self._process is not None:
            return
        _ending[:] = [one for one in _ending if one.poll() is None]
        ours, theirs = socket.socketpair()
        facts: dict[str, Any] = {
            "pid": os.getpid(),
            "ways": [asdict(way) for way in self.ways],
            "serial": self._serial,
            "locks": list(self._locks),
        }
        if self._mark is not None:
            folder = self._mark.folder
            facts["mark"] = {"folder": str(folder.path), "chosen": folder.chosen, "name": self._mark.name}
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-I", "-S", "-c", _START, "sequencer-watchdog", *filter(None, sys.path)],
                stdin=theirs.fileno(),
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
                cwd="/",
            )
            ours.sendall(json.dumps(facts).encode("ascii") + b"\n")
        except OSError as error:
            self._problem = f"the key-down watchdog cannot be started ({error.strerror or error})"
        finally:
            theirs.close()
        self._link = ours

    def prove(self) -> None:
        """Have it try which instruments answer a second connection; goes on at once."""
        self._send("prove")

    def proofs(self, within_s: float = PROOF_S) -> tuple[Tried, ...] | None:
        """Return what came of `prove`; None where nothing came in time."""
        self._hear(0.0)
        self._hear_until(lambda: self._proofs is not None, within_s)
        return None if self._proofs is None else tuple(self._proofs)

    def await_ready(self) -> None:
        """Wait until its process is there. Raises OSError, in words, where it is not, or has acted."""
        if not self._hear_until(lambda: self._is_ready, START_S):
            self._problem = self._problem or f"the key-down watchdog did not start within {START_S:g} s"
        self._refuse_if_failed()

    def arm(self, within_s: float) -> None:
        """Say that PTT is about to be pressed and is released within ``within_s``; it has heard so when this returns. Raises OSError."""
        self._armed = True
        self._number += 1
        self._send(f"down {self._number} {within_s + GRACE_S:.3f}")
        if not self._hear_until(lambda: self._armed_number == self._number, ANSWER_S):
            self._problem = self._problem or f"the key-down watchdog did not answer within {ANSWER_S:g} s"
        self._refuse_if_failed()

    def change_unit(self, serial: str) -> None:
        """Say which unit lies on the bench from now on, for what it leaves word of; PTT reads released."""
        self._serial = serial
        self._send(f"unit {json.dumps(serial)}")

    def note_releasing(self) -> None:
        """Say that PTT is being released."""
        if self._armed:
            self._send("releasing")

    def disarm(self) -> None:
        """Say that PTT reads released."""
        if self._armed:
            self._send("up")
            self._armed = False

    def problem(self) -> str:
        """Return why PTT must not be pressed any more; empty where all is well."""
        self._hear(0.0)
        return self._problem

    def close(self) -> None:
        """End it; where PTT could not be read as released it goes on trying by itself."""
        if self._link is None:
            return
        if not self._armed:
            self._send("end")
        self._link.close()
        self._link = None
        if self._process is not None:
            with suppress(subprocess.TimeoutExpired):
                self._process.wait(0.0 if self._armed else END_S)
            _ending.append(self._process)

    def _refuse_if_failed(self) -> None:
        if self._problem:
            raise OSError(self._problem)

    def _send(self, text: str) -> None:
        if self._link is None:
            return
        try:
            self._link.sendall(text.encode("ascii") + b"\n")
        except OSError:
            self._is_gone()

    def _is_gone(self) -> None:
        self._problem = self._problem or "the process of the key-down watchdog has ended"

    def _hear_until(self, condition: Callable[[], bool], within_s: float) -> bool:
        until_s = time.monotonic() + within_s
        while not condition():
            if self._problem or (left_s := until_s - time.monotonic()) <= 0.0:
                return False
            self._hear(left_s)
        return True

    def _hear(self, within_s: float) -> None:
        """Take what it has said, waiting up to ``within_s`` for a first word."""
        if self._link is None:
            return
        while select.select([self._link], [], [], within_s)[0]:
            within_s = 0.0
            try:
                more = self._link.recv(65536)
            except OSError:
                more = b""
            if not more:
                self._is_gone()
                return
            self._held += more
        while b"\n" in self._held:
            line, _, self._held = self._held.partition(b"\n")
            self._take(line.decode("ascii"))

    def _take(self, line: str) -> None:
        word, _, rest = line.partition(" ")
        if word == "ready":
            self._is_ready = True
        elif word == "armed":
            self._armed_number = int(rest)
        elif word == "proved":
            self._proofs = [Tried(**one) for one in json.loads(rest)]
        elif word == "acted":
            self.acted = json.loads(rest)
            self._problem = said_of(self.acted)


def said_of(acted: dict[str, Any]) -> str:
    """Return what the watchdog did, in words."""
    how = "PTT could not be released by it either"
    if acted["confirmed"]:
        how = "PTT was taken from it" if acted["released"] else "PTT could not be read released by it either"
    return f"the key-down watchdog acted {acted['held_s']:.1f} s after PTT was pressed, because {acted['why']}; {how}: {acted['said']}"
