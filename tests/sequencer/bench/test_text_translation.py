"""A dry run answers in the lines of the user's own text profile."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from drivers.text.profile import TextProfile, find_text_faults
from sequencer.bench.open_bench import BenchParts
from sequencer.bench.pattern import text_that_fits
from sequencer.bench.simulation import simulate, specimen_for
from sequencer.bench.text_translation import TextTranslation
from sequencer.files.dataclass_model import read_dataclass
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.run.status import ExitStatus
from tests.support.running import run_plan

SPOKEN = Path("drivers/profiles/radio/hollinbrook-line.yaml")
OTHER = """profile: other-line
role: radio
source: this test
sends: CR
answers: CR LF
refusal: "^ERR \\\\d: (.*)$"
commands:
  identity: {query: "WHO", pattern: "^WHO (.+)$"}
  channel: {set: "CHAN {number}", digits: 2, reply: "^DONE$", query: "CHAN", pattern: "^CHAN (\\\\d+)$"}
  mode: {set: "EMIT {text}", words: {FM: F3E, AM: A3E}, reply: "^DONE$", query: "EMIT", pattern: "^EMIT (\\\\w+) HZ$"}
  key: {set: "PTT {text}", words: {on: DOWN, off: UP}, reply: "^DONE$", query: "PTT", pattern: "^PTT (\\\\w+)$"}
"""
SEQUENCE = """sequence: S
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
rated_power: 4 W
checks:
  - {check: carrier_power, channel: 20, limit: {min: 3 W, max: 4.4 W}}
  - {check: channel_sweep, sweep: [1, 40], outside: [41], power: {min: 3 W, max: 4.4 W}}
"""


@pytest.fixture
def other(tmp_path: Path) -> TextProfile:
    """Return a profile of which not one line is the shipped one's; its file is written too."""
    path = tmp_path / "other.yaml"
    path.write_text(OTHER, encoding="utf-8")
    profile = read_dataclass(path, TextProfile).model
    assert list(find_text_faults(profile)) == []
    return profile


@pytest.mark.parametrize(
    ("line", "told", "said", "answer"),
    [
        ("WHO", "ID?", "ID=Hollinbrook M40", "WHO Hollinbrook M40"),
        ("CHAN 7", "CH=007", "OK", "DONE"),
        ("CHAN", "CH?", "CH=007", "CHAN 07"),
        ("CHAN 41", "CH=041", "NO CH 41", "ERR 0: CH 41"),
        ("EMIT A3E", "MD=A", "OK", "DONE"),
        ("EMIT", "MD?", "MD=F", "EMIT F3E HZ"),
        ("PTT DOWN", "TX=1", "OK", "DONE"),
        ("PTT", "TX?", "TX=0", "PTT UP"),
        ("RESET", "RESET", "NO such line", "ERR 0: such line"),
    ],
)
def test_a_line_and_its_answer_go_there_and_back(
    other: TextProfile, line: str, told: str, said: str, answer: str
) -> None:
    """Each command of the profile, a refusal in its form, and a line that it does not have."""
    heard, put_back = TextTranslation(other, read_dataclass(SPOKEN, TextProfile).model).hear(line)
    assert (heard, put_back(said)) == (told, answer)


@pytest.mark.parametrize("pattern", ["^OK$", r"^(DONE|READY) \d+$", "^$", r"A[xyz]+B?"])
def test_a_text_is_made_in_which_a_pattern_is_found(pattern: str) -> None:
    """By the interpreter's own regular expressions."""
    assert re.search(pattern, text_that_fits(pattern, "DONE")) is not None


def test_a_dry_run_in_other_lines_measures_the_unit(tmp_path: Path, other: TextProfile) -> None:
    """The whole way: PTT, channels, a refusal in the profile's own form, other line ends each way."""
    bench = re.sub(
        r"(  radio: .*\n    address: TCPIP0::192.0.2.18::5025::SOCKET)",
        r"\1\n    driver: text\n    profile: other.yaml",
        Path("sim/bench.yaml").read_text(encoding="utf-8"),
    ).replace("unit: units", f"unit: {Path('sim/units').resolve()}")
    (tmp_path / "bench.yaml").write_text(bench, encoding="utf-8")
    (tmp_path / "s.yaml").write_text(SEQUENCE, encoding="utf-8")
    loaded = load_bench(str(tmp_path / "bench.yaml"))
    plan = make_plan(load_sequence(str(tmp_path / "s.yaml")), loaded, serial="M40-0007")
    simulation = simulate(
        loaded.bench, specimen_for(loaded, "M40-0007", dry_run=True), virtual=True, profiles=loaded.profiles
    )
    parts = BenchParts(
        bench=loaded.bench,
        profiles=loaded.profiles,
        simulation=simulation,
    )
    outcome = run_plan(tmp_path, "M40-0007", plan, parts).outcome
    assert outcome.status is ExitStatus.PASSED, outcome
    values = {(one.quantity, one.channel): one.value for one in outcome.results}
    assert values["carrier power", 20] == pytest.approx(3.72, abs=0.1)
    assert values["refused outside the plan", 41] == 1.0
