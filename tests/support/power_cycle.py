"""What a simulated instrument does at its own accord: it loses power for a moment, or says what it is set to and does not do it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sim.instruments.path_switch import PathSwitch
from sim.instruments.radio_box import RelayBox
from sim.instruments.signal_generator import SignalGenerator
from sim.instruments.supply import DcSupply
from sim.scpi.status import POWER_ON

_SAYS = {"set_key": "read_key", "set_channel": "read_channel", "set_mode": "read_mode"}


def power_cycle(device: Any) -> None:
    """Let an instrument lose its power for a moment: every setting as after a reset, every queue empty, what it was at forgotten."""
    device.moment_s = device.clock.now_s()
    for exchange in list(device._queue):
        device.cancel(exchange)
    device._reset()
    device.errors.clear()
    device.event_status = POWER_ON


def let_disobey(device: Any, hear: Callable[[], Any]) -> tuple[Any, Callable[[], None]]:
    """Let an instrument hear a message, answer it as one that does what it is told, and go on as before.

    Return what ``hear`` returned, and what makes an obedient instrument of it again (what it was told meanwhile it does not do even then).
    """
    if isinstance(device, SignalGenerator | DcSupply):
        return _source(device, hear)
    if isinstance(device, PathSwitch):
        return _switch(device, hear)
    if isinstance(device, RelayBox):
        return _radio(device, hear)
    return _meter(device, hear)


def _source(device: Any, hear: Callable[[], Any]) -> tuple[Any, Callable[[], None]]:
    """A generator gives, a supply feeds, what it did before."""
    wiring, keep = device.wiring, ("_delivered", "_settled", "_settled_at_s")
    before = {name: getattr(device, name) for name in keep if hasattr(device, name)}
    told = getattr(device, "_apply", None)
    if told is not None:
        device._apply = lambda signal: None
    wiring.set_supply_v = lambda volts: None
    try:
        result = hear()
    finally:
        del wiring.set_supply_v
        for name, was in before.items():
            setattr(device, name, was)
        if told is not None:
            device._apply = told
    return result, lambda: None


def _switch(device: Any, hear: Callable[[], Any]) -> tuple[Any, Callable[[], None]]:
    """The contacts stay, and it says where it was sent."""
    wiring = device.wiring
    claimed = device.__dict__.setdefault("claimed", [wiring.paths.commanded])
    wiring.connect = claimed.append
    device.is_closed = lambda channels: ",".join(
        str(int(device.PLACES[channel] == claimed[-1])) for channel in channels
    )
    try:
        result = hear()
    finally:
        del wiring.connect
    return result, lambda: _own_again(device, "is_closed", "claimed")


def _radio(device: Any, hear: Callable[[], Any]) -> tuple[Any, Callable[[], None]]:
    """Relays and radio stay as they are, and it says what it was told."""
    for order, question in _SAYS.items():
        claimed = [getattr(device, question)()]
        setattr(device, order, claimed.append)
        setattr(device, question, lambda claimed=claimed: claimed[-1])
    device.on_reset = lambda: None
    try:
        result = hear()
    finally:
        _own_again(device, *_SAYS, "on_reset")
    return result, lambda: _own_again(device, *_SAYS.values())


def _meter(device: Any, hear: Callable[[], Any]) -> tuple[Any, Callable[[], None]]:
    """It measures as it was set before, and its source gives what it gave."""
    unit, before = device.wiring.unit, {name: _copy(one) for name, one in device.settings.items()}
    unit.set_microphone = lambda *levels, **more: None
    try:
        result = hear()
    finally:
        del unit.set_microphone
    meant = device.__dict__.setdefault("meant", {})
    for name, was in before.items():
        if device.settings[name] != was:
            meant.setdefault(name, was)
    measuring = [
        name
        for kind in type(device).__mro__
        for name, member in vars(kind).items()
        if kind.__module__.startswith("sim.instruments") and hasattr(member, "scpi_commands")
    ]
    for name in measuring:
        setattr(device, name, _as_before(device, getattr(type(device), name).__get__(device), meant))
    return result, lambda: _own_again(device, *measuring, "meant")


def _as_before(device: Any, method: Callable[..., Any], meant: dict[str, Any]) -> Callable[..., Any]:
    """Return ``method``, done with the settings ``meant`` in place of those the device says it has."""

    def measure(*arguments: Any) -> Any:
        says = dict(device.settings)
        device.settings.update(meant)
        try:
            found = method(*arguments)
            if callable(getattr(found, "answer", None)):
                found.answer = _as_before(device, found.answer, meant)
        finally:
            device.settings.update(says)
        return found

    return measure


def _copy(content: Any) -> Any:
    return dict(content) if isinstance(content, dict) else content


def _own_again(device: Any, *names: str) -> None:
    for name in names:
        device.__dict__.pop(name, None)
