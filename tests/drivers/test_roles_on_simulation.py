"""What each role promises, shown on the simulated instruments: settling, routing, keying, feeding, zeroing, making safe.

Outside the project: S9 is -73 dBm and an S-unit 6 dB (IARU Region 1 Technical Recommendation R.1); error numbers are SCPI-1999's
(from memory). Relay times and sensor zeroing: common practice, no source.
"""

from __future__ import annotations

from typing import Any

import pytest

from drivers import roles
from drivers.faults import InstrumentError, NotConfirmed, Refused
from drivers.registry import PROFILED, driver_names, find_driver
from drivers.roles import Limits, RangeState
from sim.radio.unit import SignalMeter, Specimen, Transmitter
from sim.scpi.faults import FaultKind
from tests.support.profiled_bench import CHANNEL_20_HZ, ROLES, ProfiledBench, changed, shipped_profile

# --- finding a driver ---


def test_every_role_has_a_driver_of_its_own_kind() -> None:
    """The driver of a role is a class of that role and of no other."""
    kinds = {
        "signal_generator": roles.SignalGenerator,
        "power_meter": roles.PowerMeter,
        "modulation_analyser": roles.ModulationAnalyser,
        "audio_analyser": roles.AudioAnalyser,
        "voltmeter": roles.Voltmeter,
        "supply": roles.Supply,
        "switch": roles.Switch,
        "radio": roles.Radio,
        "spectrum_analyser": roles.SpectrumAnalyser,
        "chamber": roles.Chamber,
    }
    assert set(kinds) == set(PROFILED) == set(ROLES)
    for role, kind in kinds.items():
        found = find_driver("profile", role)
        assert [each for each in kinds.values() if issubclass(found, each)] == [kind]


def test_an_unknown_driver_or_role_is_a_key_error_with_the_names_there_are() -> None:
    """What no package offers is refused by name, not by an exhausted search."""
    with pytest.raises(KeyError, match="no driver 'profiel'; there are profile"):
        find_driver("profiel", "radio")
    with pytest.raises(KeyError):
        find_driver("profile", "oscilloscope")
    assert driver_names()[0] == "profile"


# --- every role ---


@pytest.mark.parametrize("role", ROLES)
def test_opening_tells_who_it_is_and_brings_a_known_state(role: str) -> None:
    """An instrument that was left in any state is identified, reset, its error queue emptied."""
    with ProfiledBench() as bench:
        device = bench.device(role)
        device.report(-310)
        one = bench.driver(role)
        identity = one.open()
        assert (identity.maker, identity.model) == device.identity[:2]
        assert one.read_errors() == []
        assert "*CLS" in bench.sent(role)[1]
        assert "*RST" in bench.sent(role)[2]


@pytest.mark.parametrize("role", ROLES)
def test_disabling_leaves_nothing_on(role: str) -> None:
    """After `disable` a generator, a source and a key read off, each confirmed by a question to the instrument."""
    with ProfiledBench() as bench:
        bench.receive()
        bench.driver("audio_analyser").configure_source_enabled(True)
        bench.driver(role).disable()
        if role == "signal_generator":
            assert bench.device(role).output_on is False
            assert bench.device(role).delivered is None
        if role == "audio_analyser":
            assert bench.device(role).output_on is False
        if role == "radio":
            assert bench.simulation.unit.keyed is False
        assert bench.driver(role).read_errors() == []


def test_disabling_a_key_that_stays_closed_is_not_confirmed() -> None:
    """A key line that reads closed after its release is told, with the words to remove the supply."""
    with ProfiledBench() as bench:
        radio = bench.driver("radio")
        bench.spoil("radio", FaultKind.WRONG, "KEY:STATe 0", '1;0,"No error"', times=None)
        with pytest.raises(NotConfirmed, match="Remove the supply"):
            radio.disable()


# --- signal generator ---


