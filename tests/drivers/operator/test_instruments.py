"""Instruments that a person sets and reads, with a person who is scripted."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.faults import ConnectionLost, InstrumentFault, NotConfirmed, Refused, TimedOut
from drivers.operator import dial as dials
from drivers.operator.controls import OperatorRadio, OperatorSwitch
from drivers.operator.dial import NotOnDial
from drivers.operator.hand_key import HandKey
from drivers.operator.instruments import (
    OperatorAudioAnalyser,
    OperatorModulationAnalyser,
    OperatorPowerMeter,
    OperatorSettings,
    OperatorVoltmeter,
)
from drivers.operator.lacking import CANNOT_READ
from drivers.operator.prompt import Prompter, TakenBack, answers_may_be_taken_back
from drivers.operator.sources import OperatorSignalGenerator, OperatorSupply
from drivers.operator.spectrum_analyser import OperatorSpectrumAnalyser
from drivers.registry import OPERATED, PROFILED, find_driver
from drivers.roles import Instrument, Limits, RangeState
from drivers.trace import Direction, Exchange
from sim.clock import VirtualClock


class Stopped(Exception):
    """What a scripted person's stop raises, where a terminal's would raise Ctrl-C."""


class Scripted:
    """A person who gives the answers of a script in turn; a callable answer is called, None is the end of input."""

    def __init__(self, answers: Iterable[str | Callable[[], str] | None], *, stops: bool = True) -> None:
        self.left = list(answers)
        self.asked: list[str] = []
        self.limits: list[float | None] = []
        self.stopped: list[str] = []
        self._stops = stops

    def ask(self, text: str, *, within_s: float | None = None) -> str | None:
        """Give the next answer of the script."""
        self.asked.append(text)
        self.limits.append(within_s)
        assert self.left, f"asked once too often: {text}"
        answer = self.left.pop(0)
        return answer() if callable(answer) else answer

    def stop(self, why: str) -> None:
        """Remember why, and end the run if so scripted."""
        self.stopped.append(why)
        if self._stops:
            raise Stopped(why)


class Bench:
    """A clock, a trace and prompters for one scripted person."""

    def __init__(self, *answers: str | Callable[[], str] | None, stops: bool = True) -> None:
        self.clock = VirtualClock()
        self.person = Scripted(answers, stops=stops)
        self.trace: list[Exchange] = []
        self.keyed = False

    def prompter(self, name: str = "power_meter") -> Prompter:
        """Return the prompter of an instrument."""
        return Prompter(
            self.person, name=name, address="a person", clock=self.clock, trace=self.trace.append,
            keyed=lambda: self.keyed, keyed_s=8.0,
        )  # fmt: skip

    def slow(self, seconds: float, answer: str) -> Callable[[], str]:
        """Return an answer that takes its time on the bench's clock."""

        def wait() -> str:
            self.clock.wait_s(seconds)
            return answer

        return wait

    @property
    def asked(self) -> list[str]:
        """Everything asked up to now."""
        return self.person.asked


# -- numbers -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "watts"),
    [
        ("3.8", 3.8),
        ("3,8", 3.8),
        (" 3.8 W", 3.8),
        ("3.8w", 3.8),
        ("120 mW", 0.12),
        ("36 dBm", 10 ** (36 / 10 - 3)),
        ("3.8e0", 3.8),
        ("0", 0.0),
        ("250 \u00b5W", 250e-6),
    ],
)
def test_a_number_is_understood_with_and_without_its_unit(typed, watts):
    """Decimal point or comma, the dial's unit or another of the same quantity."""
    bench = Bench(typed)
    reading = bench.prompter().read("Read it", dials.power_dial("W", 50.0))
    assert reading.number == pytest.approx(watts)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("1,500", "may mean 1.500 or 1500"),
        ("3 MW", "'MW' is not a unit of power"),
        ("12 dB", "'dB' is not a unit of power"),
        ("abc", "'abc' is not a number"),
        ("1.2.3", "is not a unit"),
        ("nan", "'nan' is not a number"),
        ("inf", "'inf' is not a number"),
        ("-3", "outside 0 W to 50 W"),
        ("51", "outside 0 W to 50 W"),
        ("1e999", "outside"),
        ("9999 dBm", "outside"),
        ("", "Nothing was typed"),
        ("\x1b[2J", "is not a number"),
        ("\u0663", "is not"),
        ("x" * 5000, "is not a number"),
    ],
)
def test_what_is_no_number_here_is_answered_with_what_is_allowed(typed, said):
    """Each is refused in words, with the range, the other answers and nothing lost; then a number is taken."""
    bench = Bench(typed, "3.8")
    reading = bench.prompter().read("Read it", dials.power_dial("W", 50.0))
    assert reading.number == 3.8
    assert said in bench.asked[1]
    assert "Allowed: a number in W" in bench.asked[1]
    assert "over; no reading; stop" in bench.asked[1]
    assert bench.asked[1].isascii()


