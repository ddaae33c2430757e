"""A complaint says where, what, what is allowed and what to do next: one row for each, with the input that brings it.

What runs of the commands say of spoilt files is in `test_bad_input.py`; here stand those that few inputs bring.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from pydantic import BaseModel

from sequencer.checks.adjusting.settings import AdjustSettings
from sequencer.checks.bench.golden_unit import GoldenUnitSettings
from sequencer.cli.main import main
from sequencer.cli.unattended.together import refuse_no_room
from sequencer.files.read import read_file, read_text
from sequencer.inputs.bench_models import bench_model_of
from sequencer.inputs.bench_parts.loss_table import LossTable
from sequencer.inputs.channel_plan import PlanFile
from sequencer.inputs.preset import Preset
from sequencer.planning.load import load_sequence
from sequencer.planning.loading.model_file import load_model
from sequencer.planning.loading.model_limits import model_of_file
from sequencer.problems import InputError
from sequencer.results.journal import read_head, read_journal
from sequencer.run.people.entered import given_beforehand
from sequencer.run.series.addresses import read_addresses
from sequencer.run.series.timetable import Timetable

TOP = Path(__file__).parents[2]
M40 = (TOP / "sequences" / "models" / "m40.yaml").read_text(encoding="utf-8")
TRACE = str(next((TOP / "tests" / "data" / "traces").glob("*.json.gz")))
BENCH = (TOP / "sim" / "bench.yaml").read_text(encoding="utf-8")
POWER = "of: carrier_power\nto: 3.8 W\nwithin: 0.1 W\n"
PLAN = "plan: Two\nsource: own\nband: {min: 26 MHz, max: 28 MHz}\nchannels: {1: 27 MHz, 2: 27.1 MHz}\n"
TABLE = "loss_table: Receive\ndate: 2026-11-02\nloss: {26 MHz: 0.4 dB, 28 MHz: 0.5 dB}\n"


SWITCH_WITH_A_DIAL = BENCH.replace("  switch:", "  switch:\n    dial: dBm", 1)
METER_IN_USB = M40.replace("of: s9_point, channel: 20,", "of: s9_point, channel: 20, mode: USB,")
METER_DRIVEN = M40.replace("of: s9_point, channel: 20,", "of: s9_point, channel: 20, drive: 10 mV,")


def _place(text: str, piece: str, *, down: int = 0, right: int = 0) -> str:
    """Return line and column of the first ``piece``, or so many lines and columns from there."""
    before = text[: text.index(piece)].split("\n")
    return f"{len(before) + down}:{len(before[-1]) + 1 + right}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a complaint says: ``place`` after the file, a piece of the sentence, of what is allowed, and of the next move."""

    place: str
    message: str
    allowed: str
    hint: str = ""


