"""What speaks against a bench stands beside what was measured on it, or nothing is measured at all, as its file says."""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner, Result

from sequencer.cli.main import main
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.doubts.calibration import soon_due_lines
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.results.model import BenchInstrument
from sequencer.results.store.place import find_place
from sequencer.run.bench_health.bench_state import changed_since, own_check_doubts
from sequencer.run.status import ExitStatus
from tests.support.rig import Rig

BENCH = Path("sim/self-checking-bench.yaml").resolve()
SEQUENCE = "sequence: One\nchannels: plans/cept-40.yaml\nsupply: 13.2 V\nchecks:\n  - {check: carrier_power, channel: 20, readings: 2}\n"
OWN = "sequence: Own\nchecks:\n  - {check: bench_check, levels: [0 dBm], frequencies: [27 MHz], fewest: 3}\n"
OVERDUE = {"instruments": {"power_meter": {"calibration": {"certificate": "SIM-0002", "due": "2026-03-01"}}}}


@pytest.fixture
def files(tmp_path: Path) -> Callable[..., list[str]]:
    """Write bench and sequence, the bench changed by key; return the words of a run."""

    def write(*, serial: str = "M40-0019", **changes: Any) -> list[str]:
        content = yaml.safe_load(BENCH.read_text(encoding="utf-8"))
        content["unit"] = str(BENCH.parent / "units")
        for key, change in changes.items():
            content[key] = _merged(content.get(key), change)
        (tmp_path / "bench.yaml").write_text(yaml.safe_dump(content), encoding="utf-8")
        (tmp_path / "one.yaml").write_text(SEQUENCE, encoding="utf-8")
        (tmp_path / "own.yaml").write_text(OWN, encoding="utf-8")
        return ["run", str(tmp_path / "one.yaml"), "--serial", serial, *_where(tmp_path)]

    return write


def _where(folder: Path) -> list[str]:
    return ["--bench", str(folder / "bench.yaml"), "--folder", str(folder / "results"), "--json"]


def _merged(old: Any, new: Any) -> Any:
    if not isinstance(old, dict) or not isinstance(new, dict):
        return new
    return {**old, **{key: _merged(old.get(key), one) for key, one in new.items()}}


def _invoke(words: list[str]) -> Result:
    return CliRunner().invoke(main, words, catch_exceptions=False)


def _doubts(done: Result) -> dict[str, str]:
    rows = json.loads(done.stdout)["results"]
    return {one["quantity"]: one["note"] for one in rows if one["check"] == "bench_health"}


def test_a_certificate_that_has_run_out_stands_in_the_results(files: Callable[..., list[str]]) -> None:
    """Warned and kept as a row of the bench's own, in store and report too; the run goes on and its status is its own."""
    words = files(bench_check={"required": "warn", "every": "24 h"}, **OVERDUE)
    done = _invoke(words)
    assert done.exit_code == 0
    note = _doubts(done)["calibration of power_meter is valid"]
    assert note.startswith("power_meter: certificate SIM-0002 ran out on 2026-03-01, ")
    assert "have it calibrated" in note
    rows = json.loads(done.stdout)["results"]
    assert {one["serial"] for one in rows} == {"bench Self-checking bench", "M40-0019"}
    store = words[words.index("--folder") + 1]
    listed = _invoke(["results", "--check", "bench_health", "--json", "--folder", store])
    assert "SIM-0002 ran out" in listed.output
    replayed = _invoke(["replay", "last", "--folder", store])
    assert replayed.exit_code == 0, replayed.output
    assert "1 of 1 result the same" in replayed.output
    report = Path(store) / "report.html"
    assert _invoke(["report", "last", str(report), "--plots", "none", "--folder", store]).exit_code == 0
    assert "SIM-0002 ran out on 2026-03-01" in report.read_text(encoding="utf-8")


def test_it_is_refused_where_the_bench_file_says_so(files: Callable[..., list[str]]) -> None:
    """Before anything is sent, with the line of the certificate; of an instrument that nothing reads it does not matter."""
    refused = _invoke(files(calibration_overdue="refuse", **OVERDUE))
    assert refused.exit_code == 2
    assert (
        "the certificate of power_meter has run out, and the bench file says 'calibration_overdue: refuse'"
        in refused.output
    )
    unused = {"instruments": {"voltmeter": {"calibration": {"certificate": "SIM-0009", "due": "2026-03-01"}}}}
    assert _invoke(files(calibration_overdue="refuse", **unused)).exit_code == 0


