"""The JSON Schemas, read by an independent reader: they take what the engine takes and refuse typical mistakes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from click.testing import CliRunner

from sequencer.checks import all_checks
from sequencer.cli.main import main
from sequencer.files.shipped import find_file, shipped_names
from sequencer.inputs.load_bench import load_bench

SEQUENCE = Path(__file__).parents[3] / "data" / "whole-sequence.yaml"
MODEL = find_file("m40", "model")
BENCH = load_bench("bench").path


class TextDates(yaml.SafeLoader):
    """PyYAML's safe loader, but a date stays the text it is, as in JSON."""


TextDates.yaml_implicit_resolvers = {
    letter: [(tag, pattern) for tag, pattern in resolvers if tag != "tag:yaml.org,2002:timestamp"]
    for letter, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
}


def _plain(text: str) -> Any:
    # JSON has text keys only: what an editor's YAML server hands to the schema
    return json.loads(json.dumps(yaml.load(text, Loader=TextDates)))


def _schema(kind: str) -> dict[str, Any]:
    result = CliRunner().invoke(main, ["schema", kind])
    assert result.exit_code == 0
    return dict(json.loads(result.stdout))


def _valid(kind: str, text: str) -> bool:
    validator = jsonschema.Draft202012Validator(_schema(kind))
    return bool(validator.is_valid(_plain(text)))


@pytest.mark.parametrize("kind", ["sequence", "bench", "plan", "model", "gauge", "batch"])
def test_a_schema_is_itself_valid(kind: str) -> None:
    """Each is a schema of JSON Schema 2020-12, judged by its published meta-schema."""
    schema = _schema(kind)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize(
    ("kind", "name"),
    [(kind, name) for kind in ("sequence", "bench", "plan", "model") for name in shipped_names(kind)],  # type: ignore[arg-type]
)
def test_every_shipped_file_is_valid(kind: Any, name: str) -> None:
    """What is shipped is taken by the schema that an editor would use."""
    errors = list(
        jsonschema.Draft202012Validator(_schema(kind)).iter_errors(
            _plain(find_file(name, kind).read_text(encoding="utf-8"))
        )
    )
    assert errors == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("max: 4 W}", "max: 4}"),
        ("max: 4 W}", "max: 4 V}"),
        ("tone: 1 kHz", "tones: 1 kHz"),
        ("check: s9_point", "check: s9"),
        ("mode: FM", "mode: fm"),
        ("target: 12 dB SINAD", "target: 12 dB"),
        ("within: 600 Hz", "within: 600"),
        ("channel: [1, 20, 40]", "channel: []"),
        ("channel: [1, 20, 40]", "channel: twenty"),
        ("sequence: FM", "sequences: FM"),
        ("  - confirm: RF", "  - confirms: RF"),
        ("supply: 13.2 V", "supply: 13.2"),
    ],
)
def test_typical_mistakes_in_a_sequence_are_underlined(old: str, new: str) -> None:
    """A bare number, a wrong unit, a wrong key, an unknown check: an editor shows them before anything is run."""
    text = SEQUENCE.read_text(encoding="utf-8")
    assert old in text
    assert not _valid("sequence", text.replace(old, new, 1))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("max_voltage: 16 V", "max_voltage: 16"),
        ("max_voltage", "max_voltag"),
        ("\nclock: virtual", "\nclock: quick"),
        ("rating: 50 W", "rating: 50 dB"),
        ("vswr: 1.3", "vswr: '1.3'"),
        ("level: {min: -137 dBm, max: 13 dBm}", "level: {min: -137 dBm}"),
        ("seed: 1", "seed: one"),
        ("    address: TCPIP0::192.0.2.12::5025::SOCKET\n", ""),
    ],
)
def test_typical_mistakes_in_a_bench_are_underlined(old: str, new: str) -> None:
    """The same for a bench file."""
    text = BENCH.read_text(encoding="utf-8")
    assert old in text
    assert not _valid("bench", text.replace(old, new, 1))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("supply: 13.2 V", "supply: 13.2"),
        ("serials:", "serial:"),
        ("max: 4 W}", "max: 4 V}"),
        ("  sensitivity:", "  sensitivty:"),
        ("kind: voltage", "kind: needle"),
        ("of: carrier_power", "off: carrier_power"),
        ("middle: 20", "midle: 20"),
    ],
)
def test_typical_mistakes_in_a_model_are_underlined(old: str, new: str) -> None:
    """The same for a model file, its limits and its presets."""
    text = MODEL.read_text(encoding="utf-8")
    assert old in text
    assert not _valid("model", text.replace(old, new, 1))


