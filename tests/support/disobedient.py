"""Generators that read back what they were told and give something else. What is changed is what leaves the connector, nothing it says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from sim.rf_signal import RfSignal
from tests.support.power_cycle import let_disobey
from tests.support.wire_faults import is_setting

Give = Callable[[], RfSignal | None]


def _stays_on(generator: Any) -> Give:
    """Once on, its output stays on; level, frequency and modulation follow."""
    told, was_on = generator._signal, list[bool]()

    def give() -> RfSignal | None:
        if generator.output_on:
            was_on[:] = [True]
        says = generator.settings["output_on"]
        generator.settings["output_on"] = bool(was_on)
        signal: RfSignal | None = told()
        generator.settings["output_on"] = says
        return signal

    return give


def _keeps_its_last_signal(generator: Any) -> Give:
    """Where it should be off it gives what it gave last, whatever it is told meanwhile."""
    told, last = generator._signal, list[RfSignal]()

    def give() -> RfSignal | None:
        if (signal := told()) is not None:
            last[:] = [signal]
        return last[0] if last else None

    return give


def _stays_off(generator: Any) -> Give:
    return lambda: None


def _stuck_at(level_dbm: float | None) -> Callable[[Any], Give]:
    """At one level whenever it is on; None: the first that it is told."""

    def of(generator: Any) -> Give:
        told, first = generator._signal, list[float]()

        def give() -> RfSignal | None:
            signal = told()
            if signal is None:
                return None
            first.append(generator.level_dbm)
            unsettled_db = 0.0 if generator._settled else generator.UNSETTLED_DB
            return replace(signal, level_dbm=(first[0] if level_dbm is None else level_dbm) + unsettled_db)

        return give

    return of


def _off_by(offset_db: float) -> Callable[[Any], Give]:
    def of(generator: Any) -> Give:
        told = generator._signal

        def give() -> RfSignal | None:
            signal = told()
            return None if signal is None else replace(signal, level_dbm=signal.level_dbm + offset_db)

        return give

    return of


def _sticks(from_dbm: float, high_db: float) -> Callable[[Any], Give]:
    """Let the attenuator stick: what it is told below ``from_dbm`` leaves it ``high_db`` stronger."""

    def of(generator: Any) -> Give:
        told = generator._signal

        def give() -> RfSignal | None:
            signal: RfSignal | None = told()
            if signal is None or generator.level_dbm >= from_dbm:
                return signal
            return replace(signal, level_dbm=signal.level_dbm + high_db)

        return give

    return of


def _leaks(least_dbm: float) -> Callable[[Any], Give]:
    """Let what leaks past its attenuator be no weaker than that."""

    def of(generator: Any) -> Give:
        told = generator._signal

        def give() -> RfSignal | None:
            signal: RfSignal | None = told()
            return None if signal is None else replace(signal, level_dbm=max(signal.level_dbm, least_dbm))

        return give

    return of


def _leaks_when_off(generator: Any) -> Give:
    """Off, it gives the first modulated signal that it was told, at -110 dBm."""
    told, first = generator._signal, list[RfSignal]()

    def give() -> RfSignal | None:
        signal: RfSignal | None = told()
        if signal is not None:
            if signal.fm_deviation_hz:
                first.append(signal)
            return signal
        return replace(first[0], level_dbm=-110.0) if first else None

    return give


def _stays_on_frequency(generator: Any) -> Give:
    """At the first frequency that it is on at, whatever it is told later; level and modulation follow."""
    told, first = generator._signal, list[float]()

    def give() -> RfSignal | None:
        signal: RfSignal | None = told()
        if signal is None:
            return None
        first.append(signal.frequency_hz)
        return replace(signal, frequency_hz=first[0])

    return give


def _goes(to_hz: Callable[[float], float], *, beyond_hz: float = 0.0) -> Callable[[Any], Give]:
    """At ``to_hz`` of how far it is told to go from the first frequency that it is on at, where that is farther than ``beyond_hz``."""

    def of(generator: Any) -> Give:
        told, first = generator._signal, list[float]()

        def give() -> RfSignal | None:
            signal: RfSignal | None = told()
            if signal is None:
                return None
            first.append(signal.frequency_hz)
            apart_hz = signal.frequency_hz - first[0]
            if abs(apart_hz) <= beyond_hz:
                return signal
            return replace(signal, frequency_hz=abs(first[0] + to_hz(apart_hz)))

        return give

    return of


LOUDER = {
    "10 dB high below -100 dBm": _sticks(-100.0, 10.0),
    "20 dB high below -100 dBm": _sticks(-100.0, 20.0),
    "leaks at -105 dBm": _leaks(-105.0),
    "8 dB high": _off_by(8.0),
}
FAINTER = {"8 dB low": _off_by(-8.0), "12 dB low below -100 dBm": _sticks(-100.0, -12.0)}
STAYS_ON = {"stays on": _stays_on, "keeps its last signal": _keeps_its_last_signal}
DEAF_TO_LEVEL = {"stuck at -87 dBm": _stuck_at(-87.0), "stuck at its first level": _stuck_at(None)}
STAYS_OFF = {"stays off": _stays_off}
LEAKS_OFF = {"leaks while off": _leaks_when_off}
DEAF_TO_FREQUENCY = {"stays on its first frequency": _stays_on_frequency}
ELSEWHERE = {
    "goes 12 MHz off": _goes(lambda apart_hz: 12e6),
    "goes 12 MHz farther": _goes(lambda apart_hz: apart_hz + 12e6, beyond_hz=100.0),
}
"""Told any other frequency than its first."""
ELSEWHERE_BEYOND = {
    "goes 12 MHz off beyond 9 kHz": _goes(lambda apart_hz: 12e6, beyond_hz=9e3),
    "goes twice as far": _goes(lambda apart_hz: 2.0 * apart_hz),
    "goes 40 kHz farther": _goes(lambda apart_hz: apart_hz + 40e3, beyond_hz=9e3),
    "goes to the other side": _goes(lambda apart_hz: -3.0 * apart_hz),
}
"""What only shows at the very offset."""
OFF_BY = {"3 dB high": _off_by(3.0)}
KINDS = LOUDER | FAINTER | STAYS_ON | STAYS_OFF | DEAF_TO_LEVEL | DEAF_TO_FREQUENCY | LEAKS_OFF | OFF_BY
KINDS |= ELSEWHERE | ELSEWHERE_BEYOND


def disobey(generator: Any, kind: str) -> None:
    """Let a simulated generator go on saying what it is told, and give what ``kind`` says."""
    generator._signal = KINDS[kind](generator)


def disobey_from(device: Any, words: bytes, number: int, *, stays: bool) -> None:
    """Let an instrument say that it did what it was told and go on as before: at the ``number``-th setting with ``words``, or from it."""
    hear, met, obey = device.submit, [0], list[Any]()

    def submit(message: bytes) -> Any:
        if not is_setting(message):
            return hear(message)
        met[0] += words in message
        if not (met[0] >= number if stays else words in message and met[0] == number):
            while obey:
                obey.pop()()
            return hear(message)
        result, again = let_disobey(device, lambda: hear(message))
        obey.append(again)
        return result

    device.submit = submit