def test_what_runs_out_soon_is_told_by_validate(
    make_rig: Callable[..., Rig], files: Callable[..., list[str]]
) -> None:
    """Thirty days before and on the day itself a note, the day after a warning, before that nothing."""
    due = date(2027, 6, 30)  # generator and power meter of the shipped bench
    plan = make_rig().plan
    assert soon_due_lines(plan, due - timedelta(days=31)) == []
    soon = soon_due_lines(plan, due - timedelta(days=30))
    assert (
        "note: calibration of power_meter runs out in 30 days, on 2027-06-30 (certificate SIM-0002)" in soon
    )
    assert "note: calibration of power_meter runs out today (certificate SIM-0002)" in soon_due_lines(
        plan, due
    )
    assert soon_due_lines(plan, due + timedelta(days=1))[0].startswith(
        "warning: signal_generator: certificate"
    )
    words = ["validate", *[one for one in files(**OVERDUE)[1:] if one != "--json"]]
    words = [one for at, one in enumerate(words) if "--folder" not in words[max(0, at - 1) : at + 1]]
    assert "warning: power_meter: certificate SIM-0002 ran out" in _invoke(words).output


def test_a_bench_must_have_been_checked(files: Callable[..., list[str]], tmp_path: Path) -> None:
    """Never, too long ago, or found changed: warned in the results, or refused; a check that passed lets the unit through."""
    refusing = {
        "bench_check": {"every": "24 h", "required": "refuse", "sequence": str(tmp_path / "own.yaml")}
    }
    warned = _doubts(_invoke(files()))
    assert "never checked" in warned["the bench's own check is in date, and found it as it was"]
    refused = _invoke(files(**refusing))
    assert refused.exit_code == 2
    assert "no unit is measured on this bench: this bench was never checked" in refused.output
    command = re.search(r"'sequencer (check-bench [^']*)' makes one", re.sub(r"\s+", " ", refused.output))
    assert command is not None
    assert str(tmp_path / "results") in command[1]
    assert _invoke(shlex.split(command[1])).exit_code == 0  # as it is printed
    assert _invoke(files(**refusing)).exit_code == 0
    (tmp_path / "results" / "results.sqlite").unlink()
    assert _invoke(["check-bench", *_where(tmp_path)]).exit_code == 0
    assert _invoke(files(**refusing)).exit_code == 0
    worn = {**refusing, "worn": {"generator": "-0.9 dB"}}
    files(**worn)
    assert _invoke(["check-bench", *_where(tmp_path)]).exit_code == ExitStatus.BENCH_FAILED
    replayed = _invoke(["replay", "last", "--folder", str(tmp_path / "results")])
    assert replayed.exit_code == 0, replayed.output  # the values; its limits come of other runs
    changed = _invoke(files(**worn))
    assert changed.exit_code == 2
    assert "found it changed: generator to power meter, 0 dBm at 27 MHz" in changed.output


def test_the_golden_unit_is_measured_all_the_same_by_its_own_sequence(
    files: Callable[..., list[str]], tmp_path: Path
) -> None:
    """It is how one finds out. By any other sequence it is a unit like others: refused, or warned in the results."""
    golden = {"serial": "M40-0007", "sequence": "golden.yaml"}
    refusing = {"bench_check": {"every": "24 h", "required": "refuse"}, "golden_unit": golden}
    words = files(**refusing, serial="M40-0007")
    (tmp_path / "golden.yaml").write_text(SEQUENCE.replace("One", "Golden"), encoding="utf-8")
    refused = _invoke(words)
    assert refused.exit_code == 2
    assert "no unit is measured on this bench: this bench was never checked" in refused.output
    done = _invoke(["check-bench", "--golden", "--confirmed", *_where(tmp_path)])
    assert done.exit_code == 0, done.output
    assert _doubts(done) == {}
    warned = _invoke(files(golden_unit=golden, serial="M40-0007"))
    assert warned.exit_code == 0
    assert "the bench's own check is in date, and found it as it was" in _doubts(warned)


