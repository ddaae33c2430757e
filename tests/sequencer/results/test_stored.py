"""What the store gives to readers, as JSON: the keys that other programs rely on, and nothing that JSON cannot say."""

from __future__ import annotations

import json
import math
from dataclasses import FrozenInstanceError, replace

import pytest

from drivers.trace import Direction
from sequencer.results.model import COLUMNS
from sequencer.results.stored import (
    StoredExchange,
    exchange_as_plain,
    instruments_text,
    result_as_plain,
    run_as_plain,
)
from tests.support.stored_rows import instrument, level_row, run_of, sinad_points

BESIDE_THE_TABLE = ("id", "check_index", "points", "budget", "settings", "fault", "confirmations", "counts", "replaced_by")  # fmt: skip
OF_A_RUN = (
    "run", "time", "serial", "model", "sequence", "sequence_hash", "bench", "bench_hash", "simulated", "outcome",
    "bench_safe", "bench_s", "part", "again", "reason", "model_hash", "resumed",
    "asked", "evaluated_from", "from_time", "from_sequence_hash", "from_bench_hash",
    "status", "batch", "station", "operator", "lot", "fixture", "attempt", "retest_reason", "instruments", "decisions", "replaced",
)  # fmt: skip


def test_a_result_has_the_keys_of_the_table_and_those_beside_it() -> None:
    """Every column of the results table, and what no cell holds, under the names that `results --json` has always had."""
    plain = result_as_plain(level_row(-120.0, points=sinad_points(-120.0)))
    assert set(plain) == {*COLUMNS, *BESIDE_THE_TABLE}
    assert set(plain["points"][0]) == {"level_db", "reading", "state", "reading_s", "at_s", "frequency_hz"}
    assert set(plain["confirmations"][0]) == {"text", "confirmed", "how", "when", "who", "knob"}
    assert (plain["time"], plain["decision"]) == ("2026-03-02T10:00:00.000+00:00", "no limit")
    assert json.loads(json.dumps(plain, allow_nan=False)) == plain


def test_a_run_has_its_keys_and_its_results_where_they_were_read() -> None:
    """A list of runs carries no results; one run does. Calibration stands only where there is one."""
    run = run_of([level_row(-120.0)], instruments=(instrument(), instrument("voltmeter", due="2027-01-31")))
    assert set(run_as_plain(run)) == set(OF_A_RUN)
    plain = run_as_plain(run, results=True)
    assert [one["value"] for one in plain["results"]] == [-120.0]
    assert "due" not in plain["instruments"]["signal_generator"]
    assert plain["instruments"]["voltmeter"]["due"] == "2027-01-31"
    assert plain["decisions"] == {"no limit": 1}


def test_a_message_is_spelt_out() -> None:
    """Bytes that are no ASCII are shown as what they are."""
    said = StoredExchange(
        id=1,
        run="r",
        check_index=2,
        time_s=0.5,
        instrument="radio",
        direction=Direction.SENT,
        content=b"\xffA\n",
    )
    assert exchange_as_plain(said) == {
        "id": 1, "run": "r", "check_index": 2, "time_s": 0.5, "instrument": "radio", "direction": "sent",
        "content": "\\xffA\n", "fault": "",
    }  # fmt: skip


def test_a_level_that_is_no_number_is_none_in_json() -> None:
    """JSON has no NaN: such a level is empty there, and the rest of the reading stays."""
    (first, *_) = sinad_points(-120.0)
    plain = result_as_plain(level_row(-120.0, points=(replace(first, level_db=math.nan),)))
    assert plain["points"][0]["level_db"] is None
    json.dumps(plain, allow_nan=False)


def test_what_was_read_cannot_be_changed() -> None:
    """A reader gets a frozen value; whether it counts is what the store says of its repeat."""
    result = level_row(-120.0, replaced_by="run-2")
    assert not result.counts
    assert level_row(-120.0).counts
    with pytest.raises(FrozenInstanceError):
        result.value = -119.0  # type: ignore[misc]


def test_the_same_instruments_are_the_same_text_in_any_order() -> None:
    """Two runs are on one set of instruments if the same stood on the bench, in whatever order the file names them."""
    one, other = instrument(), instrument("voltmeter")
    assert instruments_text([one, other]) == instruments_text([other, one])
    assert instruments_text([one]) != instruments_text([replace(one, serial="2202")])
    assert instruments_text([]) == ""
