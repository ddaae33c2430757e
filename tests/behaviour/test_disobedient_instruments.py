"""Instruments that read back what they were told and do something else: told by what they bring about, or decided by nothing."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from sequencer.run.status import ExitStatus
from sequencer.safety.transmitting.transmit_readings import LOOKS_S
from sequencer.uncertainty.decision import Decision
from sim.scpi.faults import Fault, FaultKind
from tests.support.rig import Rig

HEAD = """
sequence: One
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
rated_supply: {min: 8 V, max: 16 V}
rated_power: 4.5 W
checks:
"""
SINAD = "  - {check: sinad, channel: 20, level: -113 dBm, limit: {min: 12 dB}}\n"
DISTORTION = "  - {check: receive_distortion, channel: 20, level: -90 dBm, limit: {max: 10 %}}\n"
OUTPUT = (
    "  - {check: audio_output, channel: 20, level: -90 dBm, power: {min: 100 mW}, distortion: {max: 10 %}}\n"
)
SQUELCH = "  - {check: squelch, channel: 20, opening: {max: -100 dBm}, hysteresis: {max: 6 dB}}\n"
KEYED_THRICE = (
    "  - {check: carrier_power, channel: 20, limit: {min: 3 W, max: 4 W}}\n"
    "  - {check: frequency_error, channel: [1, 24], limit: {within: 600 Hz}}\n"
    "  - {check: peak_deviation, channel: 20, drive: 100 mV, limit: {max: 2 kHz}}\n"
)


class _StuckSwitch:
    """What the switch believes it is wired to: its contact stands on the generator, whatever it is told and says."""

    def __init__(self, wiring: Any) -> None:
        self._wiring = wiring
        self.paths = SimpleNamespace(commanded="open", position="open", moving=False)
        wiring.connect("receive")

    def connect(self, position: str) -> None:
        self.paths.commanded = self.paths.position = position

    def update(self) -> None:
        self._wiring.update()


def _stands_at(rig: Rig, level_dbm: float | None) -> None:
    """Let the generator say what it is told, and deliver ``level_dbm`` whenever it is on; None is nothing at all."""
    generator = rig.device("signal_generator")
    deliver = generator._apply

    def stuck(signal: Any) -> None:
        there = signal is not None and level_dbm is not None
        deliver(replace(signal, level_dbm=level_dbm) if there else None)

    generator._apply = stuck


@pytest.mark.parametrize("checks", [SINAD, DISTORTION, OUTPUT], ids=["sinad", "distortion", "output"])
def test_a_generator_whose_level_stands_still_decides_nothing(make_rig: Any, checks: str) -> None:
    """A level that reads back right and stays at -87 dBm is told by a reading at another level, and blamed on the generator."""
    rig = make_rig(serial="M40-0007", sequence=HEAD + checks)
    _stands_at(rig, -87.0)
    outcome = rig.run()
    assert [one.decision for one in outcome.results] == [Decision.NOT_MEASURED] * len(outcome.results)
    assert all("does not follow the level" in one.note for one in outcome.results), outcome.results
    assert all("signal_generator" in one.note for one in outcome.results)
    assert outcome.status is ExitStatus.BENCH_FAILED


@pytest.mark.parametrize("checks", [SINAD, DISTORTION, OUTPUT], ids=["sinad", "distortion", "output"])
def test_a_frozen_analyser_is_not_blamed_on_the_generator(make_rig: Any, checks: str) -> None:
    """An audio analyser that gives one answer for ever is told as such."""
    rig = make_rig(serial="M40-0007", sequence=HEAD + checks)
    rig.inject("audio_analyser", Fault(kind=FaultKind.STUCK, match="DIST|SNDR", regex=True, times=None))
    outcome = rig.run()
    assert all(one.decision is Decision.NOT_MEASURED for one in outcome.results), outcome.results
    assert all("audio_analyser" in one.note for one in outcome.results), outcome.results


def test_the_noise_of_a_receiver_that_hears_nothing_is_no_audio_output(make_rig: Any) -> None:
    """Without the generator's signal the loudspeaker gives noise, and more than the limit asks: not a power that passes."""
    rig = make_rig(serial="M40-0007", sequence=HEAD + OUTPUT)
    _stands_at(rig, None)
    power, distortion = rig.run().results
    assert power.quantity == "audio output power"
    assert power.decision is Decision.NOT_MEASURED
    assert "noise and no tone" in power.note
    assert distortion.value is None or distortion.decision is Decision.FAIL


