"""What each shipped check says it needs of its instruments: enough for it to run, and refused by the plan where it is lacking."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from drivers.profiled.commands import commands_of
from drivers.profiled.profile import Profile
from sequencer.bench.open_bench import BenchParts
from sequencer.checks import SHIPPED, find_check
from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.parts import bench_parts
from sequencer.planning.plan import Plan, make_plan
from sequencer.problems import FileProblems
from tests.support.after_faults import bench_for
from tests.support.running import run_plan

EXAMPLES = Path("sequencer/checks/examples").resolve()
UNITS = {"FM": "M40-0007", "AM": "MX40-0101", "USB": "MX40-0101"}
WITHOUT_INSTRUMENTS = {"confirm", "enter_reading", "channel_memory", "golden_unit"}


def _plan(folder: Path, check: str, mode: str, bench: LoadedBench) -> Plan:
    """Return the plan of a check's own example in one mode."""
    file = folder / "sequence.yaml"
    text = (EXAMPLES / f"{check}.yaml").read_text(encoding="utf-8")
    if mode != "FM":  # each mode has a ratio of its own
        text = text.replace("ratio: quieting", "ratio: (S+N)/N")
    items = "\n".join("  " + line for line in text.splitlines())
    file.write_text(
        f"sequence: test\nchannels: cept-40\nmode: {mode}\nsupply: 13.2 V\n"
        f"rated_supply: {{min: 8 V, max: 16 V}}\nrated_power: 13 W\nchecks:\n{items}\n",
        encoding="utf-8",
    )
    return make_plan(load_sequence(str(file)), bench, serial=UNITS[mode])


def _cases() -> Iterator[tuple[str, str]]:
    for check in SHIPPED:
        if check in WITHOUT_INSTRUMENTS:
            continue
        for mode in UNITS:
            # the examples by carrier power have no drive, without which there is none in SSB
            driven = (check, mode) in (("carrier_power", "USB"), ("adjust", "USB"))
            if mode in find_check(check).modes and not driven:
                yield check, mode


def _needs(plan: Plan) -> set[tuple[str, str]]:
    return {need for step in plan.steps for need in step.check.commands(step.settings, step.conditions)}


def _reduced(bench: LoadedBench, needed: set[tuple[str, str]]) -> LoadedBench:
    """Return a bench of instruments that have what every one of their role has, and what is needed."""
    profiles: dict[str, Profile] = {}
    for name, profile in bench.profiles.items():
        role = "interferer" if name == "interferer" else profile.role
        kept = {
            command: how
            for command, how in profile.commands.items()
            if commands_of(profile.role)[command].essential or (role, command) in needed
        }
        profiles[name] = replace(profile, commands=kept)
    return replace(bench, profiles=profiles)


def _run(folder: Path, plan: Plan, bench: LoadedBench, mode: str) -> list[Any]:
    folder.mkdir()
    parts: BenchParts = bench_parts(bench, serial=UNITS[mode], dry_run=True)
    return list(run_plan(folder, UNITS[mode], plan, parts).outcome.results)


@pytest.mark.parametrize(("check", "mode"), list(_cases()))
def test_a_check_runs_on_instruments_that_have_only_what_it_needs(
    tmp_path: Path, check: str, mode: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With every other command gone from every profile nothing is missed; without those the plan names each."""
    monkeypatch.chdir(
        tmp_path
    )  # a loss table is written beside the bench file, or here where that is a shipped one
    bench = load_bench(bench_for(check).stem)
    plan = _plan(tmp_path, check, mode, bench)
    needed = _needs(plan)
    least = _reduced(bench, needed)
    results = _run(tmp_path / "least", _plan(tmp_path, check, mode, least), least, mode)
    assert not [one.note for one in results if "has no command" in one.note]
    if needed:
        with pytest.raises(FileProblems) as caught:
            _plan(tmp_path, check, mode, _reduced(bench, set()))
        for _, command in needed:
            assert any(f"needs {command!r} of " in one.message for one in caught.value.complaints)


def test_the_plan_names_the_line_of_the_profile(tmp_path: Path) -> None:
    """A check that needs what the instrument lacks is refused before the first byte, with both places."""
    (tmp_path / "own.yaml").write_text(
        "profile: own\nrole: signal_generator\nlike: scpi-1999\nlacks: [fm_deviation, fm_tone, fm_state]\n",
        encoding="utf-8",
    )
    text = load_bench("bench").path.read_text(encoding="utf-8")
    text = text.replace("unit: units ", f"unit: {Path('sim/units').resolve()} ")
    file = tmp_path / "bench.yaml"
    file.write_text(
        text.replace("  signal_generator:\n", "  signal_generator:\n    profile: own.yaml\n", 1),
        encoding="utf-8",
    )
    with pytest.raises(FileProblems) as caught:
        _plan(tmp_path, "sensitivity", "FM", load_bench(str(file)))
    first = caught.value.complaints[0]
    assert Path(first.file).name == "sequence.yaml"
    assert "sensitivity needs 'fm_deviation' of signal_generator (peak deviation, Hz)" in first.message
    assert f"{tmp_path / 'own.yaml'}:4:9 says that it lacks that" in first.message
    assert _plan(tmp_path, "s9_point", "FM", load_bench(str(file))).steps