def test_nonsense_fifty_times_is_answered_fifty_times():
    """A person who types nonsense 50 times is told 50 times what is allowed, and can still answer."""
    nonsense = [f"wibble{n}" for n in range(50)]
    bench = Bench(*nonsense, "11.5 dB")
    assert bench.prompter().read("Read SINAD", dials.sinad_dial()).number == 11.5
    assert len(bench.asked) == 51
    assert all("Allowed: a number in dB, from 0.0 dB to 60.0 dB" in text for text in bench.asked[1:])


@given(st.text(max_size=300))
def test_no_text_crashes_a_question(typed):
    """Any text is a reading, a state, a way out, or a complaint; never anything but that."""
    bench = Bench(typed, "12", "12")
    try:
        reading = bench.prompter().read("Read SINAD", dials.sinad_dial(), 12.0)
    except Stopped:
        assert typed.strip().casefold() in ("stop", "quit")
    else:
        assert reading.number is None or 0.0 <= reading.number <= 60.0


@pytest.mark.parametrize(
    ("typed", "state"),
    [
        ("over", RangeState.OVER_RANGE),
        ("Under", RangeState.UNDER_RANGE),
        ("no reading", RangeState.NO_MEASUREMENT),
        ("NO  READING", RangeState.NO_MEASUREMENT),
    ],
)
def test_words_are_answers(typed, state):
    """A reading that is no number is a state, as from an instrument."""
    reading = Bench(typed).prompter().read("Read it", dials.sinad_dial())
    assert (reading.number, reading.state) == (None, state)


def test_a_leap_is_asked_again_once():
    """A decimal point that slipped is asked about; what is typed then is taken."""
    bench = Bench("38", "3.9")
    dial = dials.power_dial("W", 50.0)
    assert bench.prompter().read("Read it", dial, 3.8).number == 3.9
    assert "38 W after 3.8 W is a large step" in bench.asked[1]
    stubborn = Bench("38", "38")
    assert stubborn.prompter().read("Read it", dial, 3.8).number == 38.0
    assert len(stubborn.asked) == 2


def test_an_instrument_remembers_its_last_reading_for_that():
    """The leap is judged beside the reading before, of the same quantity only."""
    bench = Bench("3.8", "3.7", "37", "3.7")
    meter = OperatorPowerMeter(bench.prompter(), OperatorSettings(most_w=50.0))
    readings = [meter.read_power_dbm().number for _ in range(3)]
    assert readings == pytest.approx([35.798, 35.682, 35.682], abs=0.001)
    assert len(bench.asked) == 4


def test_back_is_an_answer_only_where_somebody_can_go_back():
    """Inside a search "back" is taken; elsewhere it is explained."""
    bench = Bench("back", "12")
    assert bench.prompter().read("Read SINAD", dials.sinad_dial()).number == 12.0
    assert "no earlier answer" in bench.asked[1]
    with answers_may_be_taken_back(), pytest.raises(TakenBack):
        Bench("back").prompter().read("Read SINAD", dials.sinad_dial())
    with answers_may_be_taken_back(), pytest.raises(TakenBack):
        Bench("back").prompter().tell("Set it.")


@pytest.mark.parametrize("typed", ["stop", "STOP", None])
def test_stop_and_the_end_of_input_stop_the_run(typed):
    """Both ask for the run to be stopped, whatever is asked."""
    for ask in (
        lambda prompter: prompter.read("Read it", dials.sinad_dial()),
        lambda prompter: prompter.tell("Set it."),
        lambda prompter: prompter.confirm("Switch it off."),
        lambda prompter: prompter.answered("Is it?"),
    ):
        bench = Bench(typed)
        with pytest.raises(Stopped):
            ask(bench.prompter())
        assert bench.person.stopped


