"""A bench file's entries mean what they say: a key is used by the entry's role and driver, or it is a complaint with its place."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

import jsonschema
import pytest
import yaml

from drivers.registry import OPERATED, PROFILED, TEXT
from sequencer.files.read import read_text
from sequencer.inputs.bench_models import bench_model_of
from sequencer.planning.loading.schemas import schemas
from sequencer.problems import FileProblems

# What each key may be given, and who reads it: written down from the drivers, the safe sides and the budgets, not from the models.
VALUES = {
    "address": "TCPIP0::192.0.2.40::5025::SOCKET",
    "profile": "scpi-1999",
    "timeout": "3 s",
    "settle": "20 ms",
    "dial": {"signal_generator": "uV emf", "power_meter": "dBm", "voltmeter": "V"},
    "level": "{min: -120 dBm, max: 0 dBm}",
    "max_power": "100 mW",
    "max_voltage": "15 V",
    "temperature": "{min: -40 degC, max: 80 degC}",
    "tolerance": "1 degC",
    "soak": "30 min",
    "reached_after": "10 min",
    "given_up_after": "1 h",
    "vswr": "1.2",
    "lowest": "9 kHz",
    "highest": "3 GHz",
    "filters": "[1 kHz, 10 kHz]",
    "noise_bandwidth": "1.13",
    "phase_noise": "-112 dB",
    "far_noise": "-140 dB",
    "key_response": "5 ms",
    "ptt": "rts",
    "ptt_sense": "cts",
    "calibration": "{certificate: SIM-0009, due: 2027-06-30}",
}
BY_ROLE = {
    "signal_generator": {"level", "vswr", "phase_noise", "far_noise"},
    "power_meter": {"max_power", "vswr"},
    "spectrum_analyser": {
        "max_power",
        "vswr",
        "lowest",
        "highest",
        "filters",
        "noise_bandwidth",
        "phase_noise",
    },
    "supply": {"max_voltage"},
    "radio": {"key_response"},
    "chamber": {"temperature", "tolerance", "soak", "reached_after", "given_up_after"},
}
READ_KEYED = {"power_meter", "modulation_analyser", "spectrum_analyser", "audio_analyser", "supply"}
SETTLES = {("profile", role) for role in (*READ_KEYED, "voltmeter", "signal_generator", "switch", "chamber")}
SETTLES |= {("operator", "signal_generator")}
ACCURACIES = {
    "signal_generator": {"level", "frequency", "deviation", "depth", "tone"},
    "power_meter": {"power", "linearity"},
    "modulation_analyser": {
        "deviation",
        "depth",
        "frequency",
        "resolution",
        "distortion",
        "residual",
        "flatness",
        "linearity",
        "step",
    },
    "audio_analyser": {"sinad", "voltage", "distortion", "frequency"},
    "voltmeter": {"voltage"},
    "supply": {"voltage", "current"},
    "switch": set(),
    "radio": set(),
    "chamber": set(),
    "spectrum_analyser": {"level", "response", "scale", "attenuator", "bandwidth"},
}
WIDTHS = {
    "response": "0.4 dB",
    "step": "0.1 dB",
    "scale": "0.1 dB",
    "attenuator": "0.2 dB",
    "level": "0.5 dB",
    "frequency": "1 ppm",
    "linearity": "0.1 dB",
    "sinad": "1 dB",
    "resolution": "1 Hz",
}
WAYS = [
    (driver, role)
    for driver, roles in (("profile", PROFILED), ("operator", OPERATED), ("text", TEXT))
    for role in roles
]


def _used(driver: str, role: str) -> set[str]:
    used = {"calibration"} | BY_ROLE.get(role, set())
    if driver != "operator":
        used |= {"address", "profile", "timeout"}
    elif role in READ_KEYED:
        used |= {"timeout"}
    if (driver, role) in SETTLES:
        used |= {"settle"}
    if driver == "operator" and role in VALUES["dial"]:
        used |= {"dial"}
    return used | ({"ptt", "ptt_sense"} if driver == "text" else set())


def _text(driver: str, role: str, **further: str) -> str:
    """Return a bench with one entry that says what it must, and ``further``; the last line is the last of these."""
    entry = {"driver": driver}
    if driver != "operator":
        entry["address"] = "/dev/ttyUSB0" if driver == "text" else VALUES["address"]
    if role == "signal_generator":
        entry["level"] = VALUES["level"]
    if role == "chamber":
        entry["temperature"] = VALUES["temperature"]
    entry.update(further)
    return f"bench: B\ninstruments:\n  {role}:\n" + "".join(
        f"    {key}: {value}\n" for key, value in entry.items()
    )


def _complaints(text: str) -> list[Any]:
    try:
        read_text(text, bench_model_of, file="b.yaml")
    except FileProblems as problems:
        return list(problems.complaints)
    return []


@cache
def _of_bench_files() -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(schemas()["bench"])


def _schema_takes(text: str) -> bool:
    plain = json.loads(json.dumps(yaml.load(text, Loader=yaml.BaseLoader)))
    return bool(_of_bench_files().is_valid(plain))


@pytest.mark.parametrize(("driver", "role"), WAYS)
def test_an_entry_takes_the_keys_that_its_role_and_driver_use_and_no_other(driver: str, role: str) -> None:
    """Each key is tried in each kind of entry: what nobody would read is a complaint at the key, with the keys that would do."""
    for key, value in VALUES.items():
        written = value.get(role, "V") if isinstance(value, dict) else value
        if key == "address" and driver == "text":
            written = "/dev/ttyUSB0"
        text = _text(driver, role, **{key: written})
        complaints = _complaints(text)
        if key in _used(driver, role):
            assert complaints == [], (key, [str(one) for one in complaints])
            continue
        (complaint,) = complaints
        line = next(at for at, one in enumerate(text.splitlines(), 1) if one.startswith(f"    {key}:"))
        assert (complaint.line, complaint.column) == (line, 5), key
        assert key in complaint.message
        named = set(complaint.allowed.removeprefix("the keys ").split(", "))
        assert _used(driver, role) <= named, (key, complaint.allowed)
        assert key not in named


@pytest.mark.parametrize(("driver", "role"), WAYS)
def test_an_accuracy_is_one_that_the_role_has(driver: str, role: str) -> None:
    """Every accuracy of every role is tried on each: another's is a complaint with place and the keys that would do."""
    for key in set().union(*ACCURACIES.values()):
        text = _text(driver, role, accuracy=f"{{{key}: {WIDTHS.get(key, '1 %')}}}")
        complaints = _complaints(text)
        if key in ACCURACIES[role]:
            assert complaints == [], (key, [str(one) for one in complaints])
            continue
        (complaint,) = complaints
        assert complaint.line == len(text.splitlines())
        if ACCURACIES[role]:
            assert complaint.column == len("    accuracy: {") + 1
            assert set(complaint.allowed.removeprefix("the keys ").split(", ")) == ACCURACIES[role]
        else:
            assert "'accuracy' is for" in complaint.message


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "accuracy: {power: 3 %}",
            "accuracy: {level: 0.5 dB}",
            "'level' is an accuracy of a signal generator or a spectrum analyser, not of a power meter",
        ),
        (
            "    settle: 20 ms",
            "    accuracy: {sinad: 3 dB}",
            "'accuracy' is for a signal generator or a power meter or",
        ),
        ("    max_voltage: 16 V", "    level: {min: -137 dBm, max: 13 dBm}", "'level' is for a signal generator, not for a supply"),
        ("    max_voltage: 16 V", "    dial: V", "'dial' is for a signal generator or a power meter or a voltmeter"),
        ("    settle: 20 ms", "    ptt: rts", "'ptt' is for a radio, not for a switch"),
        ("    settle: 20 ms", "    setle: 20 ms", "unknown key 'setle'"),
    ],
)  # fmt: skip
def test_a_stray_key_is_told_where_it_belongs(old: str, new: str, said: str) -> None:
    """The complaint says whose key it is; a misspelt one is unknown, with the nearest."""
    from sequencer.files.shipped import find_file

    text = find_file("bench", "bench").read_text(encoding="utf-8")
    assert old in text
    (complaint,) = _complaints(text.replace(old, new, 1))
    assert complaint.message.startswith(said)
    if "setle" in new:
        assert complaint.hint == "did you mean 'settle'?"


