"""What every driver on a profile does with answers, refusals, error queues and faults of the link, on the simulated instruments.

Outside the project: 9.91E37 (no measurement) and ±9.9E37 (over and under range) are SCPI-1999 volume 1, 7.2.1; error numbers are
those of SCPI-1999 volume 2, 21.8 (both from memory).
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from drivers.changes import Changes
from drivers.faults import (
    ConnectFailed,
    ConnectionLost,
    InstrumentError,
    InstrumentFault,
    NotConfirmed,
    NotSettled,
    Refused,
    TimedOut,
    UnexpectedReply,
)
from drivers.roles import Limits, RangeState
from sim.scpi.faults import FaultKind
from tests.support.profiled_bench import CHANNEL_20_HZ, ProfiledBench, changed, shipped_profile

SPECIAL = [
    ("9.91E37", RangeState.NO_MEASUREMENT),
    ("+9.910000E+37", RangeState.NO_MEASUREMENT),
    ("9.9099999E+37", RangeState.NO_MEASUREMENT),  # in single precision
    ("9.9E37", RangeState.OVER_RANGE),
    ("9.9000003E+37", RangeState.OVER_RANGE),
    ("1E38", RangeState.OVER_RANGE),
    ("-9.9E37", RangeState.UNDER_RANGE),
]
GARBAGE = ["nan", "inf", "-inf", "1_000", "12 DBM", "0x10", "1,2", "ERR", "1;2", '"5"', "--5", "1e"]
READINGS = [
    ("power_meter", ":READ?", lambda one: one.read_power_dbm()),
    ("modulation_analyser", "FREQuency", lambda one: one.read_frequency_hz()),
    ("modulation_analyser", "NEGative", lambda one: one.read_deviation_hz("negative")),
    ("audio_analyser", "SNDRatio", lambda one: one.read_sinad_db(0.1)),
    ("audio_analyser", "VOLTage:AC", lambda one: one.read_level_v(0.1)),
    ("voltmeter", ":READ?", lambda one: one.read_voltage_v(0.1)),
    ("supply", ":MEASure:VOLTage", lambda one: one.read_voltage_v()),
    ("supply", ":MEASure:CURRent", lambda one: one.read_current_a()),
]


# --- special numbers and garbage ---


@pytest.mark.parametrize(("role", "match", "read"), READINGS)
@pytest.mark.parametrize(("text", "state"), SPECIAL)
def test_a_special_number_is_a_state_and_no_number(
    role: str, match: str, read: Any, text: str, state: RangeState
) -> None:
    """Every reading of every role turns SCPI's special numbers into a range state without a number."""
    with ProfiledBench() as bench:
        one = bench.driver(role)
        bench.spoil(role, FaultKind.WRONG, match, text)
        reading = read(one)
    assert (reading.number, reading.state, reading.raw) == (None, state, text)


@pytest.mark.parametrize(("role", "match", "read"), READINGS)
@pytest.mark.parametrize("text", GARBAGE)
def test_garbage_is_a_fault_and_no_number(role: str, match: str, read: Any, text: str) -> None:
    """What is no SCPI number is an UnexpectedReply that shows it; the next reading is sound again."""
    with ProfiledBench() as bench:
        one = bench.driver(role)
        bench.spoil(role, FaultKind.WRONG, match, text)
        with pytest.raises(UnexpectedReply) as caught:
            read(one)
        assert caught.value.reply == text
        assert caught.value.next_move
        before = len(bench.sent(role))
        again = read(one)
        assert (
            bench.sent(role)[before] == "*CLS;*IDN?"
        )  # it may have been another question's answer: proved anew
        assert again.number is None or math.isfinite(again.number)