def test_everything_asked_and_typed_is_in_the_trace():
    """Questions are sent and answers received, as bytes, in order, also those that were no answers."""
    bench = Bench("wibble", "12 dB")
    bench.prompter("audio_analyser").read("Read SINAD", dials.sinad_dial())
    directions = [entry.direction for entry in bench.trace]
    assert directions == [Direction.SENT, Direction.RECEIVED] * 2
    assert bench.trace[0].content == b"Read SINAD, in dB: "
    assert [entry.content for entry in bench.trace[1::2]] == [b"wibble", b"12 dB"]
    assert {entry.instrument for entry in bench.trace} == {"audio_analyser"}


# -- safety --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("typed", ["", "y", "yes", "ok", "don", "12", "back"])
def test_only_done_says_that_a_safety_step_is_done(typed):
    """Enter and anything like a yes is asked again; "done" is taken."""
    bench = Bench(typed, "done")
    bench.prompter().confirm("Switch the RF output OFF.")
    assert len(bench.asked) == 2
    complaint, question = bench.asked[1].split("\n")
    assert "does not say that it is done" in complaint
    assert question == "SAFETY: Switch the RF output OFF. Type done when it is so: "


@pytest.mark.parametrize("typed", ["cannot", "no"])
def test_a_safety_step_that_cannot_be_done_is_not_confirmed(typed):
    """The fault says what to do instead."""
    with pytest.raises(NotConfirmed, match="remove the supply from the unit"):
        Bench(typed).prompter().confirm("Switch the RF output OFF.")


def test_stop_at_a_safety_step_still_asks_for_the_step():
    """Where the run is being stopped already, "stop" is no way round the safety step; the end of input is not confirmed."""
    bench = Bench("stop", "done", stops=False)
    bench.prompter().confirm("Switch the RF output OFF.")
    assert "must be left safe first" in bench.asked[1]
    with pytest.raises(NotConfirmed, match="nobody answered"):
        Bench(None, stops=False).prompter().confirm("Switch the RF output OFF.")


def test_nobody_there_is_not_confirmed():
    """A question that times out at a safety step is NotConfirmed."""

    def late() -> str:
        raise TimeoutError

    with pytest.raises(NotConfirmed, match="nobody answered"):
        Bench(late).prompter().confirm("Switch the RF output OFF.")


def test_a_question_while_the_bench_keys_has_a_limit_for_all_its_repetitions():
    """While the bench keys the unit, nonsense and slow answers share one time; then the question ends and the key can be released."""
    bench = Bench()
    bench.keyed = True
    bench.person.left = [bench.slow(3.0, "wibble"), bench.slow(4.0, "wobble"), "3.8"]
    bench.prompter().read("Read it", dials.power_dial("W", 50.0))
    assert bench.person.limits == pytest.approx([8.0, 5.0, 1.0])
    assert bench.asked[0].startswith("(THE UNIT IS TRANSMITTING: 8 s to answer)")

    def late() -> str:
        raise TimeoutError

    bench.person.left = [late]
    with pytest.raises(TimedOut, match="nobody answered in time"):
        bench.prompter().read("Read it", dials.power_dial("W", 50.0))


def test_the_time_a_person_takes_passes_on_a_virtual_clock_too():
    """Real seconds at the prompt are bench seconds: key-down is counted from the question to the answer."""
    import time

    bench = Bench()

    def slow() -> str:
        time.sleep(0.05)
        return "12"

    bench.person.left = [slow]
    bench.prompter().read("Read SINAD", dials.sinad_dial())
    assert bench.clock.now_s() >= 0.045


# -- instruments ---------------------------------------------------------------------------------------------------


def test_every_role_has_an_operator():
    """Any role of the bench file may be filled by a person; each class is the role, and says that it is manual."""
    assert OPERATED.keys() == PROFILED.keys()
    for role in OPERATED:
        found = find_driver("operator", role)
        assert issubclass(found, Instrument)
        assert found.manual
        assert not find_driver("profile", role).manual