@pytest.mark.parametrize("checks", [SINAD, DISTORTION, OUTPUT], ids=["sinad", "distortion", "output"])
def test_a_generator_that_reads_off_and_stays_on_is_not_called_safe(make_rig: Any, checks: str) -> None:
    """What still comes out of a generator that reads off is heard by the unit: not called off, and nothing is keyed after it."""
    rig = make_rig(serial="M40-0007", sequence=HEAD + checks + KEYED_THRICE)
    generator = rig.device("signal_generator")
    deliver, left = generator._apply, list[Any]()

    def lies(signal: Any) -> None:
        if signal is not None:
            left[:] = [signal]
        deliver(left[0] if left else None)

    generator._apply = lies
    outcome = rig.run()
    assert left
    assert not generator.output_on  # what it says of itself
    assert not outcome.safe_state.confirmed
    assert "generator off" not in outcome.safe_state.off
    assert "reads off, and the unit still hears its tone" in outcome.safe_state.last_line()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert not [one for one in rig.sent("radio") if "KEY:STATe 1" in one]
    assert all(one.decision is Decision.NOT_MEASURED for one in outcome.results)


@pytest.mark.parametrize("sound", [0, 3, 6])
def test_a_squelch_read_late_by_one_decides_nothing(make_rig: Any, sound: int) -> None:
    """An analyser that answers with its reading before, always or from some reading on, gives no level, and is told as late."""
    rig = make_rig(serial="M40-0019", sequence=HEAD + SQUELCH)
    rig.inject(
        "audio_analyser",
        Fault(kind=FaultKind.PREVIOUS, match="READ?", skip=sound, times=None),
    )
    outcome = rig.run()
    assert [one.decision for one in outcome.results] == [Decision.NOT_MEASURED] * 3
    assert all("audio_analyser" in one.note or "audio analyser" in one.note for one in outcome.results), [
        one.note for one in outcome.results
    ]


KEYED_ONE_EACH = {
    "power": KEYED_THRICE,
    "20 s": "  - {check: carrier_power, channel: 20, keyed_for: 10 s, limit: {min: 3 W}}\n" + KEYED_THRICE,
    "current": "  - {check: supply_current, channel: [1, 20, 40], receive: {max: 0.5 A}, transmit: {max: 2 A}}\n",
    "sweep": "  - {check: channel_sweep, sweep: [1, 20, 40], outside: [41], power: {min: 3 W}}\n",
}

UNKEYED = ("supply current, receive", "refused outside the plan")


def _keyed_s(rig: Rig) -> float:
    """Return for how long the key was down in all, s, by the messages to the radio."""
    keyed_s, pressed_at_s = 0.0, None
    for one in rig.record.said:
        text = one.content.decode("latin-1")
        if one.instrument != "radio" or "KEY:STATe " not in text:
            continue
        if "KEY:STATe 1" in text:
            pressed_at_s = one.time_s
        elif pressed_at_s is not None:
            keyed_s, pressed_at_s = keyed_s + one.time_s - pressed_at_s, None
    return keyed_s


@pytest.mark.provokes_hazards
@pytest.mark.parametrize("deaf", [False, True])
@pytest.mark.parametrize("checks", KEYED_ONE_EACH.values(), ids=KEYED_ONE_EACH)
def test_a_switch_that_stays_on_the_generator_is_keyed_into_once(
    make_rig: Any, checks: str, deaf: bool
) -> None:
    """A switch that answers `transmit` and does not move: PTT is pressed for half a second, and no more once the unit hears the generator.

    Twice where nothing can tell (a generator that gives nothing). Before all this: 10 s in one key-down with `keyed_for`, and once for
    each row of a check that does not ask the power meter.
    """
    rig = make_rig(serial="M40-0007", sequence=HEAD + checks)
    rig.device("switch").wiring = _StuckSwitch(rig.simulation.wiring)
    if deaf:
        rig.device("signal_generator")._apply = lambda signal: None
    outcome = rig.run()
    pressed = [one for one in rig.sent("radio") if "KEY:STATe 1" in one]
    assert len(pressed) == (2 if deaf else 1), pressed
    assert _keyed_s(rig) < (1.2 if deaf else 0.6)
    assert outcome.status is ExitStatus.BENCH_FAILED
    of_transmitting = [one for one in outcome.results if one.quantity not in UNKEYED]
    assert all(one.decision is Decision.NOT_MEASURED for one in of_transmitting)
    notes = [one.note for one in of_transmitting]
    if not deaf:
        assert any("switch (" in note and "the unit still hears the generator" in note for note in notes), (
            notes
        )
        return
    assert any("saw nothing of the unit" in note for note in notes)
    # a sweep gives up after two channels by itself
    assert "channel_sweep" in checks or any(
        "PTT is not pressed any more" in note and "path switch" in note for note in notes
    ), notes


