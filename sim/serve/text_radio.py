"""A simulated radio that is controlled by lines of text, on a pseudo-terminal or a socket, wired to the bench's unit.

It understands `ID?`, `CH?`, `CH=<number>`, `MD?`, `MD=<F A U L C>`, `TX?`, `TX=<1 0>`, each ended by CR (or the line end it is made with),
answers `OK` to what it does and `NO <reason>` to what it will not. The language is invented, as its make is.

Not modelled: baud rate (a pseudo-terminal has none: wrong baud is the fault `garbage`), parity errors, RTS and DTR (a pseudo-terminal has
no such lines; `port_with_key_line` stands in for a port that has them), a busy radio that loses characters.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Self

from sim.wiring.wiring import Wiring

MODES = {"F": "FM", "A": "AM", "U": "USB", "L": "LSB", "C": "CW"}
_LETTERS = {mode: letter for letter, mode in MODES.items()}
_LONGEST = 256


@dataclass(slots=True)
class TextFaults:
    """What goes wrong, as long as it is set. ``answers_late_s`` delays every answer; ``silent_to`` are the lines it does not answer."""

    silent: bool = False
    silent_to: tuple[str, ...] = ()
    deaf_to: tuple[str, ...] = ()
    garbage: bool = False
    answers_late_s: float = 0.0
    key_stuck: bool = False


class TextRadioLanguage:
    """What the radio says to a line; knows no wire."""

    def __init__(
        self,
        wiring: Wiring,
        *,
        faults: TextFaults | None = None,
        lock: Any = None,
        hear: Callable[[str], tuple[str, Callable[[str], str]]] | None = None,
    ) -> None:
        """``hear`` puts a line of another language into this one, and returns what puts the answer back."""
        self.faults = faults or TextFaults()
        self._hear = hear
        self.heard: list[str] = []
        self._wiring = wiring
        self._lock = lock if lock is not None else threading.RLock()

    def answer(self, line: str) -> str:
        """Do what the line says, and return what is answered; empty is silence."""
        self.heard.append(line)
        faults = self.faults
        if line in faults.deaf_to:
            return ""
        done, put_back = (line, str) if self._hear is None else self._hear(line)
        with self._lock:
            said = put_back(self._do(done))
        if faults.silent or line in faults.silent_to:
            return ""
        return "\x7f}\u00e9" + said[::-1] if faults.garbage else said

    def _do(self, line: str) -> str:
        unit = self._wiring.unit
        name, equals, value = line.partition("=")
        if line.startswith("PS "):
            return self._preset(name[3:].rstrip("?"), value)
        if equals:
            return self._set(name, value)
        match line:
            case "ID?":
                return f"ID=Hollinbrook {unit.specimen.model} {unit.specimen.serial}".strip()
            case "CH?":
                return f"CH={unit.channel:03d}"
            case "MD?":
                return f"MD={_LETTERS[unit.mode]}"
            case "TX?":
                return f"TX={int(unit.keyed)}"
        return "NO such line"

    def _set(self, name: str, value: str) -> str:
        unit = self._wiring.unit
        try:
            match name:
                case "CH":
                    unit.set_channel(int(value))
                case "MD":
                    unit.set_mode(MODES[value])
                case "TX":
                    self._switch_key(value)
                case _:
                    return "NO such line"
        except (ValueError, KeyError):
            return f"NO {name} {value[:20]}"
        return "OK"

    def _preset(self, name: str, value: str) -> str:
        """Store a setting, or say it where no value is given."""
        try:
            if not value:
                return f"PS {name}={self._wiring.unit.stored_preset(name)}"
            self._wiring.store_preset(name, int(value))
        except ValueError:
            return f"NO PS {name[:20]} {value[:20]}"
        return "OK"

    def _switch_key(self, value: str) -> None:
        if value not in ("0", "1"):
            raise ValueError(value)
        if value == "1":
            self._wiring.key()
        elif not self.faults.key_stuck:
            self._wiring.unkey()


class _Served(ABC):
    """A thread that cuts what comes into lines and answers them."""

    def __init__(self, language: TextRadioLanguage, *, end: bytes, echo: bool, answers: bytes = b"") -> None:
        self._language = language
        self._end = end
        self._answers = answers or end
        self._echo = echo
        self._stop_read, self._stop_write = os.pipe()
        self._thread = threading.Thread(target=self._serve, name="simulated text radio", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the thread and let go of the line. May be called again."""
        if self._stop_write < 0:
            return
        os.write(self._stop_write, b"x")
        if self._thread.ident is not None:
            self._thread.join()
        for descriptor in (self._stop_read, self._stop_write):
            os.close(descriptor)
        self._stop_write = -1

    @abstractmethod
    def _serve(self) -> None:
        """Answer lines until told to stop."""

    def _wait(self, *descriptors: int, within_s: float | None = None) -> list[int]:
        ready, _, _ = select.select([self._stop_read, *descriptors], [], [], within_s)
        return ready

    def _converse(self, descriptor: int, read: Callable[[], bytes], write: Callable[[bytes], object]) -> bool:
        """Answer until the other end hangs up (True), or until told to stop (False)."""
        held = b""
        while True:
            if self._stop_read in self._wait(descriptor):
                return False
            try:
                more = read()
            except OSError as error:
                if error.errno == errno.EIO:  # nobody has the other end of the pseudo-terminal open
                    time.sleep(0.01)
                    continue
                return True
            if not more:
                return True
            held = (held + more)[-_LONGEST:]
            while self._end in held:
                line, _, held = held.partition(self._end)
                if not self._answer(line, write):
                    return False

    def _answer(self, line: bytes, write: Callable[[bytes], object]) -> bool:
        if self._echo:
            write(line + self._end)
        said = self._language.answer(line.decode("ascii", "replace"))
        late_s = self._language.faults.answers_late_s
        if late_s and self._stop_read in self._wait(within_s=late_s):
            return False
        if said:
            with contextlib.suppress(OSError):
                write(said.encode("latin-1") + self._answers)
        return True


