"""Model files: read with their limits, chosen by name or serial, and what is wrong with them said with its place."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.checks.adjusting.settings import AdjustSettings
from sequencer.files.shipped import find_file, shipped_names
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import LoadedSequence, load_sequence
from sequencer.planning.load_both import load_both
from sequencer.planning.loading.fill import whole_presets
from sequencer.planning.loading.model_file import Wanted, load_model
from sequencer.planning.plan import make_plan
from sequencer.problems import FileProblems

MODEL = r"""model: T1
serials: 'T1-\d{4}'
channels: plans/cept-40.yaml
test_channels: {low: 2, middle: 19, high: 39}
supply: 12 V
rated_power: 4.5 W
microphone: {normal: 8 mV}
deviation: {normal: 1.5 kHz, maximum: 2.5 kHz}
meter: {s9: 1.5 V, attack: 100 ms}
settings: [squelch open, volume at half]
limits:
  carrier_power: {max: 4 W}
  supply_current: {transmit: {max: 2 A}}
presets:
  power: {of: carrier_power, channel: 20, turn: RV4, to: 3.8 W, within: 0.1 W}
"""
GENERAL = """sequence: General
checks:
  - {check: carrier_power, channel: [low, high]}
  - {check: peak_deviation, above: 20 dB}
  - {check: sensitivity}
  - {check: s9_point, limit: {within: 6 dB}}
  - {check: supply_current, receive: {max: 1 A}}
"""
Write = Callable[[str, str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Write a file below the test's folder, and return its path."""

    def made(name: str, text: str) -> Path:
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return path

    return made


@pytest.fixture
def general(write: Write) -> Path:
    """A sequence that leaves out what a model has, with a model beside it."""
    write("models/t1.yaml", MODEL)
    return write("s.yaml", GENERAL)


def loaded(path: Path, **wanted: str) -> LoadedSequence:
    """Return the sequence with the model that is meant."""
    return load_sequence(str(path), Wanted(**wanted))  # type: ignore[arg-type]


def complaints(path: Path, **wanted: str) -> str:
    """Return what is said of a sequence that is refused."""
    with pytest.raises(FileProblems) as caught:
        loaded(path, **wanted)
    return str(caught.value)


@pytest.mark.parametrize("name", shipped_names("model"))
def test_every_shipped_model_is_read(name: str) -> None:
    """Each has a plan whose channels its test channels and presets are on."""
    found = load_model(find_file(name, "model"))
    assert found.plan is not None
    assert found.model.test_channels is not None


def test_a_sequence_leaves_out_what_its_model_has(general: Path) -> None:
    """Channels, mode, supply, rated power, drive, meter, settings to confirm and limits are the model's, and keep their place there."""
    found = loaded(general, serial="T1-0001")
    top, checks = found.sequence, {one.check: one for one in found.sequence.checks}
    assert (top.mode, top.supply_v, top.rated_power_w) == ("FM", 12.0, 4.5)
    assert [one.confirm for one in top.prepare] == ["squelch open, volume at half"]
    assert found.plan is not None
    assert checks["carrier_power"].channels == (2, 39)
    assert checks["sensitivity"].channels == (19,)
    assert checks["carrier_power"].limit.max_w == 4.0  # type: ignore[attr-defined]
    assert checks["peak_deviation"].drive_v == 0.008  # type: ignore[attr-defined]
    assert checks["sensitivity"].deviation_hz == 1500.0  # type: ignore[attr-defined]
    s9 = checks["s9_point"]
    assert (s9.target_v, s9.attack_s, s9.decay_s) == (1.5, 0.1, 0.6)  # type: ignore[attr-defined]
    assert checks["supply_current"].transmit.max_a == 2.0  # type: ignore[attr-defined]
    assert checks["supply_current"].receive.max_a == 1.0  # type: ignore[attr-defined]
    place = found.source.where("checks", 0, "limit", key=True)
    assert (Path(place.file).name, place.line) == ("t1.yaml", 12)
    assert not found.source.is_own("supply")
    assert found.source.is_own("checks", 3, "limit")


