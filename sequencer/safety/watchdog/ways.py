"""How the watchdog takes a unit off the air: one message to an instrument, over a connection of its own, and the answer to a question.

Only the standard library is used, but for addresses that take a VISA library: the process must be up in milliseconds.
"""

from __future__ import annotations

import contextlib
import math
import os
import re
import select
import struct
import time
from collections.abc import Callable, Iterator
from typing import Any, Literal

from sequencer.frozen import dataclass

SOCKET = re.compile(r"TCPIP\d*::(?P<host>[^:\[\]]+|\[[^\]]+\])::(?P<port>\d{1,5})::SOCKET", re.IGNORECASE)
LONGEST_ANSWER = 4096
TRIES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way: ``off`` is sent, then ``ask``, and ``pattern``, ``bit`` and ``word`` say which answer means "off".

    ``shared``: it answers a second client while the program is connected. ``line`` is how it is reached; of a serial port's control
    line (``drop``: rts or dtr) nothing is sent, the line is dropped, and ``sense`` (cts, dsr, cd) tells. ``wait_s`` bounds connecting
    and each answer. ``ask`` empty: nothing can be asked; ``reply`` is then the pattern of what answers ``off``, if anything does.
    """

    role: Literal["radio", "supply"]
    name: str
    address: str
    line: Literal["socket", "visa", "serial"]
    shared: bool
    wait_s: float
    off: str = ""
    ask: str = ""
    end: str = "\n"
    answer_end: str = "\n"
    reply: str = ""
    pattern: str = ""
    bit: int | None = None
    word: str = ""
    drop: str = ""
    sense: str = ""
    device: str = ""
    visa: str = "py"

    def __str__(self) -> str:
        return f"{self.name} ({self.address})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What came of one way; ``said`` is for a person."""

    role: str
    confirmed: bool
    said: str


class NoWay(Exception):
    """It could not be reached, or did not say what it should; the text says why."""


def prove(way: Way) -> Tried:
    """See whether it answers a second connection; nothing is set. A serial port is not opened: that raises its control lines."""
    try:
        if way.line == "serial":
            if not os.access(way.device, os.R_OK | os.W_OK):
                raise NoWay(f"{way.device} cannot be opened by this user")  # noqa: TRY301
            said = "the port can be opened (not tried: that raises its control lines for a moment)"
        else:
            with _connected(way) as talk:
                is_off(way, talk.ask())
            said = "answers a second connection"
    except Exception as error:
        return Tried(role=way.role, confirmed=False, said=f"{way}: {_why(error)}")
    return Tried(role=way.role, confirmed=True, said=f"{way}: {said}")


def switch_off(way: Way) -> Tried:
    """Send "off" and ask how it stands, twice at most. Raises nothing."""
    what = "PTT released" if way.role == "radio" else "supply off"
    why = ""
    for _ in range(TRIES):
        try:
            how = _drop_line(way) if way.drop else _say_off(way)
        except Exception as error:
            why = _why(error)
            continue
        return Tried(role=way.role, confirmed=True, said=f"{what} by {way.name}, {how}")
    return Tried(role=way.role, confirmed=False, said=f"{what} by {way.name} not confirmed: {why}")


def is_off(way: Way, answer: str) -> bool:
    """Say whether an answer means "off". Raises NoWay for one that means neither."""
    text = answer.strip()
    if way.pattern:
        match = re.search(way.pattern, text)
        if match is None:
            raise NoWay(f"it answered {text!r}")
        text = match.group(1).strip()
    text = text.strip('"')
    if way.word and text.upper() == way.word.upper():
        return True
    try:
        number = float(text)
    except ValueError:
        if way.word or text.upper() in ("ON", "OFF"):
            return text.upper() == "OFF"
        raise NoWay(f"it answered {text!r}") from None
    if way.bit is not None:
        return not int(number) >> way.bit & 1
    if not math.isfinite(number):
        raise NoWay(f"it answered {text!r}")
    return number == 0.0 and not way.word


def _say_off(way: Way) -> str:
    with _connected(way) as talk:
        talk.send(way.off)
        if not way.ask:
            if not way.reply:
                return "unanswered, as it always is"
            talk.take(way.reply)
            return "answered"
        if not is_off(way, talk.ask()):
            raise NoWay("it was sent and still reads on")
        return "read back"