class TextRadioOnPty(_Served):
    """The radio on a pseudo-terminal; ``path`` is the device to open. Its answers end with ``answers``, or as lines do."""

    def __init__(
        self, language: TextRadioLanguage, *, end: bytes = b"\r", echo: bool = False, answers: bytes = b""
    ) -> None:
        import tty

        super().__init__(language, end=end, echo=echo, answers=answers)
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)  # else the terminal itself would echo, and turn CR into NL
        self.path = os.ttyname(self._theirs)

    def close(self) -> None:
        """End the thread and close the pseudo-terminal."""
        if self._stop_write >= 0:
            super().close()
            os.close(self._ours)
            os.close(self._theirs)

    def _serve(self) -> None:
        self._converse(
            self._ours, lambda: os.read(self._ours, 4096), lambda content: os.write(self._ours, content)
        )


def port_with_key_line(wiring: Wiring, output: str, *, lock: Any = None) -> type[Any]:
    """Return a pyserial port whose line ``output`` (``"rts"`` or ``"dtr"``) is wired to the unit's key, and sensed by CTS, DSR and CD.

    The text goes over whatever device it opens; only the control lines are ours. It sets them where pyserial sets them, so that a
    port which is opened with its lines raised keys the unit.
    """
    import serial

    guard = lock if lock is not None else threading.RLock()

    class PortWithKeyLine(serial.Serial):
        def _update_rts_state(self) -> None:
            if output == "rts":
                self._drive(bool(self.rts))

        def _update_dtr_state(self) -> None:
            if output == "dtr":
                self._drive(bool(self.dtr))

        def _drive(self, raised: bool) -> None:
            with guard:
                (wiring.key if raised else wiring.unkey)()

        def close(self) -> None:
            if self.is_open:
                self._drive(False)  # the system drops both lines with the port
            super().close()

        @property
        def cts(self) -> bool:
            return wiring.unit.keyed

        dsr = cd = cts

    return PortWithKeyLine


class TextRadioOnSocket(_Served):
    """The radio on a TCP port of this machine; one connection at a time."""

    def __init__(self, language: TextRadioLanguage, *, end: bytes = b"\r", echo: bool = False) -> None:
        super().__init__(language, end=end, echo=echo)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.address = f"TCPIP0::127.0.0.1::{self.port}::SOCKET"

    def close(self) -> None:
        """End the thread and close the port."""
        if self._stop_write >= 0:
            super().close()
            self._listener.close()

    def _serve(self) -> None:
        while self._stop_read not in self._wait(self._listener.fileno()):
            connection, _ = self._listener.accept()
            with connection:
                if not self._converse(connection.fileno(), lambda: connection.recv(4096), connection.sendall):  # noqa: B023
                    return