@pytest.mark.parametrize(
    ("old", "new", "about"),
    [
        ("target: 12 dB", "targets: 12 dB", ("'targets' was unexpected", "checks/4")),
        ("deviation: 1.2 kHz", "deviation: 1.2", ("1.2 is not of type 'string'", "checks/4/deviation")),
        ("check: s9_point", "check: s9", ("'s9' is not one of", "checks/5/check")),
    ],
)
def test_one_mistake_in_a_check_is_one_error_about_it(old: str, new: str, about: tuple[str, str]) -> None:
    """The schema is chosen by `check`: an editor speaks of the wrong key, not of a choice between all checks."""
    text = SEQUENCE.read_text(encoding="utf-8")
    assert old in text
    validator = jsonschema.Draft202012Validator(_schema("sequence"))
    (error,) = validator.iter_errors(_plain(text.replace(old, new, 1)))
    assert about[0] in error.message
    assert "/".join(map(str, error.absolute_path)) == about[1]


def test_every_check_and_every_field_is_explained() -> None:
    """An editor shows a text for every key: each property of every check's settings has a description."""
    schema = _schema("sequence")
    kinds = {
        one["properties"]["check"]["const"]
        for one in schema["$defs"].values()
        if "check" in one.get("properties", {})
    }
    assert kinds == set(all_checks())
    for name, definition in schema["$defs"].items():
        for key, one in definition.get("properties", {}).items():
            assert one.get("description") or "$ref" in one, (name, key)


def test_all_schemas_are_written_into_a_folder(tmp_path: Path) -> None:
    """`--into` writes one file for each kind, and says where."""
    result = CliRunner().invoke(main, ["schema", "--into", str(tmp_path / "schemas")])
    assert result.exit_code == 0
    names = [f"{kind}.schema.json" for kind in ("batch", "bench", "gauge", "model", "plan", "sequence")]
    assert sorted(one.name for one in (tmp_path / "schemas").iterdir()) == names
    assert len(result.stdout.splitlines()) == len(names)
    for one in (tmp_path / "schemas").iterdir():
        jsonschema.Draft202012Validator.check_schema(json.loads(one.read_text(encoding="utf-8")))


NEW_CHECKS = """\
sequence: Asked
channels: cept-40
mode: FM
supply: 13.2 V
checks:
  - {check: enter_reading, name: idle current, text: Read it, quantity: current, unit: mA, range: {min: 0 mA, max: 2 A}, accuracy: 2 %}
  - {check: record_audio, of: receive, channel: 20, level: -80 dBm}
  - {check: path_loss, of: receive, frequencies: [26 MHz, 28 MHz], file: "losses/receive-{date}.yaml"}
"""


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("quantity: current", "quantity: smell"),
        ("min: 0 mA", "min: 0"),
        ("of: receive, channel", "of: loudspeaker, channel"),
        ("level: -80 dBm", "level: -80"),
        ("[26 MHz, 28 MHz]", "[]"),
        ("of: receive, frequencies", "of: pad, frequencies"),
    ],
)
def test_the_checks_with_a_person_are_in_the_schema(old: str, new: str) -> None:
    """What the engine takes of enter_reading, record_audio and path_loss is taken; typical mistakes are underlined."""
    assert _valid("sequence", NEW_CHECKS)
    assert old in NEW_CHECKS
    assert not _valid("sequence", NEW_CHECKS.replace(old, new, 1))


def test_a_bench_may_name_a_loss_table() -> None:
    """A path's loss is a mapping or the name of a table; a number is neither."""
    text = BENCH.read_text(encoding="utf-8")
    old = "receive: {loss: {1.8 MHz: 0.42 dB, 27 MHz: 0.42 dB, 28 MHz: 0.43 dB, 175 MHz: 0.43 dB}"
    assert old in text
    assert _valid("bench", text.replace(old, "receive: {loss: losses/receive.yaml", 1))
    assert not _valid("bench", text.replace(old, "receive: {loss: 0.4", 1))
