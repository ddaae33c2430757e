"""The names of one instrument: a VISA resource may be written in several ways, and its host has a name and an address."""

from __future__ import annotations

import ipaddress
import re
from contextlib import suppress
from pathlib import Path

_NETWORK = re.compile(r"TCPIP\d*::(?P<host>[^:\[\]]+|\[[^\]]+\])(?P<rest>(::.*)?)", re.IGNORECASE)
_OWN_PORTS = frozenset({"::INST0", "::HISLIP0", "::5025::SOCKET", ""})
"""Where an instrument with a network port of its own is met: by VXI-11, HiSLIP, or raw SCPI on its registered port (IANA: scpi-raw,
5025/tcp; from memory). A gateway with several instruments numbers them otherwise: inst1, gpib0,5, other ports."""


def names_of(address: str) -> tuple[str, ...]:
    """Return what ``address`` is locked under: as written first, then as others may write it. A host name is looked up.

    Not seen: an instrument on a bus of this computer that is also on the network, two network ports of one instrument with addresses of
    their own, a name that was given another address meanwhile.
    """
    written = plain(address)
    found = [written]
    if match := _NETWORK.fullmatch(written):
        rest = match["rest"]
        for host in _hosts(match["host"].strip("[]")):
            found.append(f"TCPIP0::{host}{rest}")
            if rest in _OWN_PORTS:
                found.append(f"TCPIP0::{host}::*")
    elif written.startswith("ASRL"):
        device = Path(re.sub(r"::INSTR$", "", address.strip(), flags=re.IGNORECASE)[4:])
        with suppress(OSError):  # a link by the adapter's serial number leads to the same port
            found.append(f"ASRL{device.resolve(strict=True)}")
    return tuple(dict.fromkeys(found))


def plain(address: str) -> str:
    """Return a VISA resource in one way of writing (VPP-4.3, 4.3.1: board 0, device inst0 and class INSTR where none is written)."""
    resource = re.sub(r"^([A-Z]+)::", r"\g<1>0::", address.strip().upper()).removesuffix("::INSTR")
    resource = re.sub(r"(?<=::)0+(?=\d+(::|$))", "", resource)
    return re.sub(r"(?<=::)0X([0-9A-F]+)(?=::)", lambda found: str(int(found[1], 16)), resource)


def _hosts(host: str) -> list[str]:
    """Return the addresses of a host, as text of one form each; none where it is unknown: then it cannot be opened either."""
    with suppress(ValueError):
        number = ipaddress.ip_address(host.lower())
        number = getattr(number, "ipv4_mapped", None) or number  # ::ffff:192.0.2.11 (RFC 4291, 2.5.5.2)
        # "any address of this machine" (RFC 1122, 3.2.1.3) reaches this machine
        own = {"127.0.0.1", "::1"} if number.is_unspecified or number.is_loopback else set()
        return sorted({number.compressed.upper(), *own})
    import socket  # a simulated bench has no hosts to look up

    try:
        found = socket.getaddrinfo(host.lower().rstrip("."), None, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        return []
    return sorted({str(one[4][0]).upper() for one in found})