def test_what_the_sequence_states_holds(write: Write) -> None:
    """A limit, a drive, a channel and a preparation of the sequence's own are not written over."""
    write("models/t1.yaml", MODEL)
    own = write(
        "s.yaml",
        "sequence: X\nprepare: [{confirm: lid on}]\nchecks:\n"
        "  - {check: carrier_power, channel: 7, limit: {}}\n  - {check: peak_deviation, drive: 20 mV}\n",
    )
    found = loaded(own, serial="T1-0001").sequence
    power, deviation = found.checks
    assert [one.confirm for one in found.prepare] == ["lid on"]
    assert power.channels == (7,)
    assert power.limit.max_w is None  # type: ignore[attr-defined]
    assert deviation.drive_v == 0.02  # type: ignore[attr-defined]


def test_a_sequence_that_is_whole_stays_as_it_is(write: Write) -> None:
    """The serial alone adds neither a question nor a limit to a sequence from before there were models; naming the model does."""
    write("models/t1.yaml", MODEL)
    text = "sequence: X\nchannels: cept-40\nsupply: 12 V\nchecks:\n  - {check: carrier_power, channel: 7}\n"
    path = write("s.yaml", text)
    by_serial, by_name = (loaded(path, **one) for one in ({"serial": "T1-0001"}, {"name": "T1"}))
    assert by_serial.model is not None
    assert by_serial.sequence.prepare == ()
    assert by_serial.sequence.checks[0].limit.max_w is None  # type: ignore[attr-defined]
    assert len(by_name.sequence.prepare) == 1
    assert by_name.sequence.checks[0].limit.max_w == 4.0  # type: ignore[attr-defined]


def test_limits_of_one_emission_go_before_those_of_all() -> None:
    """The shipped multimode set gives 4 W of carrier in AM and 12 W of peak envelope power in USB, driven as its model says."""
    found = load_sequence(str(find_file("fm-mobile-acceptance", "sequence")), Wanted(serial="MX40-0101"))
    assert found.model is not None
    limits = found.model.model.limits_in_mode  # type: ignore[attr-defined]
    assert limits["USB"].carrier_power.max_w == 12.0
    assert found.sequence.checks[0].limit.max_w == 4.0  # type: ignore[attr-defined]


def test_limits_and_drive_of_a_sideband_check(tmp_path: Path) -> None:
    """In USB the model's SSB drive and its limits for USB are taken over; in FM a carrier is not driven at all."""
    path = tmp_path / "s.yaml"
    path.write_text(
        "sequence: X\nchecks:\n  - {check: carrier_power, mode: USB}\n  - {check: carrier_power}\n"
    )
    usb, fm = loaded(path, serial="MX40-0101").sequence.checks
    assert (usb.drive_v, usb.limit.max_w) == (0.005, 12.0)  # type: ignore[attr-defined]
    assert (fm.drive_v, fm.limit.max_w) == (None, 4.0)  # type: ignore[attr-defined]


def test_a_model_is_named_in_many_ways(general: Path) -> None:
    """By the name in it, by its file's name, by its path, by the sequence's own key."""
    path = general.parent / "models" / "t1.yaml"
    for name in ("T1", "t1", "t1.yaml", str(path)):
        found = loaded(general, name=name).model
        assert found is not None
        assert found.path.name == "t1.yaml"
    general.write_text("model: t1\n" + GENERAL, encoding="utf-8")
    assert loaded(general).model is not None


def test_a_bench_s_folder_has_models_too(write: Write, tmp_path: Path) -> None:
    """A shipped sequence is run with a model of one's own that lies beside one's bench file."""
    write("models/t1.yaml", MODEL)
    sequence, _ = load_both("fm-mobile-acceptance", str(_bench(tmp_path)), serial="T1-0009")
    assert sequence.model is not None
    assert sequence.model.model.model == "T1"