FILES: Mapping[str, tuple[type[BaseModel] | Callable[..., type[BaseModel]], str, Told]] = {
    "an adjusting that names one preset and several": (
        AdjustSettings,
        "check: adjust\npreset: power\npresets: [power, deviation]\n",
        Told(place="2:9", message="'presets' and 'preset' say two things", allowed="one of the two"),
    ),
    "an adjusting that states a target of nothing": (
        AdjustSettings,
        "check: adjust\npreset: power\nto: 3.8 W\n",
        Told(place="3:5", message="'to' is stated without 'of'", allowed="'of' beside it, or neither"),
    ),
    "an adjusting that says nothing": (
        AdjustSettings,
        "check: adjust\n",
        Told(place="1:1", message="it does not say what is adjusted", allowed="'preset' (one of the model)"),
    ),
    "control limits of fewer runs than they need": (
        GoldenUnitSettings,
        "check: golden_unit\nfewest: 12\nbaseline: 8\n",
        Told(
            place="2:9",
            message="control limits of 8 runs at most would need 12 at least",
            allowed="'fewest' at or below 'baseline'",
        ),
    ),
    "a preset of what cannot be adjusted": (
        Preset,
        "of: carrier_powr\nturn: RV4\nto: 3.8 W\nwithin: 0.1 W\n",
        Told(
            place="1:5",
            message="no preset can be of 'carrier_powr'",
            allowed="carrier_power",
            hint="did you mean 'carrier_power'?",
        ),
    ),
    "a written preset without a range": (
        Preset,
        POWER + "write: drive\n",
        Told(
            place="4:8", message="'write' needs 'range' beside it", allowed="lowest and highest whole number"
        ),
    ),
    "a range beside what a person turns": (
        Preset,
        POWER + "turn: RV4\nrange: [0, 255]\n",
        Told(place="5:8", message="'range' is for 'write' only", allowed="no 'range' beside 'turn'"),
    ),
    "a range of nothing": (
        Preset,
        POWER + "write: drive\nrange: [9, 9]\n",
        Told(place="5:8", message="nothing lies between 9 and 9", allowed="the lower number first"),
    ),
    "a preset that is turned and written": (
        Preset,
        POWER + "turn: RV4\nwrite: drive\nrange: [0, 255]\n",
        Told(
            place="5:8",
            message="either turned by a person or written by the tool",
            allowed="what a person turns",
        ),
    ),
    "a band without a width": (
        Preset,
        "of: carrier_power\nturn: RV4\nto: 3.8 W\nwithin: 0 W\n",
        Told(place="4:9", message="'0 W' leaves no width", allowed="above 0 in"),
    ),
    "a width in dBm": (
        Preset,
        "of: carrier_power\nturn: RV4\nto: 3.8 W\nwithin: 20 dBm\n",
        Told(place="4:9", message="'20 dBm' is no width", allowed="a power in W or mW"),
    ),
    "a figure that a check has not": (
        Preset,
        "of: carrier_power\nquantity: hum\nturn: RV4\nto: 3.8 W\nwithin: 0.1 W\n",
        Told(place="2:11", message="carrier_power has one figure only", allowed="no 'quantity'"),
    ),
    "a name for a channel that the plan has not": (
        PlanFile,
        PLAN + "names: {7: call}\n",
        Told(place="5:12", message="no channel 7 in this plan", allowed="channels 1, 2"),
    ),
    "uncertainties elsewhere than the losses": (
        LossTable,
        TABLE + "uncertainty: {26 MHz: 0.1 dB}\n",
        Told(
            place="4:14",
            message="losses and uncertainties stand at different frequencies",
            allowed="an uncertainty for each loss",
        ),
    ),
    "settings that fit no prompt": (
        model_of_file,
        M40.replace(
            "[RF gain fully up,", f"[{', '.join(f'knob {n} at its middle mark' for n in range(90))},"
        ),
        Told(
            place=_place(M40, "[RF gain"),
            message="the settings are too long to be asked for at once",
            allowed="characters together",
        ),
    ),
    "a preset in a mode that the model has not": (
        model_of_file,
        METER_IN_USB,
        Told(place=_place(METER_IN_USB, "USB"), message="the model has no USB", allowed="FM"),
    ),
    "a preset with another check's setting": (
        model_of_file,
        METER_DRIVEN,
        Told(
            place=_place(METER_DRIVEN, "10 mV, turn: RV2"),
            message="s9_point has no setting 'drive'",
            allowed="channel",
        ),
    ),
    "an identity of a person": (
        bench_model_of,
        "bench: Hand\ninstruments:\n  power_meter: {driver: operator, identity: {serial: '7'}}\n",
        Told(
            place="3:45",
            message="a person answers for power_meter, who has no identity to be asked for",
            allowed="'identity' of an instrument that is reached, or none",
        ),
    ),
    "a dial whose S9 is no voltage": (
        bench_model_of,
        "bench: Hand\ninstruments:\n  voltmeter: {driver: operator, dial: S units, s9: 0 V}\n",
        Told(place="3:52", message="'s9' is 0 V", allowed="a voltage other than 0"),
    ),
    "a key of another driver": (
        bench_model_of,
        SWITCH_WITH_A_DIAL,
        Told(
            place=_place(SWITCH_WITH_A_DIAL, "dial: dBm"),
            message="'dial' is for a signal generator",
            allowed="the keys",
        ),
    ),
    "nested without an end": (
        Preset,
        "of: " + "[" * 60,
        Told(place="1:44", message="nested too deeply", allowed="40 levels of nesting"),
    ),
    "a merge key": (
        Preset,
        "of: carrier_power\n<<: {to: 3 W}\n",
        Told(place="2:1", message="merge keys ('<<') are not read", allowed="", hint="write the keys out"),
    ),
    "a second document": (
        Preset,
        "of: carrier_power\n---\nof: sinad\n",
        Told(place="2:1", message="a second document begins here", allowed="one document in a file"),
    ),
}


