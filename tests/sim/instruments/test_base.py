"""The simulated instruments, spoken to in SCPI without any driver: resolution, ranges, settling, time, hidden errors.

Outside the project: 9.9E37, -9.9E37 and 9.91E37 and the error numbers are SCPI-1999's (from memory); the uniform distribution that
hidden errors are held against is scipy's; 1 mW into 50 ohm is 0 dBm. Half-widths are those that sim/bench.py states.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy import stats

from sim.bench import Place, SimulatedBench, Truth
from sim.radio.unit import SignalMeter, Specimen, Transmitter
from sim.scpi.device import NotYet
from sim.wiring.witness import WitnessLimits
from tests.support.spoken_bench import EXACT, ROLES, SpokenBench

NO_ERROR = '0,"No error"'


class Desk(SpokenBench):
    """A bench around a specimen, spoken to."""

    def __init__(
        self, *, truth: Truth | None = EXACT, seed: int = 1, specimen: Specimen | None = None
    ) -> None:
        bench = SimulatedBench(
            specimen or Specimen(serial="M40-0099", meter=SignalMeter(attack_s=1e-3, decay_s=1e-3)),
            {role: Place(role=role, address=role) for role in ROLES},
            receive_loss_db={27e6: 0.0},
            transmit_loss_db={27e6: 30.0},
            limits=WitnessLimits(),
            truth=truth,
            seed=seed,
        )
        super().__init__(bench)

    def feed(self) -> None:
        """Give the unit 13.2 V."""
        self.say("supply", ":CURR 6;:VOLT 13.2;:OUTP ON")
        self.clock.wait_s(0.1)

    def receive(self, level_dbm: float = -73.0, frequency_hz: float = 27.205e6) -> None:
        """Feed the unit, route it to the generator, and switch a carrier with FM on."""
        self.feed()
        self.say("radio", ":CONT:CHAN 20")
        self.say("switch", ":ROUT:OPEN:ALL;:ROUT:CLOS (@1)")
        self.say("signal_generator", f":FREQ {frequency_hz};:POW {level_dbm};:FM 1200;:FM:STAT 1;:OUTP 1")
        self.clock.wait_s(1.0)

    def transmit(self) -> None:
        """Feed the unit, route it to the load, and key it."""
        self.feed()
        self.say("radio", ":CONT:CHAN 20")
        self.say("switch", ":ROUT:OPEN:ALL;:ROUT:CLOS (@2)")
        self.clock.wait_s(0.1)
        self.say("modulation_analyser", ":SENS:FREQ 27.205E6")
        self.say("power_meter", ":UNIT:POW DBM")
        self.say("radio", ":CONT:KEY:STAT 1")
        self.clock.wait_s(0.2)


# --- resolution ---


@pytest.mark.parametrize(
    ("role", "header", "sent", "answer"),
    [
        ("signal_generator", ":SOUR:POW", "-73.004", -73.00),
        ("signal_generator", ":SOUR:POW", "-73.006", -73.01),
        ("signal_generator", ":SOUR:FREQ", "27205000.04", 27205000.0),
        ("signal_generator", ":SOUR:FREQ", "27205000.06", 27205000.1),
        ("signal_generator", ":SOUR:FM:DEV", "1200.4", 1200.0),
        ("audio_analyser", ":SOUR:FREQ", "1000.04", 1000.0),
        ("audio_analyser", ":SENS:SWE:TIME", "0.1234", 0.123),
        ("voltmeter", ":SENS:VOLT:DC:APER", "0.0514", 0.051),
        ("supply", ":SOUR:VOLT", "13.2004", 13.2),
        ("supply", ":SOUR:CURR", "5.9996", 6.0),
    ],
)
def test_a_setting_is_rounded_to_its_resolution(role: str, header: str, sent: str, answer: float) -> None:
    """What is set between two steps reads back as the nearer one."""
    assert Desk().number(role, f"{header} {sent};{header}?") == pytest.approx(answer, rel=1e-12)


def test_readings_have_the_resolution_of_their_range() -> None:
    """Power comes in 0.001 dB, frequency in 1 Hz, deviation in a thousandth and voltage in a hundred-thousandth of a range."""
    desk = Desk()
    desk.transmit()
    desk.say("audio_analyser", ":SOUR:VOLT 0.010;:OUTP 1")
    _on_grid([desk.number("power_meter", ":READ?") for _ in range(20)], 0.001)
    desk.say("modulation_analyser", ':SENS:FUNC "FREQ"')
    _on_grid([desk.number("modulation_analyser", ":READ?") for _ in range(5)], 1.0)
    desk.say("modulation_analyser", ':SENS:FUNC "FM:DEV"')
    readings = [desk.number("modulation_analyser", ":READ?") for _ in range(20)]
    assert all(1e3 < each < 3e3 for each in readings)
    _on_grid(readings, 3.0)
    desk.say("radio", ":CONT:KEY:STAT 0")
    desk.receive()
    volts = [desk.number("voltmeter", ":READ?") for _ in range(20)]
    assert all(1.2 < each < 12 for each in volts)
    _on_grid(volts, 1e-4)


def _on_grid(readings: list[float], step: float) -> None:
    assert len(set(readings)) > 1 or step == 1.0  # a reading that never moves shows no grid
    for each in readings:
        assert each / step == pytest.approx(round(each / step), abs=1e-4)


# --- ranges ---


@pytest.mark.parametrize(
    ("role", "choose", "auto", "reading"),
    [
        ("power_meter", ":SENS:POW:AC:RANG:UPP -10", ":SENS:POW:AC:RANG:AUTO", ":READ?"),
        ("modulation_analyser", ":SENS:FM:DEV:RANG:UPP 1000", ":SENS:FM:DEV:RANG:AUTO", ':FUNC "FM";:READ?'),
    ],
)
def test_a_manual_range_that_is_passed_answers_over_range(
    role: str, choose: str, auto: str, reading: str
) -> None:
    """Choosing a range switches auto-ranging off; beyond it the answer is 9.9E37; *RST brings auto-ranging back."""
    desk = Desk()
    desk.transmit()
    desk.say("audio_analyser", ":SOUR:VOLT 0.1;:OUTP 1")
    assert desk.ask(role, f"{auto}?") == "1"
    assert abs(desk.number(role, reading)) < 1e30
    desk.say(role, choose)
    assert desk.ask(role, f"{auto}?") == "0"
    assert desk.ask(role, reading) == "9.900000000E+37"
    desk.say(role, f"{auto} 1")
    assert abs(desk.number(role, reading)) < 1e30
    desk.say(role, choose)
    desk.say(role, "*RST")
    assert desk.ask(role, f"{auto}?") == "1"


def test_the_voltmeter_ranges_by_itself_until_a_range_is_chosen() -> None:
    """2.25 V passes a range of 1 V; in the range of 100 V it is coarser."""
    desk = Desk()
    desk.receive()
    assert desk.number("voltmeter", ":READ?") == pytest.approx(2.25, abs=0.1)
    desk.say("voltmeter", ":SENS:VOLT:DC:RANG:UPP 1")
    assert desk.ask("voltmeter", ":READ?") == "9.900000000E+37"
    desk.say("voltmeter", ":SENS:VOLT:DC:RANG:UPP 100")
    _on_grid([desk.number("voltmeter", ":READ?") for _ in range(20)], 1e-3)
    assert desk.error("voltmeter") == NO_ERROR


def test_what_cannot_be_measured_is_said_in_special_numbers() -> None:
    """Unkeyed, the power meter is under range and the analyser has no measurement; so is a carrier far from the one expected."""
    desk = Desk()
    desk.transmit()
    desk.say("modulation_analyser", ":SENS:FREQ 27.3E6")
    assert desk.ask("modulation_analyser", ':FUNC "FREQ";:READ?') == "9.910000000E+37"
    desk.say("modulation_analyser", ":SENS:FREQ 27.2E6")
    assert desk.number("modulation_analyser", ":READ?") == pytest.approx(27.205e6, abs=100)
    desk.say("radio", ":CONT:KEY:STAT 0")
    assert desk.ask("power_meter", ":READ?") == "-9.900000000E+37"
    assert desk.ask("modulation_analyser", ":READ?") == "9.910000000E+37"


def test_nothing_can_be_fetched_before_it_was_read() -> None:
    """FETCh? before READ? is -230; after it the same result comes again."""
    desk = Desk()
    device = desk.bench.devices["power_meter"]
    device.input(b":FETC?")
    assert isinstance(device.output(), NotYet)
    assert desk.error("power_meter").startswith("-230,")
    desk.transmit()
    assert desk.ask("power_meter", ":READ?") == desk.ask("power_meter", ":FETC?")


def test_the_meter_answers_in_watts_if_it_was_told_to() -> None:
    """3.8 W through 30 dB is 3.8 mW, and 5.8 dBm."""
    desk = Desk()
    desk.transmit()
    level_dbm = desk.number("power_meter", ":UNIT:POW DBM;:READ?")
    power_w = desk.number("power_meter", ":UNIT:POW W;:READ?")
    assert power_w == pytest.approx(3.8e-3, rel=0.02)
    assert 1e-3 * 10 ** (level_dbm / 10) == pytest.approx(power_w, rel=0.005)


# --- settling and time ---


def test_the_settling_bit_stands_for_30_ms_after_level_and_frequency() -> None:
    """Bit 1 of the operation register is set by a new level or frequency for 30 ms, and the output is 3 dB low meanwhile."""
    desk = Desk()
    generator: Any = desk.bench.devices["signal_generator"]
    desk.receive(-73.0)
    for change in (":POW -60", ":FREQ 27.215E6"):
        desk.say("signal_generator", change)
        level_dbm = generator.level_dbm
        for wait_s, bit, missing_db in ((0.0, 2, 3.0), (0.0299, 2, 3.0), (0.0002, 0, 0.0)):
            desk.clock.wait_s(wait_s)
            assert int(desk.ask("signal_generator", ":STAT:OPER:COND?")) & 2 == bit
            assert generator.delivered.level_dbm == pytest.approx(level_dbm - missing_db)


def test_modulation_and_output_do_not_unsettle_the_level() -> None:
    """Only level and frequency settle."""
    desk = Desk()
    desk.receive()
    desk.say("signal_generator", ":FM 1500;:FM:STAT 0;:OUTP 0;:OUTP 1")
    assert int(desk.ask("signal_generator", ":STAT:OPER:COND?")) & 2 == 0


@pytest.mark.parametrize(
    ("role", "message", "seconds"),
    [
        ("power_meter", ":READ?", 0.060),
        ("power_meter", ":CAL:ZERO:AUTO ONCE;*OPC?", 3.0),
        ("modulation_analyser", ":READ?", 0.120),
        ("audio_analyser", ':SENS:SWE:TIME 0.35;:SENS:FUNC "POW:SNDR";:READ?', 0.35),
        ("audio_analyser", ':SENS:SWE:TIME 2;:SENS:FUNC "VOLT:AC";:READ?', 2.0),
        ("voltmeter", ":SENS:VOLT:DC:APER 0.5;:READ?", 0.5),
        ("supply", ":MEAS:VOLT?", 0.020),
        ("signal_generator", ":POW -60;*OPC?", 0.030),
        ("signal_generator", ":FREQ?", 0.0),
        ("radio", ":CONT:KEY:STAT?", 0.0),
    ],
)
def test_an_answer_takes_its_time_on_the_virtual_clock(role: str, message: str, seconds: float) -> None:
    """A measurement is ready after its own time and not before; a setting is answered at once."""
    desk = Desk()
    device = desk.bench.devices[role]
    before_s = desk.clock.now_s()
    device.input(message.encode())
    if seconds:
        first = device.output()
        assert isinstance(first, NotYet)
        assert first.ready_at_s == pytest.approx(before_s + seconds, abs=1e-6)
        desk.clock.wait_s(0.99 * seconds)
        assert isinstance(device.output(), NotYet)
        desk.clock.wait_s(0.011 * seconds)
    assert isinstance(device.output(), bytes)


# --- the other manners ---


@pytest.mark.parametrize(
    ("role", "message", "number"),
    [
        ("switch", ":ROUT:CLOS (@1,2)", -221),
        ("switch", ":ROUT:CLOS (@4)", -222),
        ("radio", ":CONT:CHAN 41", -222),
        ("radio", ":CONT:CHAN 0", -222),
        ("radio", ":CONT:MODE CW", -224),
        ("radio", ":CONT:MODE XY", -224),
        ("signal_generator", ":POW 13.1", -222),
        ("signal_generator", ":FREQ 1 Hz", -222),
        ("modulation_analyser", ':SENS:FUNC "PM"', -224),
        ("audio_analyser", ':SENS:FUNC "POW:NOISE"', -224),
        ("supply", ":VOLT 31", -222),
        ("voltmeter", ":NONSENSE", -113),
    ],
)
def test_what_is_not_possible_is_an_error_of_the_standards_number(
    role: str, message: str, number: int
) -> None:
    """A refused command leaves its number in the queue, once, and changes nothing."""
    desk = Desk()
    settings = dict(desk.bench.devices[role].settings)
    desk.say(role, message)
    assert desk.error(role).startswith(f"{number},")
    assert desk.error(role) == NO_ERROR
    assert desk.bench.devices[role].settings == settings
    assert desk.bench.wiring.paths.commanded == "open"


@pytest.mark.parametrize("wait_s", [0.0, 0.001, 0.5])
def test_the_switch_never_closes_both_relays(wait_s: float) -> None:
    """The second relay is refused while the first is closed, or still on its way."""
    desk = Desk()
    desk.say("switch", ":ROUT:CLOS (@1)")
    desk.clock.wait_s(wait_s)
    desk.say("switch", ":ROUT:CLOS (@2)")
    assert desk.error("switch").startswith("-221,")
    desk.clock.wait_s(0.5)
    assert desk.ask("switch", ":ROUT:CLOS? (@1,2)") == "1,0"
    desk.say("switch", ":ROUT:OPEN (@1)")
    desk.clock.wait_s(0.5)
    assert desk.ask("switch", ":ROUT:CLOS? (@1,2)") == "0,0"


def test_a_relay_can_be_recalled_while_it_moves() -> None:
    """Opening a relay that is on its way leaves it open."""
    desk = Desk()
    desk.say("switch", ":ROUT:CLOS (@2);:ROUT:OPEN (@2)")
    desk.clock.wait_s(0.5)
    assert desk.ask("switch", ":ROUT:CLOS? (@1,2)") == "0,0"


def test_a_contact_on_its_way_is_open() -> None:
    """For 15 ms after the command neither relay reads closed."""
    desk = Desk()
    desk.say("switch", ":ROUT:CLOS (@1)")
    found = []
    for _ in range(4):
        found.append(desk.ask("switch", ":ROUT:CLOS? (@1,2)"))
        desk.clock.wait_s(0.005)
    assert found == ["0,0", "0,0", "0,0", "1,0"]


@pytest.mark.parametrize("limit_a", [0.1, 1.0])
def test_a_current_limit_takes_the_voltage_away_until_the_output_is_set_anew(limit_a: float) -> None:
    """Keyed above the limit, the unit is dead at once; bit 1 of the questionable register says why."""
    desk = Desk(specimen=Specimen(serial="x", transmitter=Transmitter(idle_a=0.3, transmit_a=1.5)))
    desk.say("switch", ":ROUT:CLOS (@2)")
    desk.say("supply", f":CURR {limit_a};:VOLT 13.2;:OUTP ON")
    desk.clock.wait_s(0.2)
    alive = limit_a > 0.3
    assert (desk.number("supply", ":MEAS:VOLT?") > 13) is alive
    desk.say("radio", ":CONT:KEY:STAT 1")
    assert desk.bench.wiring.emission() is None
    assert int(desk.ask("supply", ":STAT:QUES:COND?")) & 2
    assert desk.number("supply", ":MEAS:VOLT?") == pytest.approx(0.0, abs=0.02)
    desk.say("radio", ":CONT:KEY:STAT 0")
    assert desk.number("supply", ":MEAS:VOLT?") == pytest.approx(0.0, abs=0.02)
    desk.say("supply", ":CURR 3;:OUTP OFF;:OUTP ON")
    assert int(desk.ask("supply", ":STAT:QUES:COND?")) & 2 == 0
    desk.say("radio", ":CONT:KEY:STAT 1")
    assert desk.bench.wiring.emission() is not None


def test_reset_makes_every_instrument_harmless() -> None:
    """*RST switches outputs off, opens the relays and the key, and takes the unit's supply."""
    desk = Desk()
    desk.receive()
    for role in ROLES:
        desk.say(role, "*RST")
    bench = desk.bench
    desk.clock.wait_s(0.1)
    assert bench.devices["signal_generator"].delivered is None
    assert bench.unit.supply_v == 0.0
    assert bench.wiring.paths.position == "open"
    desk.transmit()
    for role in ROLES[:-2]:
        desk.say(role, "*RST")
    assert bench.wiring.emission() is None
    desk.say("radio", "*RST")
    assert bench.unit.keyed is False