def generator(bench: Bench, dial: str = "dBm", **limits: float) -> OperatorSignalGenerator:
    """Return a generator in a person's hands."""
    settings = OperatorSettings(
        dial=dial, limits=Limits(level_min_dbm=-130.0, level_max_dbm=limits.get("most", 0.0))
    )
    return OperatorSignalGenerator(bench.prompter("signal_generator"), settings)


def test_a_generator_is_set_in_one_go_and_then_only_in_what_changes():
    """What is set while the output is off is one prompt when it goes on; then only what changes is asked for."""
    bench = Bench("done", "", "", "", "done")
    one = generator(bench)
    one.configure_output_enabled(False)
    one.configure_rf(27.205e6, -113.0)
    one.configure_fm(1200.0, 1000.0)
    one.configure_output_enabled(True)
    assert "27.205 MHz, -113.0 dBm, FM, 1.2 kHz deviation, 1 kHz tone, RF output ON" in bench.asked[1]
    one.set_level_dbm(-110.0)
    assert bench.asked[2] == "Set the signal generator to -110.0 dBm. Then press Enter: "
    one.set_level_dbm(-110.02)
    one.configure_rf(27.205e6, -110.0)
    one.disable_all_modulation()
    assert "modulation OFF" in bench.asked[3]
    assert one.read_output_enabled()
    one.configure_output_enabled(False)
    one.configure_output_enabled(False)
    assert len(bench.asked) == 5
    assert not one.read_output_enabled()


def test_an_output_that_was_asked_on_and_not_answered_may_be_on():
    """A question to switch on that was left by Ctrl-C leaves the output unknown: off is asked for, and nothing reads it off."""

    def ctrl_c() -> str:
        raise KeyboardInterrupt

    bench = Bench("done", ctrl_c, "done")
    one = generator(bench)
    one.configure_output_enabled(False)
    with pytest.raises(KeyboardInterrupt):
        one.configure_output_enabled(True)
    with pytest.raises(NotConfirmed):
        one.read_output_enabled()
    one.configure_output_enabled(False)
    assert not one.read_output_enabled()
    assert any(entry.fault == "interrupted" for entry in bench.trace)


def test_a_level_outside_the_generator_is_refused_before_anybody_is_asked():
    """The limits of the bench file hold for a person as for a machine."""
    bench = Bench()
    with pytest.raises(Refused, match=r"level 3.0 dBm refused; it offers -130.0 to \+0.0 dBm"):
        generator(bench).set_level_dbm(3.0)
    assert not bench.asked


@pytest.mark.parametrize(
    ("level_dbm", "unit", "text"),
    [
        (0.0, "uV pd", "223 mV pd"),
        (0.0, "uV emf", "447 mV emf"),
        (-107.0, "uV pd", "0.999 uV pd"),
        (-73.0, "uV pd", "50.1 uV pd"),
        (-93.0, "uV pd", "5.01 uV pd"),
        (-113.0, "uV emf", "1.00 uV emf"),
        (-113.04, "dBm", "-113.0 dBm"),
    ],
)
def test_levels_on_the_dial(level_dbm, unit, text):
    """-73 dBm is 50 uV, -93 dBm 5 uV (IARU Region 1 R.1); 0 dBm is 223.6 mV pd into 50 ohm (P = U^2/R)."""
    assert dials.written_level(level_dbm, unit)[0] == text


@given(st.floats(-140.0, 20.0), st.sampled_from(dials.LEVEL_UNITS))
def test_what_is_written_is_what_is_believed(level_dbm, unit):
    """A rounded level is within 0.1 dB of the one asked, never above it where ratings lie, and its text says the same."""
    from sequencer.units.convert import dbm_from_uv_emf, dbm_from_uv_pd

    text, shown_dbm = dials.written_level(level_dbm, unit)
    assert abs(shown_dbm - level_dbm) <= 0.1 + 1e-6
    assert level_dbm < -30.0 or shown_dbm <= level_dbm + 1e-6
    number, size, *_ = text.split()
    if unit != "dBm":
        microvolts = float(number) * {"uV": 1.0, "mV": 1e3}[size]
        back = dbm_from_uv_emf(microvolts) if unit == "uV emf" else dbm_from_uv_pd(microvolts)
        assert back == pytest.approx(shown_dbm, abs=1e-6)
    else:
        assert float(number) == pytest.approx(shown_dbm)