def test_a_dry_check_of_a_real_bench_counts_for_dry_runs_only(
    files: Callable[..., list[str]], tmp_path: Path
) -> None:
    """The store has a dry run under another name of the bench; nothing is opened for the run that is refused."""
    refusing = {
        "bench_check": {"every": "24 h", "required": "refuse", "sequence": str(tmp_path / "own.yaml")}
    }
    words = files(**refusing)
    real = yaml.safe_load((tmp_path / "bench.yaml").read_text(encoding="utf-8"))
    real = {key: one for key, one in real.items() if key not in ("visa", "unit", "clock", "seed", "worn")}
    (tmp_path / "bench.yaml").write_text(yaml.safe_dump(real), encoding="utf-8")
    assert _invoke(["check-bench", "--dry-run", *_where(tmp_path)]).exit_code == 0
    assert _invoke([*words, "--dry-run"]).exit_code == 0
    refused = _invoke(words)
    assert refused.exit_code == 2
    assert "no unit is measured on this bench: this bench was never checked" in refused.output


def test_a_history_is_what_the_store_holds_of_this_bench(
    files: Callable[..., list[str]], tmp_path: Path
) -> None:
    """Three checks, and the fourth is held against control limits of them; on a bench of another name it would be the first."""
    policy = {"bench_check": {"sequence": str(tmp_path / "own.yaml")}}
    notes = []
    for changes in (*({"connected": number} for number in range(2, 6)), {"bench": "Another bench"}):
        files(**policy, **changes)
        done = _invoke(["check-bench", *_where(tmp_path)])
        assert done.exit_code == 0
        notes.append(json.loads(done.stdout)["results"][0]["note"])
    assert notes[0].startswith("0 earlier checks of 3 that control limits need")
    assert notes[2].startswith("2 earlier checks of 3")
    assert "its mean of 3 checks, control limits ± " in notes[3]
    assert notes[4].startswith("0 earlier checks of 3")


def test_a_run_of_a_series_looks_again_when_it_begins(
    files: Callable[..., list[str]], tmp_path: Path
) -> None:
    """A bench that was sound when the series was asked for, and is found changed later, measures nothing: status 3, nothing sent."""
    from sequencer.cli.run import Asked, execute, prepare

    refusing = {
        "bench_check": {"every": "24 h", "required": "refuse", "sequence": str(tmp_path / "own.yaml")}
    }
    files(**refusing)
    assert _invoke(["check-bench", *_where(tmp_path)]).exit_code == 0
    asked = Asked(
        sequence_name=str(tmp_path / "one.yaml"),
        bench_name=str(tmp_path / "bench.yaml"),
        serial="M40-0019",
        model="",
        folder=tmp_path / "results",
    )
    prepared = prepare(asked)
    assert execute(prepared).status is ExitStatus.PASSED
    files(**refusing, worn={"generator": "-0.9 dB"})
    found = _invoke(["check-bench", *_where(tmp_path)])
    assert found.exit_code == ExitStatus.BENCH_FAILED
    (since,) = (one for one in json.loads(found.stdout)["problems"] if "Measured on this bench" in one)
    assert re.fullmatch(
        r"Measured on this bench since its last check that passed \([-0-9]+ [0-9:]+\): M40-0019\. Once .*",
        since,
    )
    ran = execute(prepared)
    assert ran.status is ExitStatus.BENCH_FAILED
    assert ran.outcome.results == ()
    assert not ran.outcome.safe_state.touched
    assert "no unit is measured on this bench: the bench's check of" in ran.outcome.problems[0]


def test_how_old_a_check_may_be() -> None:
    """Older than `every` is overdue, and one that lies ahead says that the clock is wrong."""
    from sequencer.inputs.bench_parts.bench_health import OwnCheck
    from sequencer.run.bench_health.bench_state import _why_not
    from tests.support.stored_rows import level_row

    now = datetime.now().astimezone()
    policy = OwnCheck.model_validate({"every": "24 h"})
    found = {
        hours: _why_not(policy, [level_row(-120.0, time=(now - timedelta(hours=hours)).isoformat())], now)
        for hours in (23, 25, -1)
    }
    assert found[23] == ""
    assert "1 d" in found[25] or "25" in found[25]
    assert "asks for one every" in found[25]
    assert "look at this computer's clock" in found[-1]


