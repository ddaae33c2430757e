"""Every check, with each instrument that it reads by broken in each way that a reading can be wrong, once and for good.

A fault changes answers on the wire, behind the simulated instrument: what the check states is held against the same run undisturbed.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.results.model import Result
from sequencer.run.runner import RunOutcome
from sequencer.uncertainty.decision import Decision
from sim.scpi.faults import Fault, FaultKind, FaultScript, Taken
from tests.support.after_faults import bench_for
from tests.support.rig import Rig

DECIDED = {Decision.PASS, Decision.FAIL, Decision.CONDITIONAL_PASS, Decision.CONDITIONAL_FAIL}
READS = {
    "power_meter": r"READ",
    "modulation_analyser": r"READ|TRAC\w*:DATA",
    "audio_analyser": r"READ|TRAC\w*:DATA",
    "voltmeter": r"READ",
    "supply": r"MEAS\w*:CURR",
    "spectrum_analyser": r"TRAC\w*:DATA",
}
"""The messages with which each role is read."""

Spoil = Callable[[bytes, int, list[bytes]], bytes]
"""Makes of an answer, its place among the readings (from 0) and those before it (as they came) what comes instead."""


@dataclass
class Spoiler:
    """A fault script that changes the answers to readings by a function; everything else goes well."""

    match: str
    spoil: Spoil
    first: int = 0
    times: int | None = None
    before: list[bytes] = field(default_factory=list)
    count: int = 0

    def __bool__(self) -> bool:
        return True

    def take(self, message: bytes) -> _Spoilt | None:
        """Return what this message meets."""
        if re.search(self.match, message.decode("latin-1"), re.IGNORECASE) is None:
            return None
        number, self.count = self.count, self.count + 1
        return _Spoilt(Fault(kind=FaultKind.WRONG, argument=""), 0, FaultScript(), self, number)


@dataclass(frozen=True, slots=True)
class _Spoilt(Taken):
    by: Spoiler
    number: int

    def spoil(self, answer: bytes) -> bytes:
        """Return what comes instead of an answer."""
        by = self.by
        if (
            not answer
            or self.number < by.first
            or (by.times is not None and self.number >= by.first + by.times)
        ):
            by.before.append(answer.removesuffix(b"\n"))
            return answer
        spoilt = by.spoil(answer.removesuffix(b"\n"), self.number, by.before)
        if not by.before:
            by.before.append(spoilt)
        return spoilt + b"\n"


def _number(answer: bytes) -> float | None:
    try:
        return float(answer)
    except ValueError:
        return None


def _written(number: float) -> bytes:
    return f"{number:+.8E}".encode()


def _block(answer: bytes) -> tuple[bytes, np.ndarray] | None:
    """Return header and samples of a definite-length block of REAL,32 in big-endian order; None for another answer."""
    if not answer.startswith(b"#"):
        return None
    digits = int(answer[1:2])
    return answer[: 2 + digits], np.frombuffer(answer[2 + digits :], dtype=">f4")


def _frozen(answer: bytes, number: int, before: list[bytes]) -> bytes:
    """Give the last sound answer again and again; the first of all stands for itself."""
    return before[-1] if before else answer


def _one_behind(answer: bytes, number: int, before: list[bytes]) -> bytes:
    """Give each time the answer that the reading before should have had."""
    before.append(answer)
    return before[-2] if len(before) > 1 else answer


def _short(answer: bytes, number: int, before: list[bytes]) -> bytes:
    """Lose the last byte."""
    return answer[:-1]


def _without_exponent(answer: bytes, number: int, before: list[bytes]) -> bytes:
    """Lose the exponent; of a block its second half, with a header that says so."""
    if (found := _block(answer)) is None:
        return answer.split(b"E")[0]
    half = found[1][: len(found[1]) // 2].tobytes()
    size = str(len(half)).encode()
    return b"#" + str(len(size)).encode() + size + half


def _scaled(answer: bytes, number: int, before: list[bytes]) -> bytes:
    """Say ten times as much."""
    if (found := _block(answer)) is not None:
        return found[0] + (found[1] * 10.0).astype(">f4").tobytes()
    figure = _number(answer)
    return answer if figure is None or abs(figure) > 1e30 else _written(10.0 * figure)


def _nan(answer: bytes, number: int, before: list[bytes]) -> bytes:
    """Say what is no number."""
    if (found := _block(answer)) is not None:
        return found[0] + (found[1] * math.nan).astype(">f4").tobytes()
    return b"9.91E37"


def _other(figure: float) -> Spoil:
    def say(answer: bytes, number: int, before: list[bytes]) -> bytes:
        if (found := _block(answer)) is not None:  # nothing at all was recorded
            return found[0] + (found[1] * 0.0).astype(">f4").tobytes()
        return _written(figure)

    return say


SPOILT: dict[str, Spoil] = {
    "frozen": _frozen,
    "one behind": _one_behind,
    "one byte short": _short,
    "without exponent": _without_exponent,
    "ten times": _scaled,
    "no number": _nan,
}


def _digit(place: int, by: int) -> Spoil:
    """Return what changes one digit by ``by``, counted from 0 at the first that is no nought; in a recording, a twentieth of it is lost."""

    def say(answer: bytes, number: int, before: list[bytes]) -> bytes:
        if (found := _block(answer)) is not None:
            samples = found[1].copy()
            samples[len(samples) // 3 : len(samples) // 3 + len(samples) // 20] = 0.0
            return found[0] + samples.tobytes()
        digits = [at for at, one in enumerate(answer.split(b"E")[0]) if chr(one).isdigit()]
        first = next((nth for nth, at in enumerate(digits) if answer[at : at + 1] != b"0"), None)
        if first is None or first + place >= len(digits):
            return answer
        at = digits[first + place]
        return answer[:at] + str((int(answer[at : at + 1]) + by) % 10).encode() + answer[at + 1 :]

    return say


PLAUSIBLE: dict[str, Spoil] = {
    "second digit one more": _digit(1, 1),
    "third digit one more": _digit(2, 1),
    "third digit five more": _digit(2, 5),
    "the reading before": _frozen,
}
"""Answers that no bound and no form tells from a sound one."""
OTHER = {
    "power_meter": (27.205e6,),
    "modulation_analyser": (27.205e6, 1000.0),
    "audio_analyser": (1000.0, 2.0),
    "voltmeter": (1000.0,),
    "supply": (13.2,),
    "spectrum_analyser": (27.205e6,),
}
"""Figures of another quantity than was asked: a frequency, a tone, a distortion, ohms, a voltage."""


def kinds_of(role: str) -> dict[str, Spoil]:
    """Return every way in which the readings of a role are spoilt."""
    return SPOILT | {f"another quantity, {figure:g}": _other(figure) for figure in OTHER[role]}


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One check on one specimen, and by which instruments it reads."""

    check: str
    how: str
    roles: tuple[str, ...]
    serial: str = "MX40-0101"
    prepare: str = ""