def test_a_special_number_is_not_scaled_into_a_number() -> None:
    """A profile's scale is never applied to a special number: 9.9E37 in MHz is still over range."""
    analyser = changed(shipped_profile("modulation_analyser"), carrier_frequency={"scale": 1e-6})
    with ProfiledBench(profiles={"modulation_analyser": analyser}) as bench:
        one = bench.driver("modulation_analyser")
        for text, state in SPECIAL:
            bench.spoil("modulation_analyser", FaultKind.WRONG, "FREQuency", text)
            reading = one.read_frequency_hz()
            assert (reading.number, reading.state) == (None, state)


def test_a_special_number_is_no_setting() -> None:
    """A level that reads back as a special number is not taken for a level."""
    with ProfiledBench() as bench:
        generator = bench.driver("signal_generator")
        bench.spoil("signal_generator", FaultKind.WRONG, "AMPLitude?", "9.91E37")
        with pytest.raises(UnexpectedReply, match="no measurement"):
            generator.read_level_dbm()
        bench.spoil("signal_generator", FaultKind.WRONG, "AMPLitude ", '9.91E37;0,"No error"')
        with pytest.raises(NotConfirmed):
            generator.set_level_dbm(-50.0)


# --- settings and their read-back ---


@pytest.mark.parametrize(
    ("role", "match", "answer", "act"),
    [
        ("signal_generator", "AMPLitude ", "-7.36E+01", lambda g: g.set_level_dbm(-73.0)),
        ("signal_generator", "FREQuency:CW ", "2.7205002E+07", lambda g: g.configure_rf(27.205e6, -73.0)),
        ("signal_generator", "OUTPut", "1", lambda g: g.configure_output_enabled(False)),
        ("signal_generator", "DEViation ", "1.0E+03", lambda g: g.configure_fm(1200.0, 1000.0)),
        ("signal_generator", "FM:STATe 1", "0", lambda g: g.configure_fm(1200.0, 1000.0)),
        ("power_meter", "FREQuency", "5.0E+07", lambda m: m.set_correction_frequency_hz(27.205e6)),
        ("modulation_analyser", "FREQuency:CW ", "1.0E+08", lambda a: a.tune_hz(27.205e6)),
        ("audio_analyser", "OUTPut", "0", lambda a: a.configure_source_enabled(True)),
        ("audio_analyser", "VOLTage:LEVel", "0.011", lambda a: a.configure_source(1000.0, 0.010)),
        ("supply", "VOLTage:LEVel", "13.8", lambda s: s.configure_voltage(13.2, 6.0)),
        ("supply", "CURRent:LEVel", "20", lambda s: s.configure_voltage(13.2, 6.0)),
        ("supply", "OUTPut", "1", lambda s: s.configure_output_enabled(False)),
        ("radio", "KEY", "1", lambda r: r.unkey()),
        ("radio", "KEY", "0", lambda r: r.key()),
        ("radio", "CHANnel", "19", lambda r: r.set_channel(20)),
        ("radio", "MODE", "AM", lambda r: r.set_mode("FM")),
    ],
)
def test_a_read_back_that_differs_is_not_confirmed(role: str, match: str, answer: str, act: Any) -> None:
    """Whatever reads back other than it was set raises NotConfirmed with what was sent and what came back."""
    with ProfiledBench() as bench:
        one = bench.driver(role)
        bench.spoil(role, FaultKind.WRONG, match, f'{answer};0,"No error"')
        with pytest.raises(NotConfirmed) as caught:
            act(one)
    fault = caught.value
    assert (fault.instrument, fault.address) == (f"the {role}", bench.addresses[role])
    assert match in fault.command
    assert answer in fault.reply
    assert answer in str(fault)
    assert fault.next_move in str(fault)


