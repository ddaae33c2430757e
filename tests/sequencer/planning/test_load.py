"""Loading: what a name means, what a bench's shelf holds, and that problems of all profiles come at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.bench.simulation import shelf_serials, specimen_for
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.load_both import load_both
from sequencer.planning.parts import bench_parts
from sequencer.problems import FileProblems

BENCH = load_bench("bench").path


def _own(folder: Path, **changes: str) -> Path:
    text = BENCH.read_text(encoding="utf-8").replace("unit: units ", f"unit: {BENCH.parent}/units ")
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new, 1)
    (folder / "b.yaml").write_text(text, encoding="utf-8")
    return folder / "b.yaml"


def test_a_file_s_hash_changes_with_its_text_only(tmp_path: Path) -> None:
    """The hash that stands in every row tells two states of a file apart, wherever the file stands."""
    first = load_bench(str(_own(tmp_path)))
    (tmp_path / "b.yaml").rename(tmp_path / "moved.yaml")
    assert load_bench(str(tmp_path / "moved.yaml")).hash == first.hash
    with (tmp_path / "moved.yaml").open("a") as file:
        file.write("# one more line\n")
    assert load_bench(str(tmp_path / "moved.yaml")).hash != first.hash
    assert len(first.hash) == 16


def test_the_plan_is_looked_for_beside_the_sequence_first(tmp_path: Path) -> None:
    """A plan of one's own under a shipped name, beside the sequence, is the one that is meant."""
    shipped = load_sequence("fm-mobile-acceptance")
    assert shipped.plan is not None
    (tmp_path / "s.yaml").write_text(
        "sequence: X\nchannels: cept-40.yaml\nsupply: 13.2 V\nchecks:\n  - {check: carrier_power, channel: 1}\n"
    )
    assert load_sequence(str(tmp_path / "s.yaml")).plan == shipped.plan
    (tmp_path / "cept-40.yaml").write_text("nonsense: 1\n")
    with pytest.raises(FileProblems) as caught:
        load_sequence(str(tmp_path / "s.yaml"))
    assert "cept-40.yaml:1:1" in str(caught.value)


def test_a_shelf_is_known_by_its_serials() -> None:
    """The shipped bench has ten specimens; a serial takes one off the shelf."""
    loaded = load_bench("bench")
    serials = shelf_serials(loaded)
    assert len(serials) == len(list((BENCH.parent / "units").glob("*.yaml")))
    assert all(specimen_for(loaded, serial, dry_run=False).serial == serial for serial in serials)


def test_a_dry_run_of_an_unknown_unit_takes_a_sound_one() -> None:
    """A developer's dry run needs no specimen: a sound one gets the serial."""
    assert specimen_for(load_bench("bench"), "NEW-1", dry_run=True).serial == "NEW-1"
    parts = bench_parts(load_bench("bench"), serial="NEW-1", dry_run=True)
    assert parts.simulation is not None


def test_every_specimen_s_problems_come_at_once(tmp_path: Path) -> None:
    """Two spoilt specimens on a shelf are both named."""
    (tmp_path / "shelf").mkdir()
    for name in ("a", "b"):
        (tmp_path / "shelf" / f"{name}.yaml").write_text(f"serial: {name}\nreceiver: {{noise_figure: 6}}\n")
    path = _own(tmp_path, **{f"unit: {BENCH.parent}/units": "unit: shelf"})
    with pytest.raises(FileProblems) as caught:
        specimen_for(load_bench(str(path)), "a", dry_run=False)
    assert [Path(one.file).name for one in caught.value.complaints] == ["a.yaml", "b.yaml"]


def test_every_profile_s_problems_come_at_once(tmp_path: Path) -> None:
    """Two instruments with profiles that are not there are two complaints, each at its line of the bench file."""
    path = _own(
        tmp_path,
        **{
            "    vswr: 1.3\n": "    vswr: 1.3\n    profile: none-1\n",
            "    vswr: 1.1\n": "    vswr: 1.1\n    profile: none-2\n",
        },
    )
    with pytest.raises(FileProblems) as caught:
        load_bench(str(path))
    assert [one.line for one in caught.value.complaints] == [14, 21]


def test_a_profile_for_another_role_is_refused(tmp_path: Path) -> None:
    """A voltmeter's profile does not make a generator speak."""
    other = Path(BENCH.parent.parent, "drivers/profiles/voltmeter/scpi-1999.yaml").read_text(encoding="utf-8")
    (tmp_path / "own.yaml").write_text(other, encoding="utf-8")
    path = _own(tmp_path, **{"    vswr: 1.3\n": "    vswr: 1.3\n    profile: own.yaml\n"})
    with pytest.raises(FileProblems) as caught:
        load_bench(str(path))
    assert "this profile is for a voltmeter" in str(caught.value)


@pytest.mark.parametrize("text", [".", "/dev/null"])
def test_what_is_no_ordinary_file_is_called_that(text: str) -> None:
    """A directory or a device is there, so that 'no such file' would be untrue."""
    for load in (load_sequence, load_bench):
        with pytest.raises(FileProblems, match=r"not a file|not an ordinary file"):
            load(text)


def test_a_folder_of_a_shipped_name_hides_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A results folder that happens to be called like a shipped sequence does not stand in its way."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "fm-mobile-acceptance").mkdir()
    assert load_sequence("fm-mobile-acceptance").plan is not None


def test_two_specimens_of_one_serial_are_refused(tmp_path: Path) -> None:
    """Which of two is meant cannot be known, so neither is taken."""
    (tmp_path / "shelf").mkdir()
    for name in ("a", "b"):
        (tmp_path / "shelf" / f"{name}.yaml").write_text("serial: X-1\n")
    path = _own(tmp_path, **{f"unit: {BENCH.parent}/units": "unit: shelf"})
    with pytest.raises(FileProblems, match=r"the serial 'X-1' is a\.yaml's already"):
        specimen_for(load_bench(str(path)), "X-1", dry_run=False)


def test_a_spoilt_neighbour_stops_no_unit(tmp_path: Path) -> None:
    """A unit whose own file is right can be run, whatever lies beside it on the shelf."""
    (tmp_path / "shelf").mkdir()
    (tmp_path / "shelf" / "a.yaml").write_text("serial: X-1\n")
    (tmp_path / "shelf" / "b.yaml").write_text("serail: X-2\n")
    path = _own(tmp_path, **{f"unit: {BENCH.parent}/units": "unit: shelf"})
    assert specimen_for(load_bench(str(path)), "X-1", dry_run=False).serial == "X-1"


def test_the_complaints_of_sequence_plan_and_bench_come_at_once(tmp_path: Path) -> None:
    """A wrong unit in the sequence hides neither its plan's mistake nor the bench's: one pass tells of all three."""
    (tmp_path / "plan.yaml").write_text("plan: P\nchannels: {1: 27 dB}\n", encoding="utf-8")
    sequence, bench = tmp_path / "s.yaml", tmp_path / "b.yaml"
    sequence.write_text(
        "sequence: S\nchannels: plan.yaml\nsupply: 13\nchecks:\n  - {check: confirm, text: Look}\n",
        encoding="utf-8",
    )
    bench.write_text("bench: B\ninstruments:\n  switch: {address: A, sinad: 3 dB}\n", encoding="utf-8")
    with pytest.raises(FileProblems) as caught:
        load_both(str(sequence), str(bench))
    files = {Path(one.file).name for one in caught.value.complaints}
    assert files == {"s.yaml", "plan.yaml", "b.yaml"}
    assert all(one.line > 0 for one in caught.value.complaints)
