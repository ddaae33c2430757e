"""A stored run is gone through again without a bench: the same results, or the first message that is another, and what that costs."""

from __future__ import annotations

import json
import signal
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner, Result

from drivers.trace import Direction
from sequencer.cli.main import main
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.parts import bench_parts
from sequencer.planning.plan import make_plan
from sequencer.results.store.store import Store
from sequencer.run.events import CheckStarted
from sequencer.run.replay.replay import Replayed, replay
from sequencer.run.replay.source import Source, source_in_store
from sim.bench import SimulatedBench
from sim.scpi.faults import Fault, FaultKind, FaultScript
from tests.support.desk import ROOT, by_hand, run_by_hand
from tests.support.recording_proxy import RecordingProxy
from tests.support.running import run_checks, run_plan
from tests.support.served_bench import serve
from tests.support.turning import Turner

NETWORKED_BENCH = (ROOT / "sim" / "bench.yaml").read_text(encoding="utf-8")
CHECKS = """
    {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
    {check: carrier_power, channel: 21, readings: 2, limit: {max: 4 W}}
    {check: sensitivity, channel: 20, target: 12 dB SINAD, tone: 1 kHz, deviation: 1.2 kHz, accuracy: 3 dB, limit: {max: -113 dBm}}
"""


def stored_source(folder: Path) -> Source:
    """Return the newest run of the store in ``folder``."""
    with Store.open_to_read(folder / "results.sqlite") as store:
        return source_in_store(store.read_runs()[0], store)


def replayed_of(folder: Path) -> Replayed:
    """Replay the newest run of the store in ``folder``."""
    return replay(stored_source(folder))


def call(*words: str) -> Result:
    """Call the command line."""
    return CliRunner().invoke(main, list(words), catch_exceptions=False)


def change(store: Path, statement: str) -> int:
    """Change a store behind the program's back; returns how many rows."""
    with closing(sqlite3.connect(store)) as vandal, vandal:
        return vandal.execute(statement).rowcount


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three checks, measured once; the folder holds the store, the sequence and nothing that a replay must not touch."""
    folder = tmp_path_factory.mktemp("measured")
    run_checks(folder, "M40-0007", CHECKS)
    return folder


@pytest.fixture
def stored(measured: Path, tmp_path: Path) -> Path:
    """A copy of the store, for a test of its own."""
    with (
        closing(sqlite3.connect(measured / "results" / "results.sqlite")) as source,
        closing(sqlite3.connect(tmp_path / "results.sqlite")) as copy,
    ):
        source.backup(copy)
    return tmp_path


def test_a_run_replays_to_the_same_results(stored: Path) -> None:
    """Every message as it was, every result and decision the same; simulated says so; nothing is added to the store."""
    done = call("replay", "last", "--folder", str(stored))
    assert done.exit_code == 0, done.output
    assert "4 of 4 results the same, every message as it was." in done.output
    assert "(simulated)" in done.output
    plain = json.loads(call("replay", "last", "--folder", str(stored), "--json").output)
    assert (plain["same"], plain["simulated"], plain["stored_as"]) == (True, True, None)
    assert [one["then"]["value"] for one in plain["results"]] == [
        one["now"]["value"] for one in plain["results"]
    ]
    with Store.open_to_read(stored / "results.sqlite") as store:
        assert len(store.read_runs()) == 1


def test_an_answer_that_reads_otherwise_changes_its_result_alone(stored: Path) -> None:
    """The counter read 27.205014 MHz each time: that check finds 14 Hz; the others are the same."""
    rows = change(
        stored / "results.sqlite",
        "UPDATE exchange SET content = CAST('2.720501400E+07' || char(10) AS BLOB) WHERE check_index = 1 "
        "AND direction = 'received' AND CAST(content AS TEXT) LIKE '2.720500%E+07' || char(10)",
    )
    assert rows > 0
    replayed = replayed_of(stored)
    fates = {one.result.check: one.fate.value for one in replayed.results}
    assert fates["frequency_error"] == "differs"
    (now,) = (one.now for one in replayed.results if one.result.check == "frequency_error")
    assert now is not None
    assert now.value == pytest.approx(14.0)
    assert {fates[one] for one in ("confirm", "carrier_power", "sensitivity")} == {"the same"}
    done = call("replay", "last", "--folder", str(stored))
    assert done.exit_code == 1
    assert "3 of 4 results the same" in done.output


def test_the_first_message_that_is_asked_otherwise_is_named(stored: Path) -> None:
    """Place, check, instrument, what was asked then and what now; that check could not be worked out, those after it are found again."""
    place = stored_source(stored)
    at = next(
        number
        for number, one in enumerate(place.entries, start=1)
        if one.check_index == 2 and b":CONTrol:CHANnel 21" in one.exchange.content
    )
    change(
        stored / "results.sqlite",
        "UPDATE exchange SET content = CAST(replace(CAST(content AS TEXT), 'CHANnel 21', 'CHANnel 22') AS BLOB) "
        "WHERE check_index = 2 AND direction = 'sent'",
    )
    replayed = replayed_of(stored)
    departure = replayed.departure
    assert departure is not None
    assert (departure.place, departure.check_index, departure.instrument) == (at, 2, "radio")
    assert "CHANnel 22" in departure.then
    assert "CHANnel 21" in departure.now
    assert [(one.result.check, one.fate.value) for one in replayed.results] == [
        ("confirm", "the same"),
        ("frequency_error", "the same"),
        ("carrier_power", "could not be worked out"),
        ("sensitivity", "the same"),
    ]
    done = call("replay", "last", "--folder", str(stored))
    assert done.exit_code == 1
    assert f"message {at} of {len(place.entries)} messages in carrier power, channel 21" in done.output


def test_a_trace_that_ends_early_loses_the_check_it_ends_in(stored: Path) -> None:
    """Half of the last check's messages are gone: the results before it are the same."""
    last = max(one.exchange.time_s for one in stored_source(stored).entries if one.check_index == 3)
    change(
        stored / "results.sqlite", f"DELETE FROM exchange WHERE check_index = 3 AND time_s > {last - 2.0!r}"
    )
    replayed = replayed_of(stored)
    assert [one.fate.value for one in replayed.results] == [*["the same"] * 3, "could not be worked out"]


