"""Shipped command profiles, driven command by command on the simulated instruments, and what is found wrong with a profile.

Outside the project: the command words are SCPI-1999's and the common commands IEEE 488.2's (both from memory); the values that are
read back are those that were set. That a profile is *right* for a real instrument only that instrument can show.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from drivers.profiled.commands import ROLE_COMMANDS, commands_of
from drivers.profiled.profile import Command, Profile, find_faults
from drivers.roles import SpectrumSettings
from sequencer.files.shipped import find_file, shipped_names
from sequencer.inputs.load_bench import load_bench
from sequencer.problems import FileProblems
from tests.support.profiled_bench import CHANNEL_20_HZ, ProfiledBench, changed, shipped_profile

BLOCK = "a definite-length block, which the driver has read"


class Drive(NamedTuple):
    """How one command is driven, and the answer (or its bounds) that its query must then give."""

    act: Callable[[ProfiledBench], Any]
    answer: str | float | tuple[float, float] | None = None


def _with(role: str, act: Callable[[Any], Any]) -> Callable[[ProfiledBench], Any]:
    return lambda bench: act(bench.driver(role))


def _keyed(role: str, act: Callable[[Any], Any]) -> Callable[[ProfiledBench], Any]:
    def drive(bench: ProfiledBench) -> Any:
        bench.transmit()
        return act(bench.driver(role))

    return drive


def _heard(role: str, act: Callable[[Any], Any]) -> Callable[[ProfiledBench], Any]:
    def drive(bench: ProfiledBench) -> Any:
        bench.receive()
        return act(bench.driver(role))

    return drive


def _common(role: str) -> dict[str, Drive]:
    identity = {
        "signal_generator": "Hollinbrook,SG-2,2201,1.4 (simulated)",
        "power_meter": "Hollinbrook,PM-1,3107,2.0 (simulated)",
        "modulation_analyser": "Hollinbrook,MA-4,4410,3.1 (simulated)",
        "audio_analyser": "Hollinbrook,AA-3,6123,1.9 (simulated)",
        "voltmeter": "Hollinbrook,DV-5,7045,1.1 (simulated)",
        "supply": "Hollinbrook,PS-30,1007,1.02 (simulated)",
        "switch": "Hollinbrook,SW-2,5002,1.0 (simulated)",
        "radio": "Hollinbrook,RB-1,8001,0.9 (simulated)",
        "chamber": "Hollinbrook,CC-2,9102,1.1 (simulated)",
        "spectrum_analyser": "Hollinbrook,SA-3,5120,1.4 (simulated)",
    }[role]
    return {
        "identity": Drive(_with(role, lambda one: one.ask("identity")), identity),
        "reset": Drive(_with(role, lambda one: one)),  # opening sends it
        "clear": Drive(_with(role, lambda one: one)),  # and this
        "error": Drive(_with(role, lambda one: one.read_errors()), '0,"No error"'),
        "complete": Drive(_with(role, lambda one: one.ask("complete")), 1.0),
    }


def _modulation_off(generator: Any) -> None:
    generator.configure_fm(1200.0, 1000.0)
    generator.disable_all_modulation()
    assert generator.ask("fm_state") == "0"


def _looking(**changes: Any) -> Callable[[ProfiledBench], None]:
    """Return what has the spectrum analyser look at channel 20 with a keyed unit there."""
    usual: dict[str, Any] = {
        "centre_hz": 27.205e6,
        "span_hz": 40e3,
        "resolution_bandwidth_hz": 300.0,
        "points": 401,
    }
    settings = SpectrumSettings(**usual | {"reference_level_dbm": 10.0, "attenuation_db": 20.0} | changes)

    def look(analyser: Any) -> None:
        analyser.configure_spectrum(settings)
        analyser.read_spectrum()

    return _keyed("spectrum_analyser", look)


DRIVES: dict[str, dict[str, Drive]] = {
    "signal_generator": {
        "frequency": Drive(_with("signal_generator", lambda g: g.configure_rf(27.205e6, -73.0)), 27.205e6),
        "level": Drive(_with("signal_generator", lambda g: g.set_level_dbm(-73.21)), -73.21),
        "output": Drive(_with("signal_generator", lambda g: g.configure_output_enabled(True)), 1.0),
        "modulation_off": Drive(_with("signal_generator", _modulation_off)),
        "fm_deviation": Drive(_with("signal_generator", lambda g: g.configure_fm(1234.0, 400.0)), 1234.0),
        "fm_tone": Drive(_with("signal_generator", lambda g: g.configure_fm(1200.0, 412.5)), 412.5),
        "fm_state": Drive(_with("signal_generator", lambda g: g.configure_fm(1200.0, 1000.0)), 1.0),
        "am_depth": Drive(_with("signal_generator", lambda g: g.configure_am(60.0, 1000.0)), 60.0),
        "am_tone": Drive(_with("signal_generator", lambda g: g.configure_am(30.0, 1250.0)), 1250.0),
        "am_state": Drive(_with("signal_generator", lambda g: g.configure_am(30.0, 1000.0)), 1.0),
        "settling": Drive(_with("signal_generator", lambda g: g.wait_until_settled(1.0)), 0.0),
    },
    "power_meter": {
        "correction_frequency": Drive(
            _with("power_meter", lambda m: m.set_correction_frequency_hz(27.205e6)), 27.205e6
        ),
        # 3.8 W through 30 dB is +5.8 dBm
        "power": Drive(_keyed("power_meter", lambda m: m.read_power_dbm()), (5.5, 6.1)),
        "peak_power": Drive(_keyed("power_meter", lambda m: m.read_peak_envelope_dbm()), (5.5, 6.1)),
        "zero": Drive(_with("power_meter", lambda m: m.zero())),
    },
    "modulation_analyser": {
        "tune": Drive(_with("modulation_analyser", lambda a: a.tune_hz(27.205e6)), 27.205e6),
        "carrier_frequency": Drive(
            _keyed("modulation_analyser", lambda a: a.read_frequency_hz()),
            (CHANNEL_20_HZ - 200, CHANNEL_20_HZ + 200),
        ),
        # 10 mV at 1 kHz is this unit's normal test modulation: 60 % of its 1.8 kHz maximum
        "deviation_positive": Drive(
            _keyed("modulation_analyser", lambda a: a.read_deviation_hz("positive")), (1000.0, 1160.0)
        ),
        "deviation_negative": Drive(
            _keyed("modulation_analyser", lambda a: a.read_deviation_hz("negative")), (1000.0, 1160.0)
        ),
        # a sine of 1080 Hz peak is 764 Hz rms
        "deviation_rms": Drive(
            _keyed("modulation_analyser", lambda a: a.read_rms_deviation_hz()), (720.0, 810.0)
        ),
        # an FM carrier has next to no AM
        "depth_positive": Drive(
            _keyed("modulation_analyser", lambda a: a.read_depth_percent("positive")), (-0.1, 2.0)
        ),
        "depth_negative": Drive(
            _keyed("modulation_analyser", lambda a: a.read_depth_percent("negative")), (-0.1, 2.0)
        ),
        "depth_rms": Drive(_keyed("modulation_analyser", lambda a: a.read_rms_depth_percent()), (-0.1, 2.0)),
        "demodulator": Drive(_with("modulation_analyser", lambda a: a.configure_demodulator("AM")), "AM"),
        "high_pass": Drive(
            _with("modulation_analyser", lambda a: a.configure_filters(high_pass_hz=300.0)), 1.0
        ),
        "high_pass_frequency": Drive(
            _with("modulation_analyser", lambda a: a.configure_filters(high_pass_hz=400.0)), 400.0
        ),
        "low_pass": Drive(
            _with("modulation_analyser", lambda a: a.configure_filters(low_pass_hz=3000.0)), 1.0
        ),
        "low_pass_frequency": Drive(
            _with("modulation_analyser", lambda a: a.configure_filters(low_pass_hz=3400.0)), 3400.0
        ),
        "deemphasis": Drive(
            _with("modulation_analyser", lambda a: a.configure_filters(deemphasis_s=5e-5)), 1.0
        ),
        "deemphasis_time": Drive(
            _with("modulation_analyser", lambda a: a.configure_filters(deemphasis_s=7.5e-4)), 7.5e-4
        ),
        # the specimen states 1.2 % of distortion; residual modulation comes on top
        "distortion": Drive(_keyed("modulation_analyser", lambda a: a.read_distortion_percent()), (0.3, 4.0)),
        "audio_frequency": Drive(
            _keyed("modulation_analyser", lambda a: a.read_audio_frequency_hz()), (999.0, 1001.0)
        ),
        "selective_bandwidth": Drive(
            _keyed("modulation_analyser", lambda a: a.read_selective_dbm(CHANNEL_20_HZ, 300.0)), 300.0
        ),
        # modulation index 1.08: J0 leaves 0.73 of the carrier, 2.8 dB below +5.8 dBm
        "selective_level": Drive(
            _keyed("modulation_analyser", lambda a: a.read_selective_dbm(CHANNEL_20_HZ, 300.0)), (1.5, 4.0)
        ),
        "recording_points": Drive(
            _keyed("modulation_analyser", lambda a: a.capture_audio(0.1, 48e3)), 4800.0
        ),
        "recording_interval": Drive(
            _keyed("modulation_analyser", lambda a: a.capture_audio(0.1, 50e3)), 2e-5
        ),
        "record": Drive(_keyed("modulation_analyser", lambda a: a.capture_audio(0.1, 48e3))),
        "recorded_audio": Drive(_keyed("modulation_analyser", lambda a: a.capture_audio(0.1, 48e3)), BLOCK),
        "begin_recording": Drive(_keyed("modulation_analyser", lambda a: a.begin_baseband(0.1, 48e3))),
        "recorded_baseband": Drive(
            _keyed("modulation_analyser", lambda a: a.capture_baseband(0.1, 48e3)), BLOCK
        ),
    },
    "audio_analyser": {
        "source_tone": Drive(_with("audio_analyser", lambda a: a.configure_source(1250.0, 0.02)), 1250.0),
        "source_level": Drive(_with("audio_analyser", lambda a: a.configure_source(1000.0, 0.0123)), 0.0123),
        "source_output": Drive(_with("audio_analyser", lambda a: a.configure_source_enabled(True)), 1.0),
        "reading_time": Drive(_with("audio_analyser", lambda a: a.read_sinad_db(0.35)), 0.35),
        "sinad": Drive(_heard("audio_analyser", lambda a: a.read_sinad_db(0.2)), (25.0, 50.0)),
        "level": Drive(_heard("audio_analyser", lambda a: a.read_level_v(0.2)), (1.0, 3.0)),
        "second_tone": Drive(
            _with("audio_analyser", lambda a: a.configure_second_tone(1900.0, 0.01)), 1900.0
        ),
        "second_level": Drive(_with("audio_analyser", lambda a: a.configure_second_tone(1900.0, 0.01)), 0.01),
        "psophometric": Drive(_with("audio_analyser", lambda a: a.configure_weighting("psophometric")), 1.0),
        "c_message": Drive(_with("audio_analyser", lambda a: a.configure_weighting("C-message")), 1.0),
        "notch": Drive(_with("audio_analyser", lambda a: a.set_notch_hz(400.0)), 400.0),
        "distortion": Drive(_heard("audio_analyser", lambda a: a.read_distortion_percent(0.2)), (0.5, 5.0)),
        "audio_frequency": Drive(
            _heard("audio_analyser", lambda a: a.read_audio_frequency_hz(0.2)), (999.0, 1001.0)
        ),
        "recording_points": Drive(_heard("audio_analyser", lambda a: a.capture_audio(0.1, 48e3)), 4800.0),
        "recording_interval": Drive(_heard("audio_analyser", lambda a: a.capture_audio(0.1, 50e3)), 2e-5),
        "record": Drive(_heard("audio_analyser", lambda a: a.capture_audio(0.1, 48e3))),
        "recorded_audio": Drive(_heard("audio_analyser", lambda a: a.capture_audio(0.1, 48e3)), BLOCK),
    },
    "voltmeter": {
        "reading_time": Drive(_with("voltmeter", lambda v: v.read_voltage_v(0.25)), 0.25),
        # the specimen's meter line: 2.25 V at -73.6 dBm
        "voltage": Drive(_heard("voltmeter", lambda v: v.read_voltage_v(0.1)), (2.1, 2.4)),
    },
    "supply": {
        "voltage": Drive(_with("supply", lambda s: s.configure_voltage(13.2, 4.0)), 13.2),
        "current_limit": Drive(_with("supply", lambda s: s.configure_voltage(13.2, 4.0)), 4.0),
        "output": Drive(_with("supply", lambda s: s.configure_output_enabled(True)), 1.0),
        "measured_voltage": Drive(_keyed("supply", lambda s: s.read_voltage_v()), (13.15, 13.25)),
        "measured_current": Drive(_keyed("supply", lambda s: s.read_current_a()), (0.5, 3.0)),
    },
    "switch": {
        "connect_receive": Drive(_with("switch", lambda s: s.connect("receive"))),
        "connect_transmit": Drive(_with("switch", lambda s: s.connect("transmit"))),
        "receive_closed": Drive(_with("switch", lambda s: s.connect("receive")), 1.0),
        "transmit_closed": Drive(_with("switch", lambda s: s.connect("transmit")), 1.0),
        "connect_check": Drive(_with("switch", lambda s: s.connect_check())),
        "check_closed": Drive(_with("switch", lambda s: s.connect_check()), 1.0),
    },
    "radio": {
        "channel": Drive(_with("radio", lambda r: r.set_channel(40)), 40.0),
        "mode": Drive(_with("radio", lambda r: r.set_mode("FM")), "FM"),
        "key": Drive(_keyed("radio", lambda r: r.key()), 1.0),
        "preset_name": Drive(_with("radio", lambda r: r.set_preset("tx_bias", 130)), "tx_bias"),
        "preset": Drive(_with("radio", lambda r: r.set_preset("tx_bias", 130)), 130.0),
    },
    "chamber": {
        "temperature": Drive(_with("chamber", lambda c: c.configure_temperature_c(-10.0)), -10.0),
        "output": Drive(_with("chamber", lambda c: c.configure_output_enabled(True)), 1.0),
        "measured_temperature": Drive(_with("chamber", lambda c: c.read_temperature_c()), (22.4, 23.6)),
        "specimen_temperature": Drive(_with("chamber", lambda c: c.read_specimen_c()), (22.4, 23.6)),
    },
    "spectrum_analyser": {
        "centre": Drive(_looking(), 27.205e6),
        "span": Drive(_looking(), 40e3),
        "resolution_bandwidth": Drive(_looking(), 300.0),
        "video_bandwidth": Drive(_looking(video_bandwidth_hz=3e3), 3e3),
        "video_bandwidth_auto": Drive(_looking(), 1.0),
        "detector": Drive(_looking(detector="sample"), "SAMP"),
        "reference_level": Drive(_looking(), 10.0),
        "attenuation": Drive(_looking(), 20.0),
        "sweep_points": Drive(_looking(), 401.0),
        "sweep_time": Drive(_looking(sweep_time_s=2.0), 2.0),
        "sweep_time_auto": Drive(_looking(), 1.0),
        "continuous": Drive(_looking(), 0.0),
        "sweep": Drive(_looking()),
        "block_format": Drive(_looking(), "REAL,32"),
        "trace": Drive(_looking(), BLOCK),
        "overload": Drive(_looking(), 0.0),
        "uncalibrated": Drive(_looking(), 0.0),
    },
}

SHIPPED = [
    (role, name)
    for role in ROLE_COMMANDS
    for name in commands_of(role)
    if name in shipped_profile(role).commands
]


@pytest.mark.parametrize(("role", "name"), SHIPPED)
def test_each_command_of_a_shipped_profile_is_driven(role: str, name: str) -> None:
    """The driver sends the command as the profile writes it, the instrument takes it without complaint and answers as set."""
    assert name in {**_common(role), **DRIVES[role]}, f"no test drives {name!r} of {role}"
    drive = {**_common(role), **DRIVES[role]}[name]
    command = shipped_profile(role).commands[name]
    with ProfiledBench() as bench:
        drive.act(bench)
        sent = bench.sent(role)
        if command.set:
            assert any(command.set.split("{")[0] in message for message in sent), sent
        if command.query:
            assert any(command.query in message for message in sent), sent
            if drive.answer is not BLOCK:
                _compare(bench.driver(role).ask(name), drive.answer)
        assert bench.driver(role).read_errors() == []
        assert bench.simulation.hazards == ()


def _compare(answer: str, expected: str | float | tuple[float, float] | None) -> None:
    assert expected is not None, "a query must be compared with something"
    if isinstance(expected, str):
        assert answer == expected
    elif isinstance(expected, tuple):
        assert expected[0] < float(answer) < expected[1]
    else:
        assert float(answer) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("role", ROLE_COMMANDS)
def test_a_setting_and_its_read_back_go_in_one_message(role: str) -> None:
    """Whatever is set and asked by one command is set, asked and its error queue read in one message."""
    for name, command in shipped_profile(role).commands.items():
        if not (command.set and command.query):
            continue
        with ProfiledBench() as bench:
            DRIVES[role][name].act(bench)
            whole = [
                each
                for each in bench.sent(role)
                if command.set.split("{")[0] in each
                and f";{command.query};" in each
                and each.endswith(";:SYSTem:ERRor?")
            ]
            assert whole, (name, bench.sent(role))


def test_every_role_has_a_sound_shipped_profile_that_names_its_source() -> None:
    """Each role's shipped profile states every needed command, without fault, and where its words come from."""
    for role in ROLE_COMMANDS:
        assert f"{role}/scpi-1999.yaml" in shipped_names("profile", within=role)
        profile = shipped_profile(role)
        assert list(find_faults(profile)) == []
        assert profile.role == role
        assert "memory" in profile.source or "own" in profile.source