def _said_by(act: Callable[[], object], *, told: Told, file: str) -> None:
    """Do what must be refused; one of the complaints says all that ``told`` does, about ``file``."""
    with pytest.raises(InputError) as refused:
        act()
    found = [one for one in refused.value.complaints if told.message in one.message]
    assert len(found) == 1, str(refused.value)
    assert found[0].place == f"{file}:{told.place}".removesuffix(":")
    assert told.allowed in found[0].allowed
    assert told.hint in found[0].hint
    assert found[0].allowed or found[0].hint, "nothing says what to do next"


@pytest.mark.parametrize("name", FILES)
def test_a_spoilt_file_is_told_of_in_full(name: str) -> None:
    """Place, sentence, what is allowed."""
    model, text, told = FILES[name]
    _said_by(lambda: read_text(text, model, file="x.yaml"), told=told, file="x.yaml")


def _write(folder: Path, name: str, content: str | bytes, mode: int = 0o600) -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    path.chmod(mode)
    return path


def _sequence_with_another_plan(folder: Path) -> object:
    from sequencer.inputs.load_bench import load_bench
    from sequencer.planning.loading.model_file import Wanted
    from sequencer.planning.plan import make_plan

    _write(folder, "plan.yaml", PLAN)
    sequence = _write(
        folder,
        "s.yaml",
        "sequence: Short\nmodel: m40\nchannels: plan.yaml\nchecks:\n  - {check: frequency_error, channel: 1}\n",
    )
    return make_plan(
        load_sequence(str(sequence), Wanted(serial="M40-0007")), load_bench("bench"), serial="M40-0007"
    )