SERIALS = {"signalling_sent": "M40-0071", "signalling_received": "M40-0091", "intermodulation": "MX40-0161"}
"""Specimens that show what the usual one has not."""
_LETTERS = {
    "P": "power_meter",
    "M": "modulation_analyser",
    "A": "audio_analyser",
    "V": "voltmeter",
    "S": "supply",
    "X": "spectrum_analyser",
}
# by what it reads | check and a word for which of several | settings beside the channel
_TABLE = """
P | carrier_power | limit: {min: 3 W, max: 4 W}
P | carrier_power in SSB | mode: USB, drive: 5 mV, limit: {max: 12 W}
P | connection_repeatability | limit: {max: 0.2 dB}
P | path_loss | of: transmit, frequencies: [27 MHz, 28 MHz], level: 10 dBm, limit: {min: 25 dB, max: 40 dB}
P | bench_check | through: hand, frequencies: [27 MHz], levels: [10 dBm, 0 dBm]
P | power_against_supply | supplies: [13.2 V, 10.8 V], limit: {min: 2 W, max: 6 W}
P | power_over_time | over: 1 s, limit: {min: -0.1 dB, max: 0.5 dB}
S | supply_current | receive: {max: 0.5 A}, transmit: {max: 2 A}
M | frequency_error | limit: {within: 600 Hz}
M | peak_deviation | drive: 10 mV, tone: [1 kHz], limit: {max: 2 kHz}
M | peak_deviation from samples | drive: 10 mV, tone: [1 kHz], read: samples, limit: {max: 2 kHz}
M | modulation_depth | mode: AM, drive: 10 mV, limit: {min: 30 %, max: 100 %}
M | modulation_depth from samples | mode: AM, drive: 10 mV, read: samples, limit: {min: 30 %, max: 100 %}
M | microphone_sensitivity | maximum: 2 kHz, limit: {min: 5 mV, max: 20 mV}
M | microphone_sensitivity in AM | mode: AM, limit: {min: 1 mV, max: 20 mV}
M | transmit_distortion | drive: 10 mV, limit: {max: 10 %}
M | residual_modulation | deviation: 1.2 kHz, limit: {min: 34 dB}
M | residual_modulation in AM | mode: AM, limit: {min: 30 dB}
M | audio_response | drive: 3 mV, tones: [300 Hz, 3 kHz], within: 6 dB
M | audio_response in AM | mode: AM, drive: 3 mV, tones: [300 Hz, 2 kHz], within: 6 dB
M | ssb_suppression | mode: USB, drive: 5 mV, carrier: {min: 40 dB}, sideband: {min: 40 dB}
PM | channel_sweep | sweep: [1, 40], outside: [41], frequency: {within: 600 Hz}, power: {min: 3 W, max: 4 W}
X | adjacent_channel_power | drive: 10 mV, resolution_bandwidth: 1 kHz, ratio: {min: 30 dB}
X | harmonics | up_to: 2, limit: {max: 250 nW}
X | spurious_emissions | mask: [{from: 20 MHz, to: 30 MHz, resolution_bandwidth: 10 kHz, max: 250 nW}]
X | occupied_bandwidth | drive: 10 mV, resolution_bandwidth: 1 kHz, limit: {max: 8 kHz}
X | receiver_emissions | mask: [{from: 20 MHz, to: 30 MHz, resolution_bandwidth: 10 kHz, max: 2 nW}], \
intermediate_frequencies: [10.695 MHz], oscillators: [high]
M | signalling_sent | tone: 88.5 Hz, deviation: {min: 250 Hz, max: 500 Hz}
M | time_to_power | limit: {max: 25 ms}
M | transient | windows: [{from: 0 ms, to: 5 ms, max: 10 kHz}, {from: 5 ms, to: 25 ms, max: 5 kHz}], fall: {max: 20 ms}
M | record_audio of transmit | of: transmit, drive: 10 mV, duration: 0.2 s
A | record_audio of receive | of: receive, level: -73 dBm, duration: 0.2 s
A | sensitivity | target: 12 dB SINAD, deviation: 1.2 kHz, accuracy: 0.7 dB, limit: {max: -113 dBm}
A | sensitivity from samples | target: 12 dB SINAD, read: samples, deviation: 1.2 kHz, accuracy: 0.7 dB, limit: {max: -113 dBm}
A | sensitivity by quieting | target: 20 dB quieting, accuracy: 0.7 dB, limit: {max: -110 dBm}
A | sensitivity in AM | mode: AM, target: 10 dB (S+N)/N, depth: 30 %, accuracy: 0.7 dB, limit: {max: -105 dBm}
A | sensitivity in SSB | mode: USB, target: 10 dB (S+N)/N, accuracy: 0.7 dB, limit: {max: -110 dBm}
A | sinad | level: -113 dBm, limit: {min: 12 dB}
A | signal_to_noise | ratio: quieting, level: -116 dBm, reading: 0.2 s, limit: {min: 6 dB}
A | receive_distortion | level: -47 dBm, limit: {max: 10 %}
A | audio_output | load: 8 ohm, power: {min: 300 mW}, distortion: {max: 10 %}
A | agc_span | mode: AM, strong: -33 dBm, fall: 6 dB, limit: {min: 60 dB}
V | s9_point | target: 2.25 V, accuracy: 0.7 dB, limit: {nominal: -73 dBm, within: 6 dB}
V | s_meter_curve | marks: {S7: 1.75 V, S8: 2 V, S9: 2.25 V}, accuracy: 1 dB, within: 6 dB, s_unit: {min: 3 dB, max: 9 dB}, linearity: 9 dB
A | squelch | opening: {max: -113 dBm}, hysteresis: {max: 6 dB}
A | signalling_received | tone: 88.5 Hz, signalling_deviation: 300 Hz, accuracy: 2 dB, shut_for: 1 s, opening: {max: -118 dBm}
A | hum_and_noise | level: -47 dBm, limit: {min: 34 dB}
A | receive_audio_response | tones: [500 Hz], within: 3 dB
A | co_channel_rejection | wanted: -107 dBm, accuracy: 1 dB, limit: {min: -12 dB}
A | intermodulation | spacings: [50 kHz], accuracy: 1 dB, limit: {min: 65 dB}
A | spurious_response | wanted: -107 dBm, orders: 1, accuracy: 1 dB, limit: {min: 50 dB}, \
intermediate_frequencies: [10.695 MHz], oscillators: [high]
A | selectivity | wanted: -110 dBm, offsets: [10 kHz], accuracy: 1 dB, limit: {min: 60 dB}
A | selectivity with its sensitivity | offsets: [10 kHz], accuracy: 1 dB, limit: {min: 60 dB}
A | blocking | wanted: -110 dBm, offsets: [1 MHz], accuracy: 1 dB, limit: {min: 62 dB}
"""


