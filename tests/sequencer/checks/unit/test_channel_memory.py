"""Channel memory: every wrong, missing, doubled or out-of-band entry is named with what it should be; an unreadable list is refused.

Outside the project: the 40 frequencies are those of 47 CFR 95.963, from sim/radio/unit.py, which a test holds against the published table;
the lists are written here as a spreadsheet would.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from sequencer.checks.base import Conditions
from sequencer.checks.unit.channel_memory import (
    ChannelMemory,
    ChannelMemorySettings,
    MemoryColumns,
    read_memory,
)
from sequencer.cli.main import main
from sequencer.inputs.channel_plan import ChannelPlan
from sequencer.inputs.load_bench import load_bench
from sequencer.problems import FileProblems
from sequencer.uncertainty.decision import Decision
from sim.radio.unit import CEPT_FREQUENCIES_HZ
from tests.support.running import Ran, run_checks

PLAN = """\
plan: Three channels
source: invented for this test
band: {min: 27 MHz, max: 27.1 MHz}
channels: {1: 27.005 MHz, 2: 27.015 MHz, 3: 27.025 MHz}
"""
SOUND = "channel,frequency_mhz\n1,27.005\n2,27.015\n3,27.025\n"
SUMMARY = "channel memory, entries that are wrong"


def _run(folder: Path, text: str, settings: str = "", plan: str = "plan.yaml") -> Ran:
    (folder / "plan.yaml").write_text(PLAN, encoding="utf-8")
    (folder / "list.csv").write_text(text, encoding="utf-8")
    return run_checks(folder, "M40-0007", f"{{check: channel_memory, file: list.csv{settings}}}", plan=plan)


def _refused(folder: Path, text: str, settings: str = "") -> str:
    with pytest.raises(FileProblems) as problems:
        _run(folder, text, settings)
    return str(problems.value)


def test_a_list_as_the_plan_has_it_passes(tmp_path: Path) -> None:
    """Nothing is wrong: one result, 0 entries, and no instrument was asked for anything of it."""
    ran = _run(tmp_path, SOUND)
    assert ran.number(SUMMARY) == 0
    assert ran.found(SUMMARY).decision is Decision.PASS
    assert [one.quantity for one in ran.outcome.results if one.check == "channel_memory"] == [SUMMARY]


@pytest.mark.parametrize(
    ("entry", "quantity", "words"),
    [
        ("2,27.0155", "memory channel 2", ("line 3: 27.01550 MHz should be 27.01500 MHz",)),
        ("2,27.025", "memory channel 2", ("should be 27.01500 MHz", "that is channel 3's")),
        (
            "2,26.900",
            "memory channel 2",
            ("should be 27.01500 MHz", "out of the band 27.00000 to 27.10000 MHz"),
        ),
        ("", "memory channel 2", ("missing; should be 27.01500 MHz",)),
        ("2,27.015\n2,27.045", "memory channel 2", ("doubled, on line 3 too; should be 27.01500 MHz",)),
        (
            "2,27.015\n41,27.405",
            "memory channel 41",
            ("not in the plan", "channels 1 to 3", "out of the band"),
        ),
    ],
)
def test_what_is_wrong_is_named_with_what_it_should_be(
    tmp_path: Path, entry: str, quantity: str, words: tuple[str, ...]
) -> None:
    """Wrong, another channel's, out of band, missing, doubled, a stranger: one row each, and the summary counts it as one."""
    ran = _run(tmp_path, SOUND.replace("2,27.015", entry))
    assert ran.number(SUMMARY) == 1
    assert ran.found(SUMMARY).decision is Decision.FAIL
    found = ran.found(quantity)
    assert found.decision in (Decision.FAIL, Decision.NOT_MEASURED)
    for text in words:
        assert text in found.note
    assert "uncertainty" not in found.note


def test_swapped_23_to_25_are_found_by_their_owners(tmp_path: Path) -> None:
    """Numbers do not rise at 23, 24, 25 (47 CFR 95.963): a list that sorts them is wrong on three, and each note says whose it is."""
    hz = sorted(CEPT_FREQUENCIES_HZ)
    text = "channel,frequency_mhz\n" + "".join(f"{n},{one / 1e6:.3f}\n" for n, one in enumerate(hz, start=1))
    ran = _run(tmp_path, text, plan="cept-40")
    assert ran.number(SUMMARY) == 3
    notes = [ran.found(f"memory channel {channel}").note for channel in (23, 24, 25)]
    assert [note.split("that is channel ")[1][:2] for note in notes] == ["24", "25", "23"]