def test_every_prepared_message_is_taken() -> None:
    """What a shipped profile sends once after the reset is understood by the instrument."""
    for role in ROLE_COMMANDS:
        with ProfiledBench() as bench:
            assert bench.driver(role).read_errors() == []
            for message in shipped_profile(role).prepare:
                assert any(message in each for each in bench.sent(role))


# --- what is wrong with a profile ---

GENERATOR = shipped_profile("signal_generator")


def _command(**fields: Any) -> Profile:
    return changed(GENERATOR, frequency=fields)


def _added(name: str) -> Profile:
    return Profile(
        profile="own",
        role="signal_generator",
        source="test",
        commands={**GENERATOR.commands, name: Command(query=":X?")},
    )


def _prepared(message: str) -> Profile:
    return Profile(
        profile="own",
        role="signal_generator",
        source="test",
        commands=GENERATOR.commands,
        prepare=(message,),
    )


@pytest.mark.parametrize(
    ("profile", "at", "found"),
    [
        (
            Profile(profile="x", role="oscillator", source="", commands={}),
            ("role",),
            "unknown role 'oscillator'",
        ),
        (_added("frequncy"), ("commands", "frequncy"), "unknown command 'frequncy'"),
        (changed(GENERATOR, level=None), ("commands",), "command 'level' is missing"),
        (changed(GENERATOR, error=None), ("commands",), "command 'error' is missing"),
        (_command(set=""), ("commands", "frequency"), "has no 'set' message"),
        (_command(query=""), ("commands", "frequency"), "has no 'query' message"),
        (_command(set=":FREQ {hertz}"), ("commands", "frequency", "set"), "has a place for 'hertz'"),
        (
            _command(set=":FREQ {number:.3f}"),
            ("commands", "frequency", "set"),
            "has a place for 'number:.3f'",
        ),
        (_command(set=":FREQ {text}"), ("commands", "frequency", "set"), "has a place for 'text'"),
        (_command(set=":FREQ {number"), ("commands", "frequency", "set"), "has an unmatched brace"),
        (_command(set=":FREQ number}"), ("commands", "frequency", "set"), "has an unmatched brace"),
        (_command(set=":FREQ {{number}}"), ("commands", "frequency", "set"), "has an unmatched brace"),
        (_command(set=":FREQ"), ("commands", "frequency", "set"), "has no place for the value"),
        (_command(set=":FREQ {number};:OUTP?"), ("commands", "frequency", "set"), "asks"),
        (_command(set=":FREQ {number}\n"), ("commands", "frequency", "set"), "control or non-ASCII"),
        (_command(set=":FREQ {number} Ω"), ("commands", "frequency", "set"), "control or non-ASCII"),
        (_command(query=":FREQ"), ("commands", "frequency", "query"), "asks nothing"),
        (_command(query=":FREQ? {number}"), ("commands", "frequency", "query"), "has a place for 'number'"),
        (_command(query=":FREQ?\r"), ("commands", "frequency", "query"), "control or non-ASCII"),
        (_command(scale=0.0), ("commands", "frequency", "scale"), "scale is 0"),
        (_command(scale=math.nan), ("commands", "frequency", "scale"), "scale is nan"),
        (_command(scale=math.inf), ("commands", "frequency", "scale"), "scale is inf"),
        (_command(pattern="("), ("commands", "frequency", "pattern"), "not a regular expression"),
        (_command(pattern=r"\d+"), ("commands", "frequency", "pattern"), "pattern has 0 groups"),
        (_command(pattern=r"(\d)(\d)"), ("commands", "frequency", "pattern"), "pattern has 2 groups"),
        (_command(bit=-1), ("commands", "frequency", "bit"), "bit is -1"),
        (_command(bit=16), ("commands", "frequency", "bit"), "bit is 16"),
        (_prepared(""), ("prepare", 0), "is empty"),
        (_prepared(":UNIT:POW DBM\n"), ("prepare", 0), "control or non-ASCII"),
        (_prepared(":FREQ {number}"), ("prepare", 0), "has a place for 'number'"),
    ],
)
def test_each_kind_of_fault_is_found_once_where_it_is(
    profile: Profile, at: tuple[str | int, ...], found: str
) -> None:
    """A fault of a profile is named with its path and what is allowed; nothing else is complained of."""
    faults = [each for each in find_faults(profile) if found in each[1]]
    assert [each[0] for each in faults] == [at]
    assert faults[0][2]
    assert {each[0][:2] for each in find_faults(profile)} == {at[:2]}


