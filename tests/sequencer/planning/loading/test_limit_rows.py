"""Limits from a file of a published document: taken where the sequence says nothing, told with their place, refused in words."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.files.read import read_file
from sequencer.files.shipped import find_file, shipped_names
from sequencer.inputs.limits_file import LimitsFile
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.doubts.own_method import own_methods
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import Plan, make_plan
from sequencer.problems import FileProblems
from sequencer.run.keeping.inputs import inputs_of
from tests.support.spectral import HEAD, results, run

OWN = """\
limits: A radio of our own
document: House rules
edition: second
looked_at: 2026-11
note: made up for a test
rows:
  power:
    check: carrier_power
    clause: "3.1"
    basis: from memory
    source: nobody
    set: {limit: {max: 4 W, min: 3 W}}
  wrong:
    check: carrier_power
    clause: "3.2"
    basis: seen
    source: nobody
    set: {limit: {most: 4 W}}
"""


def planned(folder: Path, check: str, house: str = OWN) -> Plan:
    """The plan of one check beside a file of limits of its own."""
    (folder / "house.yaml").write_text(house, encoding="utf-8")
    (folder / "sequence.yaml").write_text(HEAD.format(mode="FM") + f"  - {{{check}}}\n", encoding="utf-8")
    return make_plan(
        load_sequence(str(folder / "sequence.yaml")), load_bench("spectrum-bench"), serial="M40-0041"
    )


def test_what_a_row_sets_is_taken_where_the_check_says_nothing(tmp_path: Path) -> None:
    """The row's limit holds; a limit of the sequence's own holds against it."""
    taken = planned(
        tmp_path, "check: carrier_power, channel: 20, limits_from: {file: house.yaml, row: power}"
    )
    own = planned(
        tmp_path,
        "check: carrier_power, channel: 20, limit: {max: 5 W}, limits_from: {file: house.yaml, row: power}",
    )
    assert (taken.steps[0].settings.limit.min_w, taken.steps[0].settings.limit.max_w) == (3.0, 4.0)  # type: ignore[attr-defined]
    assert (own.steps[0].settings.limit.min_w, own.steps[0].settings.limit.max_w) == (None, 5.0)  # type: ignore[attr-defined]


def test_a_result_names_document_clause_and_basis_and_the_place_of_its_limit(tmp_path: Path) -> None:
    """A limit from memory says so beside every result that is held against it; where it stands is file and line."""
    check = "check: carrier_power, channel: 20, limits_from: {file: en-300-433, row: carrier power}"
    one = results(run(tmp_path, "M40-0041", check))["carrier power"]
    assert one.upper_limit == 4.0
    assert "limit of EN 300 433, V2.1.1 (2016): clause not seen, figure seen" in one.note
    line = int(one.limit_from.rpartition(":")[2])
    assert one.limit_from.startswith("en-300-433.yaml:")
    assert "max: 4 W" in find_file("en-300-433", "limits").read_text(encoding="utf-8").splitlines()[line - 1]


def test_a_run_keeps_the_file_of_limits_it_was_made_with(tmp_path: Path) -> None:
    """Judged anew, or replayed, it needs what it was held against."""
    plan = planned(tmp_path, "check: carrier_power, channel: 20, limits_from: {file: house.yaml, row: power}")
    assert [(one.kind, one.content) for one in inputs_of(plan) if one.kind == "limits"] == [
        ("limits", OWN.encode())
    ]


@pytest.mark.parametrize(
    ("named", "said", "where"),
    [
        ("{file: nowhere, row: power}", "no such file of limits: 'nowhere'", "sequence.yaml:7:"),
        ("{file: house.yaml, row: powr}", "house.yaml has no row 'powr'", "sequence.yaml:7:"),
        ("{file: house.yaml}", "limits are taken from a file, and a row of it", "sequence.yaml:7:"),
        ("{file: house.yaml, row: wrong}", "unknown key 'most'", "house.yaml:18:"),
        (
            "{file: mpt-1382, row: adjacent channel power}",
            "is of adjacent_channel_power, not of carrier_power",
            "sequence.yaml:7:",
        ),
        (
            "{file: plans/cept-40.yaml, row: power}",
            "this is a plan file, not a file of limits",
            "sequence.yaml:7:",
        ),
    ],
)
def test_what_cannot_be_taken_is_refused_where_it_stands(
    tmp_path: Path, named: str, said: str, where: str
) -> None:
    """A file that is not there, a row it has not, one of another check, a key the check does not know: each at its own place."""
    with pytest.raises(FileProblems) as refused:
        planned(tmp_path, f"check: carrier_power, channel: 20, limits_from: {named}")
    told = str(refused.value)
    assert said in told
    assert where in told


HOUSE_ROWS = """\
rows:
  lines:
    check: spurious_emissions
    clause: "3.3"
    basis: seen
    source: nobody
    set: {mask: [{from: 20 MHz, to: 30 MHz, resolution_bandwidth: 10 kHz, max: 250 nW}]}
