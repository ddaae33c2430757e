"""What a VISA resource name may look like (IVI Foundation, VPP-4.3, table 4.3.1 "Explanation of address string grammar"; from memory).

A pattern of our own and not the library's parser: every command that reads a bench would import that.
"""

from __future__ import annotations

import ipaddress
import re

RESOURCE_ALLOWED = (
    "TCPIP0::host::5025::SOCKET, TCPIP0::host::hislip0::INSTR, TCPIP0::host::inst0::INSTR, GPIB0::7::INSTR, "
    "USB0::0x1234::0x5678::serial::INSTR, ASRL1::INSTR"
)
_PART = r"[^:\s]+"
_KINDS = tuple(
    re.compile(pattern, re.IGNORECASE)
    for pattern in (
        rf"TCPIP\d*::{_PART}::[-+]?\d+::SOCKET",
        rf"TCPIP\d*::{_PART}(::(?!SOCKET$){_PART})?(::INSTR)?",
        r"GPIB\d*::[-+]?\d+(::\d+)?(::INSTR)?",
        rf"USB\d*::{_PART}::{_PART}::{_PART}(::\d+)?(::(INSTR|RAW))?",
        rf"ASRL{_PART}(::INSTR)?",
    )
)
_CLASS = re.compile(r"::(SOCKET|INSTR|RAW)$", re.IGNORECASE)
_HOST = re.compile(r"TCPIP\d*::([0-9.]+)(?:::|$)", re.IGNORECASE)


def is_resource(address: str) -> bool:
    """Say whether an address is the name of a VISA resource."""
    return any(kind.fullmatch(address) for kind in _KINDS)


def with_class(address: str) -> str:
    """Return a resource with its class in capitals: VISA reads both alike, PyVISA's own parser these alone."""
    return _CLASS.sub(lambda found: found[0].upper(), address.strip())


def wrong_host(address: str) -> str:
    """Return a host of digits and points that is no address; empty where there is none.

    192.0.2.012 is 192.0.2.10 to one resolver and 192.0.2.12 to another (RFC 6943, 3.1.1), so that it may be somebody else's.
    """
    if match := _HOST.match(address):
        try:
            ipaddress.IPv4Address(match[1])
        except ValueError:
            return match[1]
    return ""
