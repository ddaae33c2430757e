"""What the plan lets through, the bench can do: every shipped check, on benches whose ranges end within what the check commands.

A check is run on a bench with room. Of what it commanded (levels, frequencies, voltages, filters, key-downs) the highest and the lowest
become ends of the bench's ranges, a little within, one at a time. Then the plan refuses the check, or the check finds its way within.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from drivers.trace import Direction
from sequencer.planning.plan import Plan
from sequencer.problems import FileProblems
from tests.support.after_faults import serial_of
from tests.support.every_check import EVERY_CHECK, plan_in, plan_of
from tests.support.rig import Rig

WITHOUT_RANGES = {"confirm", "enter_reading", "channel_memory", "golden_unit"}
MORE = {
    "signal_to_noise in SSB": "channel: 20, mode: USB, ratio: (S+N)/N, level: -113 dBm, reading: 0.2 s",
    "signal_to_noise at -90 dBm": "channel: 20, ratio: quieting, level: -90 dBm, reading: 0.2 s",
    "hum_and_noise in AM": "channel: 20, mode: AM, level: -60 dBm",
    "s_meter_curve upwards": "channel: 20, marks: {S9: 2.25 V, S9+20: 2.75 V}, accuracy: 2 dB",
}
"""Other ways in which a check commands levels."""
INSIDE_DB, INSIDE_V, LOSS_DB = 0.3, 0.3, 0.42
GENERATORS = ("signal_generator", "interferer")
LOWEST_DBM = -137.0  # of the simulated generators
HIGHEST_MIN_DBM, LOWEST_MAX_DBM, LOWEST_RATING_DBM = -45.0, -80.0, -60.0
"""No generator for receivers begins higher or ends lower, and no receiver bears less. `path_loss` and `bench_check` begin anywhere."""
LEVEL, VOLTAGE = ("SOURce:POWer:LEVel:IMMediate:AMPLitude", "SOURce:VOLTage:LEVel:IMMediate:AMPLitude")
CENTRE, SPAN, FILTER = "SENSe:FREQuency:CENTer", "SENSe:FREQuency:SPAN", "SENSe:BANDwidth:RESolution"
_SETTING = re.compile(r":?([A-Z0-9:]+) ([-+0-9.E]+)", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class End:
    """An end of a range in the bench file: behind which instrument's entry it stands, what stands there, and what shall."""

    instrument: str
    stands: str
    put: str


class Commanded:
    """What a run sent its instruments, and how often it pressed PTT."""

    def __init__(self, rig: Rig) -> None:
        self._numbers: dict[tuple[str, str], list[float]] = {}
        for one in rig.record.said:
            if one.direction is Direction.SENT:
                self._take(one.instrument, one.content.decode("latin-1"))
        self.has_keyed = any(what == "PTT released" for what, _ in rig.record.noted)

    def _take(self, instrument: str, message: str) -> None:
        for part in message.strip().split(";"):
            if found := _SETTING.fullmatch(part.strip()):
                self._numbers.setdefault((instrument, found[1]), []).append(float(found[2]))

    def numbers(self, instrument: str, setting: str) -> list[float]:
        """Return all that an instrument was set to."""
        return self._numbers.get((instrument, setting), [])


def _ends(plan: Plan, sent: Commanded) -> Iterator[End]:
    for instrument in GENERATORS:
        if levels := sent.numbers(instrument, LEVEL):
            yield from _ends_of_levels(plan, instrument, levels)
    if volts := sent.numbers("supply", VOLTAGE):
        yield End(
            instrument="supply",
            stands=r"max_voltage: \S+ V",
            put=f"max_voltage: {max(volts) - INSIDE_V:.2f} V",
        )
    if centres := sent.numbers("spectrum_analyser", CENTRE):
        yield from _ends_of_analyser(sent, centres)
    if sent.has_keyed:
        for limit_s in (4.0, 6.0, 9.0, 13.0):
            yield End(instrument="", stands=r"max_key_time: \S+ s", put=f"max_key_time: {limit_s:g} s")