def _needle_v(bench: ProfiledBench) -> float:
    reading = bench.driver("voltmeter").read_voltage_v(0.005)
    assert reading.number is not None
    return float(reading.number)


def _quiet(**fields: float) -> Specimen:
    meter = SignalMeter(noise_v=0.0, jitter_db=0.0, **{"attack_s": 1e-4, "decay_s": 1e-4, **fields})
    return Specimen(serial="M40-0098", meter=meter)


def test_a_reading_right_after_settling_is_right_and_before_it_is_3_db_low() -> None:
    """The output is 3 dB low while it settles: half an S-unit is missing before `wait_until_settled`, nothing after it."""
    with ProfiledBench(specimen=_quiet()) as bench:
        bench.receive(-95.0)
        generator = bench.driver("signal_generator")
        generator.set_level_dbm(-73.6 + 0.4)  # the path's loss is 0.4 dB, the unit's S9 -73.6 dBm at 2.25 V
        early_v = _needle_v(bench)
        generator.set_level_dbm(-80.0)
        generator.set_level_dbm(-73.6 + 0.4)
        before_s = bench.clock.now_s()
        generator.wait_until_settled(1.0)
        assert 0.025 < bench.clock.now_s() - before_s < 0.045  # by its own bit: no more than it needs
        right_v = _needle_v(bench)
    assert right_v == pytest.approx(2.25, abs=0.005)
    assert early_v == pytest.approx(2.25 - 0.25 * 3.0 / 6.0, abs=0.03)


def test_without_a_settling_bit_the_time_of_the_bench_file_is_waited() -> None:
    """A profile that cannot ask waits the bench file's settling time, and the reading is right."""
    profile = changed(shipped_profile("signal_generator"), settling=None)
    with ProfiledBench(specimen=_quiet(), profiles={"signal_generator": profile}, settle_s=0.031) as bench:
        bench.receive(-95.0)
        generator = bench.driver("signal_generator")
        generator.set_level_dbm(-73.2)
        before_s = bench.clock.now_s()
        generator.wait_until_settled(1.0)
        assert bench.clock.now_s() - before_s == pytest.approx(0.031)
        assert _needle_v(bench) == pytest.approx(2.25, abs=0.005)
        assert not any("CONDition" in each for each in bench.sent("signal_generator"))


def test_a_slow_needle_has_moved_although_nobody_looked_meanwhile() -> None:
    """Time that passes without a look counts: a needle of 0.5 s rests 5 s after the step, settling bit asked or not."""
    volts = []
    for settling in ({}, None):
        profile = changed(shipped_profile("signal_generator"), settling=settling)
        slow = _quiet(attack_s=0.5, decay_s=0.5)
        with ProfiledBench(specimen=slow, profiles={"signal_generator": profile}, settle_s=0.031) as bench:
            bench.receive(-95.0)
            bench.driver("signal_generator").set_level_dbm(-73.2)
            if settling is not None:
                bench.driver("signal_generator").wait_until_settled(1.0)
            bench.clock.wait_s(5.0)
            volts.append(_needle_v(bench))
    assert volts == pytest.approx([2.25, 2.25], abs=0.005)


def test_switching_the_output_is_confirmed_by_its_own_answer() -> None:
    """On and off are read back, and are what the unit hears."""
    with ProfiledBench() as bench:
        generator = bench.driver("signal_generator")
        for enabled in (True, False, True):
            generator.configure_output_enabled(enabled)
            assert generator.read_output_enabled() is enabled
            assert (bench.device("signal_generator").delivered is not None) is enabled