class Talk:
    """Lines out, and one answer in; ``receive`` returns what has come within so many seconds, nothing where nothing has."""

    def __init__(self, way: Way, send: Callable[[bytes], object], receive: Callable[[float], bytes]) -> None:
        self._way = way
        self._send = send
        self._receive = receive

    def send(self, text: str) -> None:
        """Send a line."""
        self._send((text + self._way.end).encode("ascii"))

    def ask(self) -> str:
        """Send the question and return its answer: of several lines the one that looks like it."""
        self.send(self._way.ask)
        return self.take(self._way.pattern)

    def take(self, pattern: str) -> str:
        """Return the first line that comes and fits ``pattern``. Raises NoWay where none does in time."""
        end, held = self._way.answer_end.encode("ascii"), b""
        until_s = time.monotonic() + self._way.wait_s
        while (left_s := until_s - time.monotonic()) > 0.0 and len(held) < LONGEST_ANSWER:
            held += self._receive(left_s)
            while end in held:
                line, _, held = held.partition(end)
                text = line.decode("ascii", "backslashreplace").strip()
                if re.search(pattern, text):
                    return text
        raise NoWay(f"no answer within {self._way.wait_s:g} s")


@contextlib.contextmanager
def _connected(way: Way) -> Iterator[Talk]:
    """Connect, and let go again however it ends."""
    if way.line == "visa":
        yield from _by_visa(way)
    elif way.line == "serial":
        yield from _by_serial(way)
    else:
        yield from _by_socket(way)


def _by_socket(way: Way) -> Iterator[Talk]:
    import socket  # only who speaks by one waits for it

    found = SOCKET.fullmatch(way.address.strip())
    if found is None:
        raise NoWay(f"{way.address} is no socket")
    where = (found["host"].strip("[]"), int(found["port"]))
    with socket.create_connection(where, timeout=way.wait_s) as link:
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

        def receive(within_s: float) -> bytes:
            link.settimeout(max(0.001, within_s))
            try:
                content = link.recv(LONGEST_ANSWER)
            except TimeoutError:
                return b""
            if not content:
                raise NoWay("it hung up: it may take one client only")
            return content

        yield Talk(way, link.sendall, receive)


def _by_visa(way: Way) -> Iterator[Talk]:
    with open_visa(way.visa) as library:
        session = library.open_session(way.address, open_timeout_s=way.wait_s, timeout_s=way.wait_s)
        try:
            yield Talk(
                way,
                lambda content: session.wire.send(content, way.wait_s),
                lambda within_s: (
                    bytes(session.wire.read_line(LONGEST_ANSWER, within_s)).rstrip(b"\n") + b"\n"
                ),
            )
        finally:
            session.close()


def open_visa(name: str) -> Any:
    """Open the VISA library that the bench file names; imported only here, for it takes a tenth of a second."""
    from drivers.link.visa import open_library

    return open_library(name)


def _by_serial(way: Way) -> Iterator[Talk]:
    port = _open_port(way)
    try:

        def receive(within_s: float) -> bytes:
            ready, _, _ = select.select([port], [], [], within_s)
            return os.read(port, LONGEST_ANSWER) if ready else b""

        yield Talk(way, lambda content: os.write(port, content), receive)
    finally:
        os.close(port)


def _open_port(way: Way) -> int:
    """Open the port beside the program: its lock is one among programs that ask for it, and its settings are the program's."""
    return os.open(way.device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)


def _drop_line(way: Way) -> str:
    """Drop the control line that is PTT. Opening the port raises it for a moment, as it is while PTT is pressed."""
    import fcntl
    import termios

    lines = {"rts": termios.TIOCM_RTS, "dtr": termios.TIOCM_DTR}
    inputs = {"cts": termios.TIOCM_CTS, "dsr": termios.TIOCM_DSR, "cd": termios.TIOCM_CD}
    port = _open_port(way)
    try:
        fcntl.ioctl(port, termios.TIOCMBIC, struct.pack("I", lines[way.drop]))
        (stand,) = struct.unpack("I", fcntl.ioctl(port, termios.TIOCMGET, struct.pack("I", 0)))
    finally:
        os.close(port)
    if stand & (inputs[way.sense] if way.sense else lines[way.drop]):
        raise NoWay(f"{way.drop.upper()} was dropped and {(way.sense or way.drop).upper()} reads raised")
    return f"{way.drop.upper()} dropped" + (f", {way.sense.upper()} read back" if way.sense else "")


def _why(error: Exception) -> str:
    if isinstance(error, TimeoutError):
        return "no answer"
    return str(getattr(error, "strerror", None) or error) or type(error).__name__