def test_rounding_of_the_export_is_allowed_for(tmp_path: Path) -> None:
    """A difference within the tolerance is right, one beyond it is not; the default is 10 Hz."""
    assert _run(tmp_path, SOUND.replace("27.015", "27.015009")).number(SUMMARY) == 0
    assert _run(tmp_path, SOUND.replace("27.015", "27.015011")).number(SUMMARY) == 1
    assert _run(tmp_path, SOUND.replace("27.015", "27.0154"), ", tolerance: 500 Hz").number(SUMMARY) == 0


@pytest.mark.parametrize(
    ("text", "settings"),
    [
        (
            "No;RX;TX\n1;27005;0\n2;27015;0\n3;27025;0\n",
            "{channel: No, frequency: RX, unit: kHz, separator: ';'}",
        ),
        (
            "n\tf\n1\t27005000\n2\t27015000\n3\t27025000\n",
            "{channel: n, frequency: f, unit: Hz, separator: tab}",
        ),
        (
            '\ufeffname,channel,frequency_mhz\n"calling, west",1,27.005\nx,2,27.015\r\n\r\ny,3,"27.025"\n',
            "{}",
        ),
        ("channel,frequency_mhz,\n01,27.005,\n02,27.015,,,\n3,27.0250000\n", "{}"),
        ("Ch;Freq [kHz];Name\r\n1;27005;\r\n2;27.015,0;x\r\n3;27025;\r\n", "{}"),
        ('channel,frequency_mhz\n1,"27,005"\n2,"27,015"\n3,"27,025"\n', "{}"),
        ("channel,frequency_mhz,name\n1,27.005,\n2,27.015,\n3,27.025,\n4,,\n", "{}"),
        ("ch,freq_khz\n1,27.005 MHz\n2,27.015 MHz\n3,27.025 MHz\n", "{}"),
        ("Channel No.;Frequency\n1;27,005\n2;27,015\n3;27,025\n", "{separator: ';'}"),
    ],
)
def test_an_export_is_read_as_it_comes(tmp_path: Path, text: str, settings: str) -> None:
    """Other names, units and separators, a byte-order mark, quoted commas, empty lines and trailing commas: still three right entries."""
    assert _run(tmp_path, text, f", columns: {settings}").number(SUMMARY) == 0


@pytest.mark.parametrize(
    ("text", "settings", "words"),
    [
        (
            "channel,power\n1,27.005\n",
            "",
            ("list.csv:1:1: no column's name says that it holds the frequency", "it has channel, power"),
        ),
        (
            "Channel,frequency_mhz\n1,27.005\n",
            ", columns: {channel: channel}",
            ("column 'channel' is missing", "did you mean 'Channel'?"),
        ),
        (
            "channel;frequency_mhz\n1;27.005\n",
            ", columns: {separator: ','}",
            ("is the separator another?", "separator: ';'"),
        ),
        ("channel\tfrequency_mhz\n", ", columns: {separator: ','}", ("separator: 'tab'",)),
        (
            "channel,frequency_mhz\n1,27,005\n",
            "",
            (
                "list.csv:2:1: 3 columns",
                "2 columns, as the first line has",
                "a decimal comma between commas?",
            ),
        ),
        (
            "channel;frequency_mhz\n1;27,005\n2;27.015\n3;27.025\n",
            "",
            ("list.csv:2:1: column 'frequency_mhz' has decimal points and decimal commas",),
        ),
        ("channel,frequency_mhz\n1\n", "", ("list.csv:2:1: 1 columns",)),
        ("channel,frequency_mhz\nA1,27.005\n", "", ("'A1' is not a channel number", "a whole number")),
        (
            "channel,frequency_mhz\n1,\n2,nan\n3,-27\n4,1e9\n5,0\n",
            "",
            ("list.csv:3:1", "list.csv:4:1", "list.csv:5:1", "list.csv:6:1"),
        ),
        ("channel,f,f\n1,27.005,27.005\n", ", columns: {frequency: f}", ("column 'f' stands there twice",)),
        ("", "", ("the file is empty",)),
        ("\n\n", "", ("the file is empty",)),
        ("channel,frequency_mhz\n" + "1,27.005\n" * 10_001, "", ("at most 10000",)),
        ("channel,frequency_mhz\n1," + "2" * 200_000 + "\n", "", ("list.csv",)),
    ],
)
def test_a_list_that_cannot_be_read_is_refused_before_anything_is_sent(
    tmp_path: Path, text: str, settings: str, words: tuple[str, ...]
) -> None:
    """A missing column, a comma decimal (quoted, between commas, between semicolons), senseless cells: each with its line and a way out."""
    said = _refused(tmp_path, text, settings)
    for word in words:
        assert word in said


def test_a_file_that_is_not_there_is_refused_with_its_neighbour(tmp_path: Path) -> None:
    """The name next to it is offered."""
    (tmp_path / "memory.csv").write_text(SOUND, encoding="utf-8")
    with pytest.raises(FileProblems, match="no such file") as problems:
        run_checks(tmp_path, "M40-0007", "{check: channel_memory, file: memori.csv}")
    assert "memory.csv" in str(problems.value)


