"""Settings are kept as they read back, and asked for again: what an instrument lost in between is found out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from drivers.faults import ConnectFailed, InstrumentError, NotConfirmed, SettingLost, UnexpectedReply
from sim.scpi.faults import FaultKind
from tests.support.profiled_bench import CHANNEL_20_HZ, ProfiledBench, changed, shipped_profile

NO_ERROR = ';0,"No error"'
SETTINGS: list[tuple[str, Callable[[Any], object]]] = [
    ("signal_generator", lambda g: (g.configure_rf(CHANNEL_20_HZ, -60.0), g.configure_fm(1200.0, 1000.0))),
    ("power_meter", lambda meter: meter.set_correction_frequency_hz(CHANNEL_20_HZ)),
    ("modulation_analyser", lambda analyser: analyser.configure_filters(high_pass_hz=300.0)),
    ("audio_analyser", lambda audio: audio.configure_source(1000.0, 0.02)),
    ("voltmeter", lambda meter: meter.read_voltage_v(0.3)),
    ("supply", lambda supply: supply.configure_voltage(13.2, 4.0)),
    ("switch", lambda switch: switch.connect("transmit")),
    ("radio", lambda radio: radio.set_channel(20)),
]


@pytest.mark.parametrize(("role", "make"), SETTINGS, ids=[role for role, _ in SETTINGS])
def test_an_instrument_that_was_reset_behind_our_back_is_found_out(
    role: str, make: Callable[[Any], object]
) -> None:
    """Every role asks for its settings again in one message, changes none by asking, and says which one is lost."""
    with ProfiledBench() as bench:
        driver = bench.driver(role)
        make(driver)
        before = len(bench.sent(role))
        driver.confirm_settings()
        driver.confirm_settings()
        asked = bench.sent(role)[before:]
        assert len(asked) == 2
        assert asked[0] == asked[1]
        driver._link.write("*RST")
        if role == "radio":  # the box keeps nothing: it is the unit that came up on another channel
            bench.simulation.unit.set_channel(1)
        with pytest.raises(SettingLost, match=r"was set to .* and reads .* now"):
            driver.confirm_settings()
        driver.set_start_state()  # as every check begins
        make(driver)
        driver.confirm_settings()


@pytest.mark.parametrize(
    ("role", "make", "reads"),
    [
        ("signal_generator", lambda g: g.configure_output_enabled(True), "OUTPut:STATe?"),
        ("signal_generator", lambda g: g.configure_am(30.0, 1000.0), "AM:STATe?"),
        ("audio_analyser", lambda a: a.configure_second_tone(1900.0, 0.005), "SOURce2:VOLTage"),
        ("audio_analyser", lambda a: a.configure_weighting("psophometric"), "CCITt"),
        ("audio_analyser", lambda a: a.configure_source_enabled(True), "OUTPut:STATe?"),
        ("audio_analyser", lambda a: a.set_notch_hz(700.0), "SENSe:FREQuency:CW?"),
        ("modulation_analyser", lambda m: m.configure_filters(low_pass_hz=3000.0), "LPASs:STATe?"),
        ("modulation_analyser", lambda m: m.configure_filters(deemphasis_s=750e-6), "DEMPhasis:STATe?"),
        ("modulation_analyser", lambda m: m.configure_demodulator("AM"), "DEModulation?"),
    ],
)
def test_the_start_state_takes_back_what_a_check_did(
    role: str, make: Callable[[Any], object], reads: str
) -> None:
    """Whatever a check switched on is off again, in one message that reads it back; a second time it is the same."""
    with ProfiledBench() as bench:
        driver = bench.driver(role)
        driver.set_start_state()
        fresh = driver._link.query(_question(role, reads))
        make(driver)
        assert driver._link.query(_question(role, reads)) != fresh
        before = len(bench.sent(role))
        driver.set_start_state()
        cleared, message = bench.sent(role)[before:]
        assert cleared.startswith("*CLS;")
        assert reads in message
        assert driver._link.query(_question(role, reads)) == fresh


def _question(role: str, part: str) -> str:
    commands = shipped_profile(role).commands.values()
    (query,) = {command.query for command in commands if part in command.query}
    return query


def test_a_start_state_that_does_not_read_back_is_a_fault() -> None:
    """A second tone that stays on is a fault that names it, and no check begins."""
    with ProfiledBench() as bench:
        audio = bench.driver("audio_analyser")
        bench.spoil(
            "audio_analyser", FaultKind.WRONG, "SOURce2:VOLTage", "0;3E-2;0;0;1000" + NO_ERROR, times=None
        )
        with pytest.raises(NotConfirmed, match="second_level was set to 0 and reads back 3E-2"):
            audio.set_start_state()


def test_an_instrument_that_does_not_know_a_filter_starts_without_it() -> None:
    """What the instrument itself calls an unknown header cannot stand wrong: left out, also the next time; the rest is set."""
    profile = changed(
        shipped_profile("audio_analyser"),
        c_message={"set": ":SENSe:FILTer:NOSuch {number}", "query": ":SENSe:FILTer:NOSuch?"},
    )
    with ProfiledBench(profiles={"audio_analyser": profile}) as bench:
        audio = bench.driver("audio_analyser")
        audio.configure_second_tone(1900.0, 0.005)
        audio.set_start_state()
        assert float(audio._link.query(":SOURce2:VOLTage?")) == 0.0
        before = len(bench.sent("audio_analyser"))
        audio.set_start_state()
        assert not [message for message in bench.sent("audio_analyser")[before:] if "NOSuch" in message]
        with pytest.raises(InstrumentError):
            audio.configure_weighting("C-message")


@pytest.mark.parametrize("identity", ["Wendelmoor,RB,1", "WENDELMOOR", ""])
def test_a_poor_identity_is_proved_by_a_second_answer(identity: str) -> None:
    """Where the identity is not the standard's four fields, the instrument must also know ``*OPC?``; else it is not opened."""
    with ProfiledBench() as bench:
        bench.spoil("voltmeter", FaultKind.WRONG, "*IDN?", identity, times=None)
        assert bench.driver("voltmeter").read_voltage_v(0.1).number is not None
        assert "*OPC?" in bench.sent("voltmeter")
    with ProfiledBench() as bench:
        bench.spoil("voltmeter", FaultKind.WRONG, "*IDN?", identity, times=None)
        bench.spoil("voltmeter", FaultKind.WRONG, "*OPC?", "welcome", times=None)
        with pytest.raises(ConnectFailed, match="could not be proved"):
            bench.driver("voltmeter")


