"""What the plan says of an adjusting before anything is sent or turned: what the radio cannot do, and what the bench cannot tell."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.doubts.too_fine import presets_too_fine
from sequencer.planning.load import load_sequence
from sequencer.planning.loading.model_file import Wanted, load_model
from sequencer.planning.plan import Plan, make_plan
from sequencer.problems import Complaint, FileProblems

ROOT = Path(__file__).parents[2]
WRITTEN = "{check: adjust, of: supply_current, channel: 20, write: tx_bias, range: [0, 255], to: 1.6 A, within: 20 mA}"
RADIO = "    address: TCPIP0::192.0.2.18::5025::SOCKET\n"


def plan(folder: Path, entry: str, *, radio: str = RADIO) -> Plan:
    """Return the plan of one adjusting of M40-0031 on the shipped bench, with another ``radio`` there."""
    bench = (ROOT / "sim" / "bench.yaml").read_text(encoding="utf-8")
    assert RADIO in bench
    bench = bench.replace(RADIO, radio).replace("unit: units ", f"unit: {ROOT}/sim/units ")
    (folder / "bench.yaml").write_text(bench, encoding="utf-8")
    file = folder / "sequence.yaml"
    file.write_text(f"sequence: Presets\nchecks:\n  - {entry}\n", encoding="utf-8")
    sequence = load_sequence(str(file), Wanted(serial="M40-0031"))
    return make_plan(sequence, load_bench(str(folder / "bench.yaml")), serial="M40-0031")


def refused(folder: Path, entry: str, *, radio: str = RADIO) -> Complaint:
    """Return the only complaint of the plan."""
    with pytest.raises(FileProblems) as caught:
        plan(folder, entry, radio=radio)
    (complaint,) = caught.value.complaints
    return complaint


def text_radio(profile: str) -> str:
    """Return the entry of a radio of text lines."""
    return f"    driver: text\n    address: /dev/ttyUSB0\n    profile: {profile}\n    ptt: rts\n    timeout: 1 s\n"


def test_a_text_radio_that_stores_no_settings_is_refused_by_the_plan(tmp_path: Path) -> None:
    """The profile without 'preset' is named before anything is keyed; one that has it is planned, and so is a trimmer on either."""
    complaint = refused(tmp_path, WRITTEN, radio=text_radio("hollinbrook-channel-line"))
    assert (Path(complaint.file).name, complaint.line) == ("sequence.yaml", 3)
    assert "its profile 'hollinbrook-channel-line' has no command 'preset'" in complaint.message
    assert "'turn' in place of 'write'" in complaint.allowed
    assert plan(tmp_path, WRITTEN, radio=text_radio("hollinbrook-line")).steps
    turned = WRITTEN.replace("write: tx_bias, range: [0, 255]", "turn: RV1")
    assert plan(tmp_path, turned, radio=text_radio("hollinbrook-channel-line")).steps


def test_a_setting_that_cannot_be_asked_for_is_refused_by_the_plan(tmp_path: Path) -> None:
    """The number before could not be put back: a profile that only sets 'preset' will not do."""
    profile = (ROOT / "drivers/profiles/radio/hollinbrook-line.yaml").read_text(encoding="utf-8")
    blind = profile.replace(', query: "PS {text}?", pattern: "^PS \\\\S+=(-?\\\\d+)$"', "")
    assert blind != profile
    (tmp_path / "blind.yaml").write_text(
        blind.replace("profile: hollinbrook-line", "profile: blind"), "utf-8"
    )
    complaint = refused(tmp_path, WRITTEN, radio=text_radio("blind.yaml"))
    assert "its profile 'blind' cannot ask for 'preset'" in complaint.message


def test_a_radio_that_a_person_sets_is_not_written(tmp_path: Path) -> None:
    """On a bench where a person keys and tunes the radio, its settings are that person's too."""
    complaint = refused(tmp_path, WRITTEN, radio="    driver: operator\n")
    assert "a person sets radio on this bench" in complaint.message
    assert "'turn' in place of 'write'" in complaint.allowed


OWN = "{{check: adjust, preset: mine, of: {}, channel: 20, turn: RV4, to: {}, within: {}}}"


@pytest.mark.parametrize(
    ("of", "to", "narrow", "wide"),
    [
        ("carrier_power", "3.8 W", "0.1 W", "0.4 W"),
        ("frequency_error", "0 Hz", "1 Hz", "150 Hz"),
        ("peak_deviation, drive: 100 mV", "1.9 kHz", "5 Hz", "200 Hz"),
        ("s9_point, target: 2.25 V", "-73 dBm", "0.2 dB", "4 dB"),
    ],
)
def test_a_band_narrower_than_the_bench_can_tell_is_told_beforehand(
    tmp_path: Path, of: str, to: str, narrow: str, wide: str
) -> None:
    """What the bench file states alone is wider than the band: said while nothing is turned; of a wide band nothing is said."""
    (told,) = presets_too_fine(plan(tmp_path, OWN.format(of, to, narrow)))
    assert told.startswith("preset mine, band of ±")
    assert "is narrower than U = " in told
    assert presets_too_fine(plan(tmp_path, OWN.format(of, to, wide))) == {}


def test_what_is_told_beforehand_is_what_the_bench_file_states(tmp_path: Path) -> None:
    """U of a power at its target is no less than the meter's own share: 3 % of 3.8 W, rectangular (JCGM 100:2008, 4.3.7), twice over."""
    (told,) = presets_too_fine(plan(tmp_path, OWN.format("carrier_power", "3.8 W", "0.1 W")))
    expanded_w = float(told.partition("U = ")[2].split()[0]) * (1e-3 if told.endswith("mW") else 1.0)
    assert 2.0 * 0.03 * 3.8 / 3.0**0.5 < expanded_w < 0.3


def test_validate_warns_of_it(tmp_path: Path) -> None:
    """The warning names preset, band, uncertainty and what helps; the sequence stays valid, for the bench may be what there is."""
    plan(tmp_path, OWN.format("carrier_power", "3.8 W", "0.1 W"))
    files = [str(tmp_path / "sequence.yaml"), "--bench", str(tmp_path / "bench.yaml")]
    done = CliRunner().invoke(main, ["validate", *files, "--serial", "M40-0031"])
    assert done.exit_code == 0, done.output
    assert "warning: these presets cannot be set that well on this bench" in done.output
    assert "preset mine, band of ±" in done.output
    told = json.loads(CliRunner().invoke(main, ["validate", *files, "--serial", "M40-0031", "--json"]).stdout)
    assert len(told["presets_too_fine"]) == 1


@pytest.mark.parametrize(("serial", "model"), [("M40-0031", "m40"), ("MX40-0131", "mx40")])
def test_the_presets_of_the_demonstration_models_can_be_set_on_their_bench(
    tmp_path: Path, serial: str, model: str
) -> None:
    """Nobody who tries the shipped models is told that their bench is too poor for them."""
    bench = load_bench("bench")
    for name in load_model(ROOT / "sequences" / "models" / f"{model}.yaml").model.presets:
        file = tmp_path / f"{name}.yaml"
        file.write_text(f"sequence: One\nchecks: [{{check: adjust, preset: {name}}}]\n", encoding="utf-8")
        assert presets_too_fine(make_plan(load_sequence(str(file), Wanted(serial=serial)), bench)) == {}, name
