"""A store with a run or two and benches in every state that a page shows otherwise, for those who look at the pages."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.results.bench_now import Calibrated, Doing, Worked
from sequencer.results.store.bench_now import BenchNowWriter
from sequencer.results.store.place import StorePlace

HOSTILE = "M40-0099<img src=x onerror=alert(1)>"
LONG = "Quarry bench in the upper yard, beside the crusher, with a name that somebody typed"
_DEAF = "sensitivity, 12 dB SINAD, channel 20: (-105.6 ± 1.0) dBm, 7.4 dB above the limit of -113.0 dBm"


def say(
    place: StorePlace, session: str, bench: str, station: str, *, ended: bool = False, **doing: Any
) -> None:
    """Let a bench say what it does; it gives a sign for as long as any test lasts."""
    facts: dict[str, Any] = {
        "program": "line",
        "phase": "waiting",
        "told": datetime.now().astimezone(),
        **doing,
    }
    with closing(BenchNowWriter(place)) as writer:
        writer.begin(
            Worked(id=session, bench=bench, machine="north", process=1, station=station),
            Doing(**facts),
            ended=ended,
        )
    assert place.path is not None
    with closing(sqlite3.connect(place.path)) as bare, bare:
        bare.execute("UPDATE bench_now SET beat_utc_s = beat_utc_s + 1e6 WHERE id = ?", (session,))


def watched_store(folder: Path, *serials: str) -> StorePlace:
    """Make it: a run in the batch ``trial`` of each of these units."""
    for serial in serials:
        given = (
            "run",
            "quick-check",
            "--bench",
            "sim/bench.yaml",
            "--serial",
            serial,
            "--confirmed",
            "--batch",
            "trial",
        )
        done = CliRunner().invoke(main, (*given, "--folder", str(folder)))
        assert done.exit_code in (0, 1), done.output
    place = StorePlace(path=folder / "results.sqlite")
    due = (Calibrated(name="power_meter", due="2020-01-31"), Calibrated(name="supply", due="2099-01-31"))
    measuring = {
        "serial": "M40-0007",
        "check": "sensitivity, channel 20",
        "number": 4,
        "checks": 5,
        "remaining_s": 12.0,
    }
    say(
        place,
        "b1",
        "Bench 1",
        "Line 1",
        phase="measuring",
        sequence="FM mobile, quick check",
        batch="trial",
        **measuring,
    )
    say(
        place,
        "b2",
        "Bench 2",
        "Line 2",
        serial="M40-0011",
        verdict="FAIL",
        wrong=(_DEAF,),
        safe=True,
        calibrated=due,
    )
    unsafe = "the supply reads 13.2 V. Remove the supply from the unit now."
    say(
        place,
        "b3",
        LONG,
        "",
        phase="stopped",
        serial=HOSTILE,
        verdict="BENCH",
        safe=False,
        safe_why=unsafe,
        fault="no answer",
    )
    say(
        place,
        "b4",
        "Bench 4",
        "Line 4",
        phase="asking",
        question=("Is it tested again?",),
        counts="passed 1, failed 0",
    )
    return place
