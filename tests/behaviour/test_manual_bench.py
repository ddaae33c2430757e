"""A bench that a person works, through a real pseudo-terminal and the real command line.

The person (tests/support/person_at_terminal.py) sees only what stands on the terminal: the questions, and beside them
the dials of the simulated instruments. Sequences and benches are the shipped ones unless a test writes its own.
"""

from __future__ import annotations

import csv
import re
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.inputs.load_bench import load_bench
from sequencer.problems import FileProblems
from tests.support.person_at_terminal import (
    CTRL_C,
    CTRL_D,
    ROOT,
    Seen,
    attentive,
    run_at_terminal,
    transcript,
)

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are needed"),
    pytest.mark.slow,  # each run is a process of its own, answered at the pace of a terminal
]
SAFE = "The bench is safe"


def run(
    folder: Path, answer: Callable[[str], str | None] = attentive, *, term: str = "dumb", bench: str = "manual-bench",
    sequence: str = "manual-bench", serial: str = "M40-0007",
) -> Seen:  # fmt: skip
    """Run a sequence with a person at the terminal."""
    words = ["run", sequence, "--bench", bench, "--serial", serial, "--folder", str(folder)]
    return run_at_terminal(words, answer, term=term)


def rows(folder: Path) -> dict[str, dict[str, str]]:
    """Return the results table of the one run in ``folder``, by quantity."""
    (table,) = folder.glob("*.csv")
    with table.open(encoding="utf-8", newline="") as file:
        return {row["quantity"]: row for row in csv.DictReader(file)}


def exchanges_of(folder: Path, instrument: str) -> list[tuple[str, bytes]]:
    """Return direction and content of what the store holds of an instrument, in order."""
    store = sqlite3.connect(folder / "results.sqlite")
    try:
        asked = "select direction, content from exchange where instrument = ? order by rowid"
        return store.execute(asked, (instrument,)).fetchall()
    finally:
        store.close()


def automatic(tmp_path: Path) -> dict[str, dict[str, str]]:
    """Return what the same bench finds without a person: each simulated instrument by itself."""
    folder = tmp_path / "automatic"
    words = [
        "run",
        "manual-bench",
        "--bench",
        "manual-bench",
        "--serial",
        "M40-0007",
        "--folder",
        str(folder),
    ]
    assert CliRunner().invoke(main, [*words, "--dry-run", "--confirmed"]).exit_code == 0
    return rows(folder)


def test_a_person_finds_what_the_instruments_find_in_at_most_15_readings(tmp_path):
    """Sensitivity and S9 point through a person agree with the automatic bench within their intervals; at most 15 readings; no hazard.

    The store holds questions and answers as exchanges of the run, under the instrument's name.
    """
    seen = run(tmp_path / "by-hand")
    assert seen.status == 0, transcript(seen)
    assert SAFE in seen.text
    assert 1 <= len(seen.readings) <= 15
    assert len(seen.questions) <= 30
    by_hand, by_itself = rows(tmp_path / "by-hand"), automatic(tmp_path)
    for quantity in ("sensitivity, 12 dB SINAD", "S9 point"):
        row = by_hand[quantity]
        assert row["decision"] == "pass"
        assert abs(float(row["value"]) - float(by_itself[quantity]["value"])) < 2.0
    assert "witness" not in seen.text
    kept = exchanges_of(tmp_path / "by-hand", "audio_analyser")
    assert kept[0][0] == "sent"
    assert b"Then read SINAD on the audio analyser, in dB" in kept[0][1]
    assert kept[1][0] == "received"
    assert kept[1][1].endswith(b" dB")