@pytest.mark.parametrize(
    ("level_dbm", "off_db"),
    [(-73.04, 0.0), (-73.05, 0.0), (-73.06, 0.06), (-72.9, 0.1), (-72.5, 0.5), (-72.4, None), (-74.0, None)],
)
def test_a_generator_that_rounds_is_used_as_it_says(level_dbm: float, off_db: float | None) -> None:
    """Within half a tenth it is right; up to half a decibel off its step counts; beyond that the level was not set."""
    with ProfiledBench() as bench:
        generator = bench.driver("signal_generator")
        bench.spoil("signal_generator", FaultKind.WRONG, "AMPLitude ", f'{level_dbm};0,"No error"')
        if off_db is None:
            with pytest.raises(NotConfirmed):
                generator.set_level_dbm(-73.0)
        else:
            generator.set_level_dbm(-73.0)
            assert generator.level_off_db == pytest.approx(off_db)


@pytest.mark.parametrize("garbage", ["", "2", "maybe", "0,1", '1 "', ";", '0,"No error'])
def test_a_switch_position_that_is_no_boolean_is_a_fault(garbage: str) -> None:
    """A key whose read-back makes no sense is a fault, not "released"."""
    with ProfiledBench() as bench:
        radio = bench.driver("radio")
        bench.spoil("radio", FaultKind.WRONG, "KEY:STATe?", garbage)
        with pytest.raises(InstrumentFault):
            radio.read_keyed()
        bench.spoil("radio", FaultKind.WRONG, "KEY:STATe 0", f'{garbage};0,"No error"')
        with pytest.raises(InstrumentFault):
            radio.unkey()
        radio.unkey()
        assert radio.read_keyed() is False


# --- the error queue ---


@pytest.mark.parametrize(
    ("role", "act", "texts"),
    [
        # the simulated instruments explain behind a ';' inside the quotes, as SCPI-1999 volume 2, 21.8.2 has it
        ("signal_generator", lambda g: g.configure_rf(5e9, -50.0), ["-222", "Data out of range", "3e+09"]),
        ("signal_generator", lambda g: g.set_level_dbm(20.0), ["-222", "-137 to 13"]),
        ("radio", lambda r: r.set_channel(41), ["-222", "1 to 40"]),
        ("radio", lambda r: r.set_mode("AM"), ["-224", "this unit has FM"]),
        ("supply", lambda s: s.configure_voltage(40.0, 6.0), ["-222", "0 to 30"]),
    ],
)
def test_the_error_queue_speaks_in_the_fault(role: str, act: Any, texts: list[str]) -> None:
    """What an instrument refuses is an InstrumentError with the queue's own words, and the queue is empty afterwards."""
    with ProfiledBench() as bench:
        one = bench.driver(role)
        with pytest.raises(InstrumentError) as caught:
            act(one)
        for text in texts:
            assert text in str(caught.value)
        assert one.read_errors() == []


def test_a_misspelt_message_is_told_with_the_queues_words() -> None:
    """A message that the instrument does not know is an InstrumentError, although no answer comes at all."""
    wrong = changed(shipped_profile("signal_generator"), frequency={"set": ":SOURce:FREQ:NONSENSE {number}"})
    with ProfiledBench(profiles={"signal_generator": wrong}) as bench:
        generator = bench.driver("signal_generator")
        with pytest.raises(InstrumentError, match="Undefined header"):
            generator.configure_rf(27.205e6, -73.0)
        generator.set_level_dbm(-60.0)
        assert generator.read_level_dbm() == -60.0


def test_every_entry_of_the_queue_is_told() -> None:
    """Several entries stand in the fault in their order, and a setting that was taken meanwhile does not hide them."""
    with ProfiledBench() as bench:
        generator = bench.driver("signal_generator")
        for number, text in ((-350, "Queue overflow"), (-310, "System error; reference unlocked")):
            bench.spoil("signal_generator", FaultKind.ERROR, "", (number, text))
        with pytest.raises(InstrumentError) as caught:
            generator.set_level_dbm(-60.0)
        assert "-350" in str(caught.value)
        bench.device("signal_generator").report(-310, text="System error; reference unlocked")
        bench.device("signal_generator").report(-113)
        with pytest.raises(InstrumentError, match=r"-310.*reference unlocked.*then -113"):
            generator.set_level_dbm(-61.0)


