"""A user's own profile: like another, with units and words of its own, without what its instrument lacks."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from drivers.profiled.profile import Profile
from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.problems import FileProblems

BENCH = """\
bench: b
instruments:
  signal_generator: {address: "TCPIP0::192.0.2.1::5025::SOCKET", profile: own.yaml, level: {min: -120 dBm, max: 0 dBm}}
"""
OWN = """\
profile: own
role: signal_generator
like: scpi-1999
source: handbook, chapter 4
commands:
  level: {unit: dBuV}
  output: {on: "ON", off: "OFF"}
lacks: [am_depth, am_tone, am_state]
"""


def _load(folder: Path, own: str = OWN, **more: str) -> LoadedBench:
    (folder / "own.yaml").write_text(own, encoding="utf-8")
    for name, text in more.items():
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
    (folder / "bench.yaml").write_text(BENCH, encoding="utf-8")
    return load_bench(str(folder / "bench.yaml"))


def _complaints(folder: Path, own: str, **more: str) -> list[Any]:
    with pytest.raises(FileProblems) as caught:
        _load(folder, own, **more)
    return list(caught.value.complaints)


def test_only_the_lines_that_differ_are_written(tmp_path: Path) -> None:
    """Lines that the profile does not write, and fields of a line that it does, are those of the profile it is like."""
    profile: Profile = _load(tmp_path).profiles["signal_generator"]
    shipped: Profile = load_bench("bench").profiles["signal_generator"]
    assert profile.commands["level"].set == shipped.commands["level"].set
    assert profile.commands["level"].unit == "dBuV"
    assert profile.commands["frequency"] == shipped.commands["frequency"]
    assert profile.prepare == shipped.prepare
    assert profile.theirs("level", -107.0) == pytest.approx(-0.0103, abs=1e-4)  # 1 uV pd: common practice
    assert profile.commands["output"].switched(True).endswith(" ON")


def test_what_is_lacking_is_gone_and_has_a_place(tmp_path: Path) -> None:
    """A command under 'lacks' is no longer among the commands, though the profile it is like has it."""
    loaded = _load(tmp_path)
    assert "am_depth" not in loaded.profiles["signal_generator"].commands
    assert loaded.lacking["signal_generator"]["am_tone"] == f"{tmp_path / 'own.yaml'}:8:19"


def test_a_profile_like_a_profile_of_ones_own(tmp_path: Path) -> None:
    """Inheritance goes on through several files, and what one lacks the next may have again."""
    newer = "profile: newer\nrole: signal_generator\nlike: older.yaml\nprepare: []\ncommands:\n"
    newer += "  am_depth: {set: 'AM {number}', query: 'AM?'}\n"
    newer += "  am_tone: {set: 'AT {number}', query: 'AT?'}\n  am_state: {set: 'AS {number}', query: 'AS?'}\n"
    loaded = _load(tmp_path, newer, older=OWN)
    profile: Profile = loaded.profiles["signal_generator"]
    assert profile.commands["level"].unit == "dBuV"
    assert profile.commands["am_depth"].set == "AM {number}"
    assert profile.source == "handbook, chapter 4"
    assert profile.prepare == ()
    assert loaded.lacking["signal_generator"] == {}


@pytest.mark.parametrize(
    ("old", "new", "line", "said", "allowed"),
    [
        ("unit: dBuV", "unit: dBV", 6, "unit 'dBV' does not fit: level at its connector", "dBuV emf"),
        ("level: {unit: dBuV}", "modulation_off: {unit: V}", 6, "unit 'V' does not fit", "no 'unit'"),
        ('off: "OFF"', 'off: "ON"', 7, "on is 'ON' and off is 'ON'", "two different words"),
        (', off: "OFF"', "", 7, "off is ''", "neither for 1 and 0"),
        ("level: {unit: dBuV}", "level: {on: A, off: B}", 6, "is not a switch", "switched on or off"),
        ("unit: dBuV", "offset: .inf", 6, "inf", ""),
        ("am_depth,", "am_dept,", 8, "unknown command 'am_dept'", "am_depth"),
        ("am_depth,", "output,", 8, "output", ""),
        ("am_depth,", "frequency,", 8, "no signal_generator can lack 'frequency'", "am_depth"),
        ("like: scpi-1999", "like: scpi-199", 3, "scpi-199", ""),
        ("like: scpi-1999", "like: own.yaml", 3, "leads back to this profile", "stands by itself"),
        ("like: scpi-1999\n", "", 5, "command 'frequency' is missing", "every command"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(
    tmp_path: Path, old: str, new: str, line: int, said: str, allowed: str
) -> None:
    """A misfit is named with the user's own file and line, also where the rest comes from another profile."""
    assert old in OWN
    complaints = _complaints(tmp_path, OWN.replace(old, new))
    (found,) = [one for one in complaints if said in one.message][:1]
    assert Path(found.file).name == "own.yaml"
    assert found.line == line
    assert allowed in found.allowed


def test_what_is_wrong_in_the_profile_it_is_like_is_said_there(tmp_path: Path) -> None:
    """The fault of another file is told with that file's name and line."""
    (found,) = _complaints(
        tmp_path, OWN.replace("scpi-1999", "older.yaml"), older=OWN.replace("unit: dBuV", "scale: 0")
    )
    assert (Path(found.file).name, found.line) == ("older.yaml", 6)


def test_a_profile_for_another_role_is_said(tmp_path: Path) -> None:
    """A voltmeter's profile for a generator is refused with its role's line, and nothing else is complained of."""
    (found,) = _complaints(tmp_path, OWN.replace("role: signal_generator", "role: voltmeter"))
    assert "this profile is for a voltmeter" in found.message
    assert found.line == 2


@pytest.mark.parametrize(
    ("old", "new", "hint"),
    [
        ("role: signal_generator", "role: signal_generater", "did you mean 'signal_generator'?"),
        ("  level: {unit", "  levle: {unit", "did you mean 'level'?"),
        ("unit: dBuV", "unit: dBuv", "did you mean 'dBuV'?"),
        ("[am_depth,", "[am_dept,", "did you mean 'am_depth'?"),
        ("  level: {unit: dBuV}", "  level: {set: 'LEVEL'}", ""),  # the command's name is right
    ],
)
def test_a_mistyped_word_is_told_its_nearest(tmp_path: Path, old: str, new: str, hint: str) -> None:
    """Of those that may stand there; a word that may is not mistyped."""
    assert old in OWN
    found = _complaints(tmp_path, OWN.replace(old, new))
    assert [one.hint for one in found if one.hint] == ([hint] if hint else [])