def _cases() -> Iterator[tuple[str, Case]]:
    for line in _TABLE.strip().splitlines():
        letters, name, how = line.split(" | ")
        check = name.split(" ")[0]
        yield (
            name,
            Case(
                check=check,
                how=how if check in ("channel_sweep", "path_loss", "bench_check") else f"channel: 20, {how}",
                roles=tuple(_LETTERS[letter] for letter in letters),
                serial=SERIALS.get(name, "MX40-0101"),
                prepare="  - confirm: squelch just closed\n" if check == "squelch" else "",
            ),
        )


CASES = dict(_cases())
PAIRS = [(name, role) for name, case in CASES.items() for role in case.roles]


def _limits(one: Result) -> tuple[float | None, float | None]:
    return one.lower_limit, one.upper_limit


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What one run stated: its results and how it ended."""

    results: list[Result]
    outcome: RunOutcome
    readings: int


MILLIONTH = 1e-6  # what moves by less decides nothing, though a U of 95 % is left by it in one case of twenty


class Broken:
    """One case and one of its instruments, to be run undisturbed and with each fault."""

    def __init__(self, folder: Path, name: str, role: str) -> None:
        case = CASES[name]
        self.role = role
        file = folder / "one.yaml"
        file.write_text(
            "sequence: One\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\n"
            "rated_supply: {min: 8 V, max: 16 V}\nrated_power: 12 W\nprepare:\n"
            f"  - confirm: knobs right\n{case.prepare}checks:\n  - {{check: {case.check}, {case.how}}}\n",
            encoding="utf-8",
        )
        plan = make_plan(load_sequence(str(file)), load_bench(str(bench_for(case.check))), serial=case.serial)
        self._rig, self._at = Rig(plan, case.serial), plan.steps[-1].index
        self._answers: dict[int, bytes] = {}
        self._stated: dict[tuple[int, bytes], Stated] = {}
        self.sound = self._run(None)

    def _run(self, spoiler: Spoiler | None) -> Stated:
        rig = self._rig.again()
        spoiler = spoiler or Spoiler(READS[self.role], self._noted)
        rig.device(self.role).faults = spoiler
        outcome = rig.run()
        return Stated(results=rig.record.kept.get(self._at, []), outcome=outcome, readings=spoiler.count)

    def _noted(self, answer: bytes, number: int, before: list[bytes]) -> bytes:
        """Keep the undisturbed answer."""
        self._answers[number] = answer
        return answer

    def with_fault(self, kind: str, first: int, times: int | None) -> Stated:
        """Run with the readings from number ``first`` on spoilt, so many ``times``; None for good.

        One seed gives the same bytes twice, so that what one reading would come to is known before: what spoils nothing is not run again,
        and what spoils it as another kind did is run once.
        """
        spoil = (PLAUSIBLE | kinds_of(self.role))[kind]
        spoiler = Spoiler(READS[self.role], spoil, first=first, times=times)
        if times != 1 or first not in self._answers:
            return self._run(spoiler)
        sound = self._answers[first]
        comes = spoil(sound, first, [self._answers[n] for n in sorted(self._answers) if n < first])
        if comes == sound:
            return self.sound
        if (first, comes) not in self._stated:
            self._stated[first, comes] = self._run(spoiler)
        return self._stated[first, comes]

    def decides_otherwise(self, stated: Stated) -> Iterator[str]:
        """Yield what is stated farther from the undisturbed value than the uncertainty of either, or decided otherwise.

        What is not measured, with a reason, is no other decision.
        """
        sound = {(one.quantity, one.channel): one for one in self.sound.results}
        for one in stated.results:
            true = sound.get((one.quantity, one.channel))
            if one.value is None:
                if not one.note:
                    yield f"{one.quantity}: not measured, and no reason"
                continue
            if true is None or true.value is None:
                yield f"{one.quantity}: {one.value:.5g} {one.unit} is stated where nothing is undisturbed"
                continue
            if one.decision is not true.decision:
                yield f"{one.quantity}: {one.decision}, undisturbed {true.decision}"
            # two searches of one level scatter: an odd reading that widened the second's own interval is told by it
            if true.uncertainty and abs(one.value - true.value) > max(
                true.uncertainty, one.uncertainty or 0.0, MILLIONTH * abs(true.value)
            ):
                yield f"{one.quantity}: {one.value:.6g} {one.unit}, undisturbed {true.value:.6g} ± {true.uncertainty:.2g}"

    def wrong(self, stated: Stated) -> Iterator[str]:
        """Yield what is stated otherwise than undisturbed, beyond the uncertainty, or without a reason."""
        sound = {(one.quantity, one.channel): one for one in self.sound.results}
        if not stated.results:
            yield f"no result at all: {stated.outcome.problems}"
        for one in stated.results:
            true = sound.get((one.quantity, one.channel))
            if one.value is None:
                if not one.note:
                    yield f"{one.quantity}: not measured, and no reason"
                # a bench is held against limits that come of its reading
                if true is not None and true.check != "bench_check" and _limits(one) != _limits(true):
                    yield f"{one.quantity}: not measured, with limits {_limits(one)}; undisturbed {_limits(true)}"
                continue
            if true is None or true.value is None:
                yield f"{one.quantity}: {one.value:.5g} {one.unit} is stated where nothing is undisturbed"
                continue
            within = math.hypot(one.uncertainty or 0.0, true.uncertainty or 0.0) or 0.01 * abs(true.value)
            within = max(within, MILLIONTH * abs(true.value))
            if abs(one.value - true.value) > within:
                yield (
                    f"{one.quantity}: {one.value:.5g} ± {one.uncertainty or 0:.2g} {one.unit} ({one.decision}); "
                    f"undisturbed {true.value:.5g} ± {true.uncertainty or 0:.2g}"
                )
            if one.uncertainty is not None and true.uncertainty and one.uncertainty > 10.0 * true.uncertainty:
                yield f"{one.quantity}: U of {one.uncertainty:.2g}, undisturbed {true.uncertainty:.2g} ({one.decision})"