NOW = datetime(2026, 11, 2, 22, 0, tzinfo=UTC)
ACTS: Mapping[str, tuple[Callable[[Path], object], str, Told]] = {
    "a file in another coding": (
        lambda folder: read_file(_write(folder, "p.yaml", b"of: sinad\nturn: L3 \xb5H\n"), Preset),
        "p.yaml",
        Told(
            place="2:10",
            message="not UTF-8 text: byte 0xB5",
            allowed="a YAML file in UTF-8",
            hint="save the file as UTF-8",
        ),
    ),
    "a binary file": (
        lambda folder: read_file(_write(folder, "p.yaml", b"\x00\xff\xfe"), Preset),
        "p.yaml",
        Told(
            place="1:2",
            message="not UTF-8 text: byte 0xFF",
            allowed="a YAML file in UTF-8",
            hint="the file looks binary",
        ),
    ),
    "a file in UTF-16": (
        lambda folder: read_file(_write(folder, "p.yaml", "of: sinad\n".encode("utf-16")), Preset),
        "p.yaml",
        Told(
            place="1:1",
            message="not UTF-8 text",
            allowed="a YAML file in UTF-8",
            hint="the file looks like UTF-16",
        ),
    ),
    "a file that is far too long": (
        lambda folder: read_file(_write(folder, "p.yaml", b"#" * (1 << 20) + b"\n"), Preset),
        "p.yaml",
        Told(place="", message="too many to be written by hand", allowed="(1 MiB)"),
    ),
    "a plan that is not the model's": (
        _sequence_with_another_plan,
        "s.yaml",
        Told(
            place="3:11",
            message="the plan 'Two' has other channels than",
            allowed="no 'channels' here: the model's are taken then",
        ),
    ),
    "addresses in another coding": (
        lambda folder: read_addresses(_write(folder, "told.txt", b"mailto://\xff@example.invalid\n")),
        "told.txt",
        Told(place="", message="not UTF-8 text", allowed="an address a line, such as"),
    ),
    "addresses of which none is one": (
        lambda folder: read_addresses(_write(folder, "told.txt", "# nobody\n")),
        "told.txt",
        Told(
            place="",
            message="no address stands here: nobody would be told",
            allowed="an address a line, such as",
        ),
    ),
    "more addresses than are told": (
        lambda folder: read_addresses(_write(folder, "told.txt", "json://example.invalid/x\n" * 51)),
        "told.txt",
        Told(place="51:1", message="51 addresses; at most 50 are told", allowed="an address a line, such as"),
    ),
    "a journal that is a folder": (
        read_journal,
        ".",
        Told(
            place="",
            message="this is a directory, not a file",
            allowed="the journal that a run writes beside its results table",
        ),
    ),
    "a journal that is not there": (
        lambda folder: read_head(folder / "gone.journal"),
        "gone.journal",
        Told(
            place="",
            message="cannot be read: No such file",
            allowed="the journal that a run writes beside its results table",
        ),
    ),
    "a reading without a value": (
        lambda folder: given_beforehand(["idle current"], ()),
        "--entered",
        Told(
            place="",
            message="'idle current' is not a name and a value",
            allowed="NAME=VALUE, such as 'idle current=120 mA'",
        ),
    ),
    "a reading that nobody asks for": (
        lambda folder: given_beforehand(["idle=1 A"], ()),
        "--entered",
        Told(
            place="",
            message="no reading called 'idle' is asked for",
            allowed="nothing: this sequence asks for no reading",
        ),
    ),
    "no time for one run": (
        lambda folder: refuse_no_room(Timetable(until=NOW + timedelta(minutes=1)), NOW, 300.0),
        "--until",
        Told(
            place="",
            message="a run takes about 5 min, and would not end by 2026-11-02 22:01 +0000",
            allowed="a later time",
        ),
    ),
    "a model whose plan is not there": (
        lambda folder: load_model(_write(folder, "m.yaml", M40.replace("plans/cept-40.yaml", "cept-41"))),
        "m.yaml",
        Told(
            place=_place(M40, "plans/cept-40.yaml"),
            message="no such plan file",
            allowed="",
            hint="did you mean 'cept-40.yaml'?",
        ),
    ),
}


@pytest.mark.parametrize("name", ACTS)
def test_what_cannot_be_used_is_told_of_in_full(name: str, tmp_path: Path) -> None:
    """Place or option, sentence, what is allowed or the next move."""
    act, file, told = ACTS[name]
    where = file if file.startswith("--") else str(tmp_path / file)
    _said_by(lambda: act(tmp_path), told=told, file=where)


COMMANDS: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "a customer's sheet with a title": (
        ("report", "last", "--sheet", "--title", "Ours"),
        (
            "--sheet: the sheet takes no title, comments, plots or --all",
            "leave them out, or leave out --sheet",
        ),
    ),
    "a budget without the sheet": (
        ("report", "last", "--budgets"),
        ("--budgets: it stands on the customer's sheet only", "add --sheet"),
    ),
    "a test of what is no trace": (
        ("replay", TRACE, "--as-test", "kept.txt"),
        ("--as-test: 'kept.txt' names no trace", "allowed: a name that ends in .json or .json.gz"),
    ),
    "a pattern that a file cannot quote": (
        ("new", "model", "M41", "--serials", "M'41"),
        ("--serials: the pattern holds a quote", "allowed: a pattern without '"),
    ),
}


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_refuses_an_option_in_full(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The option, the sentence, the way out; status 2, nothing on standard output, nothing left behind."""
    monkeypatch.chdir(tmp_path)
    words, texts = COMMANDS[name]
    done = CliRunner(env={"COLUMNS": "200"}).invoke(main, words)
    assert done.exit_code == 2, done.output
    assert [text for text in texts if text not in done.stderr] == []
    assert done.stdout == ""
    assert list(tmp_path.iterdir()) == []


def test_fifty_addresses_are_told(tmp_path: Path) -> None:
    """The most is still allowed."""
    file = _write(tmp_path, "told.txt", "json://example.invalid/x\n" * 50)
    assert [one.line for one in read_addresses(file)] == list(range(1, 51))