"""
WHOLE_MASK = "[{from: 20 MHz, to: 30 MHz, resolution_bandwidth: 10 kHz, max: 250 nW}]"
WHOLE_ROW = HOUSE_ROWS.removeprefix("rows:\n")


@pytest.mark.parametrize(
    ("stands", "put", "said"),
    [
        (f"{{mask: {WHOLE_MASK}}}", "{}", "the mapping is empty; allowed: at least one"),
        (f"{{mask: {WHOLE_MASK}}}", "[]", "found a list; allowed: a mapping: {key: value}"),
        (f"{{mask: {WHOLE_MASK}}}", "", "nothing stands here; allowed: a mapping: {key: value}"),
        (f"{{mask: {WHOLE_MASK}}}", "{1: 4 W}", "unknown key '1'"),
        (WHOLE_MASK, "[]", "the list is empty; allowed: at least one"),
        (WHOLE_MASK, "{from: 20 MHz}", "found a mapping; allowed: a list"),
        (
            WHOLE_MASK,
            WHOLE_MASK[:-1] + ", {from: 31 MHz, to: 40 MHz, resolution_bandwidth: 10 kHz, max: 1 nW}]",
            "the mask has a gap: one range ends at 30 MHz, the next begins at 31 MHz",
        ),
        (
            WHOLE_MASK,
            WHOLE_MASK[:-1] + ", " + WHOLE_MASK[1:],
            "the mask has an overlap: one range ends at 30 MHz, the next begins at 20 MHz",
        ),
        (HOUSE_ROWS, "rows: {}\n", "the mapping is empty; allowed: at least one"),
        (HOUSE_ROWS, "rows: []\n", "found a list; allowed: a mapping: {key: value}"),
        (WHOLE_ROW, WHOLE_ROW + WHOLE_ROW, "key 'lines' appears twice"),
        (WHOLE_ROW, WHOLE_ROW.replace("lines", '""'), "the text is empty"),
        ("source: nobody", 'source: ""', "the text is empty; allowed: at least one"),
        (
            "source: nobody",
            f"source: {'x' * 400}",
            "a text of 400 characters; allowed: at most 300 characters",
        ),
        ("basis: seen", "basis: {}", "found a mapping"),
    ],
)
def test_a_file_of_limits_that_is_wrong_is_refused_in_our_words(
    tmp_path: Path, stands: str, put: str, said: str
) -> None:
    """Where it stands, what was found and what is allowed, and nothing of a library's own."""
    house = OWN[: OWN.index("rows:")] + HOUSE_ROWS
    assert stands in house
    with pytest.raises(FileProblems) as refused:
        planned(
            tmp_path,
            "check: spurious_emissions, channel: 20, limits_from: {file: house.yaml, row: lines}",
            house.replace(stands, put),
        )
    told = "\n".join(f"{one.file}: {one.message}; allowed: {one.allowed}" for one in refused.value.complaints)
    assert said in told
    assert not re.search("should|Dictionary|Tuple|Input|String|after validation", told)


@pytest.mark.parametrize("name", shipped_names("limits"))
def test_every_shipped_row_is_one_that_its_check_takes(tmp_path: Path, name: str) -> None:
    """Each row of each shipped file makes a plan, on the bench that has everything; what is out of its reach is told as that."""
    rows = read_file(find_file(name, "limits"), LimitsFile).model.rows
    for row, one in rows.items():
        drive = (
            ", drive: 10 mV"
            if one.check in ("peak_deviation", "adjacent_channel_power", "occupied_bandwidth")
            else ""
        )
        if one.check == "receiver_emissions":
            drive = ", intermediate_frequencies: [10.695 MHz], oscillators: [high]"
        check = f'check: {one.check}, channel: 20{drive}, limits_from: {{file: {name}, row: "{row}"}}'
        if row == "spurious emissions, operating":  # begins below the loss table of the demonstration's path
            with pytest.raises(FileProblems, match="the loss table of the transmit path ends at 1"):
                planned(tmp_path, check)
            continue
        assert planned(tmp_path, check).steps