def _ends_of_levels(plan: Plan, instrument: str, levels: list[float]) -> Iterator[End]:
    step = plan.steps[-1]
    is_loss = step.side == "loss"
    loss_db = 0.0 if is_loss else LOSS_DB
    demanded = step.check.demands(step.settings, step.conditions)
    asked = [one.level_dbm + loss_db for one in demanded if one.level_dbm is not None and not one.because]
    for end_dbm in sorted({round(one, 2) for one in (min(levels), max(levels), *asked)}):
        for at_dbm in (end_dbm - INSIDE_DB, end_dbm + INSIDE_DB):
            if LOWEST_DBM <= at_dbm <= HIGHEST_MIN_DBM or is_loss:
                yield End(instrument=instrument, stands=r"min: [-0-9.]+ dBm", put=f"min: {at_dbm:.2f} dBm")
            if at_dbm >= LOWEST_MAX_DBM:
                yield End(instrument=instrument, stands=r"max: [-0-9.]+ dBm", put=f"max: {at_dbm:.2f} dBm")
            if at_dbm - loss_db > LOWEST_RATING_DBM and not is_loss:
                rating = f"max_receiver_input: {at_dbm - loss_db:.2f} dBm"
                yield End(instrument="", stands=r"max_receiver_input: \S+ dBm", put=rating)


def _ends_of_analyser(sent: Commanded, centres: list[float]) -> Iterator[End]:
    spans = sent.numbers("spectrum_analyser", SPAN)
    edges = [at + sign * span / 2.0 for at, span in zip(centres, spans, strict=True) for sign in (-1.0, 1.0)]
    yield End(
        instrument="spectrum_analyser", stands=r"highest: \S+ \S+", put=f"highest: {max(edges) - 1.0:.1f} Hz"
    )
    yield End(
        instrument="spectrum_analyser", stands=r"lowest: \S+ \S+", put=f"lowest: {min(edges) + 1.0:.1f} Hz"
    )
    for filter_hz in sorted(set(sent.numbers("spectrum_analyser", FILTER))):
        named = (f"{filter_hz:g} Hz", f"{filter_hz / 1e3:g} kHz", f"{filter_hz / 1e6:g} MHz")
        yield End(instrument="spectrum_analyser", stands=rf"\b({'|'.join(named)}), ", put="")


def _narrowed(text: str, end: End) -> str:
    """Return a bench file with another end of a range."""
    begin = text.index(f"\n  {end.instrument}:") if end.instrument else 0
    return text[:begin] + re.sub(end.stands, end.put, text[begin:], count=1)


@pytest.mark.parametrize(
    "name", [*sorted(set(EVERY_CHECK) - WITHOUT_RANGES), *MORE], ids=lambda one: one.replace(" ", "_")
)
def test_what_the_plan_lets_through_no_instrument_refuses(
    tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One end at a time within what a run commanded: refused before the first byte, or measured without a fault."""
    if name in MORE:
        monkeypatch.setitem(EVERY_CHECK, name, MORE[name])
    rig = Rig(plan_of(tmp_path, name), serial_of(name))
    sound = rig.run()
    assert [one.note for one in sound.results if one.fault] == []
    file = tmp_path / "bench.yaml"
    text, wrong = file.read_text(encoding="utf-8"), []
    for end in _ends(rig.plan, Commanded(rig)):
        file.write_text(_narrowed(text, end), encoding="utf-8")
        try:
            plan = plan_in(tmp_path, name)
        except FileProblems:
            continue
        narrowed = Rig(plan, serial_of(name), rig).run()
        wrong += [
            f"{end.instrument} {end.put}: {one.quantity}: {one.note}" for one in narrowed.results if one.fault
        ]
    assert "\n".join(wrong) == ""