def test_nonsense_fifty_times_loses_nothing(tmp_path):
    """A person who types nonsense 50 times is told what is allowed each time; the run then goes on to its result."""
    nonsense = [f"wibble {n}" for n in range(48)] + ["1,500", "\x1b[A"]

    def person(question: str) -> str:
        if ("ead SINAD" in question or "Allowed" in question) and nonsense:
            return nonsense.pop()
        return "33.8" if "Allowed" in question else attentive(question)

    seen = run(tmp_path, person)
    assert seen.status == 0, transcript(seen)
    assert len([question for question in seen.questions if "Allowed: a number in dB" in question]) == 50
    assert "Traceback" not in seen.text
    assert rows(tmp_path)["sensitivity, 12 dB SINAD"]["decision"] == "pass"


@pytest.mark.parametrize(
    ("typed", "at"), [(CTRL_C, "ead SINAD"), ("stop", "Set the signal generator to"), (CTRL_D, "ead SINAD")]
)
def test_every_way_to_stop_leaves_the_generator_confirmed_off(tmp_path, typed, at):
    """Ctrl-C, "stop" and the end of input at a question: off is asked for and confirmed, status 4, and what was measured is kept."""
    left = [typed]

    def person(question: str) -> str:
        if at in question and left and len(seen_so_far) > 2:
            return left.pop()
        seen_so_far.append(question)
        return attentive(question)

    seen_so_far: list[str] = []
    seen = run(tmp_path, person)
    assert seen.status == 4, transcript(seen)
    assert "SAFETY: Switch the RF output of the signal generator OFF" in seen.questions[-1]
    assert SAFE in seen.text
    assert "witness" not in seen.text
    assert "Traceback" not in seen.text


def test_a_person_who_has_gone_leaves_a_bench_that_is_not_called_safe(tmp_path):
    """The end of input at every question from some moment on: the run ends, and says that the bench could not be confirmed safe."""
    answered: list[str] = []

    def person(question: str) -> str:
        answered.append(question)
        return attentive(question) if len(answered) < 5 else CTRL_D

    seen = run(tmp_path, person)
    assert seen.status == 3, transcript(seen)  # not 4: that the unit may still be on is the graver thing
    assert "THE BENCH COULD NOT BE CONFIRMED SAFE" in seen.text
    assert "Remove the supply from the unit now" in " ".join(transcript(seen).split())
    assert "Traceback" not in seen.text


def test_stop_is_no_way_round_the_safety_question(tmp_path):
    """While the run is being stopped "stop" and Ctrl-C are answered with the safety step, until it is done."""
    script = ["stop", "stop", "", CTRL_C, "done"]
    begun: list[str] = []

    def person(question: str) -> str | None:
        begun.append(question)
        if len(begun) < 5:
            return attentive(question)
        return script.pop(0) if script else None

    seen = run(tmp_path, person)
    assert seen.status == 4, transcript(seen)
    assert "must be left safe first" in seen.text
    assert "The run is being stopped already." in seen.text
    assert not script
    assert SAFE in seen.text


def test_an_answer_is_taken_back(tmp_path):
    """ "back" asks for the reading before once more, at its own level; the slip leaves no trace in the result.

    This terminal shows the progress bar: it is cleared away while a question stands, so that each begins its own line.
    """
    state = {"readings": 0}

    def person(question: str) -> str:
        if "ead SINAD" in question:
            state["readings"] += 1
            if state["readings"] == 2:
                return "3.1"  # the dial says about 13
            if state["readings"] == 3:
                return "back"
        return attentive(question)

    seen = run(tmp_path, person, term="xterm-256color")
    assert seen.status == 0, transcript(seen)
    assert re.search(r"\x1b\[", seen.text)
    assert all(question.startswith(("Set ", "Read ", "SAFETY", "RF gain")) for question in seen.questions)
    second, _, again = [question for question in seen.questions if "ead SINAD" in question][1:4]
    assert second.partition("(")[0] == again.partition("(")[0]
    row = rows(tmp_path)["sensitivity, 12 dB SINAD"]
    assert abs(float(row["value"]) + 119.9) < 2.0
    assert not re.search(r"not monotonic|unstable", row["note"])


