"""What a bench file says of instruments without a VISA link, and what of it makes no sense."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from drivers.registry import driver_names
from sequencer.problems import FieldProblem, did_you_mean, listed

if TYPE_CHECKING:
    from sequencer.inputs.bench import Instrument

DIALS = {
    "signal_generator": ("dBm", "uV emf", "uV pd"),
    "power_meter": ("W", "dBm"),
    "voltmeter": ("V", "S units"),
}
"""Role to the units its dial may have; other roles have one dial each, which need not be named."""

OPERATOR_ANSWERS_IN = "10 s"
"""How long a person may take to answer while the bench keeps the unit keyed, where the file does not say."""

OPERATOR_COUNTS_FOR = "100 ms"
"""What any other operator instrument counts for where key-down times are added up: nobody is asked for it while the bench keys."""

ROLES_READ_KEYED = ("power_meter", "modulation_analyser", "audio_analyser", "supply")
"""The roles that are set or read on the transmit side."""


def complete_unlinked(name: str, entry: dict[str, Any]) -> None:
    """Fill in what a person or a serial device need not say: a name that is nobody's address, the time for an answer."""
    if entry.get("driver") == "operator":
        entry.setdefault(
            "address", f"TCPIP0::{re.sub('[^A-Za-z0-9-]', '-', name)}.operator.invalid::1::SOCKET"
        )
        read_keyed = entry.get("role") in ROLES_READ_KEYED
        entry.setdefault("timeout", OPERATOR_ANSWERS_IN if read_keyed else OPERATOR_COUNTS_FOR)
    address = entry.get("address")
    if entry.get("driver") == "text" and isinstance(address, str) and "::" not in address:
        # A serial device's path or name becomes the VISA resource of the same port, so that one port has one address.
        port = re.fullmatch(r"COM(\d+)", address.strip(), re.IGNORECASE)
        entry["address"] = f"ASRL{port[1] if port else address.strip()}::INSTR"


def driver_problems(entry: Instrument) -> Iterator[FieldProblem]:
    """Yield what an entry says that its driver has no use for."""
    if entry.driver not in ("profile", "operator", "text") and entry.driver not in (names := driver_names()):
        yield FieldProblem(
            f"there is no driver '{entry.driver}'",
            at=("driver",),
            allowed=listed(names),
            hint=did_you_mean(entry.driver, names),
        )
    by_hand = entry.driver == "operator"
    if entry.dial:
        allowed = DIALS.get(entry.role, ())
        if not by_hand:
            yield FieldProblem("'dial' is for 'driver: operator' only", at=("dial",), allowed="no 'dial'")
        elif entry.dial not in allowed:
            yield FieldProblem(
                f"a {entry.role.replace('_', ' ')} has no dial in {entry.dial}",
                at=("dial",),
                allowed=" or ".join(allowed) or "no 'dial': its unit is always the same",
            )
    in_s_units = by_hand and entry.dial == "S units"
    if in_s_units and entry.s9_v is None:
        yield FieldProblem(
            "a dial in S units needs 's9', the voltage that stands for S9",
            at=("dial",),
            allowed="the same voltage as the sequence's target, such as s9: 2.25 V",
        )
    for key, volts in (("s9", entry.s9_v), ("s_unit", entry.s_unit_v)):
        if volts is not None and not in_s_units:
            yield FieldProblem(f"'{key}' is for a dial in S units only", at=(key,), allowed="dial: S units")
        if volts is not None and volts == 0:
            yield FieldProblem(f"'{key}' is 0 V", at=(key,), allowed="a voltage other than 0")
    yield from _text_problems(entry)


def _text_problems(entry: Instrument) -> Iterator[FieldProblem]:
    is_text = entry.driver == "text"
    if is_text and entry.role != "radio":
        yield FieldProblem(
            f"'driver: text' drives a radio, not a {entry.role.replace('_', ' ')}",
            at=("driver",),
            allowed="profile or operator",
        )
    if is_text and not re.match(r"ASRL|TCPIP\d*::[^:]+::\d+::SOCKET$", entry.address, re.IGNORECASE):
        yield FieldProblem(
            f"'{entry.address}' is no line of text",
            at=("address",),
            allowed="ASRL/dev/ttyUSB0::INSTR, a device such as /dev/ttyUSB0 or COM3, or TCPIP::host::port::SOCKET",
        )
    if entry.ptt != "command" or entry.ptt_sense is not None:
        key = "ptt" if entry.ptt != "command" else "ptt_sense"
        if not is_text:
            yield FieldProblem(f"'{key}' is for 'driver: text' only", at=(key,), allowed=f"no '{key}'")
        elif entry.address.upper().endswith("::SOCKET"):
            yield FieldProblem(
                f"a socket has no control lines, so '{key}' cannot be {entry.ptt if key == 'ptt' else entry.ptt_sense}",
                at=(key,),
                allowed="ptt: command, or the serial port itself",
            )
