"""What the key-down watchdog of a bench can do: the ways that its bench file and profiles give, and what a person is told of them."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal

from drivers.text.line import device_of
from drivers.text.profile import ENDS
from sequencer.bench.locks import key_mark, lock_paths
from sequencer.inputs.bench import BenchFile, open_timeout_s
from sequencer.inputs.bench_parts.instrument_drivers import Installed, Linked, TextRadio, Watched
from sequencer.safety.watchdog.ways import SOCKET, Way

if TYPE_CHECKING:
    from sequencer.safety.watchdog.client import Watchdog

_SWITCH: Mapping[Literal["radio", "supply"], str] = {"radio": "key", "supply": "output"}
_PORT = re.compile(r"ASRL(?P<port>.+?)(::INSTR)?", re.IGNORECASE)
NOTHING = "nothing releases PTT if this program hangs"


def make_watchdog(bench: BenchFile, profiles: Mapping[str, Any], *, serial: str) -> Watchdog | None:
    """Return the watchdog of a bench, not yet started; None where it has nothing to do, or nothing to do it by."""
    ways = ways_of(bench, profiles)
    if not ways:
        return None
    from sequencer.safety.watchdog.client import Watchdog  # a simulated bench has none

    locks = [str(path) for way in ways for path in lock_paths(way.address)]
    return Watchdog(ways, serial=serial, mark=key_mark(bench), locks=locks)


def ways_of(bench: BenchFile, profiles: Mapping[str, Any]) -> tuple[Way, ...]:
    """Return how the unit can be taken off the air, PTT first; none for a simulated bench in memory or a key in a person's hand."""
    radio = bench.with_role("radio")
    if radio is None or radio[1].manual or bench.visa == "sim" or os.name == "nt":
        return ()
    return tuple(_ways(bench, profiles))


def watchdog_line(bench: BenchFile, profiles: Mapping[str, Any]) -> str:
    """Return what becomes of a pressed PTT if this program hangs, before anything was tried; empty where the question does not arise."""
    radio = bench.with_role("radio")
    if radio is None or radio[1].manual or bench.visa == "sim":
        return ""
    ways = ways_of(bench, profiles)
    if not ways:
        why = (
            "there is no watchdog on Windows"
            if os.name == "nt"
            else "neither its driver nor a supply tells how"
        )
        return f"warning: {NOTHING}: {why}. Set the unit's own time-out timer, and do not leave it alone."
    text = "; ".join(_said(way) for way in ways)
    if any(way.shared for way in ways):
        return f"if this program hangs with PTT pressed, the watchdog acts after max_key_time: {text}"
    return (
        f"warning: if this program hangs with PTT pressed, the watchdog ends it after max_key_time, for no instrument takes a second "
        f"connection; then: {text}"
    )


def warns(bench: BenchFile, profiles: Mapping[str, Any]) -> bool:
    """Say whether `watchdog_line` is a warning: nothing releases PTT while this program hangs, or not before it is ended."""
    return bool(watchdog_line(bench, profiles)) and not any(way.shared for way in ways_of(bench, profiles))


def unproved_line(ways: tuple[Way, ...], said: str) -> str:
    """Return what becomes of a pressed PTT if this program hangs, once it was seen that nothing answers a second connection."""
    then = "; ".join(_said(replace(way, shared=False)) for way in ways)
    tried = f" ({said})" if said else ""
    return (
        f"No instrument answers the watchdog beside this program{tried}. If it hangs with PTT pressed, it is ended after max_key_time; "
        f"then: {then}."
    )


def _said(way: Way) -> str:
    what = "PTT released" if way.role == "radio" else "supply off"
    return f"{what} by {way}" + ("" if way.shared else ", once this program has gone")


def _ways(bench: BenchFile, profiles: Mapping[str, Any]) -> Iterator[Way]:
    for role, switch in _SWITCH.items():
        for name, entry in bench.all_with_role(role):
            if not isinstance(entry, Linked):
                continue
            command = getattr(profiles.get(name), "commands", {}).get(switch)
            facts: dict[str, Any] = {
                "role": role,
                "name": name,
                "address": entry.address,
                "wait_s": open_timeout_s(entry),
            }
            if isinstance(entry, TextRadio):
                facts |= _line_of(entry, profiles[name], command)
            elif command is not None and command.set:
                facts |= {
                    "line": "socket" if SOCKET.fullmatch(entry.address.strip()) else "visa",
                    "visa": bench.visa,
                    "off": command.switched(False),
                    "ask": command.query,
                    "pattern": command.pattern,
                    "bit": command.bit,
                    "word": command.off,
                }
            else:
                continue
            yield Way(shared=_is_shared(entry), **facts)


def _line_of(entry: TextRadio, profile: Any, command: Any) -> dict[str, Any]:
    facts: dict[str, Any] = {
        "end": ENDS[profile.sends].decode(),
        "answer_end": ENDS[profile.answers].decode(),
    }
    if SOCKET.fullmatch(entry.address.strip()):
        facts["line"] = "socket"
    else:
        match = _PORT.fullmatch(entry.address.strip())
        facts |= {"line": "serial", "device": device_of(match["port"] if match else entry.address)}
    if entry.ptt != "command":
        return facts | {"drop": entry.ptt, "sense": entry.ptt_sense or ""}
    return facts | {
        "off": command.switched(False),
        "ask": command.query,
        "reply": command.reply,
        "pattern": command.pattern,
        "word": command.words.get("off", "off"),
    }


def _is_shared(entry: Linked) -> bool:
    """Say whether it is spoken to beside the program: as the file says, and without its word where trying it harms nothing."""
    stated = entry.second_connection if isinstance(entry, Watched) else None
    if stated is not None:
        return stated
    if isinstance(entry, TextRadio):
        return True
    return not isinstance(entry, Installed) and entry.address.strip().upper().startswith("TCPIP")