def test_a_slow_queue_is_read_for_one_time_out_and_then_cleared() -> None:
    """Draining a long queue does not hold up a keyed unit, and what is left of it is not blamed on a later message."""
    with ProfiledBench() as bench:
        radio = bench.driver("radio")
        for number in range(-301, -331, -1):
            bench.device("radio").report(number)
        bench.spoil("radio", FaultKind.DELAY, ":SYSTem:ERRor?", 1.5, times=20)
        before_s = bench.clock.now_s()
        with pytest.raises(InstrumentError, match=r"-301.*then -302.*then -303"):
            radio.set_channel(20)
        assert bench.clock.now_s() - before_s < 1.5 + 2.0 + 1.6
        bench.device("radio").faults.clear()
        radio.unkey()
        assert radio.read_errors() == []


def test_a_queue_that_never_ends_is_left_after_32_entries() -> None:
    """An instrument that always has one more error does not hang its driver."""
    with ProfiledBench() as bench:
        generator = bench.driver("signal_generator")
        bench.spoil("signal_generator", FaultKind.WRONG, ":SYSTem:ERRor?", '-310,"System error"', times=None)
        assert generator.read_errors() == ['-310,"System error"'] * 32


def test_a_quoted_word_with_the_error_entry_behind_it_is_read() -> None:
    """An answer in quotes before the error entry, as some instruments give their modes, is told from the entry's text."""
    with ProfiledBench() as bench:
        radio = bench.driver("radio")
        bench.spoil("radio", FaultKind.WRONG, "MODE", '"FM";0,"No error"')
        radio.set_mode("FM")
        bench.spoil("radio", FaultKind.WRONG, "MODE", '"FM";-221,"Settings conflict;keyed"')
        with pytest.raises(InstrumentError, match="Settings conflict;keyed"):
            radio.set_mode("FM")


# --- refused, and never sent ---


@pytest.mark.parametrize("level_dbm", [13.1, -137.1, 1e9, math.nan, math.inf, -math.inf])
def test_a_refused_level_is_never_sent(level_dbm: float) -> None:
    """A level outside the bench file's range is refused by both ways of setting it, and not one byte goes out."""
    with ProfiledBench(limits=Limits(level_min_dbm=-137.0, level_max_dbm=13.0)) as bench:
        generator = bench.driver("signal_generator")
        before = len(bench.trace)
        with pytest.raises(Refused, match=r"offers -137\.0 to \+13\.0 dBm"):
            generator.set_level_dbm(level_dbm)
        with pytest.raises(Refused):
            generator.configure_rf(CHANNEL_20_HZ, level_dbm)
        assert len(bench.trace) == before


@pytest.mark.parametrize("limits", [Limits(level_max_dbm=-20.0), Limits(level_min_dbm=-20.0)])
def test_a_range_with_one_end_refuses_too(limits: Limits) -> None:
    """Where the bench file gives one end only, the other is open and the refusal is still said in words."""
    level_dbm = -10.0 if limits.level_max_dbm is not None else -30.0
    with ProfiledBench(limits=limits) as bench:
        generator = bench.driver("signal_generator")
        with pytest.raises(Refused, match=r"-20\.0"):
            generator.set_level_dbm(level_dbm)
        generator.set_level_dbm(-20.0)


@pytest.mark.parametrize("number", [math.nan, math.inf, 9.9e37])
@pytest.mark.parametrize(
    ("role", "act"),
    [
        ("signal_generator", lambda g, x: g.configure_rf(x, -73.0)),
        ("signal_generator", lambda g, x: g.set_level_dbm(x)),
        ("supply", lambda s, x: s.configure_voltage(13.2, x)),
        ("supply", lambda s, x: s.configure_voltage(x, 6.0)),
        ("power_meter", lambda m, x: m.set_correction_frequency_hz(x)),
    ],
)
def test_no_number_is_never_sent(role: str, act: Any, number: float) -> None:
    """NaN, infinity and SCPI's special numbers are refused in words, whatever they were meant to set."""
    with ProfiledBench() as bench:
        one = bench.driver(role)
        with pytest.raises(Refused, match="refused"):
            act(one, number)
        assert not any("nan" in each.lower() or "E+37" in each for each in bench.sent(role))