def test_a_generator_that_nobody_asks_still_settles() -> None:
    """A needle of half a second rests after 5 s although the first look at the bench comes only then."""
    needle = SignalMeter(attack_s=0.5, decay_s=0.5, noise_v=0.0)
    desk = Desk(specimen=Specimen(serial="x", meter=needle))
    desk.receive(-95.0)
    desk.clock.wait_s(5.0)
    desk.say("signal_generator", ":POW -73.6")
    desk.clock.wait_s(5.0)
    assert desk.number("voltmeter", ":READ?") == pytest.approx(2.25, abs=0.005)
    desk.say("signal_generator", ":POW -95")
    desk.clock.wait_s(0.030 + 0.5)  # one time constant after the level stands: 37 % of the way is left
    left = (desk.number("voltmeter", ":SENS:VOLT:DC:APER 0.001;:READ?") - (2.25 - 0.25 * 21.4 / 6)) / (
        0.25 * 21.4 / 6
    )
    assert left == pytest.approx(math.exp(-1.0), abs=0.03)


# --- hidden errors ---

SEEDS = range(120)
TRUTH = Truth()


def _level_error_db(desk: Desk) -> float:
    desk.receive(-73.0)
    desk.ask("signal_generator", "*OPC?")
    return float(desk.bench.devices["signal_generator"].delivered.level_dbm + 73.0)


