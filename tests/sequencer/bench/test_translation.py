"""A dry run answers in the words of the user's profile: the same results come, whatever the words."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from drivers.profiled.commands import commands_of
from drivers.profiled.conversion import SWITCH, units_for
from drivers.profiled.profile import Command, Profile, find_faults
from sequencer.bench.open_bench import BenchParts
from sequencer.bench.pattern import answer_that_fits
from sequencer.bench.simulation import simulate, specimen_for
from sequencer.cli.setting_up.identify import identify_bench
from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sequencer.results.model import Result
from tests.support.running import run_plan

OTHER_UNIT = {"dBm": "uV emf", "Hz": "kHz", "V": "mV", "A": "mA", "s": "ms", "percent": "ratio", "dB": "dB"}


def _reworded(profile: Profile) -> Profile:
    """Return a profile of which not one message, unit or word is the shipped one's."""
    specs = commands_of(profile.role)
    commands: dict[str, Command] = {}
    for number, (name, command) in enumerate(profile.commands.items()):
        spec = specs[name]
        if name in ("identity", "error", "clear", "reset"):
            commands[name] = command
            continue
        place = f" {{{spec.place}}}" if spec.place and command.set else ""
        block = name.startswith("recorded_")
        commands[name] = replace(
            command,
            set=f"Q{number}S{place}" if command.set else "",
            query=f"Q{number}A?" if command.query else "",
            unit=OTHER_UNIT.get(spec.unit, "") if units_for(spec.unit) else "",
            offset=7.0 if spec.unit == "Hz" else 0.0,
            on="JA" if spec.unit == SWITCH and command.query else "",
            off="NEIN" if spec.unit == SWITCH and command.query else "",
            bit=5 if command.bit is not None else None,
            words={word: f"M{word}" for word in ("FM", "AM", "USB", "LSB", "CW")}
            if spec.place == "text"
            else {},
            pattern="" if block or not command.query else rf"^Q{number} = \[([^\]]*)\](?: .*)?$",
        )
    return replace(profile, profile="reworded", commands=commands, prepare=("WAKE UP",))


def _parts(loaded: LoadedBench, serial: str) -> BenchParts:
    simulation = simulate(
        loaded.bench, specimen_for(loaded, serial, dry_run=True), virtual=True, profiles=loaded.profiles
    )
    return BenchParts(bench=loaded.bench, profiles=loaded.profiles, simulation=simulation)


def _results(folder: Path, loaded: LoadedBench, sequence: str, serial: str) -> list[Result]:
    plan = make_plan(load_sequence(sequence), loaded, serial=serial)
    return list(run_plan(folder, serial, plan, _parts(loaded, serial)).outcome.results)


def _all_reworded() -> LoadedBench:
    loaded = load_bench("bench")
    return replace(loaded, profiles={name: _reworded(one) for name, one in loaded.profiles.items()})


def test_the_reworded_profiles_are_sound() -> None:
    """What the following tests speak is a profile that the loader would take."""
    for name, profile in _all_reworded().profiles.items():
        assert not list(find_faults(profile)), name


def test_a_dry_run_in_other_words_gives_the_same_results(tmp_path: Path) -> None:
    """With every message, unit, switch word and pattern of all eight instruments changed, each value stays within a rounding."""
    reference = _results(tmp_path / "shipped", load_bench("bench"), "quick-check", "M40-0007")
    reworded = _results(tmp_path / "reworded", _all_reworded(), "quick-check", "M40-0007")
    assert [one.quantity for one in reworded] == [one.quantity for one in reference]
    for one, other in zip(reference, reworded, strict=True):
        assert other.value == pytest.approx(one.value, rel=2e-3, abs=0.5 if one.unit == "Hz" else 0.02), (
            one.quantity
        )
        assert other.decision == one.decision


@pytest.mark.parametrize("unit", [{"unit": "uV emf"}, {"unit": "W", "scale": 1e6}], ids=["uV emf", "uW"])
def test_a_dry_run_with_only_the_readings_in_other_units_gives_the_same_results(
    tmp_path: Path, unit: dict[str, Any]
) -> None:
    """Settings answered in one form of number and readings worked out in another are no answers cut short."""
    loaded = load_bench("bench")
    profiles = {}
    for name, profile in loaded.profiles.items():
        specs = commands_of(profile.role)
        readings = {
            one: replace(
                command, **(unit if specs[one].unit == "dBm" else {"unit": OTHER_UNIT[specs[one].unit]})
            )
            for one, command in profile.commands.items()
            if specs[one].query and not specs[one].set and specs[one].unit in OTHER_UNIT
        }
        profiles[name] = replace(profile, commands={**profile.commands, **readings})
    assert profiles["power_meter"].commands["power"].unit
    reference = _results(tmp_path / "shipped", loaded, "quick-check", "M40-0007")
    reworded = _results(tmp_path / "readings", replace(loaded, profiles=profiles), "quick-check", "M40-0007")
    for one, other in zip(reference, reworded, strict=True):
        assert other.value == pytest.approx(one.value, rel=2e-3, abs=0.5 if one.unit == "Hz" else 0.02), (
            other.note
        )
        assert other.decision == one.decision


def test_identify_in_other_words_finds_nothing_to_complain_of() -> None:
    """Each harmless command of each reworded profile fits what comes back, and means what the shipped one means."""
    shipped = {
        one.name: dict(one.meanings) for one in identify_bench(_parts(load_bench("bench"), "M40-0007"))
    }
    for one in identify_bench(_parts(_all_reworded(), "M40-0007")):
        assert one.sound, one.problems
        assert {name for name, _ in one.meanings} == set(shipped[one.name])


def test_a_message_that_stands_in_no_line_is_refused_by_the_instrument(tmp_path: Path) -> None:
    """What the profile does not say is not understood: the simulated instrument's error queue says so."""
    loaded = _all_reworded()
    profiles = dict(loaded.profiles)
    parts = _parts(loaded, "M40-0007")
    assert parts.simulation is not None
    spoken = profiles["voltmeter"]
    wrong = replace(
        spoken, commands={**spoken.commands, "voltage": replace(spoken.commands["voltage"], query="NO SUCH?")}
    )
    language = parts.simulation.devices[loaded.bench.instruments["voltmeter"].address].language
    assert language is not None
    assert language.hear(b"NO SUCH?")[0] == b"NO SUCH?"
    assert language.hear(wrong.commands["reading_time"].query.encode())[0].endswith(b"APERture?")


@pytest.mark.parametrize(
    "pattern",
    [
        r"([-+.0-9Ee]+)",
        r"^LV=([-+.0-9E]+)(?:DBM)?$",
        r"^FR\s*([0-9.E+-]+)\s*MZ;?$",
        r"level is (\S+) dBm",
        r"^(?:OK|ERR) \d{3} ([^,]+),.*$",
        r"^[A-C]x?y+([-+.0-9E]+)[^z]$",
        r"(?i)^v([0-9.E+-]+)v$",
    ],
)
def test_an_answer_is_made_for_a_pattern(pattern: str) -> None:
    """The number is picked out of it again, by the interpreter's own regular expressions."""
    match = re.search(
        pattern, answer_that_fits(pattern, "-1.25E-3" if "[0-9.E+-]" not in pattern else "1.25E-3")
    )
    assert match is not None
    assert match.group(1) in ("-1.25E-3", "1.25E-3")


def test_where_no_answer_can_be_made_the_value_is_said_as_it_is() -> None:
    """A pattern that no number fits is left to the driver to complain of."""
    assert answer_that_fits(r"^([A-Z]+)$", "1.5") == "1.5"