def test_a_run_of_before_asks_for_its_files(stored: Path, measured: Path) -> None:
    """A run that kept no files is refused with status 2 and what to name; with its own files it replays the same."""
    change(stored / "results.sqlite", "DELETE FROM run_file")
    refused = call("replay", "last", "--folder", str(stored))
    assert refused.exit_code == 2
    assert "--sequence FILE, the file as it was then" in refused.stderr
    done = call("replay", "last", "--folder", str(stored), "--sequence", str(measured / "sequence.yaml"))
    assert done.exit_code == 0, done.output  # the shipped bench is found by its hash
    assert "4 of 4 results the same" in done.output


def test_what_cannot_be_replayed_has_status_2(stored: Path) -> None:
    """A run without a trace, a run that is not there, a mask without a file, a test of another file's name: each says what is allowed."""
    for words, said in (
        (("nowhere",), "no run 'nowhere'"),
        (("last", "--mask-serial"), "--as-test FILE"),
        (("last", "--as-test", "x.txt"), ".json or .json.gz"),
        (("missing.json",), "no such file"),
    ):
        refused = call("replay", *words, "--folder", str(stored))
        assert refused.exit_code == 2, refused.output
        assert said in refused.stderr
    change(stored / "results.sqlite", "DELETE FROM exchange")
    refused = call("replay", "last", "--folder", str(stored))
    assert refused.exit_code == 2
    assert "the run has no trace" in refused.stderr


# -- judged anew ---------------------------------------------------------------------------------------------------


def test_other_limits_judge_the_same_readings_as_a_run_of_its_own(stored: Path, measured: Path) -> None:
    """3.5 W instead of 4 W fails the power with the same value; it names what it came from, and what was stored stays as it was."""
    new = stored / "new.yaml"
    new.write_text((measured / "sequence.yaml").read_text().replace("max: 4 W", "max: 3.5 W"))
    with Store.open_to_read(stored / "results.sqlite") as store:
        old = store.read_runs()[0]
        before = store.read_results(old.run)
    done = call("replay", "last", "--folder", str(stored), "--sequence", str(new))
    assert done.exit_code == 1, done.output
    assert "3 of 4 results the same, 1 differs" in done.output
    with Store.open_to_read(stored / "results.sqlite") as store:
        anew = store.read_runs()[0]
        rows = store.read_results(anew.run)
        assert store.read_results(old.run) == before
        assert store.read_exchanges(anew.run) == []
    assert (anew.evaluated_from, anew.from_sequence_hash, anew.from_bench_hash) == (
        old.run,
        old.sequence_hash,
        old.bench_hash,
    )
    assert anew.from_time == old.time.isoformat(timespec="milliseconds")
    assert anew.simulated
    assert [row.value for row in rows] == [row.value for row in before]
    assert {row.check: row.decision.value for row in rows}["carrier_power"] == "fail"
    assert all(f"re-evaluation of the readings of run {old.run}" in row.note for row in rows)
    table = next(stored.glob("*_new.csv")).read_text()
    assert "re-evaluation of the readings" in table