@pytest.mark.parametrize(
    ("role", "order"),
    [
        ("power_meter", ":UNIT:POWer W"),
        ("signal_generator", ":SOURce:AM:SOURce EXTernal"),
        ("voltmeter", ":SENSe:VOLTage:DC:RANGe:AUTO 0"),
        ("modulation_analyser", ":SENSe:FM:DEViation:RANGe:AUTO 0"),
    ],
)
def test_what_a_profile_prepares_is_asked_for_again_too(role: str, order: str) -> None:
    """One that stands otherwise than it was prepared is found out, whatever else was set since, and is prepared anew."""
    with ProfiledBench() as bench:
        driver = bench.driver(role)
        driver.set_start_state()
        dict(SETTINGS)[role](driver)
        driver.confirm_settings()
        driver._link.write(order)
        with pytest.raises(SettingLost, match="when it was opened, and"):
            driver.confirm_settings()
        driver.set_start_state()
        dict(SETTINGS)[role](driver)
        driver.confirm_settings()


def test_a_power_meter_that_restarted_does_not_give_watts_for_dbm() -> None:
    """Its unit is one of the things that a reset changes, and nothing that is set later."""
    with ProfiledBench() as bench:
        meter = bench.driver("power_meter")
        meter._link.write("*RST")
        meter.set_correction_frequency_hz(CHANNEL_20_HZ)
        with pytest.raises(SettingLost, match="UNIT:POWer"):
            meter.confirm_settings()


def test_one_wrong_answer_at_the_opening_is_no_standard() -> None:
    """What a profile prepares is asked for until two answers agree: all that is measured later is held against it."""
    with ProfiledBench() as bench:
        bench.spoil("signal_generator", FaultKind.WRONG, ":UNIT:POWer?", "9.91E37")
        driver = bench.driver("signal_generator")
        driver.set_start_state()
        dict(SETTINGS)["signal_generator"](driver)
        driver.confirm_settings()


def test_an_instrument_that_answers_otherwise_each_time_is_not_opened() -> None:
    """Three answers, no two of them the same: nothing can be held against it."""
    with ProfiledBench() as bench:
        for answer in ("DBM", "W", "V"):
            bench.spoil("signal_generator", FaultKind.WRONG, ":UNIT:POWer?", answer)
        with pytest.raises(UnexpectedReply, match="something else each time") as caught:
            bench.driver("signal_generator")
        assert "DBM, W, V" in str(caught.value)


def test_what_a_restarted_meter_wrote_in_another_unit_is_not_how_it_writes() -> None:
    """Watts with an exponent do not make whole decibels without one look cut."""
    with ProfiledBench() as bench:
        meter = bench.driver("power_meter")
        meter.set_correction_frequency_hz(CHANNEL_20_HZ)
        bench.spoil("power_meter", FaultKind.WRONG, ":READ?", "3.1681442E-11")
        bench.spoil("power_meter", FaultKind.WRONG, ":READ?", "5.5854803")
        meter.read_power_dbm()
        meter._link.write("*RST")
        with pytest.raises(SettingLost):
            meter.confirm_settings()
        meter.set_start_state()
        reading = meter.read_power_dbm()
        assert reading.number == pytest.approx(5.5854803)
        assert not reading.is_cut
