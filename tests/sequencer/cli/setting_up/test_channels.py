"""The command `channels`: shown side by side first, written to a new file only, and what it wrote passes `channel_memory`."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from rich.console import Console

from sequencer.cli.main import main
from sequencer.cli.setting_up.channels import asked_columns, changes_table
from sequencer.inputs.lists.channel_list_fill import Change, ChangedEntry
from sequencer.problems import InputError
from sim.radio.unit import CEPT_FREQUENCIES_HZ
from tests.support.running import run_checks

SORTED = sorted(CEPT_FREQUENCIES_HZ)
"""The 40 carriers by frequency: channels 23 to 25 are not in that order (47 CFR 95.963), which a list by rule gets wrong."""
EXPORT = "\ufeffCh;Freq (MHz);Power;Scan\r\n" + "".join(
    f'{n};"{hz / 1e6:.4f}";High;{"on" if n % 2 else "off"}\r\n'.replace(".", ",")
    for n, hz in enumerate(SORTED, start=1)
)


@pytest.fixture
def export(tmp_path: Path) -> Path:
    """Return an exported list whose channels 23 to 25 are exchanged."""
    path = tmp_path / "exported.csv"
    path.write_bytes(EXPORT.encode())
    return path


def _call(*words: object) -> Any:
    return CliRunner().invoke(main, ["channels", *map(str, words)])


def test_the_check_passes_on_what_was_written(export: Path, tmp_path: Path) -> None:
    """Of the export `channel_memory` names three entries; of the list written from it none, and three cells differ."""
    checked = "{check: channel_memory, file: %s}"
    before = run_checks(tmp_path, "M40-0007", checked % "exported.csv", plan="cept-40")
    assert before.number("channel memory, entries that are wrong") == 3
    done = _call("cept-40", "--like", export, "--into", tmp_path / "new.csv")
    assert done.exit_code == 0, done.output
    after = run_checks(tmp_path, "M40-0007", checked % "new.csv", plan="cept-40")
    assert after.number("channel memory, entries that are wrong") == 0
    old, new = (path.read_bytes().split(b"\r\n") for path in (export, tmp_path / "new.csv"))
    assert [n for n, (one, other) in enumerate(zip(old, new, strict=True)) if one != other] == [23, 24, 25]


def test_what_changes_stands_side_by_side(export: Path, tmp_path: Path) -> None:
    """Each changed entry with its number, as it was and as it becomes; the others are counted; the caution stands below."""
    done = _call("cept-40", "--like", export, "--into", tmp_path / "new.csv")
    shown = " ".join(done.stdout.split())
    assert "23 27,2350 27,2550" in shown
    assert "24 27,2450 27,2350" in shown
    assert "22 " not in shown
    assert "3 entries changed, 0 added, 37 as they were." in shown
    assert "channel_memory finds 0 entries wrong in it" in shown
    assert "run the check channel_memory on that export before the radio is used" in shown


def test_without_into_nothing_is_written(export: Path, tmp_path: Path) -> None:
    """It only shows."""
    done = _call("cept-40", "--like", export)
    assert done.exit_code == 0
    assert "Nothing was written" in done.stdout
    assert [one.name for one in tmp_path.iterdir()] == ["exported.csv"]


def test_json_says_the_same(export: Path, tmp_path: Path) -> None:
    """For a program: the changed cells, how many are wrong, and where it was written."""
    done = _call("cept-40", "--like", export, "--into", tmp_path / "new.csv", "--json")
    said = json.loads(done.stdout)
    assert [one["channel"] for one in said["changed"]] == [23, 24, 25]
    assert said["changed"][0]["changes"] == [{"column": "Freq (MHz)", "was": "27,2350", "becomes": "27,2550"}]
    assert (said["wrong"], said["unchanged"]) == (0, 37)


def test_it_never_writes_over_a_file(export: Path, tmp_path: Path) -> None:
    """Neither over the export itself nor over another; both stay as they were."""
    other = tmp_path / "other.csv"
    other.write_text("mine", encoding="utf-8")
    for into, words in (
        (export, "this is the exported list itself"),
        (other, "there is a file of this name"),
    ):
        done = _call("cept-40", "--like", export, "--into", into)
        assert done.exit_code == 2
        assert words in done.stderr
    assert other.read_text(encoding="utf-8") == "mine"
    assert export.read_bytes() == EXPORT.encode()


def test_strangers_are_told_and_left_out_on_request(export: Path, tmp_path: Path) -> None:
    """Channel 41 is kept, and the check would name it; with --drop it is gone."""
    export.write_bytes(EXPORT.encode() + b'41;"27,4150";High;on\r\n')
    done = _call("cept-40", "--like", export, "--into", tmp_path / "kept.csv")
    assert done.exit_code == 1
    kept = done.stdout
    assert "Not in the plan, kept (--drop leaves them out): channel 41." in kept
    assert "channel_memory finds 1 entry wrong in it" in kept
    dropped = _call("cept-40", "--like", export, "--into", tmp_path / "dropped.csv", "--drop").stdout
    assert "channel_memory finds 0 entries wrong in it" in dropped


def test_columns_with_names_of_their_own_are_stated(tmp_path: Path) -> None:
    """A list whose columns are called X and Y is refused with a way out, and taken with it."""
    path = tmp_path / "own.csv"
    path.write_text(
        "X,Y\n" + "".join(f"{n},{hz / 1e3:.0f}\n" for n, hz in enumerate(SORTED, start=1)), encoding="utf-8"
    )
    refused = _call("cept-40", "--like", path)
    assert refused.exit_code == 2
    assert "own.csv:1:1: no column's name says that it holds the channel's number" in refused.stderr
    assert "--column channel=NAME" in refused.stderr
    taken = _call(
        "cept-40", "--like", path, "--column", "channel=X", "--column", "frequency=Y", "--column", "unit=kHz"
    )
    assert "3 entries changed" in taken.stdout


@pytest.mark.parametrize("name", ["Uplink", "Frequency 2", "RX Frequency", "Split"])
@pytest.mark.parametrize("factor", [1e6, 1e3, 1.0])
def test_a_second_column_of_frequencies_is_refused_until_it_is_stated(
    tmp_path: Path, name: str, factor: float
) -> None:
    """Left as it was, it would let the radio transmit on the old frequency; stated, it moves along, or stays because a person said so."""
    path = tmp_path / "two.csv"
    rows = "".join(f"{n},{hz / factor:.10g},{hz / factor:.10g},25\n" for n, hz in enumerate(SORTED, start=1))
    path.write_text(f"Ch,Frequency,{name},Power\n{rows}", encoding="utf-8")
    refused = _call("cept-40", "--like", path, "--into", tmp_path / "new.csv")
    assert refused.exit_code == 2
    assert f"two.csv:1:1: column '{name}' holds frequencies near the channels' own" in refused.stderr
    assert "Power" not in refused.stderr
    assert not (tmp_path / "new.csv").exists()
    moved = _call("cept-40", "--like", path, "--into", tmp_path / "a.csv", "--column", f"transmit={name}")
    assert moved.exit_code == 0, moved.output
    assert f"23,{27_255_000 / factor:.10g},{27_255_000 / factor:.10g},25" in (tmp_path / "a.csv").read_text()
    left = _call("cept-40", "--like", path, "--into", tmp_path / "b.csv", "--column", f"other={name}")
    assert left.exit_code == 0, left.output
    assert f"23,{27_255_000 / factor:.10g},{27_235_000 / factor:.10g},25" in (tmp_path / "b.csv").read_text()


def test_columns_that_hold_no_frequencies_ask_nothing(tmp_path: Path) -> None:
    """Offsets, steps, tones and powers are no second frequency; a column to leave that is not there is refused with those there are."""
    path = tmp_path / "list.csv"
    rows = "".join(f"{n},{hz / 1e6},0.1,25.0,27.5,30\n" for n, hz in enumerate(SORTED, start=1))
    path.write_text(f"Ch,Frequency,Offset,Step,CTCSS,Power\n{rows}", encoding="utf-8")
    assert _call("cept-40", "--like", path).exit_code == 0
    refused = _call("cept-40", "--like", path, "--column", "other=Stepp")
    assert refused.exit_code == 2
    assert "did you mean 'Step'?" in refused.stderr


def test_a_list_of_another_radio_is_written_only_when_told(tmp_path: Path) -> None:
    """157 MHz (a marine list) under a plan of 27 MHz: shown with how far it moves, refused with the line, written with --far."""
    path, into = tmp_path / "marine.csv", tmp_path / "new.csv"
    path.write_text("Ch,Frequency\n1,157.050\n2,157.100\n", encoding="utf-8")
    shown = " ".join(_call("cept-40", "--like", path).stdout.split())
    assert "The furthest entry moves by 130.12500 MHz." in shown
    assert "CAUTION: far from the plan, perhaps another radio's list: channels 1, 2" in shown
    refused = _call("cept-40", "--like", path, "--into", into)
    assert refused.exit_code == 2
    assert "marine.csv:2:1: channel 1 would move from 157.05000 MHz to 26.96500 MHz" in refused.stderr
    assert not into.exists()
    assert _call("cept-40", "--like", path, "--into", into, "--far").exit_code == 0
    assert into.exists()


def test_an_added_channel_does_not_take_its_neighbours_name(tmp_path: Path) -> None:
    """Of a list with four channels, the 36 added have no name, and it is said that every other column is the neighbour's."""
    path, into = tmp_path / "four.csv", tmp_path / "new.csv"
    rows = "".join(f"{n},{CEPT_FREQUENCIES_HZ[n - 1] / 1e6:.3f},K{n},High\n" for n in range(1, 5))
    path.write_text(f"Ch,Frequency,Name,Power\n{rows}", encoding="utf-8")
    done = _call("cept-40", "--like", path, "--into", into)
    assert done.exit_code == 0, done.output
    assert into.read_text().count("K4") == 1
    assert "40,27.405,,High" in into.read_text()
    assert "every other column of its neighbour" in " ".join(done.stdout.split())


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (("canal=X",), ("'canal=X' names no column", "did you mean 'channel'?")),
        (("channel",), ("ROLE=NAME",)),
        (("unit=GHz",), ("'GHz' is no unit", "Hz, kHz, MHz")),
        (("name=A", "name=B"), ("'name' is given twice",)),
    ],
)
def test_a_column_that_is_none_is_refused(given: tuple[str, ...], words: tuple[str, ...]) -> None:
    """What is allowed, and the nearest."""
    with pytest.raises(InputError) as problems:
        asked_columns(given)
    for word in words:
        assert word in str(problems.value)


@pytest.mark.parametrize("width", [40, 60, 80, 132])
def test_the_changes_fit_every_width(width: int) -> None:
    """Old and new stand whole at each width, and no line runs over; what is added says as which."""
    changes = (
        Change(column="Freq (MHz)", was="27,2350", becomes="27,2550"),
        Change(column="Name", was="", becomes="Calling"),
    )
    changed = (
        ChangedEntry(channel=23, changes=changes),
        ChangedEntry(channel=41, changes=changes[:1], like=40),
    )
    file = io.StringIO()
    Console(file=file, width=width).print(changes_table(changed, width=width))
    shown = file.getvalue()
    assert all(len(line.rstrip()) <= width for line in shown.splitlines())
    for text in ("27,2350", "27,2550", "Calling", "added,"):
        assert text in shown