def test_a_command_that_the_profile_lacks_is_refused_by_name() -> None:
    """Where a profile leaves an optional command out, asking for it is refused with the profile's name and what to add."""
    meter = changed(shipped_profile("power_meter"), zero=None)
    words = r"'scpi-1999' has no command 'zero'.*Add 'zero'"
    with ProfiledBench(profiles={"power_meter": meter}) as bench, pytest.raises(Refused, match=words):
        bench.driver("power_meter").zero()


# --- what a profile may change ---


@pytest.mark.parametrize("frequency_hz", [27.205e6, 27_205_000, 100e3, 3e9])
def test_a_profile_in_mhz_is_sent_and_read_in_mhz(frequency_hz: float) -> None:
    """With scale 1E-6 the message carries megahertz and the read-back is taken as megahertz; whole numbers too."""
    profile = changed(
        shipped_profile("signal_generator"),
        frequency={"set": ":SOURce:FREQuency:CW {number} MHZ", "query": ":FREQ?", "scale": 1e-6},
    )
    with ProfiledBench(profiles={"signal_generator": profile}) as bench:
        generator = bench.driver("signal_generator")
        bench.spoil(
            "signal_generator", FaultKind.WRONG, "FREQuency:CW", f'{frequency_hz / 1e6:.7f};0,"No error"'
        )
        generator.configure_rf(frequency_hz, -73.0)
        assert bench.device("signal_generator").frequency_hz == pytest.approx(frequency_hz, abs=0.1)


def test_a_read_back_in_another_unit_than_the_profile_says_is_not_confirmed() -> None:
    """A profile in MHz on an instrument that answers in Hz is found at the first setting."""
    profile = changed(
        shipped_profile("signal_generator"),
        frequency={"set": ":SOURce:FREQuency:CW {number} MHZ", "scale": 1e-6},
    )
    with (
        ProfiledBench(profiles={"signal_generator": profile}) as bench,
        pytest.raises(NotConfirmed, match="reads back"),
    ):
        bench.driver("signal_generator").configure_rf(27.205e6, -73.0)


def test_a_reading_with_a_unit_is_picked_by_its_pattern_and_scaled() -> None:
    """An answer like 'POW 5,83 dBm' is a garbage number without a pattern, and a reading with one."""
    pattern = {"pattern": r"^F=(\S+) MHZ$", "scale": 1e-6}
    analyser = changed(shipped_profile("modulation_analyser"), carrier_frequency=pattern)
    with ProfiledBench(profiles={"modulation_analyser": analyser}) as bench:
        one = bench.driver("modulation_analyser")
        bench.spoil("modulation_analyser", FaultKind.WRONG, "FREQuency", "F=27.205012 MHZ")
        reading = one.read_frequency_hz()
        assert reading.number == pytest.approx(27_205_012.0, abs=1e-3)
        assert reading.raw == "F=27.205012 MHZ"
        bench.spoil("modulation_analyser", FaultKind.WRONG, "FREQuency", "F=9.91E37 MHZ")
        assert one.read_frequency_hz().state is RangeState.NO_MEASUREMENT
        bench.spoil("modulation_analyser", FaultKind.WRONG, "FREQuency", "F=27.205012 KHZ")
        with pytest.raises(UnexpectedReply, match="does not match"):
            one.read_frequency_hz()