@pytest.mark.parametrize(
    ("typed", "volts"),
    [("S9", 2.25), ("s7", 1.75), ("9", 2.25), ("S9+20", 2.25 + 0.25 * 20 / 6),
     ("s9 + 10 dB", 2.25 + 0.25 * 10 / 6), ("S0", 0.0), ("5,5", 1.375)],
)  # fmt: skip
def test_a_signal_meter_is_read_in_s_units(typed, volts):
    """S-units of 6 dB (IARU Region 1 R.1) become the voltage of the line that the check's target is stated in."""
    settings = OperatorSettings(dial="S units", s9_v=2.25)
    reading = OperatorVoltmeter(Bench(typed).prompter("voltmeter"), settings).read_voltage_v(0.1)
    assert reading.number == pytest.approx(volts)


@pytest.mark.parametrize("typed", ["S8+10", "S99", "S", "S9+99", "9+", "+20", "2.25 V"])
def test_what_is_not_on_a_signal_meter_is_refused(typed):
    """A reading past S9 counts from S9 only, and the scale ends at S9+60."""
    with pytest.raises(NotOnDial):
        dials.s_unit_dial(2.25, 0.25).read(typed)


def test_readings_come_back_in_the_units_of_the_role():
    """W to dBm, kHz to Hz, MHz to Hz, A and V as they are; no power is under range."""
    bench = Bench("3.8 W", "0", "", "1.85", "1,9 kHz", "27.205310", "12.5 dB", "1.2", "13.2", "950 mA")
    meter = OperatorPowerMeter(bench.prompter("power_meter"), OperatorSettings())
    assert meter.read_power_dbm().number == pytest.approx(10 * math.log10(3800))
    assert meter.read_power_dbm().state is RangeState.UNDER_RANGE
    analyser = OperatorModulationAnalyser(bench.prompter("modulation_analyser"), OperatorSettings())
    analyser.tune_hz(27.205e6)
    assert analyser.read_deviation_hz("positive").number == pytest.approx(1850.0)
    assert analyser.read_deviation_hz("negative").number == pytest.approx(1900.0)
    assert analyser.read_frequency_hz().number == pytest.approx(27_205_310.0)
    audio = OperatorAudioAnalyser(bench.prompter("audio_analyser"), OperatorSettings())
    assert audio.read_sinad_db(0.1).number == 12.5
    assert audio.read_level_v(0.1).number == 1.2
    supply = OperatorSupply(bench.prompter("supply"), OperatorSettings())
    assert supply.read_voltage_v().number == 13.2
    assert supply.read_current_a().number == pytest.approx(0.95)


def test_a_frequency_that_is_not_near_the_carrier_is_refused():
    """A counter reading more than 1 % off the carrier is a slip, and is asked again."""
    bench = Bench("", "2.7205", "27.2053")
    analyser = OperatorModulationAnalyser(bench.prompter(), OperatorSettings())
    analyser.tune_hz(27.205e6)
    assert analyser.read_frequency_hz().number == pytest.approx(27.2053e6)
    assert "outside 26.932950 MHz to 27.477050 MHz" in bench.asked[2]


def test_sources_supplies_and_controls_are_asked_for_once():
    """What stands already is not asked for again."""
    bench = Bench("", "", "", "", "done", "", "", "")
    audio = OperatorAudioAnalyser(bench.prompter("audio_analyser"), OperatorSettings())
    audio.configure_source_enabled(False)  # never switched on
    audio.configure_source(1000.0, 0.1)
    audio.configure_source_enabled(True)
    audio.configure_source(1000.0, 0.1)
    audio.configure_source_enabled(False)
    supply = OperatorSupply(bench.prompter("supply"), OperatorSettings())
    supply.configure_voltage(13.2, 6.0)
    supply.configure_output_enabled(True)
    supply.configure_voltage(12.0, 6.0)
    supply.configure_output_enabled(False)
    radio = OperatorRadio(bench.prompter("radio"), OperatorSettings())
    for _ in range(2):
        radio.set_channel(20)
        radio.set_mode("FM")
    assert not bench.person.left[1:]
    assert bench.asked[0].startswith("Set the audio source of the audio analyser to 1 kHz, 100 mV rms, on.")
    assert "SAFETY: Switch the supply OFF" in bench.asked[4]