def test_a_sequence_without_a_plan_has_nothing_to_compare_with(tmp_path: Path) -> None:
    """It is refused by the plan, with status 2, and says what is missing."""
    (tmp_path / "list.csv").write_text(SOUND, encoding="utf-8")
    file = tmp_path / "s.yaml"
    file.write_text("sequence: S\nchecks:\n  - {check: channel_memory, file: list.csv}\n", encoding="utf-8")
    done = CliRunner().invoke(main, ["validate", str(file), "--bench", "bench"])
    assert done.exit_code == 2
    assert "names no channel plan to compare this list with" in done.stderr


def test_the_serial_may_stand_in_the_name(tmp_path: Path) -> None:
    """Each unit has its own export: validated without one, the list of the unit that is run is read."""
    (tmp_path / "plan.yaml").write_text(PLAN, encoding="utf-8")
    (tmp_path / "M40-0016.csv").write_text(SOUND.replace("2,27.015\n", ""), encoding="utf-8")
    file = tmp_path / "s.yaml"
    file.write_text(
        "sequence: S\nchannels: plan.yaml\nchecks:\n  - {check: channel_memory, file: '{serial}.csv'}\n",
        encoding="utf-8",
    )
    assert CliRunner().invoke(main, ["validate", str(file), "--bench", "bench"]).exit_code == 0
    words = ["run", str(file), "--bench", "bench", "--json", "--folder", str(tmp_path / "r")]
    ran = CliRunner().invoke(main, [*words, "--serial", "M40-0016"])
    assert ran.exit_code == 1
    assert [one["value"] for one in json.loads(ran.stdout)["results"] if one["quantity"] == SUMMARY] == [1.0]
    other = CliRunner().invoke(main, [*words, "--serial", "M40-0007"])
    assert other.exit_code == 2
    assert "no such file" in other.stderr


def test_no_rf_takes_part(tmp_path: Path) -> None:
    """On a bench of one voltmeter, with neither generator nor radio nor path, the list is compared as ever."""
    bench = tmp_path / "bench.yaml"
    bench.write_text(
        "bench: One meter\nvisa: sim\nunit: m40-0007.yaml\ninstruments:\n"
        "  voltmeter: {address: 'TCPIP0::192.0.2.15::5025::SOCKET'}\n",
        encoding="utf-8",
    )
    (tmp_path / "plan.yaml").write_text(PLAN, encoding="utf-8")
    (tmp_path / "list.csv").write_text(SOUND.replace("27.015", "27.016"), encoding="utf-8")
    file = tmp_path / "s.yaml"
    file.write_text(
        "sequence: S\nchannels: plan.yaml\nchecks:\n  - {check: channel_memory, file: list.csv}\n",
        encoding="utf-8",
    )
    words = [
        "run",
        str(file),
        "--bench",
        str(bench),
        "--serial",
        "M40-0007",
        "--folder",
        str(tmp_path / "r"),
        "--json",
    ]
    ran = CliRunner().invoke(main, words)
    assert ran.exit_code == 1, ran.output
    found = {one["quantity"]: one["note"] for one in json.loads(ran.stdout)["results"]}
    assert "should be 27.01500 MHz" in found["memory channel 2"]


@given(st.dictionaries(st.integers(1, 60), st.integers(26_000_000, 28_000_000), max_size=30))
def test_what_is_counted_is_the_difference_of_two_sets(
    tmp_path_factory: pytest.TempPathFactory, entries: dict[int, int]
) -> None:
    """For any list without doubles: wrong is each plan channel that is missing or more than 10 Hz off, and each stranger."""
    folder = tmp_path_factory.mktemp("memory")
    path = folder / "list.csv"
    path.write_text(
        "c,f\n" + "".join(f"{channel},{hz}\n" for channel, hz in entries.items()), encoding="utf-8"
    )
    columns = MemoryColumns(channel="c", frequency="f", unit="Hz")
    plan = dict(enumerate(map(float, CEPT_FREQUENCIES_HZ), start=1))
    off = {channel for channel, hz in plan.items() if abs(entries.get(channel, 0) - hz) > 10.0}
    settings = ChannelMemorySettings(check="channel_memory", file=str(path), columns=columns)
    of_plan = ChannelPlan(
        name="CEPT", source="47 CFR 95.963", min_hz=26.96e6, max_hz=27.41e6, frequencies_hz=plan
    )
    conditions = Conditions(
        bench=load_bench("bench").bench,
        channel=None,
        frequency_hz=None,
        mode="FM",
        plan=of_plan,
        folder=folder,
    )
    found = ChannelMemory().inspect(settings, conditions)
    assert found[0].value == len(off) + len(set(entries) - set(plan))
    assert len(read_memory(path, columns)) == len(entries)