def test_all_faults_of_a_profile_come_at_once() -> None:
    """Several faults are found together, not the first only."""
    wrong = changed(
        GENERATOR, level=None, frequency={"scale": 0.0}, output={"query": ""}, fm_tone={"pattern": "("}
    )
    assert len(list(find_faults(wrong))) == 4


def test_optional_commands_may_be_left_out() -> None:
    """A profile without the commands that its role can do without is sound."""
    for role in ROLE_COMMANDS:
        optional = [
            name
            for name, spec in commands_of(role).items()
            if not spec.needed and name in shipped_profile(role).commands
        ]
        assert list(find_faults(changed(shipped_profile(role), **dict.fromkeys(optional)))) == []


# --- the same through the loader: file, line, column, and the nearest name ---


def _bench_with_profile(folder: Path, old: str, new: str) -> Path:
    text = find_file("scpi-1999", "profile", within="signal_generator").read_text(encoding="utf-8")
    assert text.count(old) == 1
    (folder / "own.yaml").write_text(text.replace(old, new), encoding="utf-8")
    bench = folder / "bench.yaml"
    bench.write_text(
        "bench: b\ninstruments:\n  signal_generator:\n    address: TCPIP0::192.0.2.1::5025::SOCKET\n"
        "    profile: own.yaml\n    level: {min: -137 dBm, max: 13 dBm}\n",
        encoding="utf-8",
    )
    return bench