def test_a_switch_that_has_moved_is_proved_once(make_rig: Any) -> None:
    """While the switch stays where the carrier was seen, no check looks for it again: one once it is fed, one before PTT, one after."""
    rig = make_rig(serial="M40-0007", sequence=HEAD + KEYED_THRICE.partition("\n")[2])
    rig.run()
    read = [one for one in rig.sent("power_meter") if "READ" in one]
    released = 3  # the proof that the carrier has gone, one for each key-down
    assert len(read) == 3 + released, read


def test_a_meter_that_shows_power_before_ptt_is_pressed_is_told(make_rig: Any) -> None:
    """A needle that stands at 36 dBm proves nothing of the unit: PTT is not pressed at all, and the reading is told."""
    rig = make_rig(serial="M40-0007", sequence=HEAD + KEYED_THRICE)
    rig.inject("power_meter", Fault(kind=FaultKind.WRONG, match="READ", argument="+6.0", times=None))
    outcome = rig.run()
    assert not [one for one in rig.sent("radio") if "KEY:STATe 1" in one]
    assert all(one.decision is Decision.NOT_MEASURED for one in outcome.results)
    assert all("before PTT was pressed" in one.note for one in outcome.results), outcome.results


def test_one_check_without_a_carrier_leaves_the_rest_keyed(make_rig: Any) -> None:
    """A unit that misses its key once is keyed again for the next check, and measured."""
    rig = make_rig(serial="M40-0007", sequence=HEAD + KEYED_THRICE)
    nothing = Fault(kind=FaultKind.WRONG, match="READ", argument="-69.0", times=2 + len(LOOKS_S))
    rig.inject("power_meter", nothing)
    outcome = rig.run()
    assert outcome.results[0].decision is Decision.NOT_MEASURED
    assert [one.decision for one in outcome.results[1:]] == [Decision.PASS] * (len(outcome.results) - 1)


@pytest.mark.parametrize(
    ("one", "other", "told"),
    [
        ("switch", "radio", "SW-2"),
        ("power_meter", "voltmeter", "DV-5"),
        ("modulation_analyser", "audio_analyser", "AA-3"),
        ("signal_generator", "supply", "PS-30"),
    ],
)
def test_swapped_addresses_are_told_with_who_answered(make_rig: Any, one: str, other: str, told: str) -> None:
    """Two instruments at each other's address: nothing is measured, and the fault says who answered and that two may be swapped."""
    rig = make_rig(serial="M40-0007")
    entries = {role: rig.plan.bench.bench.with_role(role)[1].address for role in (one, other)}
    devices = rig.simulation.devices
    devices[entries[one]], devices[entries[other]] = devices[entries[other]], devices[entries[one]]
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert "two may be swapped" in str(outcome.problems)
    assert told in str(outcome.problems)
    assert not any(result.value is not None for result in outcome.results)


def test_a_slow_audio_analyser_is_not_told_as_an_open_squelch(make_rig: Any) -> None:
    """An analyser that averages over seconds still shows noise when the receiver is muted: told as slow, not as an open squelch."""
    rig = make_rig(serial="M40-0019", sequence=HEAD + SQUELCH)
    unit, clock = rig.simulation.wiring.unit, rig.simulation.clock
    exact, shown = unit.audio_level_v, {"volts": 0.0, "at_s": 0.0}

    def averaged(reading_s: float, *weighting: str) -> float:
        volts, now_s = exact(reading_s, *weighting), clock.now_s()
        shown["volts"] += (volts - shown["volts"]) * (1.0 - math.exp(-(now_s - shown["at_s"]) / 1.5))
        shown["at_s"] = now_s
        return shown["volts"]

    unit.audio_level_v = averaged
    outcome = rig.run()
    assert [result.decision for result in outcome.results] == [Decision.NOT_MEASURED] * 3
    assert all("averages for longer" in result.note for result in outcome.results), outcome.results