def _reference_error_ppm(desk: Desk) -> float:
    desk.receive()
    return float((desk.bench.devices["signal_generator"].delivered.frequency_hz / 27.205e6 - 1.0) * 1e6)


def _power_error_percent(desk: Desk) -> float:
    desk.transmit()
    shown_dbm = np.mean([desk.number("power_meter", ":READ?") for _ in range(4)])
    return float(100.0 * (10 ** ((shown_dbm - (desk.bench.wiring.at_meter_dbm() or 0.0)) / 10) - 1.0))


def _deviation_error_percent(desk: Desk) -> float:
    desk.transmit()
    desk.say("audio_analyser", ":SOUR:VOLT 0.1;:OUTP 1")
    shown_hz = np.mean([desk.number("modulation_analyser", ':FUNC "FM";:READ?') for _ in range(8)])
    emission = desk.bench.wiring.emission()
    assert emission is not None
    # a peak detector adds the noise: 1.5 |x| of a normal x on average is 1.5·sqrt(2/pi) Hz
    true_hz = math.hypot(emission.deviation_positive_hz, emission.residual_deviation_hz)
    return float(100.0 * (shown_hz / (true_hz + 1.5 * math.sqrt(2 / math.pi)) - 1.0))


def _sinad_error_db(desk: Desk) -> float:
    desk.receive(-100.0)
    shown = np.mean(
        [desk.number("audio_analyser", ':SENS:SWE:TIME 5;:SENS:FUNC "POW:SNDR";:READ?') for _ in range(4)]
    )
    return float(shown - desk.bench.unit.mean_sinad_db())