DRIVEN = "check: adjacent_channel_power, channel: 20, drive: 10 mV"
ACP_ROW = "limits_from: {file: en-300-433, row: adjacent channel power}"


@pytest.mark.parametrize(
    ("check", "quantity", "says", "never"),
    [
        (
            "check: frequency_error, channel: 20, limit: {within: 2 kHz}, limits_from: {file: en-300-433, row: frequency error}",
            "frequency error",
            "limit of the sequence's own, not of EN 300 433, V2.1.1 (2016)",
            "limit of EN",
        ),
        (
            "check: harmonics, channel: 20, up_to: 2, ratio: {min: 50 dB}, limits_from: {file: en-300-433, row: harmonics}",
            "harmonic 2 below carrier",
            "the analyser's own mixer may have made it",
            "EN 300 433",
        ),
        (
            "check: harmonics, channel: 20, up_to: 2, ratio: {min: 50 dB}, limits_from: {file: en-300-433, row: harmonics}",
            "harmonic 2",
            "limit of EN 300 433, V2.1.1 (2016)",
            "sequence's own",
        ),
        (
            f"{DRIVEN}, bandwidth: 7 kHz, {ACP_ROW}",
            "adjacent channel power, lower",
            "measured with bandwidth 7 kHz, not 8.5 kHz as in EN 300 433, V2.1.1 (2016)",
            "measured with tone",
        ),
        (
            f"{DRIVEN}, bandwidth: 8500 Hz, {ACP_ROW}",
            "adjacent channel power, lower",
            "8.5 kHz, offsets from the channel's frequency; own noise -72 dB; limit of EN 300 433, V2.1.1 (2016)",
            "measured with",
        ),
    ],
)
def test_a_document_is_credited_with_what_was_taken_from_it_alone(
    tmp_path: Path, check: str, quantity: str, says: str, never: str
) -> None:
    """A limit of the sequence's own beside a row is not the document's, and who measures otherwise than it says so."""
    note = results(run(tmp_path, "M40-0041", check))[quantity].note
    assert says in note
    assert never not in note


def test_validate_says_what_a_sequence_states_beside_a_row(tmp_path: Path) -> None:
    """Before anything is measured: the limit, and the method."""
    plan = planned(tmp_path, f"{DRIVEN}, bandwidth: 7 kHz, limit: {{max: 1 uW}}, {ACP_ROW}")
    assert own_methods(plan) == {
        "a limit of its own, not that of EN 300 433, V2.1.1 (2016)": ("adjacent_channel_power",),
        "bandwidth 7 kHz, not 8.5 kHz as in EN 300 433, V2.1.1 (2016)": ("adjacent_channel_power",),
    }


@pytest.mark.parametrize("name", shipped_names("limits"))
def test_what_a_row_says_is_no_departure_from_it(tmp_path: Path, name: str) -> None:
    """Each setting of each shipped row, stated by a check as the row has it: limits are its own, the method the document's."""
    rows = read_file(find_file(name, "limits"), LimitsFile).model.rows
    for row, one in rows.items():
        told = {"check": one.check, "channel": 20, **one.settings}
        if one.check in ("peak_deviation", "adjacent_channel_power", "occupied_bandwidth"):
            told["drive"] = "10 mV"
        if one.check == "receiver_emissions":
            told |= {"intermediate_frequencies": ["10.695 MHz"], "oscillators": ["high"]}
        if row == "spurious emissions, operating":  # begins below the loss table of the demonstration's path
            continue
        told["limits_from"] = {"file": name, "row": row}
        check = yaml.safe_dump(told, default_flow_style=True, width=10_000, sort_keys=False).strip()[1:-1]
        said = own_methods(planned(tmp_path, check))
        assert all(one.startswith("a limit of its own") for one in said), (row, said)


def test_a_check_that_is_wrong_moves_no_row_to_another(tmp_path: Path) -> None:
    """Without the first check the second was held against the first one's row: a complaint that was not so."""
    wrong = "check: frequency_error, channel: 20, limit: {max: 900 Hz}, limits_from: {file: en-300-433, row: frequency error}"
    right = "check: carrier_power, channel: 20, limits_from: {file: en-300-433, row: carrier power}"
    file = tmp_path / "sequence.yaml"
    file.write_text(HEAD.format(mode="FM") + f"  - {{{wrong}}}\n  - {{{right}}}\n", encoding="utf-8")
    done = CliRunner().invoke(main, ["validate", str(file), "--bench", "spectrum-bench"])
    assert done.exit_code == 2
    assert "unknown key 'max'" in done.output
    assert "greatest uncertainty" not in done.output