def test_without_a_terminal_nothing_is_begun(tmp_path):
    """Where nobody can be asked, the run is refused before anything is sent, pointing at the bench file."""
    words = ["run", "manual-bench", "--bench", "manual-bench", "--serial", "M40-0007", "--confirmed"]
    done = subprocess.run(
        [sys.executable, "-m", "sequencer", *words, "--folder", str(tmp_path)],
        cwd=ROOT, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert re.search(
        r"manual-bench\.yaml:\d+:\d+: a person sets and reads signal_generator and audio_analyser",
        done.stderr,
    )
    assert "--dry-run" in done.stderr
    assert not list(tmp_path.iterdir())


ALL_BY_HAND = f"""
bench: Nothing but hands
visa: sim
unit: {ROOT}/sim/units
instruments:
  signal_generator: {{driver: operator, dial: dBm, level: {{min: -130 dBm, max: 0 dBm}}}}
  power_meter: {{driver: operator, dial: W, max_power: 100 mW}}
  modulation_analyser: {{driver: operator}}
  audio_analyser: {{driver: operator}}
  voltmeter: {{driver: operator, dial: S units, s9: 2.25 V}}
  supply: {{driver: operator}}
  switch: {{driver: operator}}
  radio: {{driver: operator}}
paths:
  receive: {{loss: {{27 MHz: 0.4 dB}}}}
  transmit: {{loss: {{27 MHz: 30.1 dB}}, rating: 50 W}}
protection: {{max_key_time: 20 s, max_supply_current: 6 A}}
"""
TRANSMIT = """
sequence: Power and frequency by hand
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20, readings: 2, limit: {min: 3 W, max: 4 W}}
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
  - {check: s9_point, channel: 20, target: 2.25 V, limit: {nominal: -73 dBm, within: 6 dB}}
"""


def test_a_bench_with_every_instrument_in_a_persons_hands(tmp_path):
    """Power, frequency and S9 by hand: key, read and release are one prompt, paths and key are confirmed, no hazard."""
    (tmp_path / "hands-bench.yaml").write_text(ALL_BY_HAND)
    (tmp_path / "transmit.yaml").write_text(TRANSMIT)
    seen = run(
        tmp_path / "r", bench=str(tmp_path / "hands-bench.yaml"), sequence=str(tmp_path / "transmit.yaml")
    )
    assert seen.status == 0, transcript(seen)
    assert SAFE in seen.text
    assert "witness" not in seen.text
    keyed = [question for question in seen.questions if "old push-to-talk" in question]
    assert keyed
    assert all("RELEASE it (20 s at most)" in question for question in keyed)
    assert not any("Press and HOLD" in question for question in seen.questions)
    asked = "\n".join(seen.questions)
    assert (
        asked.index("RELEASE push-to-talk (PTT)")
        < asked.index("(transmit path)")
        < asked.index("hold push-to-talk")
    )
    found = rows(tmp_path / "r")
    power = next(row for quantity, row in found.items() if quantity.startswith("carrier power"))
    assert 3.0 < float(power["value"]) < 4.0
    assert found["S9 point"]["decision"] == "pass"


def test_a_meter_that_a_person_reads_while_the_bench_keys(tmp_path):
    """The key is the bench's: the question says that the unit is keyed and for how long; an answer in time is used."""
    text = ALL_BY_HAND.replace(
        "radio: {driver: operator}", "radio: {address: 'TCPIP0::192.0.2.18::5025::SOCKET', timeout: 500 ms}"
    )
    text = text.replace(
        "switch: {driver: operator}", "switch: {address: 'TCPIP0::192.0.2.17::5025::SOCKET', settle: 20 ms}"
    )
    (tmp_path / "meter-bench.yaml").write_text(text.replace("max_key_time: 20 s", "max_key_time: 40 s"))
    (tmp_path / "power.yaml").write_text(
        "\n".join(
            line for line in TRANSMIT.splitlines() if "frequency_error" not in line and "s9" not in line
        )
    )
    seen = run(
        tmp_path / "r", bench=str(tmp_path / "meter-bench.yaml"), sequence=str(tmp_path / "power.yaml")
    )
    assert seen.status == 0, transcript(seen)
    assert any(
        "(THE UNIT IS TRANSMITTING: 10 s to answer) Read the power" in question for question in seen.questions
    )
    assert "witness" not in seen.text


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ("signal_generator: {driver: operator, dial: W, level: {min: -130 dBm, max: 0 dBm}}", "'W' is not allowed here"),
        ("voltmeter: {driver: operator, dial: S units}", "a dial in S units needs 's9'"),
        ("voltmeter: {address: 'TCPIP::a::1::SOCKET', dial: V}", "'dial' is for 'driver: operator' only"),
        ("voltmeter: {driver: operator, s9: 2 V}", "'s9' is for a dial in S units only"),
        ("voltmeter: {driver: operater, address: 'TCPIP::a::1::SOCKET'}", "there is no driver 'operater'"),
        ("radio: {driver: text, address: 'GPIB0::7::INSTR', profile: hollinbrook-line}", "is not the address of a text line"),
        ("switch: {driver: text, address: /dev/ttyUSB0, profile: hollinbrook-line}", "'driver: text' drives a radio"),
        ("radio: {driver: text, address: 'TCPIP::a::7::SOCKET', ptt: rts, profile: hollinbrook-line}", "a socket has no control lines"),
        ("radio: {address: 'TCPIP::a::7::SOCKET', ptt: rts}", "'ptt' is for 'driver: text' only"),
        ("radio: {driver: text, address: /dev/ttyUSB0, profile: scpi-1999}", "scpi-1999.yaml"),
    ],
)  # fmt: skip
def test_a_bench_entry_that_makes_no_sense_is_pointed_at(tmp_path, wrong, said):
    """Each contradiction of driver, dial and key line is a complaint with its place, before anything is opened."""
    file = tmp_path / "wrong-bench.yaml"
    file.write_text(f"bench: Wrong\ninstruments:\n  {wrong}\n")
    with pytest.raises(FileProblems) as problems:
        load_bench(str(file))
    assert said in str(problems.value)
    assert re.search(r"\.yaml:\d+:\d+: ", str(problems.value))