def test_one_modulation_ends_the_other() -> None:
    """FM after AM leaves FM alone, AM after FM leaves AM alone, none leaves a bare carrier."""
    with ProfiledBench() as bench:
        generator = bench.driver("signal_generator")
        generator.configure_output_enabled(True)
        found = []
        for act in (
            lambda: generator.configure_am(30.0, 400.0),
            lambda: generator.configure_fm(1200.0, 1000.0),
            lambda: generator.configure_am(60.0, 400.0),
            generator.disable_all_modulation,
        ):
            act()
            signal = bench.device("signal_generator").delivered
            found.append((signal.fm_deviation_hz, signal.am_depth_percent))
    assert found == [(0.0, 30.0), (1200.0, 0.0), (0.0, 60.0), (0.0, 0.0)]


def test_a_level_is_refused_by_the_bench_before_the_instrument() -> None:
    """The bench's range is asked first: no error is left in the instrument's queue."""
    with ProfiledBench(limits=Limits(level_min_dbm=-137.0, level_max_dbm=0.0)) as bench:
        generator = bench.driver("signal_generator")
        with pytest.raises(Refused, match=r"12\.0 dBm refused"):
            generator.set_level_dbm(12.0)
        assert generator.read_errors() == []
        assert generator.read_level_dbm() == -137.0


# --- power meter and modulation analyser ---


def test_the_meter_is_under_range_unkeyed_and_over_range_in_a_small_range() -> None:
    """A meter that cannot measure says so as a state; keyed in its own range it gives a number."""
    with ProfiledBench() as bench:
        meter = bench.driver("power_meter")
        assert meter.read_power_dbm().state is RangeState.UNDER_RANGE
        bench.transmit()
        assert meter.read_power_dbm().number == pytest.approx(5.8, abs=0.2)  # 3.8 W is 35.8 dBm, less 30 dB
        _say(bench, "power_meter", ":SENS:POW:AC:RANG:UPP -10")
        reading = meter.read_power_dbm()
        assert (reading.number, reading.state) == (None, RangeState.OVER_RANGE)


def test_a_deviation_beyond_a_manual_range_is_no_number() -> None:
    """1.8 kHz in a range of 1 kHz is over range; unkeyed there is no measurement."""
    with ProfiledBench() as bench:
        analyser = bench.driver("modulation_analyser")
        assert analyser.read_deviation_hz("positive").state is RangeState.NO_MEASUREMENT
        assert analyser.read_frequency_hz().state is RangeState.NO_MEASUREMENT
        bench.transmit()
        bench.driver("audio_analyser").configure_source(1000.0, 0.1)
        assert analyser.read_deviation_hz("positive").number == pytest.approx(1800.0, rel=0.05)
        _say(bench, "modulation_analyser", ":SENS:FM:DEV:RANG:UPP 1000")
        for side in ("positive", "negative"):
            assert analyser.read_deviation_hz(side).state is RangeState.OVER_RANGE
        analyser.tune_hz(CHANNEL_20_HZ + 60e3)
        assert analyser.read_frequency_hz().state is RangeState.NO_MEASUREMENT


def test_a_voltage_beyond_a_manual_range_is_no_number() -> None:
    """2.25 V in a range of 1 V is over range."""
    with ProfiledBench() as bench:
        bench.receive()
        voltmeter = bench.driver("voltmeter")
        assert voltmeter.read_voltage_v(0.1).number is not None
        _say(bench, "voltmeter", ":SENS:VOLT:DC:RANG:UPP 1")
        assert voltmeter.read_voltage_v(0.1).state is RangeState.OVER_RANGE


def _say(bench: ProfiledBench, role: str, message: str) -> None:
    """Turn a knob of a simulated instrument past its driver, as somebody at its front panel would."""
    device = bench.device(role)
    device.input(message.encode())
    assert device.errors.pop().startswith("0,")


def test_zeroing_waits_for_the_sensor_and_is_refused_with_power_on() -> None:
    """Zeroing takes 3 s of bench time, longer than a plain answer may; with RF on it is the meter's error -340."""
    with ProfiledBench() as bench:
        meter = bench.driver("power_meter")
        before_s = bench.clock.now_s()
        meter.zero()
        assert 3.0 <= bench.clock.now_s() - before_s < 3.1
        bench.transmit()
        with pytest.raises(InstrumentError, match="-340"):
            meter.zero()