AGAINST_SUPPLY = "  - {check: power_against_supply, channel: 20, supplies: [10.8 V, 13.2 V, 15.6 V], limit: {min: 2 W, max: 8 W}}\n"


@pytest.mark.parametrize("only_keyed", [False, True], ids=["at once", "under load"])
def test_a_voltage_that_the_supply_does_not_give_spoils_no_other(make_rig: Any, only_keyed: bool) -> None:
    """A supply that sags at 15.6 V, idle or as soon as the unit draws its current: the powers at the other voltages stand."""
    rig = make_rig(serial="M40-0007", sequence=HEAD + AGAINST_SUPPLY)
    supply, unit = rig.device("supply"), rig.simulation.wiring.unit
    exact = supply._volts

    def sagging() -> float:
        sags = supply.voltage_v > 15.0 and (unit.keyed or not only_keyed)
        return 12.0 if sags else float(exact())

    supply._volts = sagging
    outcome = rig.run()
    low, nominal, high = outcome.results
    assert low.decision is nominal.decision is Decision.PASS, outcome.results
    assert high.decision is Decision.NOT_MEASURED
    assert "its terminals read 12 V" in high.note
    assert outcome.status is ExitStatus.BENCH_FAILED


SLOW_SQUELCH = (
    "  - {check: squelch, channel: 20, settling: 40 ms, opening: {max: %s dBm}, hysteresis: {max: 30 dB}}\n"
)


@pytest.mark.parametrize("limit", ["-119", "-60"], ids=["fails", "passes"])
@pytest.mark.parametrize(
    ("opens_s", "closes_s", "told"),
    [(0.04, 0.04, ""), (0.3, 0.3, "open"), (0.3, 0.04, "open"), (0.04, 0.5, "close")],
    ids=["as stated", "slower", "opens late", "closes late"],
)
def test_a_squelch_slower_than_stated_is_not_measured(
    make_rig: Any, opens_s: float, closes_s: float, told: str, limit: str
) -> None:
    """One whose time constant is longer than 'settling' says opens and closes late: told as such, whether it would pass or fail for it."""
    rig = make_rig(serial="M40-0019", sequence=HEAD + SLOW_SQUELCH % limit)
    lag = rig.simulation.wiring.unit._squelch_level
    lag._attack_s, lag._decay_s = opens_s, closes_s
    results = rig.run().results
    if not told:
        assert [one.value is not None for one in results] == [True] * 3, results
    else:
        assert [one.decision for one in results] == [Decision.NOT_MEASURED] * 3, results
        assert all(f"it was found to {told} at" in one.note for one in results), results[0].note
        assert all("slower than 'settling: 40 ms' says" in one.note for one in results), results[0].note


def test_the_switch_does_not_move_under_a_relay_that_says_released(make_rig: Any) -> None:
    """A PTT relay that reads open and stays closed in a sweep: the analyser, tuned elsewhere, finds no carrier, and the meter does.

    Before the switch moves for the next check that is seen, and the unit's supply is cut; it had moved under power.
    """
    sweep = "  - {check: channel_sweep, sweep: [1, 20, 40], power: {min: 3 W}}\n"
    rig = make_rig(serial="M40-0007", sequence=HEAD + sweep + SINAD + SQUELCH + SINAD)
    radio, unit = rig.device("radio"), rig.simulation.unit
    says, told, released = [False], radio.set_key, [0]
    radio.read_key = lambda: says[0]

    def sticks(keyed: bool) -> None:
        says[0] = keyed
        released[0] += unit.keyed and not keyed
        if keyed or released[0] < 2:
            told(keyed)

    radio.set_key = sticks
    outcome = rig.run()
    assert not rig.simulation.hazards, rig.simulation.hazards
    assert outcome.status is ExitStatus.BENCH_FAILED
    assert all(one.value is None for one in outcome.results if one.check != "channel_sweep")
    told_of = [one.what for one in outcome.faults]
    assert any("reads released, and the power meter reads" in what for what in told_of), told_of
