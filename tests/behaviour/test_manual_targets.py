"""The targets of sensitivity that compare two readings, through a person at a real pseudo-terminal.

(S+N)/N and quieting take two readings at a level, far apart: the second is asked for once more, as any leap is, and the run goes on.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import pytest

from tests.behaviour.test_manual_bench import SAFE, rows
from tests.support.person_at_terminal import attentive, run_at_terminal, transcript
from tests.support.running import run_checks

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are needed"),
    pytest.mark.slow,
]


@pytest.mark.parametrize(
    ("mode", "target"), [("AM", "10 dB (S+N)/N"), ("USB", "10 dB (S+N)/N"), ("FM", "20 dB quieting")]
)
def test_two_readings_at_a_level_are_at_most_15_in_all(tmp_path: Path, mode: str, target: str) -> None:
    """A person reads at most 15 times (a leap repeated not counted) and finds what the instruments find, within both intervals."""
    check = f"{{check: sensitivity, channel: 20, target: {target}, accuracy: 1 dB}}"
    file = tmp_path / "by-hand.yaml"
    file.write_text(
        f"sequence: By hand\nchannels: cept-40\nmode: {mode}\nsupply: 13.2 V\nchecks:\n  - {check}\n",
        encoding="utf-8",
    )
    shown = [""]

    def person(question: str) -> str:
        if "once more" in question:
            return shown[0]
        answer = attentive(question)
        if "ead " in question:
            shown[0] = answer
        return answer

    words = [
        "run",
        str(file),
        "--bench",
        "manual-bench",
        "--serial",
        "MX40-0101",
        "--folder",
        str(tmp_path / "r"),
    ]
    seen = run_at_terminal(words, person)
    assert seen.status == 0, transcript(seen)
    assert SAFE in seen.text
    assert "witness" not in seen.text
    assert 2 <= len(seen.readings) <= 15
    (by_hand,) = (row for quantity, row in rows(tmp_path / "r").items() if quantity.startswith("sensitivity"))
    by_itself = run_checks(tmp_path, "MX40-0101", check, mode=mode).found(f"sensitivity, {target}")
    assert by_itself.value is not None
    assert by_itself.uncertainty is not None
    apart_db = abs(float(by_hand["value"]) - by_itself.value)
    assert apart_db <= math.hypot(float(by_hand["uncertainty"]), by_itself.uncertainty)