def test_another_instrument_and_another_firmware_are_told_against_the_run_before() -> None:
    """By name on the bench: who it was in which run, who it is now, and what to do; the same instruments say nothing."""
    was = BenchInstrument(
        name="power_meter",
        role="power_meter",
        maker="Hollinbrook",
        model="PM-1",
        serial="1234",
        firmware="2.0",
    )
    changed = BenchInstrument(
        name="power_meter",
        role="power_meter",
        maker="Hollinbrook",
        model="PM-1",
        serial="5678",
        firmware="2.0",
    )
    (exchanged,) = changed_since("r1", [was], [changed])
    assert (
        "power_meter: Hollinbrook PM-1 serial 1234 in run r1, Hollinbrook PM-1 serial 5678 now"
        in exchanged.why_not
    )
    newer = BenchInstrument(
        name="power_meter",
        role="power_meter",
        maker="Hollinbrook",
        model="PM-1",
        serial="1234",
        firmware="2.1",
    )
    (updated,) = changed_since("r1", [was], [newer])
    assert updated.why_not.startswith("power_meter: firmware 2.0 in run r1, 2.1 now")
    assert changed_since("r1", [was], [was]) == []


def test_the_run_before_is_looked_up_in_the_store(
    files: Callable[..., list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two runs on one bench, with another power meter and another firmware of the generator in the second: both stand in its results."""
    from sim.instruments.power_meter import PowerMeter
    from sim.instruments.signal_generator import SignalGenerator

    assert set(_doubts(_invoke(files()))) == {"the bench's own check is in date, and found it as it was"}
    monkeypatch.setattr(PowerMeter, "identity", ("Hollinbrook", "PM-1", "9999", "2.0"))
    monkeypatch.setattr(SignalGenerator, "identity", ("Hollinbrook", "SG-2", "2201", "1.5"))
    found = _doubts(_invoke(files()))
    assert "serial 3107 in run" in found["power_meter is the instrument of the run before"]
    assert (
        "firmware 1.4 (simulated) in run" in found["firmware of signal_generator is that of the run before"]
    )


def test_another_instrument_than_the_bench_file_names_is_refused_before_it_is_reset(
    make_rig: Callable[..., Rig],
) -> None:
    """Nothing but *IDN? reaches it; the run ends with both serials, and nothing was keyed or fed."""
    rig = make_rig(instruments={"power_meter": {"identity": {"model": "PM-1", "serial": "1234"}}})
    outcome = rig.run()
    assert outcome.status is ExitStatus.BENCH_FAILED
    (problem,) = outcome.problems
    assert (
        "another instrument answers here: the bench file names serial 1234, and it says serial 3107"
        in problem
    )
    assert {one.strip() for one in rig.sent("power_meter")} == {"*IDN?"}
    right = make_rig(instruments={"power_meter": {"identity": {"maker": "hollinbrook", "serial": "3107"}}})
    assert right.run().status is ExitStatus.PASSED


def test_a_person_has_no_identity(make_rig: Callable[..., Rig]) -> None:
    """The bench file of an instrument that a person reads cannot name one."""
    with pytest.raises(Exception, match="a person answers for voltmeter"):
        make_rig(
            instruments={
                "voltmeter": {
                    "driver": "operator",
                    "address": None,
                    "identity": {"serial": "1"},
                    "accuracy": None,
                }
            }
        )


def test_a_check_in_the_simulation_counts_for_no_real_bench_of_that_name(
    files: Callable[..., list[str]], tmp_path: Path
) -> None:
    """A dry check of a bench whose file calls it simulated stands under the very name of the real one, and is none of it."""
    files(bench_check={"required": "warn", "every": "24 h"})
    own = [
        "check-bench",
        "--bench",
        str(tmp_path / "bench.yaml"),
        "--dry-run",
        "--folder",
        str(tmp_path / "results"),
        "--json",
    ]
    checked = _invoke(own)
    assert checked.exit_code == 0, checked.output
    plan = make_plan(load_sequence(str(tmp_path / "one.yaml")), load_bench(str(tmp_path / "bench.yaml")))
    place = find_place(tmp_path / "results", "")
    now = datetime.now().astimezone()
    (of_real,) = own_check_doubts(
        plan, place, bench_name="Self-checking bench (simulated)", simulated=False, now=now
    )
    assert "this bench was never checked" in of_real.why_not
    assert not own_check_doubts(
        plan, place, bench_name="Self-checking bench (simulated)", simulated=True, now=now
    )