def test_what_differs_is_shown_where_the_words_are_alike(stored: Path, measured: Path) -> None:
    """Another decision rule, and a value that was altered in its seventh figure: neither then nor now reads like the other."""
    new = stored / "new.yaml"
    text = (measured / "sequence.yaml").read_text()
    new.write_text(text.replace("\nchecks:", "\ndecision_rule: guarded\nchecks:"))
    assert new.read_text() != text
    done = call("replay", "last", "--folder", str(stored), "--sequence", str(new))
    assert done.exit_code == 1, done.output
    power = done.stdout.partition("differs: carrier power")[2].splitlines()[1:3]
    assert [line.rpartition("rule ")[2] for line in power] == ["simple (w = 0)", "guarded (w = U)"]
    assert change(stored / "results.sqlite", "UPDATE result SET value = value * 1.0000001 WHERE unit = 'W'")
    altered = call("replay", "last", "--folder", str(stored))
    assert altered.exit_code == 1, altered.output
    then, now = altered.stdout.partition("differs: carrier power")[2].splitlines()[1:3]
    assert then.replace("then", "now ") != now
    assert ", value 3." in then


def test_a_reevaluation_is_marked_and_counts_for_no_history(stored: Path, measured: Path) -> None:
    """Listed and shown as what it is; a history has one point; `last` is the run that was measured; it cannot be replayed itself."""
    new = stored / "new.yaml"
    new.write_text((measured / "sequence.yaml").read_text().replace("max: 4 W", "max: 3.5 W"))
    at = ("--folder", str(stored))
    name = json.loads(call("replay", "last", *at, "--sequence", str(new), "--json").output)["stored_as"]
    assert "re-evaluation of run" in call("results", *at).output
    assert "re-evaluation of run" in call("results", name, *at).output
    history = json.loads(
        call("history", "--serial", "M40-0007", "--check", "carrier_power", "--json", *at).output
    )
    assert name not in json.dumps(history)
    assert call("replay", "last", *at).exit_code == 0
    refused = call("replay", name, *at)
    assert refused.exit_code == 2
    assert "the run that it judges anew" in refused.stderr
    page = stored / "page.html"
    assert call("report", name, str(page), *at).exit_code == 0
    assert "Nothing measured" in page.read_text()


def test_a_check_that_was_never_made_is_not_measured(stored: Path, measured: Path) -> None:
    """A channel that was not asked then, for that check only; what was made then and stands no more is said too."""
    new = stored / "new.yaml"
    text = (measured / "sequence.yaml").read_text()
    new.write_text(text.replace("carrier_power, channel: 21", "carrier_power, channel: 22"))
    plain = json.loads(
        call("replay", "last", "--folder", str(stored), "--sequence", str(new), "--json").output
    )
    told = {
        (one["then"] or one["now"])["check"]: one
        for one in plain["results"]
        if one["fate"] != "not found any more"
    }
    assert told["frequency_error"]["fate"] == told["sensitivity"]["fate"] == "the same"
    assert told["carrier_power"]["now"]["decision"] == "not measured"
    assert told["carrier_power"]["now"]["value"] is None
    assert "this was never asked" in told["carrier_power"]["now"]["note"]
    assert "measure the check again on the bench" in told["carrier_power"]["now"]["note"]


