"""One check after another that failed at its n-th message: what the second finds, beside what it finds undisturbed.

Every shipped check that works on the receive or the transmit side is among `CHECKS`, on one unit that has all modes and a bench with
two generators. The loss side is left out: a check that fails there leaves cables moved, after which nothing is measured at all.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from drivers.trace import Direction
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.results.model import Result
from sequencer.run.events import CheckEnded, Event
from sequencer.run.status import ExitStatus
from sim.scpi.faults import Fault, FaultKind
from tests.support.rig import Rig

SERIAL = "MX40-0101"
SERIALS = {"intermodulation": "MX40-0161", "signalling_received": "M40-0091"}
"""The unit of a check that measures nothing on the other: products are made before no filter there, and nothing keeps it shut."""
SPECTRAL = frozenset(
    {"adjacent_channel_power", "occupied_bandwidth", "harmonics", "spurious_emissions", "receiver_emissions"}
)
"""Checks that need a spectrum analyser."""


def bench_for(*names: str) -> Path:
    """Return the shipped bench that has what these checks need: two generators, a spectrum analyser, a second source of FM."""
    if "signalling_received" in names:
        return Path("sim/signalling-bench.yaml")
    has_one = not SPECTRAL.isdisjoint(name.split(" ")[0] for name in names)
    return Path("sim/spectrum-bench.yaml" if has_one else "sim/two-signal-bench.yaml")


CHECKS = {
    "carrier_power": "channel: 20",
    "carrier_power in SSB": "channel: 20, mode: USB, drive: 5 mV",
    "adjust": "channel: 20, of: peak_deviation, drive: 10 mV, turn: RV7, to: 1.2 kHz, within: 900 Hz",
    "connection_repeatability": "channel: 20, connections: 3",
    "power_against_supply": "channel: 20, supplies: [13.2 V, 10.8 V]",
    "supply_current": "channel: 20",
    "frequency_error": "channel: 20",
    "peak_deviation": "channel: 20, drive: 10 mV, tone: [1 kHz]",
    "modulation_depth": "channel: 20, mode: AM, drive: 10 mV",
    "microphone_sensitivity": "channel: 20, maximum: 2 kHz",
    "transmit_distortion": "channel: 20, drive: 10 mV",
    "residual_modulation": "channel: 20, deviation: 1.2 kHz",
    "audio_response": "channel: 20, drive: 3 mV, tones: [300 Hz, 3 kHz]",
    "ssb_suppression": "channel: 20, mode: USB, drive: 5 mV",
    "channel_sweep": "sweep: [1, 40], outside: [41]",
    "adjacent_channel_power": "channel: 20, drive: 10 mV, resolution_bandwidth: 1 kHz",
    "harmonics": "channel: 20, up_to: 2",
    "spurious_emissions": "channel: 20, mask: [{from: 20 MHz, to: 30 MHz, resolution_bandwidth: 10 kHz, max: 250 nW}]",
    "occupied_bandwidth": "channel: 20, drive: 10 mV, resolution_bandwidth: 1 kHz",
    "time_to_power": "channel: 20",
    "transient": "channel: 20",
    "power_over_time": "channel: 20, over: 1 s",
    "record_audio of transmit": "channel: 20, of: transmit, drive: 10 mV, duration: 0.2 s",
    "record_audio of receive": "channel: 20, of: receive, level: -73 dBm, duration: 0.2 s",
    "sensitivity": "channel: 20, target: 12 dB SINAD, deviation: 1.2 kHz, accuracy: 2 dB",
    "sensitivity in AM": "channel: 20, mode: AM, target: 10 dB (S+N)/N, depth: 30 %, accuracy: 2 dB",
    "sensitivity by quieting": "channel: 20, target: 20 dB quieting, accuracy: 2 dB",
    "sinad": "channel: 20, level: -113 dBm",
    "signal_to_noise": "channel: 20, ratio: quieting, level: -113 dBm, reading: 0.2 s",
    "receive_distortion": "channel: 20, level: -47 dBm",
    "audio_output": "channel: 20, load: 8 ohm",
    "agc_span": "channel: 20, mode: AM, strong: -33 dBm, fall: 6 dB",
    "s9_point": "channel: 20, target: 2.25 V, accuracy: 2 dB",
    "s_meter_curve": "channel: 20, marks: {S7: 1.75 V, S9: 2.25 V}, accuracy: 2 dB",
    "squelch": "channel: 20",
    "hum_and_noise": "channel: 20, level: -47 dBm",
    "receive_audio_response": "channel: 20, tones: [500 Hz]",
    "co_channel_rejection": "channel: 20, wanted: -107 dBm, accuracy: 2 dB",
    "intermodulation": "channel: 20, spacings: [50 kHz], accuracy: 2 dB",
    "spurious_response": "channel: 20, wanted: -107 dBm, orders: 1, accuracy: 2 dB, "
    "intermediate_frequencies: [10.695 MHz], oscillators: [high]",
    "selectivity": "channel: 20, wanted: -110 dBm, offsets: [10 kHz], accuracy: 2 dB",
    "blocking": "channel: 20, wanted: -110 dBm, offsets: [1 MHz], accuracy: 2 dB",
    "receiver_emissions": "channel: 20, intermediate_frequencies: [10.695 MHz], oscillators: [high], "
    "mask: [{from: 20 MHz, to: 30 MHz, resolution_bandwidth: 10 kHz, max: 2 nW}]",
    "signalling_received": "channel: 20, tone: 88.5 Hz, signalling_deviation: 300 Hz, accuracy: 2 dB, shut_for: 1 s",
    "signalling_sent": "channel: 20, tone: 88.5 Hz, deviation: {min: 250 Hz}",
}
_KINDS = (
    (FaultKind.TIMEOUT, None),
    (FaultKind.ERROR, (-222, "Data out of range")),
    (FaultKind.DISCONNECT, None),
    (FaultKind.GARBAGE, None),
)


_TURNED = "  - {{check: confirm, text: squelch {}}}\n"
UNJUDGED = 0.01  # of the figure


@dataclass(frozen=True, slots=True)
class Wrong:
    """A result of ``second`` that is not what it is undisturbed, after ``first`` failed at its message ``number``."""

    first: str
    second: str
    number: int
    fault: FaultKind
    what: str


def serial_of(*names: str) -> str:
    """Return the unit that checks are made on."""
    return next((SERIALS[name] for name in names if name in SERIALS), SERIAL)


class Pair:
    """Two checks in one run. ``first`` may be given a fault at any of its messages, the side's own among them."""

    def __init__(self, folder: Path, first: str, second: str) -> None:
        self.first, self.second = first, second
        # of the two, one that listens to noise needs the squelch open, and the squelch's own check just closed
        turned = "squelch" in (first, second)
        items = "".join(
            (_TURNED.format("just closed" if name == "squelch" else "open") if turned else "")
            + f"  - {{check: {name.split(' ')[0]}, {CHECKS[name]}}}\n"
            for name in (first, second)
        )
        file = folder / "pair.yaml"
        file.write_text(
            "sequence: Pair\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\n"
            "rated_supply: {min: 8 V, max: 16 V}\nrated_power: 13 W\n"
            f"prepare:\n  - confirm: knobs right\nchecks:\n{items}",
            encoding="utf-8",
        )
        serial = serial_of(first, second)
        plan = make_plan(load_sequence(str(file)), load_bench(str(bench_for(first, second))), serial=serial)
        self._rig = Rig(plan, serial)
        self._at = [step.index for step in plan.steps if step.check.name != "confirm"]
        rig, sent = self._rig.again(), {}

        def count(event: Event) -> None:
            if isinstance(event, CheckEnded):
                sent[event.index] = sum(one.direction is Direction.SENT for one in rig.record.said)

        assert rig.run(listeners=[count]).status in (ExitStatus.PASSED, ExitStatus.FAILED)
        self.sound = rig.record.kept[self._at[1]]
        self.numbers = range(sent[self._at[0] - 1], sent[self._at[0]])
        """The messages of the first check, its side's included."""

    def after(self, number: int) -> Iterator[Wrong]:
        """Run both with a fault at message ``number``, and yield what the second then states otherwise than undisturbed."""
        # in threes: a pair that meets every 28th message would meet one kind only
        kind, argument = _KINDS[number // 3 % len(_KINDS)]
        rig = self._rig.again()
        rig.inject_everywhere(Fault(kind=kind, argument=argument, skip=number))
        outcome = rig.run()
        found = rig.record.kept.get(self._at[1])
        if (
            found is None
        ):  # the bench could not be confirmed safe, or the supply was cut: nothing more is measured
            return
        if not found:
            yield Wrong(self.first, self.second, number, kind, f"no result at all: {outcome.problems}")
            return
        for what in _differences(self.sound, found):
            yield Wrong(self.first, self.second, number, kind, what)


def _differences(sound: list[Result], found: list[Result]) -> Iterator[str]:
    if [one.quantity for one in sound] != [one.quantity for one in found]:
        yield f"reports {[one.quantity for one in found]}: {found[0].note}"
        return
    for was, now in zip(sound, found, strict=True):
        if now.supply_v != was.supply_v or "not read" in now.conditions:
            yield f"{now.quantity}: {now.conditions}, undisturbed {was.conditions}"
        if (was.value is None) != (now.value is None):
            yield f"{now.quantity}: {now.value}, undisturbed {was.value}; {now.note}"
        elif was.value is not None and now.value is not None:
            within = math.hypot(was.uncertainty or 0.0, now.uncertainty or 0.0)
            if (
                not was.uncertainty and now.unit != "findings"
            ):  # a level that is shown beside a recording carries none
                within = UNJUDGED * abs(was.value)
            if abs(now.value - was.value) > within:
                yield f"{now.quantity}: {now.value:.5g} {now.unit}, undisturbed {was.value:.5g} ± {within:.2g}"