# --- audio analyser and voltmeter ---


@pytest.mark.parametrize(
    ("role", "read"),
    [
        ("audio_analyser", lambda one, s: one.read_sinad_db(s)),
        ("audio_analyser", lambda one, s: one.read_level_v(s)),
        ("voltmeter", lambda one, s: one.read_voltage_v(s)),
    ],
)
def test_a_reading_takes_the_time_asked_for(role: str, read: Any) -> None:
    """A reading of 0.05, 0.5 and 5 s takes that long on the bench's clock, also beyond the plain time-out."""
    with ProfiledBench() as bench:
        bench.receive()
        one = bench.driver(role)
        for reading_s in (0.05, 0.5, 5.0, 5.0):
            before_s = bench.clock.now_s()
            assert read(one, reading_s).number is not None
            assert bench.clock.now_s() - before_s == pytest.approx(reading_s, abs=1e-6)
        setting = shipped_profile(role).commands["reading_time"].set.split("{")[0]
        # set when it changes, and not again for the same time
        assert sum(each.startswith(setting) for each in bench.sent(role)) == 3


def test_an_analyser_without_a_reading_time_is_read_as_it_stands() -> None:
    """Where the profile has no reading time, the analyser's own is taken."""
    profile = changed(shipped_profile("audio_analyser"), reading_time=None)
    with ProfiledBench(profiles={"audio_analyser": profile}) as bench:
        bench.receive()
        before_s = bench.clock.now_s()
        assert bench.driver("audio_analyser").read_sinad_db(0.5).number is not None
        assert bench.clock.now_s() - before_s == pytest.approx(0.2)


# --- supply ---


def test_the_current_limit_is_set_before_the_voltage() -> None:
    """The limit stands before the voltage rises."""
    with ProfiledBench() as bench:
        supply = bench.driver("supply")
        start = len(bench.sent("supply"))
        supply.configure_voltage(13.2, 6.0)
        current, voltage = bench.sent("supply")[start:]
        assert ":CURRent" in current
        assert ":VOLTage" in voltage


def test_voltage_and_current_are_read_at_the_terminals() -> None:
    """Off reads nothing, on reads what was set, keyed draws more."""
    with ProfiledBench() as bench:
        supply = bench.driver("supply")
        supply.configure_voltage(13.2, 6.0)
        assert supply.read_voltage_v().number == pytest.approx(0.0, abs=0.01)
        bench.receive()
        assert supply.read_voltage_v().number == pytest.approx(13.2, abs=0.02)
        idle_a = supply.read_current_a().number
        bench.driver("signal_generator").configure_output_enabled(False)
        bench.transmit()
        assert supply.read_current_a().number > idle_a + 0.3


# --- switch and radio ---


@pytest.mark.parametrize("settle_s", [0.0, 0.02, 0.2])
def test_a_stated_settling_time_is_waited_for_beside_the_generator_s_own_word(settle_s: float) -> None:
    """A generator that says when it has settled is given the bench file's time too; stating one is never without effect."""
    with ProfiledBench(settle_s=settle_s) as bench:
        generator = bench.driver("signal_generator")
        generator.wait_until_settled(1.0)  # from here on nothing settles any more
        before_s = bench.clock.now_s()
        generator.wait_until_settled(1.0)
        assert settle_s <= bench.clock.now_s() - before_s < settle_s + 0.05


@pytest.mark.parametrize("settle_s", [0.0, 0.02, 0.2])
def test_a_route_is_confirmed_when_the_contacts_rest(settle_s: float) -> None:
    """Whatever settling time the bench file states, `connect` returns with the switch where it was sent."""
    with ProfiledBench(settle_s=settle_s) as bench:
        switch = bench.driver("switch")
        assert switch.read_path() == "open"
        for path in ("receive", "transmit", "transmit", "receive"):
            before_s = bench.clock.now_s()
            switch.connect(path)
            assert switch.read_path() == path
            assert bench.simulation.wiring.paths.moving is False
            assert settle_s <= bench.clock.now_s() - before_s < settle_s + 0.05