def test_a_corrected_accuracy_enters_the_budget_anew(stored: Path) -> None:
    """A generator of 1.5 dB instead of 0.5 dB: the expanded uncertainty grows by the difference of the two rectangles.

    GUM (JCGM 100:2008), 4.3.7: the standard uncertainty of a half-width a is a/sqrt(3); 5.1.2: variances add.
    """
    bench = stored / "bench.yaml"
    bench.write_text(
        NETWORKED_BENCH.replace("accuracy: {level: 0.5 dB", "accuracy: {level: 1.5 dB").replace(
            "unit: units ", f"unit: {ROOT}/sim/units "
        )
    )
    replayed = replay(stored_source(stored), bench_name=str(bench))
    assert replayed.changed == ("bench",)
    (level,) = (one for one in replayed.results if one.result.check == "sensitivity")
    assert level.then is not None
    assert level.now is not None
    assert level.then.budget is not None
    assert level.now.budget is not None
    assert level.now.value == level.then.value
    variance = level.then.budget.standard**2 + (1.5**2 - 0.5**2) / 3.0
    assert level.now.budget.standard == pytest.approx(variance**0.5, rel=1e-6)
    assert [one.fate.value for one in replayed.results if one is not level] == ["the same"] * 3


# -- what happens on a bench -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "argument"),
    [
        (FaultKind.TIMEOUT, None),
        (FaultKind.LATE, None),
        (FaultKind.GARBAGE, b"\x00\xff#"),
        (FaultKind.UNTERMINATED, None),
        (FaultKind.DISCONNECT, None),
        (FaultKind.ERROR, (-222, "Data out of range")),
    ],
)
def test_a_fault_that_passed_replays_the_same(tmp_path: Path, kind: FaultKind, argument: Any) -> None:
    """A time-out, a lost link, garbage, a complaint, and what was done about it: none of it is asked otherwise."""

    def break_once(simulation: SimulatedBench) -> None:
        given = {} if argument is None else {"argument": argument}
        script = FaultScript([Fault(kind=kind, skip=60, times=1, **given)])
        for device in simulation.devices.values():
            device.faults = script

    run_checks(tmp_path, "M40-0007", "{check: frequency_error, channel: 20}", before=break_once)
    source = stored_source(tmp_path / "results")
    assert kind is FaultKind.ERROR or any(one.exchange.facts for one in source.entries)
    replayed = replay(source)
    assert replayed.is_same, replayed.described()
    assert replayed.is_exact


def test_an_instrument_that_does_not_answer_replays_the_same(tmp_path: Path) -> None:
    """The bench cannot be opened: the same fault, with what is to be done, and no result."""

    def silence(simulation: SimulatedBench) -> None:
        for device in simulation.devices.values():
            device.faults.add(Fault(kind=FaultKind.TIMEOUT, match="*IDN?", times=None))

    with pytest.raises(AssertionError):  # a bench that cannot be opened is not confirmed safe
        run_checks(tmp_path, "M40-0007", "{check: frequency_error, channel: 20}", before=silence)
    replayed = replay(stored_source(tmp_path / "results"))
    assert replayed.is_same, replayed.described()
    assert any("could not be proved" in one for one in replayed.outcome.problems)


def test_a_bench_by_hand_replays_without_asking(tmp_path: Path) -> None:
    """What was typed comes from the record, to the letter, and nobody is asked."""
    roles = ("power_meter", "modulation_analyser", "supply", "switch", "radio")
    sequence = tmp_path / "by-hand.yaml"
    sequence.write_text(
        "sequence: by hand\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nchecks:\n"
        "  - {check: carrier_power, channel: 20, limit: {min: 3 W, max: 4 W}}\n"
        "  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}\n"
    )
    run_by_hand(tmp_path, str(sequence), by_hand(NETWORKED_BENCH, roles))
    source = stored_source(tmp_path / "results")
    asked = [one for one in source.entries if b"type what you read" in one.exchange.content]
    assert asked
    replayed = replay(source)
    assert replayed.is_same, replayed.described()


@pytest.mark.parametrize("ptt", ["command", "rts"])
def test_a_radio_on_a_line_of_text_replays_the_same(tmp_path: Path, ptt: str) -> None:
    """Its lines, and the control line that keys it."""
    bench = yaml.safe_load(NETWORKED_BENCH)
    bench["unit"] = str(ROOT / "sim" / "units")
    profile = "hollinbrook-line" if ptt == "command" else "hollinbrook-channel-line"
    bench["instruments"]["radio"] = {
        "driver": "text",
        "address": "/dev/ttyUSB0",
        "profile": profile,
        "ptt": ptt,
        "timeout": "1 s",
    }
    (tmp_path / "bench.yaml").write_text(yaml.safe_dump(bench, sort_keys=False))
    run_checks(
        tmp_path, "M40-0007", "{check: frequency_error, channel: 20}", bench=str(tmp_path / "bench.yaml")
    )
    replayed = replayed_of(tmp_path / "results")
    assert replayed.is_same, replayed.described()