@pytest.mark.parametrize(
    ("old", "new", "texts"),
    [
        (
            "  level: {",
            "  levle: {",
            ["unknown command 'levle'", "did you mean 'level'?", "'level' is missing"],
        ),
        ("role: signal_generator", "role: signal_genrator", ["'signal_genrator'", "signal_generator"]),
        ("CW {number}", "CW {hertz}", ["has a place for 'hertz'", "{number}"]),
        ("bit: 1}", "bit: 99}", ["bit is 99", "0 to 15"]),
        ("bit: 1}", "bit: 1, scale: 0}", ["scale is 0"]),
        ("bit: 1}", 'bit: 1, pattern: "("}', ["not a regular expression"]),
        ('":UNIT:POWer DBM"', '":UNIT:POWer {unit}"', ["has a place for 'unit'"]),
    ],
)
def test_the_loader_points_at_the_fault(tmp_path: Path, old: str, new: str, texts: list[str]) -> None:
    """A faulty profile of the user's own is refused with file, line and column, and the nearest known name."""
    bench = _bench_with_profile(tmp_path, old, new)
    with pytest.raises(FileProblems) as caught:
        load_bench(str(bench))
    text = str(caught.value)
    for each in texts:
        assert each in text
    line = next(
        number for number, one in enumerate((tmp_path / "own.yaml").read_text().splitlines(), 1) if new in one
    )
    assert f"own.yaml:{line}:" in text


def test_a_sound_profile_of_the_users_own_is_taken(tmp_path: Path) -> None:
    """A copy of the shipped profile with one changed line is loaded from beside the bench file."""
    bench = _bench_with_profile(tmp_path, "CW {number}", "FIXed {number}")
    loaded = load_bench(str(bench))
    assert loaded.profiles["signal_generator"].commands["frequency"].set == ":SOURce:FREQuency:FIXed {number}"
