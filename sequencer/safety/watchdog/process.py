"""The watchdog's own process: started by `sequencer.safety.watchdog.client` before the first key-down, told by lines, ended by "end".

It stands in a session of its own and ignores what a terminal or a shell sends; standard output and error are closed. That the program
has ended it sees by its process (Linux), by the end of the lines, and by having another parent: a child that the program forked may
hold the lines open. Its clock goes on while the machine is suspended.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import socket
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

from drivers.clock import asleep_s, boot_s
from sequencer.safety.watchdog import LATE, WATCHDOG
from sequencer.safety.watchdog.ways import Tried, Way, open_visa, prove, switch_off

LOOK_S = 0.2
"""How soon it sees what no descriptor tells: that the machine was suspended, or on other systems than Linux that the program has gone."""
AGAIN_S = 1.0
"""How often PTT is released again after it has acted, while the program stands still: what it was about to send may come yet."""
AT_IT_S = 120.0
"""How long a program that says that it is releasing PTT is not ended."""
SLEPT_S = 1.0
"""Both clocks are read one after the other: less than this may be a busy machine."""
WAKING_S, WAKING_UNSEEN_S = 30.0, 5.0
"""How long a program that slept with the machine has to see that itself: where PTT reads released by then, and where it does not."""
PATIENCE_S = 15.0
"""How long it goes on trying once the program has gone."""
IGNORED = ("SIGINT", "SIGHUP", "SIGTERM", "SIGQUIT", "SIGTSTP", "SIGPIPE")


def main() -> None:
    """Watch until told to end, or until the program has gone and PTT is released."""
    for name in IGNORED:
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    Watching(socket.socket(fileno=0)).run()


class Watching:
    """What the process is at. ``link`` is the line to the program."""

    def __init__(self, link: socket.socket) -> None:
        self._link = link
        self._held = b""
        self._facts: dict[str, Any] = {}
        self._ways: list[Way] = []
        self._program = -1
        self._pid = 0
        self._until_s: float | None = None
        self._pressed_at = 0.0
        self._pressed_boot_s = 0.0
        self._slept_s = 0.0
        self._releasing_s: float | None = None
        self._again_s: float | None = None
        self._first: tuple[str, float] | None = None

    def run(self) -> None:
        """Read the facts, then heed lines and the clock."""
        while b"\n" not in self._held:
            if not (more := self._link.recv(65536)):
                return
            self._held += more
        line, _, self._held = self._held.partition(b"\n")
        self._facts = json.loads(line)
        self._ways = [Way(**one) for one in self._facts["ways"]]
        self._pid = self._facts["pid"]
        self._program = _process_of(self._pid)
        self._say("ready")
        with contextlib.suppress(
            Exception
        ):  # ready before it is needed; what fails now is told when it is tried
            for visa in {way.visa for way in self._ways if way.line == "visa"}:
                open_visa(visa).close()
        ended = self._obey_lines()  # some may have come with the facts
        while not ended:
            ended = self._look()

    def _look(self) -> bool:
        """Wait for a line, the program's end, or the time; return whether all is done."""
        watched = [self._link] + ([self._program] if self._program >= 0 else [])
        ready, _, _ = select.select(watched, [], [], self._wait_s())
        gone = self._program in ready or os.getppid() != self._pid
        if self._link in ready or gone:
            ended, closed = self._heed(waiting=not gone)
            if ended:
                return True
            if gone or closed:
                self._on_end()
                return True
        if self._until_s is not None and boot_s() >= self._until_s:
            if asleep_s() - self._slept_s > SLEPT_S:
                self._on_waking()
            else:
                self._until_s = None
                self._on_time()
        elif self._again_s is not None and boot_s() >= self._again_s:
            self._again_s = boot_s() + AGAIN_S
            for way in self._chosen("radio", shared_only=True):
                switch_off(way)
        return False

    def _wait_s(self) -> float | None:
        due = [at_s for at_s in (self._until_s, self._again_s) if at_s is not None]
        return min(LOOK_S, max(0.0, min(due) - boot_s())) if due else None

    def _heed(self, *, waiting: bool) -> tuple[bool, bool]:
        """Take the lines that have come; return whether it was told to end, and whether the lines have ended."""
        closed = False
        self._link.setblocking(waiting)
        while True:
            try:
                more = self._link.recv(65536)
            except BlockingIOError:
                break
            except OSError:
                more = b""
            closed = not more
            self._held += more
            if closed or waiting:
                break
        return self._obey_lines(), closed

    def _obey_lines(self) -> bool:
        """Do what the lines say that are whole; return whether one says "end"."""
        while b"\n" in self._held:
            line, _, self._held = self._held.partition(b"\n")
            words = line.decode("ascii", "replace")
            if words.startswith("unit "):  # a serial may hold blanks
                self._facts["serial"] = json.loads(words[5:])
            elif self._obey(words.split()):
                return True
        return False

    def _obey(self, words: list[str]) -> bool:
        """Do what a line says; return whether it says "end"."""
        match words:
            case ["down", number, within_s]:
                self._pressed_at, self._pressed_boot_s = time.time(), boot_s()
                self._until_s = self._pressed_boot_s + float(within_s)
                self._slept_s = asleep_s()
                self._releasing_s = self._again_s = self._first = None
                self._say(f"armed {number}")
            case ["releasing"]:
                self._releasing_s = boot_s()
            case ["up"]:
                self._until_s = self._again_s = self._releasing_s = None
                self._pressed_boot_s = 0.0
            case ["prove"]:
                self._prove()
            case ["end"]:
                return True
        return False

    def _prove(self) -> None:
        """See which ways answer beside the program; what does not is kept for when the program has gone."""
        found = []
        for at, way in enumerate(self._ways):
            if way.shared:
                tried = prove(way)
                found.append(asdict(tried))
                if not tried.confirmed:
                    self._ways[at] = Way(**{**asdict(way), "shared": False})
        self._say("proved " + json.dumps(found))

    def _on_waking(self) -> None:
        """Release PTT at once where the time has passed while the machine slept; the program slept too, and is not at fault.

        It sees that it slept, releases PTT and discards what it read; only if it does not is it taken to stand still.
        """
        self._slept_s = asleep_s()
        tried = [switch_off(way) for way in self._chosen("radio", True)]
        released = any(one.confirmed for one in tried)
        self._until_s = boot_s() + (WAKING_S if released else WAKING_UNSEEN_S)

    def _on_time(self) -> None:
        """Act while the program lives: PTT, then the supply; where neither was confirmed the program is ended."""
        tried = [switch_off(way) for way in (*self._chosen("radio", True), *self._chosen("supply", True))]
        if not any(one.confirmed for one in tried) and not self._is_at_it():
            self._end_program()
            tried += self._try_all()
            self._note(tried, f"{LATE}, and the program was ended, to get at the instruments")
            return
        self._note(tried, LATE)
        self._again_s = boot_s() + AGAIN_S

    def _on_end(self) -> None:
        """Act once the program has gone, if PTT was pressed, unless another program drives the bench by now: it makes it safe first."""
        if not self._pressed_boot_s:
            return
        with contextlib.ExitStack() as locks:
            if not _took_locks(self._facts["locks"], locks):
                return
            self._note(self._try_all(), "the program ended with PTT pressed")

    def _try_all(self) -> list[Tried]:
        """Try all ways until PTT reads released, or the supply off; the supply is switched off in any case."""
        until_s = boot_s() + PATIENCE_S
        while True:
            tried = [switch_off(way) for role in ("radio", "supply") for way in self._chosen(role, False)]
            if any(one.confirmed for one in tried) or boot_s() >= until_s:
                return tried
            time.sleep(LOOK_S)

    def _chosen(self, role: str, shared_only: bool) -> list[Way]:
        return [way for way in self._ways if way.role == role and (way.shared or not shared_only)]

    def _is_at_it(self) -> bool:
        return self._releasing_s is not None and boot_s() - self._releasing_s < AT_IT_S

    def _end_program(self) -> None:
        """End the program for good; its connections close with it."""
        with contextlib.suppress(OSError):
            if self._program >= 0:
                signal.pidfd_send_signal(self._program, signal.SIGKILL)
                select.select([self._program], [], [], 2.0)
            elif os.getppid() == self._pid:
                os.kill(self._pid, signal.SIGKILL)

    def _note(self, tried: list[Tried], why: str) -> None:
        """Tell the program, and leave word for the next one. Why it acted first stands, and how long PTT was pressed until then."""
        held_s = boot_s() - self._pressed_boot_s
        if self._first is not None:
            (why, held_s), ended = self._first, why
            why += "" if ended == why else f"; later {ended}"
        elif any(one.confirmed for one in tried):
            self._first = (why, held_s)
        said = "; ".join(one.said for one in tried) or "no way was left"
        confirmed = any(one.confirmed for one in tried)
        released = any(one.confirmed for one in tried if one.role == "radio")
        facts = {"why": why, "said": said, "confirmed": confirmed, "released": released, "held_s": held_s}
        self._say("acted " + json.dumps(facts))
        with contextlib.suppress(Exception):
            from sequencer.safety.remembered.mark import Mark
            from sequencer.safety.remembered.state_folder import StateFolder

            if mark := self._facts.get("mark"):
                folder = StateFolder(path=Path(mark["folder"]), chosen=mark["chosen"])
                Mark(folder, mark["name"]).write(
                    stands=True,
                    serial=self._facts["serial"],
                    pressed=self._pressed_at,
                    held_s=held_s,
                    confirmed=confirmed,
                    released=released,
                    why=_short(why, 200),
                    said=_short(said, 300),
                )

    def _say(self, text: str) -> None:
        with contextlib.suppress(OSError):
            self._link.setblocking(True)
            self._link.settimeout(1.0)  # a program that stands still reads nothing
            self._link.sendall(text.encode("ascii", "backslashreplace") + b"\n")
            self._link.settimeout(None)


def _short(text: str, most: int) -> str:
    """Return text that fits into a mark's record."""
    return text.encode("ascii", "replace").decode()[:most]


def _process_of(pid: int) -> int:
    """Return a descriptor of the process that becomes readable with its end; -1 where the system has none."""
    if hasattr(os, "pidfd_open") and os.getppid() == pid:
        with contextlib.suppress(OSError):
            return os.pidfd_open(pid)
    return -1


def _took_locks(paths: list[str], stack: contextlib.ExitStack) -> bool:
    """Take the program's locks after it; False where another program has one of them by now."""
    import fcntl

    for path in paths:
        try:
            lock = os.open(path, os.O_RDWR | os.O_NOFOLLOW | os.O_CLOEXEC)
        except OSError:
            continue
        stack.callback(os.close, lock)
        until_s = boot_s() + 1.0  # the program's own end may take as long
        while True:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                if boot_s() >= until_s:
                    return False
                time.sleep(0.01)
                continue
            break
        with contextlib.suppress(OSError):
            stack.callback(os.ftruncate, lock, 0)
            os.ftruncate(lock, 0)
            os.pwrite(lock, json.dumps({"pid": os.getpid(), "program": WATCHDOG}).encode("ascii"), 0)
    return True
