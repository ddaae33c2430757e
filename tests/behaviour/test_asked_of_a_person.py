"""Readings that a person enters and cables that a person moves, through a real pseudo-terminal and the real command line."""

from __future__ import annotations

import csv
import json
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import yaml

from tests.behaviour.test_exits import Served, serve
from tests.support.person_at_terminal import CTRL_C, CTRL_D, ROOT, Seen, run_at_terminal, transcript

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are needed"),
    pytest.mark.slow,  # each run is a process of its own, answered at the pace of a terminal
]
SAFE = "The bench is safe: PTT released, generator off, supply off, each read back."
CABLES = "CABLES WERE MOVED BY HAND and not confirmed back"
SEQUENCE = """\
sequence: Asked
channels: cept-40
mode: FM
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20, readings: 2, limit: {max: 4 W}}
  - check: enter_reading
    name: idle current
    text: Read the unit's idle current on the supply's meter
    quantity: current
    unit: mA
    range: {min: 0 mA, max: 2 A}
    limit: {max: 400 mA}
    accuracy: 2 %
"""
LOSS = """\
sequence: Losses
mode: FM
checks:
  - {check: path_loss, name: pad A, frequencies: [27 MHz], file: losses/pad.yaml}
"""


def run(
    folder: Path, answer: Callable[[str], str | None], *more: str, sequence: str = SEQUENCE, bench: str = ""
) -> Seen:
    """Run a sequence with a person at the terminal, on a copy of the simulated bench beside it."""
    (folder / "asked.yaml").write_text(sequence, encoding="utf-8")
    if not bench:
        content = (ROOT / "sim" / "bench.yaml").read_text(encoding="utf-8")
        bench = str(folder / "bench.yaml")
        Path(bench).write_text(
            content.replace("unit: units ", f"unit: {ROOT / 'sim' / 'units'} "), encoding="utf-8"
        )
    words = ["run", str(folder / "asked.yaml"), "--bench", bench, "--serial", "M40-0007", *more]
    return run_at_terminal([*words, "--folder", str(folder / "results")], answer)


def rows(folder: Path) -> dict[str, dict[str, str]]:
    """Return the rows of all results tables by quantity, the newest last."""
    found: dict[str, dict[str, str]] = {}
    for table in sorted((folder / "results").glob("*.csv")):
        with table.open(encoding="utf-8", newline="") as file:
            found |= {row["quantity"]: row for row in csv.DictReader(file)}
    return found


def test_a_typed_reading_is_judged_and_kept(tmp_path: Path) -> None:
    """The question names what to read and the dial's unit; the answer becomes a result with its uncertainty, note and trace."""
    seen = run(tmp_path, lambda question: "120,5")
    assert seen.status == 0, transcript(seen)
    assert seen.questions == ["Read the unit's idle current on the supply's meter, in mA: "]
    row = rows(tmp_path)["idle current"]
    assert (float(row["value"]), row["unit"], row["decision"]) == (0.1205, "A", "pass")
    assert 0.002 < float(row["uncertainty"]) < 0.003
    assert "'120,5' typed at the terminal" in row["note"]
    with sqlite3.connect(tmp_path / "results" / "results.sqlite") as store:
        kept = store.execute(
            "select direction, content from exchange where instrument = 'person' order by id"
        ).fetchall()
    store.close()
    assert kept == [("sent", seen.questions[0].encode()), ("received", b"120,5")]


def test_nonsense_fifty_times_is_answered_fifty_times(tmp_path: Path) -> None:
    """NaN, other units, numbers beyond the range, control characters: each is answered with what is allowed, and the run goes on."""
    nonsense = ["nan", "5 V", "3 A", "-1", "1,500", "", "back", "\x1b[A", "١٢", "120 mA 5"] * 5

    def person(_question: str) -> str:
        return nonsense.pop() if nonsense else "120 mA"

    seen = run(tmp_path, person)
    assert seen.status == 0, transcript(seen)
    allowed = [question for question in seen.questions if "Allowed: a number in mA" in question]
    assert len(allowed) == 50
    assert "from 0 A to 2 A; over; no reading; stop" in allowed[0]
    assert "Traceback" not in seen.text
    assert float(rows(tmp_path)["idle current"]["value"]) == 0.12


@pytest.mark.parametrize("typed", [CTRL_C, "stop", CTRL_D])
def test_every_way_to_stop_keeps_what_was_measured(tmp_path: Path, typed: str) -> None:
    """Ctrl-C, "stop" and the end of input: status 4, the bench safe, the power that was measured before kept, no traceback."""
    seen = run(tmp_path, lambda question: typed)
    assert seen.status == 4, transcript(seen)
    assert SAFE in seen.text
    assert "Traceback" not in seen.text
    assert rows(tmp_path)["carrier power"]["decision"] == "pass"


