"""A line of text to a radio: a serial port, or a socket; and the RTS and DTR lines of a port as a key.

pyserial is used directly, not through VISA: pyvisa-py opens its serial ports with RTS and DTR raised, and a radio whose
push-to-talk hangs on one of them would be keyed by being opened. Here both are low before the port is opened. Even so Linux raises
both for the moment of opening, until the first setting takes effect (common knowledge of serial(4) drivers, not measured here: a
pseudo-terminal has no such lines). So the RF path must not be on a generator when such a port is opened, and an interface with a
delay of some tens of milliseconds in its key line is the better choice. When the process ends, however it ends, the system closes the
port and drops both lines: the key is released.
"""

from __future__ import annotations

import contextlib
import re
import select
import socket
import time
from typing import Any, Literal, Protocol

from drivers.faults import ConnectFailed, ConnectionLost, InstrumentFault, Refused, TimedOut
from drivers.text.profile import ENDS, TextProfile

MAX_LINE_BYTES = 4096
Output = Literal["rts", "dtr"]
Input = Literal["cts", "dsr", "cd"]
_SOCKET = re.compile(r"TCPIP\d*::(?P<host>[^:]+|\[[^\]]+\])::(?P<port>\d{1,5})::SOCKET", re.I)
_SERIAL = re.compile(r"ASRL(?P<port>.+?)(::INSTR)?", re.I)


class TextLine(Protocol):
    """A line that bytes are sent and read on. Every method may raise `InstrumentFault`."""

    def open(self) -> None:
        """Open it, nothing keyed."""

    def close(self) -> None:
        """Close it. Never raises."""

    def is_gone(self) -> bool:
        """Say whether the other end has hung up, so that it may be opened again: a network connection that was idle too long."""

    def write(self, content: bytes) -> None:
        """Send bytes. Raises the fault of a link that is lost or takes nothing."""

    def read_some(self, within_s: float) -> bytes:
        """Return what has come, waiting up to ``within_s`` for a first byte; nothing is empty."""

    def set_output(self, output: Output, raised: bool) -> None:
        """Raise or drop an output line of the port."""

    def read_output(self, output: Output) -> bool:
        """Return what an output line was last set to: no port can read it back."""

    def read_input(self, input_: Input) -> bool:
        """Return an input line of the port."""


def make_line(
    address: str, profile: TextProfile, *, name: str, open_timeout_s: float = 1.0, serial_class: Any = None
) -> TextLine:
    """Return the line at ``address``: TCPIP::host::port::SOCKET, ASRL/dev/ttyUSB0::INSTR, or a device's path.

    ``serial_class`` is what opens a port, for a test or a special port; by default pyserial's own.
    """
    if match := _SOCKET.fullmatch(address.strip()):
        return SocketLine(name, address, match["host"].strip("[]"), int(match["port"]), open_timeout_s)
    match = _SERIAL.fullmatch(address.strip())
    return SerialLine(name, address, device_of(match["port"] if match else address), profile, serial_class)


def device_of(port: str) -> str:
    """Return the device that the board of an ASRL resource means: a number is a COM port (VPP-4.3, 4.3.1)."""
    return f"COM{port}" if port.isdigit() else port


class _Faulty:
    def __init__(self, name: str, address: str) -> None:
        self.name = name
        self.address = address

    def _fault(self, kind: type[InstrumentFault], what: str, next_move: str) -> InstrumentFault:
        return kind(what, instrument=self.name, address=self.address, next_move=next_move)


class SerialLine(_Faulty):
    """A serial port through pyserial; exclusive, no flow control."""

    def __init__(
        self, name: str, address: str, device: str, profile: TextProfile, serial_class: Any = None
    ) -> None:
        super().__init__(name, address)
        self._device = device
        self._profile = profile
        self._class = serial_class
        self._port: Any = None

    def open(self) -> None:
        """Open the port with RTS and DTR low."""
        import serial

        self.close()
        profile = self._profile
        parity = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
        try:
            port = (self._class or serial.Serial)()
            port.baudrate, port.bytesize = profile.baud, profile.data_bits
            port.parity, port.stopbits = parity[profile.parity], profile.stop_bits
            port.timeout, port.write_timeout = 0, 2.0
            port.rtscts = port.dsrdtr = port.xonxoff = False
            port.rts = port.dtr = False
            if hasattr(port, "exclusive") and not self._device.startswith("loop:"):
                port.exclusive = True
            port.port = self._device
            port.open()
        except (serial.SerialException, OSError, ValueError) as error:
            raise self._fault(
                ConnectFailed,
                f"the port {self._device} cannot be opened ({error})",
                "Check the cable, the device's name, that you may use it, and that no other program does.",
            ) from error
        self._port = port

    def close(self) -> None:
        """Close the port; the system drops RTS and DTR."""
        port, self._port = self._port, None
        if port is not None:
            with contextlib.suppress(Exception):
                port.close()

    def is_gone(self) -> bool:
        """Say no: a port that was unplugged is not opened again by itself, since its control lines may key."""
        return False

    def write(self, content: bytes) -> None:
        """Send bytes. Raises the fault of a link that is lost or takes nothing."""
        self._do(lambda port: port.write(content), "be written to")

    def read_some(self, within_s: float) -> bytes:
        """Return what has come, waiting up to ``within_s`` for a first byte."""

        def read(port: Any) -> bytes:
            port.timeout = max(0.0, within_s)
            first = port.read(1)
            return bytes(first + port.read(port.in_waiting)) if first else b""

        return bytes(self._do(read, "be read"))

    def set_output(self, output: Output, raised: bool) -> None:
        """Raise or drop RTS or DTR. Refused for a port that has none, such as a pseudo-terminal."""
        try:
            setattr(self._open_port(), output, raised)
        except OSError as error:
            raise self._fault(
                Refused,
                f"{output.upper()} cannot be set on {self._device} ({error})",
                "Use a port with control lines, or 'ptt: command' with a profile that has a key command.",
            ) from error

    def read_output(self, output: Output) -> bool:
        """Return what an output line was last set to."""
        return bool(getattr(self._open_port(), output))

    def read_input(self, input_: Input) -> bool:
        """Return an input line."""
        return bool(self._do(lambda port: getattr(port, input_), "say how its lines stand"))

    def _open_port(self) -> Any:
        if self._port is None:
            raise self._fault(ConnectionLost, "the port is closed", "Run it again.")
        return self._port

    def _do(self, step: Any, what: str) -> Any:
        import serial

        port = self._open_port()
        try:
            return step(port)
        except serial.SerialTimeoutException as error:
            raise self._fault(
                TimedOut, f"the port {self._device} takes nothing ({error})", "Check cable and handshake."
            ) from error
        except (serial.SerialException, OSError, TypeError) as error:
            # pyserial's read of a port closed meanwhile is a TypeError.
            self.close()
            raise self._fault(
                ConnectionLost,
                f"the port {self._device} can no longer {what} ({error})",
                "Check whether the adapter was unplugged.",
            ) from error