def test_a_trimmer_that_was_turned_replays_with_the_keys_that_were_pressed(tmp_path: Path) -> None:
    """As found and as left, and when the person said that it stands right; nobody turns anything again."""
    preset = (
        "{check: adjust, preset: power, of: carrier_power, channel: 20, turn: RV4, to: 3.8 W, within: 0.1 W}"
    )
    run_checks(tmp_path, "M40-0031", preset, live=lambda simulation: Turner(simulation.turn_preset))
    source = stored_source(tmp_path / "results")
    replayed = replay(source)
    assert replayed.is_same, replayed.described()
    assert {one.result.stage for one in replayed.results} >= {"as found", "as left"}


class SignalOnce:
    """Stands where faults are injected; raises SIGINT at the tenth message from when it is ``armed``."""

    def __init__(self) -> None:
        self.armed = False
        self._left = 10

    def __bool__(self) -> bool:
        return True

    def take(self, message: str) -> None:
        """Count, and raise the signal."""
        self._left -= self.armed
        if self.armed and self._left == 0:
            signal.raise_signal(signal.SIGINT)


def test_a_run_that_was_stopped_replays_as_far_as_it_went(tmp_path: Path) -> None:
    """Ctrl-C in the second check: what the first found is the same, and the way out is the one that was taken."""
    sequence = tmp_path / "two.yaml"
    sequence.write_text(
        "sequence: two\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nchecks:\n"
        "  - {check: frequency_error, channel: 1}\n  - {check: carrier_power, channel: 20, readings: 2}\n"
    )
    loaded = load_bench("sim/bench.yaml")
    plan = make_plan(load_sequence(str(sequence)), loaded, serial="M40-0007")
    parts = bench_parts(loaded, serial="M40-0007", dry_run=False)
    assert parts.simulation is not None
    script = SignalOnce()
    for device in parts.simulation.devices.values():
        device.faults = script  # type: ignore[assignment]

    def arm(event: Any) -> None:
        script.armed = script.armed or (isinstance(event, CheckStarted) and event.index == 1)

    run_plan(tmp_path, "M40-0007", plan, parts, [arm])
    source = stored_source(tmp_path / "results")
    assert source.run.outcome.startswith("interrupted")
    replayed = replay(source)
    assert [one.fate.value for one in replayed.results] == ["the same"]
    assert replayed.is_same, replayed.described()


def test_a_run_from_before_is_gone_through_without_shared_key_downs(tmp_path: Path) -> None:
    """Runs from before say nothing of shared key-downs and made none, though the same sequence would now; a run of now says it."""
    sequence = tmp_path / "two.yaml"
    sequence.write_text(
        "sequence: two\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nchecks:\n"
        "  - {check: frequency_error, channel: 20}\n  - {check: carrier_power, channel: 20}\n"
    )
    loaded = load_bench("sim/bench.yaml")
    for share_key, parts_count in ((False, 2), (True, 1)):
        plan = make_plan(load_sequence(str(sequence)), loaded, serial="M40-0007", share_key=share_key)
        assert len(plan.parts) == parts_count
        folder = tmp_path / str(share_key)
        run_plan(folder, "M40-0007", plan, bench_parts(loaded, serial="M40-0007", dry_run=False))
        source = stored_source(folder / "results")
        asked = json.loads(source.run.asked)
        if not share_key:
            del asked["share_key"]
        replayed = replay(replace(source, run=replace(source.run, asked=json.dumps(asked))))
        assert [one.fate.value for one in replayed.results] == ["the same"] * 2


def test_a_run_that_ended_without_a_word_replays_as_far_as_its_checks_ended(stored: Path) -> None:
    """The program died in the last check, of which nothing was kept: what was found before is the same."""
    for statement in (
        "DELETE FROM exchange WHERE check_index = 3",
        "DELETE FROM reading WHERE result IN (SELECT id FROM result WHERE check_index = 3)",
        "DELETE FROM result WHERE check_index = 3",
        "UPDATE run SET outcome = 'not ended', bench_safe = NULL, bench_s = NULL",
    ):
        assert change(stored / "results.sqlite", statement) > 0
    done = call("replay", "last", "--folder", str(stored))
    assert done.exit_code == 0, done.output
    assert "3 of 3 results the same" in done.output
    assert "did not come to its end (not ended)" in done.output