def test_a_pattern_serves_switches_words_and_status_bits_too() -> None:
    """An instrument that answers with a header ('KEY 1') is read by its pattern wherever the answer is no number."""
    radio = changed(shipped_profile("radio"), key={"pattern": r"^KEY (\d)"}, mode={"pattern": r"^MODE (\w+)"})
    generator = changed(shipped_profile("signal_generator"), settling={"pattern": r"^COND (\d+)"})
    with ProfiledBench() as plain:
        assert plain.driver("radio").read_keyed() is False
    with ProfiledBench(profiles={"radio": radio, "signal_generator": generator}) as bench:
        bench.spoil("radio", FaultKind.WRONG, "KEY:STATe 0", 'KEY 0;0,"No error"', times=None)
        one = bench.driver("radio")
        bench.spoil("radio", FaultKind.WRONG, "KEY:STATe?", "KEY 1")
        assert one.read_keyed() is True
        bench.spoil("radio", FaultKind.WRONG, "MODE", 'MODE FM;0,"No error"')
        one.set_mode("FM")
        bench.spoil("signal_generator", FaultKind.WRONG, "CONDition", "COND 2")
        bench.spoil("signal_generator", FaultKind.WRONG, "CONDition", "COND 253")
        before_s = bench.clock.now_s()
        bench.driver("signal_generator").wait_until_settled(1.0)
        assert bench.clock.now_s() > before_s


def test_a_pattern_whose_group_takes_no_part_is_a_fault() -> None:
    """An optional group that matched nothing is an unexpected answer, not a crash."""
    meter = changed(shipped_profile("voltmeter"), voltage={"pattern": r"V(\d+)?"})
    with ProfiledBench(profiles={"voltmeter": meter}) as bench:
        one = bench.driver("voltmeter")
        bench.spoil("voltmeter", FaultKind.WRONG, ":READ?", "V")
        with pytest.raises(UnexpectedReply):
            one.read_voltage_v(0.1)


def test_words_are_translated_both_ways() -> None:
    """A profile's word for a mode is what is sent, and what must come back."""
    radio = changed(shipped_profile("radio"), mode={"words": {"FM": "F3E"}})
    with ProfiledBench(profiles={"radio": radio}) as bench:
        one = bench.driver("radio")
        bench.spoil("radio", FaultKind.WRONG, "MODE F3E", 'F3E;0,"No error"')
        one.set_mode("FM")
        bench.spoil("radio", FaultKind.WRONG, "MODE F3E", 'FM;0,"No error"')
        with pytest.raises(NotConfirmed, match="reads back FM"):
            one.set_mode("FM")


# --- faults of the link ---


@pytest.mark.parametrize("kind", ["SOCKET", "INSTR"])
@pytest.mark.parametrize(
    ("fault", "argument", "raised"),
    [
        (FaultKind.TIMEOUT, None, TimedOut),
        (FaultKind.LATE, None, TimedOut),
        (FaultKind.UNTERMINATED, None, TimedOut),
        (FaultKind.DELAY, 30.0, TimedOut),
        (FaultKind.DISCONNECT, None, ConnectionLost),
        (FaultKind.GARBAGE, None, UnexpectedReply),
        (FaultKind.TRUNCATE, 0, UnexpectedReply),
    ],
)
def test_a_fault_names_everything_and_the_next_reading_is_right(
    kind: str, fault: FaultKind, argument: Any, raised: type[InstrumentFault]
) -> None:
    """A fault of the link names instrument, address, command and the next move; the link then mends itself."""
    with ProfiledBench(kind=kind) as bench:
        bench.transmit()
        meter = bench.driver("power_meter")
        right = meter.read_power_dbm()
        bench.spoil("power_meter", fault, ":READ?", argument)
        with pytest.raises(raised) as caught:
            meter.read_power_dbm()
        seen = caught.value
        assert (seen.instrument, seen.address) == ("the power_meter", bench.addresses["power_meter"])
        assert seen.command == ":READ?"
        for part in (seen.instrument, seen.address, seen.command, seen.next_move):
            assert part
            assert part in str(seen)
        assert _mended(meter.read_power_dbm).number == pytest.approx(right.number, abs=0.05)