def test_a_path_is_what_was_confirmed():
    """A path is open until the word done; what was confirmed is not asked again."""
    bench = Bench("cannot", "done")
    switch = OperatorSwitch(bench.prompter("switch"), OperatorSettings())
    assert switch.read_path() == "open"
    with pytest.raises(NotConfirmed):
        switch.connect("transmit")
    assert switch.read_path() == "open"
    switch.connect("transmit")
    switch.connect("transmit")
    assert switch.read_path() == "transmit"
    assert "NOT to the signal generator" in bench.asked[1]


def test_generator_and_meter_are_joined_with_the_unit_s_connector_open():
    """The check path is a place of its own, confirmed once; after it the unit is on no path until somebody says so."""
    bench = Bench("done", "done")
    switch = OperatorSwitch(bench.prompter("switch"), OperatorSettings())
    switch.connect_check()
    switch.connect_check()
    assert switch.read_path() == "check"
    assert "leave the unit's antenna connector open" in bench.asked[0]
    switch.connect("receive")
    assert switch.read_path() == "receive"
    assert len(bench.asked) == 2


# -- the key -------------------------------------------------------------------------------------------------------


def by_hand(bench: Bench, *, in_one_go: bool) -> tuple[OperatorRadio, OperatorPowerMeter, HandKey]:
    """Return a unit and a power meter in a person's hands."""
    hand = HandKey(max_key_time_s=20.0, in_one_go=in_one_go)
    radio = OperatorRadio(bench.prompter("radio"), OperatorSettings(), hand=hand)
    meter = OperatorPowerMeter(bench.prompter("power_meter"), OperatorSettings(), hand=hand)
    return radio, meter, hand


def test_key_read_and_release_are_one_prompt_where_all_is_read_by_hand():
    """Nothing is keyed while a person reads a text: key, look, release, then type."""
    bench = Bench("done", "3.8", "3.7")
    radio, meter, hand = by_hand(bench, in_one_go=True)
    assert radio.read_keyed()  # nobody has said that it is not
    radio.unkey()
    assert not radio.read_keyed()
    radio.key()
    assert meter.read_power_dbm().number == pytest.approx(35.798, abs=0.001)
    assert bench.asked[1] == (
        "Hold push-to-talk (PTT), read the power on the power meter, RELEASE it (20 s at most), "
        "then type what you read, in W: "
    )
    assert hand.held is False
    meter.read_power_dbm()
    radio.unkey()
    assert not radio.read_keyed()
    assert len(bench.asked) == 3


def test_a_question_left_while_the_key_may_be_down_asks_for_its_release():
    """Ctrl-C in the middle of key, read, release leaves the key unknown: its release needs the word done."""

    def ctrl_c() -> str:
        raise KeyboardInterrupt

    bench = Bench("done", ctrl_c, "", "done")
    radio, meter, _ = by_hand(bench, in_one_go=True)
    radio.unkey()
    radio.key()
    with pytest.raises(KeyboardInterrupt):
        meter.read_power_dbm()
    assert radio.read_keyed()
    radio.unkey()
    assert not radio.read_keyed()
    assert "SAFETY: RELEASE push-to-talk" in bench.asked[2]


def test_a_slow_answer_is_asked_whether_the_key_was_down_too_long():
    """From prompt to answer longer than max_key_time: the person says whether the key was; if it was, the reading is not used."""
    bench = Bench("done")
    radio, meter, _ = by_hand(bench, in_one_go=True)
    radio.unkey()
    radio.key()
    bench.person.left = [bench.slow(25.0, "3.8"), "no"]
    assert meter.read_power_dbm().number == pytest.approx(35.798, abs=0.001)
    assert "That took 25 s. Was PTT held for more than 20 s?" in bench.asked[2]
    bench.person.left = [bench.slow(25.0, "3.8"), "yes"]
    with pytest.raises(NotConfirmed, match="the reading is not used"):
        meter.read_power_dbm()
    assert any("max_key_time is 20 s" in entry.fault for entry in bench.trace)