def _path_error_db(desk: Desk) -> float:
    return float(desk.bench.wiring.paths.losses.receive_loss_db(27e6))


def test_a_level_that_nobody_looked_at_was_there_all_the_same() -> None:
    """A step after 5 s without a look starts from where the needle had come to, whatever ends the wait."""
    ends: dict[str, tuple[str, str]] = {
        "level": ("signal_generator", ":POW -95"),
        "output": ("signal_generator", ":OUTP 0"),
        "route": ("switch", ":ROUT:OPEN:ALL"),
    }
    for role, message in ends.values():
        needle = SignalMeter(attack_s=0.5, decay_s=0.5, noise_v=0.0)
        desk = Desk(specimen=Specimen(serial="x", meter=needle))
        desk.receive(-95.0)
        desk.clock.wait_s(5.0)
        desk.say("signal_generator", ":POW -73.6")
        desk.clock.wait_s(5.0)
        desk.say(role, message)
        assert desk.number("voltmeter", ":SENS:VOLT:DC:APER 0.001;:READ?") == pytest.approx(2.25, abs=0.01)


def test_a_receiver_overdriven_unseen_is_on_record() -> None:
    """A level that passes the receiver's rating only when it has settled is a hazard, though switched off before a look."""
    desk = Desk()
    desk.receive(-20.0)
    desk.say("signal_generator", ":POW 2")  # 3 dB low while it settles: still below the rating of 0 dBm
    desk.clock.wait_s(1.0)
    desk.say("signal_generator", ":OUTP 0")
    assert [each.figure for each in desk.bench.hazards] == [
        pytest.approx(2.0, abs=0.15)
    ]  # a connector's 0.03 dB