def _mended(read: Any) -> Any:
    # An answer so late that it outlives a device clear costs one more fault, and a new session.
    try:
        return read()
    except ConnectFailed as fault:
        if "no longer answers as before" not in str(fault):
            raise
        return read()


@pytest.mark.parametrize("kind", ["SOCKET", "INSTR"])
def test_a_late_answer_is_never_taken_for_another_questions(kind: str) -> None:
    """A frequency that comes too late is not read as a deviation, however often it happens."""
    with ProfiledBench(kind=kind) as bench:
        bench.transmit()
        analyser = bench.driver("modulation_analyser")
        bench.spoil("modulation_analyser", FaultKind.LATE, '"FREQuency"', times=3)
        for _ in range(3):
            with pytest.raises(TimedOut):
                analyser.read_frequency_hz()
            deviation = _mended(lambda: analyser.read_deviation_hz("positive"))
            assert deviation.number is not None
            assert 900.0 < deviation.number < 1300.0
        assert analyser.read_frequency_hz().number == pytest.approx(CHANNEL_20_HZ, abs=200.0)


def test_an_instrument_that_stays_away_is_named_at_each_use() -> None:
    """Where every message breaks the link, each use fails with a fault that names the instrument; none hangs."""
    with ProfiledBench() as bench:
        meter = bench.driver("power_meter")
        bench.spoil("power_meter", FaultKind.DISCONNECT, "", times=None)
        with pytest.raises(ConnectionLost, match="the power_meter"):
            meter.read_power_dbm()
        for _ in range(2):
            with pytest.raises(ConnectFailed, match=r"the power_meter.*could not be"):
                meter.read_power_dbm()
        meter.close()
        meter.close()


def test_a_link_lost_in_the_middle_of_two_settings_says_which_one() -> None:
    """When the link breaks between frequency and level, the fault names the level's message, and what was set stays set."""
    with ProfiledBench() as bench:
        generator = bench.driver("signal_generator")
        bench.spoil("signal_generator", FaultKind.DISCONNECT, "AMPLitude ")
        with pytest.raises(ConnectionLost) as caught:
            generator.configure_rf(27.205e6, -73.0)
        assert "AMPLitude -7.3E+1" in caught.value.command
        assert bench.device("signal_generator").frequency_hz == 27.205e6
        assert generator.read_level_dbm() == -137.0


def test_an_instrument_that_is_none_is_found_at_opening() -> None:
    """An address at which something else answers '*IDN?' in another form is not opened."""
    with ProfiledBench() as bench:
        bench.spoil("voltmeter", FaultKind.WRONG, "*IDN?", "login:", times=None)
        with pytest.raises(ConnectFailed, match=r"the voltmeter.*login:"):
            bench.driver("voltmeter")


def test_what_never_settles_is_told_after_the_time_allowed() -> None:
    """A settling bit that stays set is NotSettled after the time allowed on the bench's clock, not for ever."""
    with ProfiledBench() as bench:
        generator = bench.driver("signal_generator")
        bench.spoil("signal_generator", FaultKind.WRONG, "CONDition", "2", times=None)
        before_s = bench.clock.now_s()
        with pytest.raises(NotSettled, match="still settling after 2 s"):
            generator.wait_until_settled(2.0)
        assert 2.0 <= bench.clock.now_s() - before_s < 2.1


def test_a_status_register_that_is_none_is_a_fault() -> None:
    """A condition that is no whole number is an unexpected answer."""
    with ProfiledBench() as bench:
        generator = bench.driver("signal_generator")
        bench.spoil("signal_generator", FaultKind.WRONG, "CONDition", "2.5")
        with pytest.raises(UnexpectedReply):
            generator.wait_until_settled(2.0)


# --- instruments as they are: notes in the error queue, averaging, steps ------------------------------------------------