@pytest.mark.parametrize(("driver", "role"), WAYS)
def test_the_schema_refuses_what_the_reader_refuses(driver: str, role: str) -> None:
    """An editor underlines the same keys: schema and reader agree on every key in every kind of entry (independent reader: jsonschema)."""
    for key, value in [*VALUES.items(), ("accuracy", "{voltage: 1 %}"), ("colour", "red")]:
        written = value.get(role, "V") if isinstance(value, dict) else value
        if key == "address" and driver == "text":
            written = "/dev/ttyUSB0"
        text = _text(driver, role, **{key: written})
        if key in ("vswr", "noise_bandwidth"):  # the loader used here reads every number as text
            continue
        assert _schema_takes(text) == (not _complaints(text)), (key, text)


def test_the_schema_s_message_is_about_the_wrong_key() -> None:
    """A stray key in an entry gives one error that names it, not one for each kind of entry."""
    text = _text("profile", "switch", accuracy="{sinad: 3 dB}")
    plain = json.loads(json.dumps(yaml.safe_load(text)))
    (error,) = jsonschema.Draft202012Validator(schemas()["bench"]).iter_errors(plain)
    assert "'accuracy' was unexpected" in error.message
    assert list(error.absolute_path) == ["instruments", "switch"]


def test_two_operators_in_one_role_have_names_of_their_own() -> None:
    """Nobody writes an address for a person; two generators in a person's hands are still two places of a simulated bench."""
    text = "bench: B\ninstruments:\n" + "".join(
        f"  {name}: {{role: signal_generator, driver: operator, level: {VALUES['level']}}}\n"
        for name in ("signal_generator", "interferer")
    )
    bench = read_text(text, bench_model_of, file="b.yaml").model
    addresses = [entry.address for entry in bench.instruments.values()]
    assert len(set(addresses)) == 2
    assert all(".invalid" in one for one in addresses)


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ("sweeper: {address: A}", "'sweeper' is not a role"),
        ("power_metre: {address: A}", "did you mean 'power_meter'?"),
        ("switch: 5", "a mapping: {key: value}"),
        ("switch: {driver: 5, address: 'TCPIP::a::1::SOCKET'}", "'5' is not allowed here"),
        ("switch: {driver: nobody, address: 'TCPIP::a::1::SOCKET'}", "there is no driver 'nobody'"),
    ],
)
def test_an_entry_that_is_none_is_a_complaint(entry: str, said: str) -> None:
    """No role, no driver, no mapping: one complaint with a place, never a traceback."""
    complaints = _complaints(f"bench: B\ninstruments:\n  {entry}\n")
    assert len(complaints) == 1
    assert complaints[0].line == 3
    assert said in str(complaints[0])