@pytest.mark.parametrize(
    ("measure", "half_width", "blur"),
    [
        (_level_error_db, TRUTH.level_db, 1e-9),
        (_reference_error_ppm, TRUTH.frequency_ppm, 1e-9),
        (_power_error_percent, TRUTH.power_percent, 0.15),
        (_deviation_error_percent, TRUTH.deviation_percent, 0.15),
        (_sinad_error_db, TRUTH.sinad_db, 0.12),
        (_path_error_db, TRUTH.path_db, 1e-9),
    ],
)
def test_hidden_errors_fill_their_half_width_and_never_pass_it(
    measure: Callable[[Desk], float], half_width: float, blur: float
) -> None:
    """Over many seeds an instrument's error lies inside its half-width, on both sides of 0, as a uniform draw does.

    ``blur`` is what the reading's own noise adds. The uniform is scipy's; a probability of 1e-4 would be a draw that is none.
    """
    errors = np.array([measure(Desk(truth=Truth(), seed=seed)) for seed in SEEDS])
    assert np.abs(errors).max() <= half_width + blur
    assert np.unique(np.round(errors, 9)).size > 0.25 * len(SEEDS)
    assert errors.min() < -0.7 * half_width
    assert errors.max() > 0.7 * half_width
    spread = half_width + (0.0 if blur < 1e-6 else 0.3 * blur)
    assert stats.kstest(errors, stats.uniform(-spread, 2 * spread).cdf).pvalue > 1e-4


def test_an_instruments_error_stays_the_same_for_the_whole_run() -> None:
    """Two settings of the same level deliver the same level: the error is drawn once, not at each use."""
    desk = Desk(truth=Truth(), seed=3)
    first = _level_error_db(desk)
    desk.say("signal_generator", ":POW -50")
    assert _level_error_db(desk) == first
    desk.say("signal_generator", "*RST")
    assert _level_error_db(desk) == first


def test_errors_of_different_instruments_are_drawn_apart() -> None:
    """Generator, path and reference of one bench are not the same draw scaled."""
    pairs = [
        (_level_error_db(Desk(truth=Truth(), seed=seed)), _path_error_db(Desk(truth=Truth(), seed=seed)))
        for seed in range(60)
    ]
    assert abs(stats.pearsonr(*zip(*pairs, strict=True)).statistic) < 0.4
