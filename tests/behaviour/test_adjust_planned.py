"""What the plan says of an adjusting before anything is sent or turned: what the radio cannot do, and what the bench cannot tell."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.model_file import Wanted
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