@pytest.mark.parametrize("ptt", ["command", "rts"])
def test_a_sequence_runs_with_a_text_radio_on_a_pseudo_terminal(tmp_path, ptt):
    """On a simulated bench a text radio answers on a real pseudo-terminal; its key by a command or by RTS; no hazard."""
    text = (ROOT / "sim" / "bench.yaml").read_text().replace("unit: units ", f"unit: {ROOT}/sim/units ")
    profile = "hollinbrook-line" if ptt == "command" else "hollinbrook-channel-line"
    address = "    address: TCPIP0::192.0.2.18::5025::SOCKET\n"
    assert address in text
    entry = f"    driver: text\n    address: /dev/ttyUSB0\n    profile: {profile}\n    ptt: {ptt}\n    timeout: 1 s\n"
    (tmp_path / "text-bench.yaml").write_text(text.replace(address, entry))
    words = [
        "run",
        "fm-mobile-acceptance",
        "--bench",
        str(tmp_path / "text-bench.yaml"),
        "--serial",
        "M40-0007",
    ]
    done = CliRunner().invoke(main, [*words, "--confirmed", "--folder", str(tmp_path / "r")])
    assert done.exit_code == 0, done.output
    assert SAFE in done.stderr
    assert "witness" not in done.stderr
    said = [content for _, content in exchanges_of(tmp_path / "r", "radio")]
    assert any(b"CH=" in one for one in said)
    assert (b"RTS raised" in said) == (ptt == "rts")