def test_a_check_that_lets_time_pass_keyed_has_the_person_keep_it_keyed():
    """Time that passed between key and reading was meant to be keyed: the prompt asks for it."""
    bench = Bench("done", "3.8")
    radio, meter, _ = by_hand(bench, in_one_go=True)
    radio.unkey()
    radio.key()
    bench.clock.wait_s(10.0)
    meter.read_power_dbm()
    assert (
        "Hold push-to-talk (PTT), keep it held for 10 s (Enter counts them down), read the power"
        in bench.asked[1]
    )


def test_beside_instruments_that_read_themselves_key_and_release_are_prompts_of_their_own():
    """A meter that reads itself needs the unit keyed before and released after; the time between is counted, and too long is told."""
    bench = Bench("done", "done", "3.8", "done", "")
    radio, meter, hand = by_hand(bench, in_one_go=False)
    radio.unkey()
    radio.key()
    assert radio.read_keyed()
    assert "Press and HOLD push-to-talk (PTT) now, 20 s at most" in bench.asked[1]
    bench.keyed = hand.held is True
    meter.read_power_dbm()
    assert bench.asked[2].startswith("(THE UNIT IS TRANSMITTING")
    bench.keyed = False
    bench.clock.wait_s(30.0)
    radio.unkey()
    assert not radio.read_keyed()
    assert "PTT was held for up to 30 s. Let the unit cool." in bench.asked[4]
    assert any("PTT held for 30 s" in entry.fault for entry in bench.trace)


def test_who_holds_ptt_for_an_instrument_lets_go_with_the_dial_that_is_read_next():
    """One prompt for look and release, under the time that a keyed unit leaves; the reading after it is keyed anew, and a timeout leaves
    the release to be asked for.
    """

    def late() -> str:
        raise TimeoutError

    bench = Bench("done", "done", "3.8", "3.7", "done", late, "done")
    radio, meter, hand = by_hand(bench, in_one_go=True)

    def held_for_an_instrument() -> None:
        radio.key()
        radio.hold_key()
        radio.release_with_reading()
        bench.keyed = hand.held is True

    radio.unkey()
    held_for_an_instrument()
    assert meter.read_power_dbm().number == pytest.approx(35.798, abs=0.001)
    assert not radio.read_keyed()
    bench.keyed = False
    meter.read_power_dbm()
    radio.unkey()
    held_for_an_instrument()
    with pytest.raises(TimedOut):
        meter.read_power_dbm()
    assert radio.read_keyed()
    radio.unkey()
    asked = [text.partition(") ")[2] if "TRANSMITTING" in text else text for text in bench.asked]
    read = "Read the power on the power meter, RELEASE push-to-talk (PTT), then type what you read, in W: "
    assert asked[2] == asked[5] == read
    assert asked[3].startswith("Hold push-to-talk (PTT), read the power")
    assert "SAFETY: RELEASE push-to-talk" in asked[6]


def test_faults_name_the_instrument_and_what_to_do():
    """The end of input at a reading is a fault of the tree, with the question it met."""
    bench = Bench(None, stops=False)
    with pytest.raises(
        ConnectionLost, match=r"audio_analyser \(a person\).*nobody is there to answer.*Run it at a terminal"
    ):
        bench.prompter("audio_analyser").read("Read SINAD", dials.sinad_dial())
    refusing = Bench("cannot")
    with pytest.raises(InstrumentFault, match="says that it cannot be done"):
        refusing.prompter().tell("Set it.")


@pytest.mark.parametrize(
    ("dial", "typed", "step"),
    [
        (dials.power_dial("W", 100.0), "3.71", 0.01),
        (dials.power_dial("W", 100.0), "3,70", 0.01),
        (dials.power_dial("W", 100.0), "9.99 W", 0.01),
        (dials.power_dial("W", 100.0), "4", 1.0),
        (dials.power_dial("W", 100.0), "371.5 mW", 1e-4),
        (dials.power_dial("dBm", 100.0), "30.0", 10**3.01 / 1e3 - 1.0),  # 30 dBm is 1 W
        (dials.frequency_dial(27.205e6), "27.20500", 10.0),
        (dials.deviation_dial(), "1.8 kHz", 100.0),
        (dials.s_unit_dial(2.25, 0.25), "S9+20", 0.25 / 6.0),
        (dials.sinad_dial(), "nonsense", 0.0),
    ],
)
def test_the_last_digit_typed_is_the_step_of_a_reading(dial, typed, step):
    """What one more in the last digit would change, in the reading's unit, whatever unit was typed."""
    assert dial.step_of(typed) == pytest.approx(step, rel=1e-6)