class SocketLine(_Faulty):
    """A TCP connection that carries the same lines: a serial server, or a radio with a network port."""

    def __init__(self, name: str, address: str, host: str, port: int, open_timeout_s: float) -> None:
        super().__init__(name, address)
        self._where = (host, port)
        self._open_timeout_s = open_timeout_s
        self._socket: socket.socket | None = None

    def open(self) -> None:
        """Connect to host and port. Raises ConnectFailed."""
        self.close()
        try:
            self._socket = socket.create_connection(self._where, timeout=self._open_timeout_s)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._socket.settimeout(2.0)
        except (OSError, OverflowError) as error:
            raise self._fault(
                ConnectFailed,
                f"no connection to {self._where[0]}, port {self._where[1]} ({error})",
                "Check the address, and that the radio or its server is on.",
            ) from error

    def close(self) -> None:
        """Close the connection. Never raises."""
        connection, self._socket = self._socket, None
        if connection is not None:
            with contextlib.suppress(OSError):
                connection.close()

    def is_gone(self) -> bool:
        """Say whether the other end has hung up; what it sent before is still to be read."""
        if self._socket is None:
            return True
        try:
            if not select.select([self._socket], [], [], 0.0)[0]:
                return False
            return not self._socket.recv(1, socket.MSG_PEEK)
        except (OSError, ValueError):
            return True

    def write(self, content: bytes) -> None:
        """Send bytes. Raises the fault of a link that is lost or takes nothing."""
        try:
            self._connection().sendall(content)
        except OSError as error:
            raise self._lost(error) from error

    def read_some(self, within_s: float) -> bytes:
        """Return what has come, waiting up to ``within_s`` for a first byte."""
        connection = self._connection()
        try:
            if not select.select([connection], [], [], max(0.0, within_s))[0]:
                return b""
            content = connection.recv(MAX_LINE_BYTES)
        except (OSError, ValueError) as error:
            raise self._lost(error) from error
        if not content:
            raise self._lost(ConnectionResetError("the other end hung up"))
        return content

    def set_output(self, output: Output, raised: bool) -> None:
        """Refuse: a socket has no such line."""
        raise self._no_lines()

    def read_output(self, output: Output) -> bool:
        """Refuse: a socket has no such line."""
        raise self._no_lines()

    def read_input(self, input_: Input) -> bool:
        """Refuse: a socket has no such line."""
        raise self._no_lines()

    def _connection(self) -> socket.socket:
        if self._socket is None:
            raise self._fault(ConnectionLost, "the connection is closed", "Run it again.")
        return self._socket

    def _lost(self, error: Exception) -> InstrumentFault:
        self.close()
        return self._fault(
            ConnectionLost, f"the connection is gone ({error})", "Check whether the radio is still on."
        )

    def _no_lines(self) -> InstrumentFault:
        return self._fault(
            Refused, "a socket has no RTS and no DTR", "Use 'ptt: command', or the serial port itself."
        )


class LineReader:
    """Cuts what comes on a line into answers at their end."""

    def __init__(self, line: TextLine, end: bytes) -> None:
        self._line = line
        self._end = end
        self._held = b""

    def read(self, within_s: float) -> bytes | None:
        """Return one answer without its end, None if none is whole within ``within_s``; what came stays held."""
        until_s = time.monotonic() + within_s
        while self._end not in self._held:
            remaining_s = until_s - time.monotonic()
            if remaining_s <= 0 or len(self._held) > MAX_LINE_BYTES:
                return None
            self._held += self._line.read_some(remaining_s)
        answer, _, self._held = self._held.partition(self._end)
        return answer

    @property
    def held(self) -> bytes:
        """What came so far of an answer that is not whole."""
        return self._held

    def drop(self, quiet_s: float) -> bytes:
        """Return and forget what came, until nothing has come for ``quiet_s`` (at most twice that)."""
        until_s = time.monotonic() + 2.0 * quiet_s
        dropped, self._held = self._held, b""
        while more := self._line.read_some(quiet_s if quiet_s > 0 else 0.0):
            dropped = (dropped + more)[-MAX_LINE_BYTES:]
            if time.monotonic() >= until_s:
                break
        return dropped


__all__ = ["ENDS", "LineReader", "SerialLine", "SocketLine", "TextLine", "make_line"]
