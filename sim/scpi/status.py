"""Errors, the error queue and the status registers of a SCPI instrument.

Numbers, texts, register bits and the overflow rule are SCPI-1999 volume 2 (SYSTem:ERRor, STATus) and IEEE
488.2 chapter 11, from memory.

Does not model: service requests, parallel poll, STATus:QUEue enabling, user-defined status subtrees.
"""

from __future__ import annotations

from collections import deque

ERROR_TEXTS = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -110: "Command header error",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -144: "Character data too long",
    -148: "Character data not allowed",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -161: "Invalid block data",
    -168: "Block data not allowed",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -203: "Command protected",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -220: "Parameter error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -231: "Data questionable",
    -240: "Hardware error",
    -241: "Hardware missing",
    -300: "Device-specific error",
    -310: "System error",
    -321: "Out of memory",
    -330: "Self-test failed",
    -340: "Calibration failed",
    -350: "Queue overflow",
    -360: "Communication error",
    -363: "Input buffer overrun",
    -365: "Time out error",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}

# Standard event status register, IEEE 488.2 11.5.1.
OPERATION_COMPLETE, QUERY_ERROR, DEVICE_ERROR, EXECUTION_ERROR, COMMAND_ERROR, POWER_ON = 1, 4, 8, 16, 32, 128
# Status byte, IEEE 488.2 11.2 and SCPI-1999 volume 1, 9.
ERROR_AVAILABLE, QUESTIONABLE_SUMMARY, MESSAGE_AVAILABLE, EVENT_SUMMARY, MASTER_SUMMARY, OPERATION_SUMMARY = (
    4,
    8,
    16,
    32,
    64,
    128,
)

OPERATION_BITS = {
    "CALibrating": 0,
    "SETTling": 1,
    "RANGing": 2,
    "SWEeping": 3,
    "MEASuring": 4,
    "TRIGger": 5,
    "ARM": 6,
    "CORRecting": 7,
}
QUESTIONABLE_BITS = {
    "VOLTage": 0,
    "CURRent": 1,
    "TIME": 2,
    "POWer": 3,
    "TEMPerature": 4,
    "FREQuency": 5,
    "PHASe": 6,
    "MODulation": 7,
    "CALibration": 8,
}


class ScpiError(Exception):
    """What a handler raises to put an error into the instrument's error queue.

    ``number`` is a SCPI error number (or a positive, device-dependent one); ``info`` follows the text after
    ``;``.
    """

    def __init__(self, number: int, info: str = "") -> None:
        self.number = number
        self.info = info
        super().__init__(f"{number}, {ERROR_TEXTS.get(number, 'Device-dependent error')}; {info}")


def event_bit(number: int) -> int:
    """Return the bit of the standard event status register that an error of this number sets."""
    if -199 <= number <= -100:
        return COMMAND_ERROR
    if -299 <= number <= -200:
        return EXECUTION_ERROR
    if -499 <= number <= -400:
        return QUERY_ERROR
    return DEVICE_ERROR if number else 0


class ErrorQueue:
    """First in, first out, bounded: on overflow the newest entry becomes -350 and later ones are lost."""

    def __init__(self, size: int = 30) -> None:
        self._size = size
        self._entries: deque[tuple[int, str]] = deque()

    def __len__(self) -> int:
        return len(self._entries)

    def push(self, number: int, info: str = "", text: str | None = None) -> None:
        """Add one entry; at most 255 characters, printable ASCII only (SCPI-1999 volume 2, 21.8)."""
        if len(self._entries) >= self._size:
            self._entries[-1] = (-350, ERROR_TEXTS[-350])
            return
        whole = text or ERROR_TEXTS.get(number, "Device-dependent error")
        if info:
            whole += ";" + info
        whole = "".join(c if " " <= c <= "~" else "." for c in whole[:255])
        self._entries.append((number, whole))

    def pop(self) -> str:
        """Take the oldest entry as SYSTem:ERRor? answers it."""
        number, text = self._entries.popleft() if self._entries else (0, ERROR_TEXTS[0])
        quoted = text.replace('"', '""')
        return f'{number},"{quoted}"'

    def clear(self) -> None:
        """Forget everything."""
        self._entries.clear()


class StatusRegister:
    """One SCPI status structure: condition, transition filters, event, enable (SCPI-1999 volume 1, 9)."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.enable = 0
        self.positive = 0x7FFF
        self.negative = 0

    def update(self, condition: int) -> None:
        """Take over a new condition and latch the transitions that the filters let through."""
        changed = condition ^ self.condition
        if changed:
            self.event |= changed & condition & self.positive
            self.event |= changed & ~condition & self.negative
            self.condition = condition

    def preset(self) -> None:
        """Do what STATus:PRESet does; the event register stays."""
        self.enable = 0
        self.positive = 0x7FFF
        self.negative = 0

    def take_event(self) -> int:
        """Return the event register and clear it."""
        event, self.event = self.event, 0
        return event

    def summary(self) -> bool:
        """Tell whether an enabled event is latched."""
        return bool(self.event & self.enable)
