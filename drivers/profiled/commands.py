"""The commands that each role has: what each carries, in which unit, and whether asking for it changes nothing."""

from __future__ import annotations

from collections.abc import Mapping

from drivers.frozen import dataclass

Need = tuple[str, str]
"""A command of an instrument: its role (or `INTERFERER_ROLE`), and its name in a profile."""

INTERFERER_ROLE = "interferer"
"""Stands for the role of the second signal generator."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandSpec:
    """What a role expects of one command: whether it must be settable, askable, and whether asking changes nothing."""

    meaning: str
    set: bool = False
    query: bool = False
    needed: bool = True
    harmless: bool = False
    place: str = ""
    """What its 'set' message must have a place for: "number", "text", or nothing."""
    unit: str = ""
    """The unit that drivers speak for it; "on or off" for a switch, nothing for a word or a count."""
    essential: bool = False
    """Whether no instrument of the role may lack it: what says who it is, and what makes a bench safe."""


def _both(
    meaning: str, *, needed: bool = True, place: str = "number", unit: str = "", essential: bool = False
) -> CommandSpec:
    return CommandSpec(
        meaning=meaning,
        set=True,
        query=True,
        harmless=True,
        needed=needed,
        place=place,
        unit=unit,
        essential=essential,
    )


def _set(meaning: str, *, needed: bool = True, essential: bool = False) -> CommandSpec:
    return CommandSpec(meaning=meaning, set=True, needed=needed, essential=essential)


def _ask(
    meaning: str, *, needed: bool = True, harmless: bool = True, unit: str = "", essential: bool = False
) -> CommandSpec:
    return CommandSpec(
        meaning=meaning, query=True, needed=needed, harmless=harmless, unit=unit, essential=essential
    )


COMMON: Mapping[str, CommandSpec] = {
    "identity": _ask("who it is, IEEE 488.2", essential=True),
    "reset": _set("bring it to its known state", essential=True),
    "clear": _set("clear status and error queue", essential=True),
    "error": _ask("next entry of the error queue", essential=True),
    "complete": _ask("1 when all that was asked is done", needed=False),
}

_RECORDING: Mapping[str, CommandSpec] = {
    "recording_points": _both("samples of a recording", needed=False),
    "recording_interval": _both("time from sample to sample, s", needed=False, unit="s"),
    "record": _set("record now", needed=False),
    "recorded_audio": _ask("recorded audio, a block of REAL,32", needed=False, harmless=False),
}

ROLE_COMMANDS: Mapping[str, Mapping[str, CommandSpec]] = {
    "signal_generator": {
        "frequency": _both("carrier frequency, Hz", unit="Hz", essential=True),
        "level": _both("level at its connector, dBm into 50 ohm", unit="dBm", essential=True),
        "output": _both("RF output on or off", unit="on or off", essential=True),
        "modulation_off": _set("no modulation at all", essential=True),
        "fm_deviation": _both("peak deviation, Hz", unit="Hz"),
        "fm_tone": _both("modulating tone, Hz", unit="Hz"),
        "fm_state": _both("FM on or off", unit="on or off"),
        "am_depth": _both("depth, percent", unit="percent"),
        "am_tone": _both("modulating tone, Hz", unit="Hz"),
        "am_state": _both("AM on or off", unit="on or off"),
        "settling": _ask("1 while level or frequency still move", needed=False),
        "second_deviation": _both("peak deviation of a second source of FM, Hz", needed=False, unit="Hz"),
        "second_tone": _both("tone of that source, Hz", needed=False, unit="Hz"),
        "second_state": _both("FM by that source on or off", needed=False, unit="on or off"),
        "second_shape": _both("what that source makes: tone, code", needed=False, place="text"),
        "second_bits": _both("bits of its code, sent again and again", needed=False, place="text"),
        "second_bit_rate": _both("bits of its code in a second", needed=False),
    },
    "power_meter": {
        "correction_frequency": _both("carrier frequency the sensor is corrected for, Hz", unit="Hz"),
        "power": _ask("average power, dBm", harmless=False, unit="dBm", essential=True),
        "peak_power": _ask("peak envelope power, dBm", needed=False, harmless=False, unit="dBm"),
        "zero": _set("zero the sensor, RF off", needed=False),
    },
    "modulation_analyser": {
        "tune": _both("carrier to expect, Hz", unit="Hz", essential=True),
        "carrier_frequency": _ask("measured carrier frequency, Hz", harmless=False, unit="Hz"),
        "deviation_positive": _ask("positive peak deviation, Hz", harmless=False, unit="Hz"),
        "deviation_negative": _ask("negative peak deviation, Hz", harmless=False, unit="Hz"),
        "deviation_rms": _ask("rms deviation, Hz", needed=False, harmless=False, unit="Hz"),
        "depth_positive": _ask(
            "positive peak AM depth, percent", needed=False, harmless=False, unit="percent"
        ),
        "depth_negative": _ask(
            "negative peak AM depth, percent", needed=False, harmless=False, unit="percent"
        ),
        "depth_rms": _ask("rms AM depth, percent", needed=False, harmless=False, unit="percent"),
        "demodulator": _both(
            "what demodulated audio comes from: FM, AM, USB, LSB", needed=False, place="text"
        ),
        "high_pass": _both("audio high-pass on or off", needed=False, unit="on or off"),
        "high_pass_frequency": _both("corner of the audio high-pass, Hz", needed=False, unit="Hz"),
        "low_pass": _both("audio low-pass on or off", needed=False, unit="on or off"),
        "low_pass_frequency": _both("corner of the audio low-pass, Hz", needed=False, unit="Hz"),
        "deemphasis": _both("de-emphasis on or off", needed=False, unit="on or off"),
        "deemphasis_time": _both("time constant of the de-emphasis, s", needed=False, unit="s"),
        "distortion": _ask(
            "distortion and noise of demodulated audio, percent", needed=False, harmless=False, unit="percent"
        ),
        "audio_frequency": _ask(
            "frequency of the demodulated tone, Hz", needed=False, harmless=False, unit="Hz"
        ),
        "selective_bandwidth": _both("bandwidth of a selective level, Hz", needed=False, unit="Hz"),
        "selective_level": _ask(
            "level at the frequency tuned to, dBm", needed=False, harmless=False, unit="dBm"
        ),
        **_RECORDING,
        "begin_recording": _set("record now, without an answer before it is over", needed=False),
        "recorded_baseband": _ask("recorded I and Q, a block of REAL,32", needed=False, harmless=False),
    },
    "audio_analyser": {
        "source_tone": _both("tone of the audio source, Hz", unit="Hz", essential=True),
        "source_level": _both("level of the audio source, V rms", unit="V", essential=True),
        "source_output": _both("audio source on or off", unit="on or off", essential=True),
        "reading_time": _both("time one reading takes, s", needed=False, unit="s"),
        "sinad": _ask("SINAD, dB", harmless=False, unit="dB"),
        "level": _ask("audio level, V rms", harmless=False, unit="V"),
        "second_tone": _both("second tone of the audio source, Hz", needed=False, unit="Hz"),
        "second_level": _both("level of the second tone, V rms", needed=False, unit="V"),
        "psophometric": _both("ITU-T O.41 weighting on or off", needed=False, unit="on or off"),
        "c_message": _both("C-message weighting on or off", needed=False, unit="on or off"),
        "notch": _both("frequency the SINAD and distortion readings take out, Hz", needed=False, unit="Hz"),
        "distortion": _ask("distortion and noise, percent", needed=False, harmless=False, unit="percent"),
        "audio_frequency": _ask("frequency of the tone, Hz", needed=False, harmless=False, unit="Hz"),
        **_RECORDING,
    },
    "voltmeter": {
        "reading_time": _both("time one reading takes, s", needed=False, unit="s"),
        "voltage": _ask("DC voltage, V", harmless=False, unit="V", essential=True),
    },
    "supply": {
        "voltage": _both("voltage, V", unit="V", essential=True),
        "current_limit": _both("current limit, A", unit="A", essential=True),
        "output": _both("output on or off", unit="on or off", essential=True),
        "measured_voltage": _ask("voltage at the terminals, V", unit="V"),
        "measured_current": _ask("current delivered, A", unit="A"),
    },
    "switch": {
        "connect_receive": _set("unit's connector to the generator", essential=True),
        "connect_transmit": _set("unit's connector to load and meters", essential=True),
        "receive_closed": _ask("1 when the unit is on the generator", unit="on or off", essential=True),
        "transmit_closed": _ask("1 when the unit is on load and meters", unit="on or off", essential=True),
        "connect_check": _set("generator to power meter, the unit's connector open", needed=False),
        "check_closed": _ask("1 when generator and power meter are joined", needed=False, unit="on or off"),
    },
    "radio": {
        "channel": _both("channel number", essential=True),
        "mode": _both("emission: FM, AM, USB, LSB, CW", place="text", essential=True),
        "key": _both("push-to-talk closed or open", unit="on or off", essential=True),
        "preset_name": CommandSpec(
            meaning="which of its own settings 'preset' is, by its name",
            set=True,
            query=True,
            needed=False,
            place="text",
        ),
        "preset": CommandSpec(
            meaning="that setting, a whole number", set=True, query=True, needed=False, place="number"
        ),
    },
    "chamber": {
        "temperature": _both("temperature that its air is to have, °C", unit="°C", essential=True),
        "output": _both("heating and cooling, on or off", unit="on or off", essential=True),
        "measured_temperature": _ask("temperature of its air, °C", unit="°C", essential=True),
        "specimen_temperature": _ask("what a sensor on the unit reads, °C", needed=False, unit="°C"),
    },
    "spectrum_analyser": {
        "centre": _both("frequency in the middle of the span, Hz", unit="Hz", essential=True),
        "span": _both("span, Hz; 0 for the level against time", unit="Hz", essential=True),
        "resolution_bandwidth": _both("bandwidth of its filter, Hz", unit="Hz", essential=True),
        "video_bandwidth": _both("bandwidth behind the detector, Hz", needed=False, unit="Hz"),
        "video_bandwidth_auto": _both("video bandwidth coupled, on or off", needed=False, unit="on or off"),
        "detector": _both("how a point is made: rms, max peak, sample", place="text"),
        "reference_level": _both("level at the top of its screen, dBm", unit="dBm", essential=True),
        "attenuation": _both("input attenuation, dB", unit="dB", essential=True),
        "sweep_points": _both("points of a trace", needed=False),
        "sweep_time": _both("time of one sweep, s", needed=False, unit="s"),
        "sweep_time_auto": _both("sweep time coupled, on or off", needed=False, unit="on or off"),
        "continuous": _both("sweep again and again, on or off", needed=False, unit="on or off"),
        "sweep": _set("sweep once", essential=True),
        "block_format": _both("traces as blocks of REAL,32; without it as text", needed=False, place="text"),
        "trace": _ask("the trace, dBm", harmless=False, unit="dBm"),
        "overload": _ask("1 while its input is overloaded", needed=False, unit="on or off"),
        "uncalibrated": _ask("1 where it swept too fast to be right", needed=False, unit="on or off"),
    },
}


def commands_of(role: str) -> Mapping[str, CommandSpec]:
    """Return every command a profile of ``role`` may state, by name. KeyError for an unknown role."""
    return {**COMMON, **ROLE_COMMANDS[role]}