def test_enter_counts_down_while_ptt_is_kept_pressed():
    """Who has to keep PTT pressed for a while is not asked to count; the same question stands beside the countdown."""
    bench = Bench("done", "", "3.8")
    radio, meter, _ = by_hand(bench, in_one_go=True)
    radio.unkey()
    radio.key()
    radio.keep_keyed(20.0)
    assert meter.read_power_dbm().number == pytest.approx(35.798, abs=0.001)
    assert bench.asked[2] == f"(PTT pressed: 20 s to go) {bench.asked[1]}"


def test_a_wrong_answer_stands_on_a_line_of_its_own():
    """The complaint above, the whole question below it: nobody has to look up what was asked."""
    bench = Bench("wibble", "3.7")
    bench.prompter().read("Read the power", dials.power_dial("W", 10.0))
    complaint, question = bench.asked[1].split("\n")
    assert complaint.startswith("  'wibble' is not a number. Allowed: a number in W")
    assert question == bench.asked[0] == "Read the power, in W: "


ASKED_OF_NOBODY: dict[str, dict[str, Callable[[Any], object]]] = {
    "audio_analyser": {
        "distortion": lambda one: one.read_distortion_percent(0.1),
        "recorded_audio": lambda one: one.capture_audio(0.1, 16e3),
        "second_level": lambda one: one.configure_second_tone(1700.0, 0.01),
    },
    "modulation_analyser": {
        "begin_recording": lambda one: one.begin_baseband(0.1, 16e3),
        "deviation_rms": lambda one: one.read_rms_deviation_hz(),
        "depth_negative": lambda one: one.read_depth_percent("negative"),
        "depth_positive": lambda one: one.read_depth_percent("positive"),
        "distortion": lambda one: one.read_distortion_percent(),
        "recorded_audio": lambda one: one.capture_audio(0.1, 16e3),
        "recorded_baseband": lambda one: one.capture_baseband(0.1, 16e3),
        "selective_level": lambda one: one.read_selective_dbm(27e6, 1e3),
    },
    "power_meter": {"peak_power": lambda one: one.read_peak_envelope_dbm()},
    "signal_generator": {
        "second_bit_rate": lambda one: one.configure_second_code(300.0, "10", 134.4),
        "second_bits": lambda one: one.configure_second_code(300.0, "10", 134.4),
        "second_deviation": lambda one: one.configure_second_tone(300.0, 88.5),
        "second_shape": lambda one: one.configure_second_code(300.0, "10", 134.4),
        "second_state": lambda one: one.disable_second(),
        "second_tone": lambda one: one.configure_second_tone(300.0, 88.5),
    },
    "spectrum_analyser": {"trace": lambda one: one.read_spectrum()},
}


PERSONS: dict[str, Any] = {
    "audio_analyser": OperatorAudioAnalyser,
    "modulation_analyser": OperatorModulationAnalyser,
    "power_meter": OperatorPowerMeter,
    "signal_generator": OperatorSignalGenerator,
    "spectrum_analyser": OperatorSpectrumAnalyser,
}


def test_what_the_plan_says_that_a_person_cannot_read_is_refused_without_a_question() -> None:
    """The names by which a plan refuses a check are those of the verbs that a person's instrument refuses."""
    assert {role: frozenset(verbs) for role, verbs in ASKED_OF_NOBODY.items()} == dict(CANNOT_READ)
    for role, verbs in ASKED_OF_NOBODY.items():
        for verb in verbs.values():
            bench = Bench()
            instrument = PERSONS[role](bench.prompter(role), OperatorSettings())
            with pytest.raises(Refused, match="it cannot"):
                verb(instrument)
            assert bench.asked == []