def test_a_note_of_the_instruments_own_does_not_undo_a_setting_that_reads_back() -> None:
    """SCPI-1999 volume 2, 21.8.2: negative numbers are the standard's errors, positive ones its own notes."""
    with ProfiledBench() as bench:
        generator = bench.driver("signal_generator")
        bench.spoil("signal_generator", FaultKind.ERROR, "AMPLitude", (512, "Reverse power protection reset"))
        generator.set_level_dbm(-80.0)
        assert generator.read_level_dbm() == -80.0
        assert generator.take_warnings() == ['512,"Reverse power protection reset"']
        assert generator.take_warnings() == []
        bench.spoil("signal_generator", FaultKind.ERROR, "AMPLitude", -222)
        with pytest.raises(InstrumentError, match="-222"):
            generator.set_level_dbm(-81.0)


def test_an_error_behind_a_note_is_an_error() -> None:
    """The whole queue is read before anything is believed: a note does not hide the error that came with it."""
    with ProfiledBench() as bench:
        generator = bench.driver("signal_generator")
        bench.device("signal_generator").errors.push(310, text="Oven cold")
        bench.spoil("signal_generator", FaultKind.ERROR, "AMPLitude", -222)
        with pytest.raises(InstrumentError, match=r"310.*then -222"):
            generator.set_level_dbm(-80.0)


def test_a_note_is_a_complaint_where_nothing_else_tells_whether_it_was_done() -> None:
    """Zeroing a sensor has no read-back: a note beside it may be all there is of a failure."""
    with ProfiledBench() as bench:
        meter = bench.driver("power_meter")
        bench.spoil("power_meter", FaultKind.ERROR, "ZERO", (310, "RF present"))
        with pytest.raises(InstrumentError, match="RF present"):
            meter.zero()


@pytest.mark.parametrize(
    ("role", "read"),
    [
        ("audio_analyser", lambda one: one.read_sinad_db(0.1)),
        ("voltmeter", lambda one: one.read_voltage_v(0.1)),
        ("power_meter", lambda one: one.read_power_dbm()),
        ("modulation_analyser", lambda one: one.read_frequency_hz()),
        ("supply", lambda one: one.read_current_a()),
        ("audio_analyser", lambda one: one.capture_audio(0.1, 16e3)),
    ],
    ids=["SINAD", "voltage", "power", "frequency", "current", "recording"],
)
def test_an_instrument_that_averages_is_waited_for_after_a_change_elsewhere(role: str, read: Any) -> None:
    """`settle` passes between the last change of anything on the bench and the reading, and no longer than that."""
    with ProfiledBench(settle_s=2.0) as bench:
        changes = Changes()
        bench.driver("signal_generator").share_changes(changes)
        one = bench.driver(role)
        one.share_changes(changes)
        read(one)
        bench.driver("signal_generator").set_level_dbm(-80.0)
        changed_s = bench.clock.now_s()
        read(one)
        first_s = bench.clock.now_s() - changed_s
        assert first_s >= 2.0
        bench.clock.wait_s(5.0)
        before_s = bench.clock.now_s()
        read(one)
        assert bench.clock.now_s() - before_s == pytest.approx(first_s - 2.0, abs=0.01)


def test_a_reading_time_in_steps_is_used_as_it_reads_back() -> None:
    """0.2, 1, 10 and 100 cycles of a 50 Hz line: what was asked for is rounded up, waited for, and told with the reading."""
    with ProfiledBench() as bench:
        bench.device("voltmeter").steps_s = (0.004, 0.02, 0.2, 2.0)
        voltmeter = bench.driver("voltmeter")
        for asked_s, made_s in ((0.1, 0.2), (0.5, 2.0), (0.02, 0.02), (0.1, 0.2)):
            before_s = bench.clock.now_s()
            assert voltmeter.read_voltage_v(asked_s).reading_s == made_s
            assert bench.clock.now_s() - before_s == pytest.approx(made_s, abs=0.01)