def test_no_reading_is_an_answer(tmp_path: Path) -> None:
    """What cannot be read is not measured; status 3, for nothing is said against the unit."""
    seen = run(tmp_path, lambda question: "no reading")
    assert seen.status == 3, transcript(seen)
    row = rows(tmp_path)["idle current"]
    assert (row["value"], row["decision"]) == ("", "not measured")
    assert "'no reading' typed at the terminal" in row["note"]


def test_a_reading_given_beforehand_is_not_asked_for(tmp_path: Path) -> None:
    """With --entered nobody is asked, also at a terminal; without it and without a terminal nothing is begun."""
    seen = run(tmp_path, lambda question: None, "--entered", "idle current=130 mA")
    assert (seen.status, seen.questions) == (0, []), transcript(seen)
    assert "given beforehand with --entered" in rows(tmp_path)["idle current"]["note"]
    words = [
        "run",
        str(tmp_path / "asked.yaml"),
        "--bench",
        "bench",
        "--serial",
        "M40-0007",
        "--folder",
        str(tmp_path / "other"),
    ]
    done = subprocess.run(
        [sys.executable, "-m", "sequencer", *words],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "a person reads idle current, and there is no terminal to ask at" in done.stderr
    assert "--entered 'idle current=…'" in done.stderr
    assert not (tmp_path / "other").exists()


def test_a_repeat_asks_for_its_reason(tmp_path: Path) -> None:
    """At a terminal the reason is asked for, as often as nothing is typed; what is typed stands in the store."""
    assert run(tmp_path, lambda question: "500").status == 1
    answers = {"Why is run": ["", "read the wrong meter"], "Read the unit": ["120"]}

    def person(question: str) -> str | None:
        return next((answers[key].pop(0) for key in answers if key in question), None)

    again = run(tmp_path, person, "--only", "enter_reading", "--again")
    assert again.status == 0, transcript(again)
    assert "the reason is empty" in again.text
    with sqlite3.connect(tmp_path / "results" / "results.sqlite") as store:
        found = store.execute(
            "select value, replaced_by <> '' from result where \"check\" = 'enter_reading' order by id"
        ).fetchall()
        reasons = store.execute("select reason from run order by utc_s").fetchall()
    store.close()
    assert found == [(0.5, 1), (0.12, 0)]
    assert reasons == [("",), ("read the wrong meter",)]


def test_a_repeat_that_is_cut_short_replaces_nothing(tmp_path: Path) -> None:
    """Ctrl-C in the middle of the repeated check: what was found before still counts, and the repeat is in the store as interrupted."""
    assert run(tmp_path, lambda question: "500").status == 1
    cut = run(
        tmp_path, lambda question: CTRL_C, "--only", "enter_reading", "--again", "--reason", "wrong meter"
    )
    assert cut.status == 4, transcript(cut)
    assert SAFE in cut.text
    with sqlite3.connect(tmp_path / "results" / "results.sqlite") as store:
        found = store.execute(
            "select value, replaced_by from result where \"check\" = 'enter_reading'"
        ).fetchall()
        outcomes = store.execute("select outcome from run order by utc_s").fetchall()
    store.close()
    assert found == [(0.5, "")]
    assert outcomes == [("done",), ("interrupted (SIGINT)",)]


def test_ctrl_c_at_the_reason_sends_nothing(tmp_path: Path) -> None:
    """Nothing was opened yet: status 4, no second run."""
    assert run(tmp_path, lambda question: "500").status == 1
    again = run(tmp_path, lambda question: CTRL_C, "--only", "enter_reading", "--again")
    assert again.status == 4, transcript(again)
    assert "Interrupted before anything was sent to the bench." in again.text
    assert len(list((tmp_path / "results").glob("*.csv"))) == 1


# --- cables ----------------------------------------------------------------------------------------------------------


def test_a_person_measures_a_pad(tmp_path: Path) -> None:
    """Three confirmations, in order; the loss is that of the simulated pad (about 20 dB) within U, and the table says simulated."""
    seen = run(tmp_path, lambda question: "y", sequence=LOSS)
    assert seen.status == 0, transcript(seen)
    assert [question.partition(":")[0] for question in seen.questions] == [
        "Reference for pad A",
        "pad A",
        "All cables are as the bench needs them",
    ]
    row = rows(tmp_path)["loss of pad A, 27 MHz"]
    # PathLosses.cable_db: 19.93 dB at 1 MHz, 20.41 dB at 1 GHz, over the logarithm of frequency
    assert abs(float(row["value"]) - 20.157) < float(row["uncertainty"]) < 0.4
    table = yaml.safe_load((tmp_path / "losses" / "pad-simulated.yaml").read_text(encoding="utf-8"))
    assert (table["loss_table"], table["simulated"]) == ("pad A", True)
    assert "witness" not in seen.text


@pytest.mark.parametrize(("after", "typed"), [(0, CTRL_C), (1, CTRL_C), (2, CTRL_C), (1, CTRL_D), (1, "n")])
def test_whoever_leaves_in_the_middle_is_told_of_the_cables(tmp_path: Path, after: int, typed: str) -> None:
    """Ctrl-C, the end of input and a no at each question: generator off, no table, and the last line tells of the cables."""
    answers = ["y"] * after + [typed]
    seen = run(tmp_path, lambda question: answers.pop(0) if answers else None, sequence=LOSS)
    assert seen.status == (4 if typed == CTRL_C else 3), transcript(seen)
    assert f"{SAFE} {CABLES}" in " ".join(transcript(seen).split())
    assert "Traceback" not in seen.text
    assert "witness" not in seen.text
    assert not (tmp_path / "losses").exists()


def test_without_a_person_no_cable_is_moved(tmp_path: Path) -> None:
    """Unattended on a real bench path_loss is refused, --confirmed or not; on a simulated one --confirmed will do."""
    (tmp_path / "s.yaml").write_text(LOSS, encoding="utf-8")
    content = yaml.safe_load((ROOT / "sim" / "bench.yaml").read_text(encoding="utf-8"))
    real = {key: one for key, one in content.items() if key not in ("unit", "clock", "seed")} | {"visa": "py"}
    (tmp_path / "real.yaml").write_text(yaml.safe_dump(real, sort_keys=False), encoding="utf-8")

    def unattended(bench: str, *more: str) -> subprocess.CompletedProcess[str]:
        words = [
            "run",
            str(tmp_path / "s.yaml"),
            "--bench",
            bench,
            "--serial",
            "M40-0007",
            "--folder",
            str(tmp_path / "r"),
        ]
        command = [sys.executable, "-m", "sequencer", *words, *more]
        alone = {"PYTHONPATH": str(ROOT), "PATH": ""}
        return subprocess.run(
            command,
            cwd=tmp_path,
            env=alone,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
        )

    for bench, more in ((str(tmp_path / "real.yaml"), ["--confirmed"]), ("bench", [])):
        refused = unattended(bench, *more)
        assert refused.returncode == 2, refused.stderr
        assert "a person moves cables in path_loss, and there is no terminal to ask at" in refused.stderr
    done = unattended("bench", "--confirmed", "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["results"][0]["decision"] == "no limit"
    # beside a shipped bench file nothing is written
    assert (tmp_path / "losses" / "pad-simulated.yaml").exists()


@pytest.fixture
def served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Served]:
    """A served bench, and a folder of the test's own: what is remembered of cables stands there."""
    monkeypatch.setenv("SEQUENCER_STATE", str(tmp_path / "state"))
    bench = serve(tmp_path)
    yield bench
    assert "witness" not in bench.end()


def test_moved_cables_are_remembered_beyond_the_end_of_the_run(tmp_path: Path, served: Served) -> None:
    """On real sockets: a run that ended with cables in somebody's hands makes the next one ask before anything is fed; a no ends it."""
    reached = str(served.bench)
    ended = run(tmp_path, lambda question: CTRL_C, sequence=LOSS, bench=reached)
    assert ended.status == 4, transcript(ended)
    assert CABLES in " ".join(transcript(ended).split())
    refusing = run(tmp_path, lambda question: "n", bench=reached)
    assert refusing.status == 3, transcript(refusing)
    assert refusing.questions[0].startswith("Cables were moved by hand in an earlier run.")
    assert "nobody has confirmed that they are back" in refusing.text
    assert served.is_safe()
    nodding = run(tmp_path, lambda question: "y" if "that so" in question else "120", bench=reached)
    assert nodding.status == 0, transcript(nodding)
    assert len(nodding.questions) == 2
    asked_no_more = run(tmp_path, lambda question: "120", bench=reached)
    assert asked_no_more.status == 0, transcript(asked_no_more)
    assert len(asked_no_more.questions) == 1
    assert served.is_safe()
