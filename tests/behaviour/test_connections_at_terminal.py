"""The unit's connection made anew by a person at a real pseudo-terminal: instruments by remote, and every one of them by hand."""

from __future__ import annotations

import csv
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.support.person_at_terminal import CTRL_C, ROOT, Seen, attentive, run_at_terminal, transcript

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are needed"),
    pytest.mark.slow,  # each run is a process of its own, answered at the pace of a terminal
]
SEQUENCE = """\
sequence: Connections
channels: cept-40
mode: FM
supply: 13.2 V
checks:
  - {check: connection_repeatability, channel: 20, connections: 3}
  - {check: carrier_power, channel: 20, limit: {min: 3 W, max: 4 W}}
"""
BY_HAND = f"""\
bench: By hand
visa: sim
unit: {ROOT / "sim" / "units"}
clock: virtual
seed: 1
instruments:
  signal_generator:
    address: TCPIP0::192.0.2.11::5025::SOCKET
    level: {{min: -137 dBm, max: 13 dBm}}
    accuracy: {{level: 0.5 dB, frequency: 0.1 ppm}}
    vswr: 1.3
  power_meter: {{driver: operator, dial: W, max_power: 2 W, accuracy: {{power: 3 %}}, vswr: 1.2}}
  supply: {{driver: operator, max_voltage: 16 V, accuracy: {{voltage: 0.2 %, current: 1 %}}}}
  switch: {{driver: operator}}
  radio: {{driver: operator}}
paths:
  receive: {{loss: {{27 MHz: 0.42 dB}}, uncertainty: 0.1 dB, unit_vswr: 1.5}}
  transmit: {{loss: {{27 MHz: 30.1 dB}}, uncertainty: 0.15 dB, rating: 50 W, unit_vswr: 1.5}}
protection: {{max_key_time: 60 s, key_duty: 50 %, max_receiver_input: 0 dBm, max_supply_current: 6 A}}
"""
ANEW = "RF plug was taken off and put on again"
MOVED = "CABLES WERE MOVED BY HAND and not confirmed back"
Answer = Callable[[str], str | None]


def _run(folder: Path, answer: Answer, *, by_hand: bool = False) -> tuple[Seen, str, dict[str, str]]:
    """Run it; returns what was seen, the transcript, and the values of the results table by quantity."""
    (folder / "connections.yaml").write_text(SEQUENCE, encoding="utf-8")
    (folder / "bench.yaml").write_text(BY_HAND, encoding="utf-8")
    bench = str(folder / "bench.yaml") if by_hand else "bench"
    words = ["run", str(folder / "connections.yaml"), "--bench", bench, "--serial", "M40-0007"]
    seen = run_at_terminal([*words, "--folder", str(folder / "results")], answer)
    rows: dict[str, str] = {}
    for table in (folder / "results").glob("*.csv"):
        with table.open(encoding="utf-8", newline="") as file:
            rows |= {row["quantity"]: row["value"] for row in csv.DictReader(file)}
    return seen, transcript(seen), rows


def _second_time(instead: str) -> Answer:
    """Return a person who makes the second connection and answers the question for the third with ``instead``."""
    asked: list[str] = []

    def answer(question: str) -> str | None:
        asked.extend([question] if ANEW in question else [])
        return instead if len(asked) == 2 and ANEW in question else attentive(question)

    return answer


@pytest.mark.parametrize("by_hand", [False, True], ids=["by_remote", "by_hand"])
def test_each_connection_is_asked_for_once_and_what_follows_is_measured(
    tmp_path: Path, by_hand: bool
) -> None:
    """Two of three connections are made anew and confirmed; the scatter has a number, and the next check finds the unit fed and keyed."""
    seen, screen, rows = _run(tmp_path, attentive, by_hand=by_hand)
    assert seen.status == 0, screen
    asked = [question for question in seen.questions if ANEW in question]
    assert [one.split(":")[0] for one in asked] == ["Connection 2 of 3", "Connection 3 of 3"]
    assert 0.0 <= float(rows["connection repeatability"]) < 0.15
    assert 3.0 < float(rows["carrier power"]) < 4.0
    assert MOVED not in screen
    last_line = screen.strip().splitlines()[-1]
    if not by_hand:
        assert last_line == "The bench is safe: PTT released, generator off, supply off, each read back."
        return
    # nothing was read back of what a person switches
    assert last_line == (
        "The bench is safe: generator off, read back; PTT released, supply off, by the word of the person at the bench."
    )
    offs = [question for question in seen.questions if "Switch the supply OFF" in question]
    assert len(offs) == 3  # before each of both, and at the end


def test_a_unit_that_was_without_supply_is_put_on_its_channel_again_by_hand(tmp_path: Path) -> None:
    """A unit may come back on another channel: who selects it by hand is asked anew each time its supply was off."""
    seen, _, _ = _run(tmp_path, attentive, by_hand=True)
    for words in ("Select FM on the unit", "Select channel 20 on the unit"):
        assert sum(words in question for question in seen.questions) == 3, seen.questions


@pytest.mark.parametrize("by_hand", [False, True], ids=["by_remote", "by_hand"])
@pytest.mark.parametrize(("instead", "status"), [("n", 3), (CTRL_C, 4)], ids=["no", "ctrl_c"])
def test_who_does_not_confirm_leaves_nothing_fed_or_keyed(
    tmp_path: Path, by_hand: bool, instead: str, status: int
) -> None:
    """A no, or Ctrl-C, at the third connection: no number, no further reading, the status for it, and cables to be put back."""
    seen, screen, rows = _run(tmp_path, _second_time(instead), by_hand=by_hand)
    assert seen.status == status, screen
    assert "Traceback" not in screen
    assert not any(rows.values()), rows
    at = next(number for number, one in enumerate(seen.questions) if "Connection 3 of 3" in one)
    assert not any("Read " in one or "supply to" in one for one in seen.questions[at + 1 :])
    assert screen.strip().splitlines()[-1].startswith("The bench is safe: ")
    assert MOVED in screen.strip().splitlines()[-1]