@pytest.mark.parametrize(
    ("receive", "transmit", "stands"), [("0", "0", "open"), ("1", "1", "both"), ("1", "0", "receive")]
)
def test_a_switch_that_stands_elsewhere_is_not_confirmed(receive: str, transmit: str, stands: str) -> None:
    """A relay that does not close, one that sticks and one that is reversed are told within half a second."""
    with ProfiledBench() as bench:
        switch = bench.driver("switch")
        bench.spoil("switch", FaultKind.WRONG, "CLOSe? (@1)", receive, times=None)
        bench.spoil("switch", FaultKind.WRONG, "CLOSe? (@2)", transmit, times=None)
        before_s = bench.clock.now_s()
        with pytest.raises(NotConfirmed, match=f"the switch stands on {stands}"):
            switch.connect("transmit")
        assert 0.5 <= bench.clock.now_s() - before_s < 0.6
        assert switch.read_path() == stands


def test_a_contact_that_bounces_is_waited_for() -> None:
    """One reading of the wanted path between others does not count: two in a row do."""
    with ProfiledBench() as bench:
        switch = bench.driver("switch")
        switch.connect("receive")
        for answer in ("1", "0", "1", "0"):  # relay 1 as it bounces, before it answers for itself
            bench.spoil("switch", FaultKind.WRONG, "CLOSe? (@1)", answer)
        before = len(bench.sent("switch"))
        switch.connect("receive")
        asked = [each for each in bench.sent("switch")[before:] if each.endswith("CLOSe? (@1)")]
        assert len(asked) == 6


def test_keying_is_read_back_and_released() -> None:
    """Key and release are what the unit does and what the box reads."""
    with ProfiledBench() as bench:
        bench.transmit()
        radio = bench.driver("radio")
        assert radio.read_keyed() is True
        assert bench.simulation.wiring.emission() is not None
        radio.unkey()
        assert radio.read_keyed() is False
        assert bench.simulation.wiring.emission() is None
        assert bench.simulation.hazards == ()


def test_opening_a_radio_that_was_left_keyed_releases_it() -> None:
    """Whatever state a crashed run left: the key is open before anything else is done."""
    with ProfiledBench() as bench:
        bench.simulation.unit.key()
        bench.driver("radio")
        assert bench.simulation.unit.keyed is False


def test_an_unknown_channel_leaves_the_radio_where_it_was() -> None:
    """Channel 41 of 40 is the box's error -222, and channel 20 stays selected."""
    with ProfiledBench() as bench:
        radio = bench.driver("radio")
        radio.set_channel(20)
        with pytest.raises(InstrumentError, match="-222"):
            radio.set_channel(41)
        assert bench.simulation.unit.channel == 20


def test_a_unit_without_enough_current_goes_dead_when_keyed() -> None:
    """Keyed with a current limit below what it draws, the unit loses its supply at once and radiates nothing."""
    hungry = Specimen(serial="M40-0097", transmitter=Transmitter(transmit_a=2.0))
    with ProfiledBench(specimen=hungry) as bench:
        bench.transmit()
        assert bench.driver("power_meter").read_power_dbm().number is not None
        bench.driver("radio").unkey()
        supply = bench.driver("supply")
        supply.configure_voltage(13.2, 1.0)
        supply.configure_output_enabled(True)
        bench.clock.wait_s(0.5)
        bench.driver("radio").key()
        bench.clock.wait_s(0.1)
        assert bench.driver("power_meter").read_power_dbm().state is RangeState.UNDER_RANGE
        assert supply.read_voltage_v().number == pytest.approx(0.0, abs=0.02)