def test_with_a_shipped_bench_the_current_folder_has_models(
    write: Write, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who tries a shipped sequence on the shipped bench puts a model of their own where they stand."""
    write("models/t1.yaml", MODEL)
    monkeypatch.chdir(tmp_path)
    sequence, _ = load_both("fm-mobile-acceptance", "bench", serial="T1-0009")
    assert sequence.model is not None
    assert sequence.model.model.model == "T1"


def test_a_file_of_another_kind_under_a_shipped_model_s_name_is_nobody_s_model(
    write: Write, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bench file of the user's that is called as a shipped model is stops no run in its folder."""
    bench = _bench(tmp_path).rename(tmp_path / "v5.yaml")
    monkeypatch.chdir(tmp_path)
    sequence, _ = load_both("fm-mobile-acceptance", str(bench), serial="M40-0007")
    assert sequence.model is not None
    assert sequence.model.model.model == "M40"


def _bench(folder: Path) -> Path:
    shipped = load_bench("bench").path
    path = folder / "b.yaml"
    text = shipped.read_text(encoding="utf-8").replace("unit: units", f"unit: {shipped.parent}/units", 1)
    path.write_text(text, encoding="utf-8")
    return path


def test_one_s_own_model_goes_before_a_shipped_one(write: Write, general: Path) -> None:
    """A serial that fits a demonstration model as well is one's own model's."""
    write("models/t1.yaml", MODEL.replace(r"T1-\d{4}", r"M40-\d{4}"))
    found = loaded(general, serial="M40-0007").model
    assert found is not None
    assert found.model.model == "T1"


def test_a_serial_that_fits_two_models_is_refused_with_both_places(write: Write, general: Path) -> None:
    """Nobody guesses which limits a unit is held to."""
    write("models/t2.yaml", MODEL.replace("model: T1", "model: T2").replace(r"T1-\d{4}", r"T\d-.*"))
    said = complaints(general, serial="T1-0001")
    assert "fits more than one model" in said
    assert "t1.yaml:2:" in said
    assert "t2.yaml:2:" in said
    assert loaded(general, serial="T1-0001", name="T2").model is not None  # it fits T2 as well


def test_a_model_that_is_missing_is_said_once(general: Path) -> None:
    """Everything that the sequence leaves out is named in one complaint, with the models there are."""
    for wanted, said in (
        ({}, "no model was chosen"),
        ({"serial": "ZZ-1"}, "'ZZ-1' fits no model"),
        ({"name": "T9"}, "'T9' is no model file"),
    ):
        text = complaints(general, **wanted)
        assert said in text
        assert "'drive' of peak_deviation" in text
        assert "'target' of s9_point" in text
        assert r"T1 (T1-\d{4})" in text
        assert "is missing" not in text


def test_the_serial_of_another_model_is_refused(general: Path) -> None:
    """A unit whose plate says it is of another model than the one named is not measured; one that nobody knows may be."""
    said = complaints(general, serial="V5-0301", name="T1")
    assert "v5.yaml:" in said
    assert "t1.yaml:2:" in said
    assert loaded(general, serial="unreadable", name="T1").model is not None
    general.write_text("model: m40\n" + GENERAL, encoding="utf-8")
    assert "s.yaml:1:" in complaints(general, name="T1")


def test_a_name_that_is_no_model_stays_a_text(write: Write) -> None:
    """A sequence that is whole by itself is run as before, whatever its unit is called."""
    whole = Path(__file__).parents[3] / "data" / "whole-sequence.yaml"
    assert loaded(whole, name="FM mobile, blue", serial="M40-0007").model is None
    assert loaded(whole, serial="nobody's").model is None
    assert loaded(whole, serial="M40-0007").model is None  # a shipped model's, perhaps by chance
    assert loaded(whole, name="m40", serial="M40-0007").model is not None
    own = write("s.yaml", whole.read_text(encoding="utf-8"))
    write("models/own.yaml", MODEL.replace("T1-", "M40-"))
    chosen = loaded(own, serial="M40-0007").model
    assert chosen is not None
    assert chosen.model.model == "T1"


def test_a_default_fills_in_and_claims_nothing(write: Write, general: Path) -> None:
    """`model_by_default` serves where nothing chooses; a serial that fits another model goes before it."""
    general.write_text("model_by_default: t1\n" + GENERAL, encoding="utf-8")
    found = loaded(general, serial="nobody's").model
    assert found is not None
    assert found.by_default
    other = loaded(general, serial="V5-0301").model
    assert other is not None
    assert (other.model.model, other.by_default) == ("V5", False)
    general.write_text("model_by_default: t7\n" + GENERAL, encoding="utf-8")
    assert "no such model file: 't7'" in complaints(general)


def test_a_mistyped_model_is_not_judged_by_the_default(general: Path) -> None:
    """A text that is nearly a model's name is refused where another model's limits would judge; one like none of them stays a text."""
    general.write_text("model_by_default: t1\n" + GENERAL, encoding="utf-8")
    said = complaints(general, name="M4O", serial="nobody's")
    assert "no model is called 'M4O'" in said
    assert "did you mean" in said
    found = loaded(general, name="Fennmoor twelve", serial="nobody's").model
    assert found is not None
    assert found.by_default


SPOILT = {
    "a byte of Windows-1252": ("m40.yaml", b"model: M40\nserials: 'M40-\\d{4}'\n# 3 \xb5V\n", "m40.yaml:3"),
    "a pattern that is refused": ("m40.yaml", b"model: X\nserials: '(('\n", "m40.yaml:2:10"),
    "broken YAML": ("m40.yaml", b"model: X\nserials: [\n", "m40.yaml:"),
    "a key that stands twice": ("m40.yaml", b"model: X\nserials: 'A\\d'\nserials: 'B\\d'\n", "m40.yaml:3:1"),
    "the other ending": ("m40.yml", b"model: X\nserials: '(('\n", "m40.yml:2:10"),
}


@pytest.mark.parametrize("case", SPOILT)
@pytest.mark.parametrize("wanted", [{"serial": "M40-0007"}, {"serial": "T1-0001"}, {"name": "m40"}])
def test_a_spoilt_model_of_one_s_own_is_said_whatever_is_chosen(
    general: Path, case: str, wanted: dict[str, str]
) -> None:
    """The shipped file of the same name, or a neighbour, must not decide in its place."""
    name, text, place = SPOILT[case]
    (general.parent / "models" / name).write_bytes(text)
    said = complaints(general, **wanted)
    assert place in said
    assert "allowed:" in said


BAD = {
    "an unknown key": (("supply: 12 V", "suply: 12 V"), "m.yaml:5:1", "did you mean 'supply'?"),
    "a limit of no check": (
        ("  carrier_power:", "  carier_power:"),
        "m.yaml:12:3",
        "did you mean 'carrier_power'?",
    ),
    "a limit of another kind": (("max: 4 W", "max: 4 V"), "m.yaml:12:24", "a power in"),
    "a limit the check has not": (("transmit: {max", "transmits: {max"), "m.yaml:13:20", "transmit"),
    "a preset of no check": (("of: carrier_power", "of: carier"), "m.yaml:15:15", "carrier_power"),
    "a setting the check has not": (
        ("turn: RV4", "turn: RV4, level: -70 dBm"),
        "m.yaml:15:",
        "no setting 'level'",
    ),
    "a preset's name": (("  power:", "  Power!:"), "m.yaml:15:3", "small letters"),
    "a pattern that fits all": (("'T1-\\d{4}'", "'.+'"), "m.yaml:2:10", "fits any serial"),
    "no pattern": (("serials: 'T1-\\d{4}'\n", ""), "m.yaml:1:1", "'serials'"),
    "a channel off the plan": (("middle: 19", "middle: 99"), "m.yaml:4:", "channels 1 to 40"),
    "a plan that is not there": (("cept-40", "cept-41"), "m.yaml:3:11", "cept-40"),
    "two modes alike": (("supply:", "modes: [FM, FM]\nsupply:"), "m.yaml:5:8", "each once"),
    "no setting": (("[squelch open, volume at half]", "[]"), "m.yaml:10:11", "at least one"),
}


@pytest.mark.parametrize("case", BAD)
def test_a_wrong_model_file_is_refused_with_its_place(write: Write, case: str) -> None:
    """Place, what was found, what is allowed."""
    (old, new), place, said = BAD[case]
    assert old in MODEL
    path = write("m.yaml", MODEL.replace(old, new, 1))
    with pytest.raises(FileProblems) as caught:
        load_model(path)
    text = str(caught.value)
    assert place in text
    assert said in text
    assert all(one.allowed for one in caught.value.complaints)


@pytest.mark.parametrize(
    ("change", "places"),
    [
        (("to: 3.8 W", "to: 9 W"), ["m.yaml:12:24", "m.yaml:6:14"]),
        (("to: 3.8 W", "to: 4.2 W"), ["m.yaml:12:24"]),
        (("  carrier_power: {max: 4 W}", "  carrier_power: {}"), []),
        (("to: 3.8 W", "to: 1 W"), []),
        (("to: 3.8 W", "to: 4 W"), []),
    ],
)
def test_a_target_above_the_model_s_own_limit_is_refused(
    write: Write, change: tuple[str, str], places: list[str]
) -> None:
    """Both places are named: one of the two is wrong, and a transmitter would be turned up beyond what it may give."""
    path = write("m.yaml", MODEL.replace(*change))
    if not places:
        assert load_model(path).model.presets
        return
    with pytest.raises(FileProblems) as caught:
        load_model(path)
    assert len(caught.value.complaints) == len(places)
    for one, place in zip(caught.value.complaints, places, strict=True):
        assert "m.yaml:15" in str(one)
        assert place in str(one)


def test_a_word_for_a_channel_that_the_model_does_not_say(write: Write, general: Path) -> None:
    """The complaint names the sequence's place and the model's."""
    write("models/t1.yaml", MODEL.replace("low: 2, ", ""))
    said = complaints(general, serial="T1-0001")
    assert "s.yaml:3:" in said
    assert "t1.yaml:4:" in said
    assert "allowed: middle, high of its 'test_channels', or a channel's number" in said
    write("models/t1.yaml", MODEL.replace("test_channels: {low: 2, middle: 19, high: 39}\n", ""))
    said = complaints(general, serial="T1-0001")
    assert "which channel is 'low'" in said
    assert "t1.yaml:1:" in said
    assert "allowed: none of its 'test_channels', or a channel's number" in said


CONTRADICTIONS = {
    "supply": ("supply: 13 V\n", "", "t1.yaml:5:", "12 V"),
    "rated power": ("rated_power: 9 W\n", "", "t1.yaml:6:", "4.5 W"),
    "channels": ("channels: uk-27-81\n", "", "t1.yaml:3:", "other channels"),
    "mode": ("mode: AM\n", "", "t1.yaml:", "FM"),
    "S9": ("", "  - {check: s9_point, target: 2 V}\n", "t1.yaml:9:", "1.5 V"),
}


@pytest.mark.parametrize("case", CONTRADICTIONS)
def test_what_sequence_and_model_say_differently_is_refused_with_both_places(write: Write, case: str) -> None:
    """One fact stands in one place: the plan names both, and what would do."""
    top, check, place, said = CONTRADICTIONS[case]
    write("models/t1.yaml", MODEL)
    path = write("s.yaml", f"sequence: X\n{top}checks:\n  - {{check: carrier_power}}\n{check}")
    with pytest.raises(FileProblems) as caught:
        make_plan(loaded(path, serial="T1-0001"), load_bench("bench"))
    text = str(caught.value)
    assert f"{path}:" in text
    assert place in text
    assert said in text


def test_a_bench_that_cannot_feed_the_model_is_refused_at_the_model_s_line(write: Write) -> None:
    """What was taken over is complained of where it stands."""
    write("models/t1.yaml", MODEL.replace("supply: 12 V", "supply: 28 V"))
    path = write("s.yaml", GENERAL)
    with pytest.raises(FileProblems, match=r"t1\.yaml:5:9: 28 V is above max_voltage"):
        make_plan(loaded(path, serial="T1-0001"), load_bench("bench"))


def test_an_adjusting_names_presets_of_the_model(write: Write) -> None:
    """The preset brings its check, its channel, its aim and, from the model, the drive that it leaves out."""
    presets = "  deviation: {of: peak_deviation, channel: 20, turn: RV7, to: 1.9 kHz, within: 50 Hz, above: 20 dB}\n"
    write("models/t1.yaml", MODEL + presets)
    path = write("s.yaml", "sequence: X\nchecks:\n  - {check: adjust, presets: [power, deviation]}\n")
    (one,) = loaded(path, serial="T1-0001").sequence.checks
    assert isinstance(one, AdjustSettings)
    named = one.named()
    assert one.channels == (20,)
    assert {name: preset.target for name, preset in named.items()} == {"power": 3.8, "deviation": 1900.0}
    assert named["deviation"].drive_v == 0.008
    assert named["power"].drive_v is None
    make_plan(loaded(path, serial="T1-0001"), load_bench("bench"))


def test_a_preset_s_own_drive_and_voltage_at_s9_hold(write: Write) -> None:
    """What it leaves out is the model's; of a check that has neither nothing is put in."""
    own = (
        "  meter: {of: s9_point, channel: 20, turn: RV2, to: -73 dBm, within: 1.5 dB, target: 2 V}\n"
        "  left: {of: s9_point, channel: 20, turn: RV2, to: -73 dBm, within: 1.5 dB}\n"
        "  deviation: {of: peak_deviation, channel: 20, turn: RV7, to: 1.9 kHz, within: 50 Hz, drive: 30 mV}\n"
    )
    write("models/t1.yaml", MODEL + own)
    path = write("s.yaml", "sequence: X\nchecks:\n  - {check: adjust, preset: meter}\n")
    model = loaded(path, serial="T1-0001").model
    assert model is not None
    presets = whole_presets(model.model)
    assert (presets["meter"].target_v, presets["left"].target_v) == (2.0, 1.5)
    assert (presets["deviation"].drive_v, presets["meter"].drive_v) == (0.03, None)
    assert (presets["power"].drive_v, presets["power"].target_v) == (None, None)


def test_what_is_only_confirmed_takes_nothing_from_a_model(write: Write) -> None:
    """A sequence that measures nothing on a unit is whole without channels: the serial adds no question; to one that measures it does."""
    write("models/t1.yaml", MODEL)
    for check, asked in (("{check: confirm, text: lid on}", 0), ("{check: carrier_power}", 1)):
        path = write("s.yaml", f"sequence: X\nchecks:\n  - {check}\n")
        assert len(loaded(path, serial="T1-0001").sequence.prepare) == asked


def test_a_preset_of_another_model_is_refused_with_those_there_are(write: Write, general: Path) -> None:
    """The complaint stands at the name in the sequence, and says where the model lists its own."""
    general.write_text("sequence: X\nchecks:\n  - {check: adjust, preset: pwer}\n", encoding="utf-8")
    said = complaints(general, serial="T1-0001")
    assert "s.yaml:3:" in said
    assert "t1.yaml:1" in said
    assert "did you mean 'power'?" in said
    assert "the presets of adjust" in complaints(general)


@pytest.mark.parametrize(
    ("checks", "asked"),
    [
        ("[{check: adjust, preset: squelch}]", True),
        ("[{check: adjust, of: squelch, turn: RV3, to: -120 dBm, within: 1 dB}]", True),
        ("[{check: adjust, preset: squelch}, {check: sensitivity}]", False),
        ("[{check: adjust, preset: power}]", False),
    ],
)
def test_a_sequence_that_adjusts_a_squelch_alone_asks_for_its_knob(
    tmp_path: Path, checks: str, asked: bool
) -> None:
    """The model's own settings want it open; where something else is measured too the sequence says when it is closed."""
    file = tmp_path / "s.yaml"
    file.write_text(f"sequence: S\nmodel: m40\nchecks: {checks}\n", encoding="utf-8")
    texts = [one.confirm for one in load_sequence(str(file)).sequence.prepare]
    assert (texts[-1] == "squelch turned back until the noise just stops") is asked
    assert "squelch open" in texts[0]