def test_a_run_over_sockets_is_what_an_observer_of_the_wire_saw_and_replays_the_same(tmp_path: Path) -> None:
    """A plain proxy before each instrument writes down what passes; the stored trace is that, byte for byte; in real time it replays.

    Outside the project: the proxy is sockets and threads alone, and the client's wire is pyvisa-py's.
    """
    served = serve(tmp_path)
    proxies = {name: RecordingProxy(address) for name, address in served.addresses.items()}
    try:
        bench = yaml.safe_load(served.bench.read_text(encoding="utf-8"))
        for name, entry in bench["instruments"].items():
            entry["address"] = f"TCPIP0::127.0.0.1::{proxies[name].port}::SOCKET"
        (tmp_path / "proxied.yaml").write_text(yaml.safe_dump(bench, sort_keys=False))
        (tmp_path / "sequence.yaml").write_text(
            "sequence: one\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\nchecks:\n"
            "  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}\n"
        )
        words = (
            "--bench",
            str(tmp_path / "proxied.yaml"),
            "--serial",
            "M40-0007",
            "--folder",
            str(tmp_path / "r"),
        )
        done = call("run", str(tmp_path / "sequence.yaml"), *words)
        assert done.exit_code == 0, done.output
    finally:
        served.end()
        for proxy in proxies.values():
            proxy.close()
    source = stored_source(tmp_path / "r")
    for name, proxy in proxies.items():
        said = {
            way: b"".join(
                one.exchange.content
                for one in source.entries
                if one.exchange.instrument == name and one.exchange.direction is way
            )
            for way in (Direction.SENT, Direction.RECEIVED)
        }
        # the key-down watchdog has connections of its own
        seen = [(bytes(one.to_instrument), bytes(one.from_instrument)) for one in proxy.connections]
        assert (said[Direction.SENT], said[Direction.RECEIVED]) in seen, name
    replayed = replay(source)
    assert replayed.is_same, replayed.described()
    assert replayed.is_exact


def test_a_bench_that_opens_otherwise_leaves_nothing_to_work_out(stored: Path) -> None:
    """Something else is asked before the first check: no result counts, and none is said to be gone."""
    change(
        stored / "results.sqlite",
        "UPDATE exchange SET content = CAST('*XYZ?' || char(10) AS BLOB) WHERE id = (SELECT min(id) FROM exchange "
        "WHERE direction = 'sent' AND CAST(content AS TEXT) NOT LIKE '*IDN%')",
    )
    replayed = replayed_of(stored)
    assert replayed.departure is not None
    assert "*XYZ?" in replayed.departure.then
    assert {one.fate.value for one in replayed.results} == {"could not be worked out"}


def test_what_people_entered_and_connected_is_never_asked_again(tmp_path: Path) -> None:
    """A reading given with --entered, cables moved for a loss, and the table that was written: the same, and nothing is written again."""
    sequence = tmp_path / "people.yaml"
    sequence.write_text(
        "sequence: people\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\n"
        "prepare: [{confirm: the lid is closed}]\nchecks:\n"
        "  - {check: enter_reading, name: lamp, text: the lamp's current, quantity: current, unit: mA, accuracy: 2 %}\n"
        "  - {check: path_loss, name: pad A, frequencies: [27.205 MHz], file: losses/pad.yaml}\n"
    )
    bench = tmp_path / "bench.yaml"
    bench.write_text(NETWORKED_BENCH.replace("unit: units ", f"unit: {ROOT}/sim/units "))
    words = ("--bench", str(bench), "--serial", "M40-0007", "--confirmed", "--folder", str(tmp_path / "r"))
    done = call("run", str(sequence), *words, "--entered", "lamp=104.5")
    assert done.exit_code == 0, done.output
    there = sorted(tmp_path.rglob("*"))
    assert any(one.parent.name == "losses" for one in there)
    for one in (sequence, bench):
        one.unlink()
    replayed = replayed_of(tmp_path / "r")
    assert replayed.is_same, replayed.described()
    assert [one.then.value for one in replayed.results if one.then is not None][1] == pytest.approx(0.1045)
    assert sorted(tmp_path.rglob("*")) == [one for one in there if one not in (sequence, bench)]
