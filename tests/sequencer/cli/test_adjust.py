"""`adjust` on the command line: what it refuses, and a run with nobody at a terminal."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from sequencer.cli.main import main

BENCH = str(Path("sim/bench.yaml").resolve())


def adjust(folder: Path, *words: str, serial: str = "M40-0031") -> Result:
    """Run the command with nobody at a terminal."""
    options = ("--bench", BENCH, "--serial", serial, "--confirmed", "--folder", str(folder))
    return CliRunner().invoke(main, ["adjust", *words, *options])


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("powr",), ("PRESET: the model M40 has no preset 'powr'", "did you mean 'power'?", "m40.yaml:")),
        (("power", "power"), ("'power' is named twice",)),
        (("a/b",), ("PRESET: 'a/b' is no name", "small letters")),
        (("power", "meter"), ("PRESET: presets of the transmitter and of the receiver",)),
        (("power", "--rounds", "0"), ("--rounds",)),
    ],
)
def test_what_is_refused_names_what_was_typed(
    tmp_path: Path, words: tuple[str, ...], told: tuple[str, ...]
) -> None:
    """No complaint points into a file that is gone, none is a traceback, and each says what is allowed."""
    done = adjust(tmp_path, *words)
    assert done.exit_code == 2, done.output
    assert "Traceback" not in done.output
    assert "/adjust-" not in done.output
    for text in told:
        assert text in done.output


def test_a_serial_of_no_model_is_refused(tmp_path: Path) -> None:
    """Without a model there are no presets: the complaint lists the models there are."""
    done = adjust(tmp_path, "power", serial="ZZ-1")
    assert done.exit_code == 2
    assert "the serial 'ZZ-1' fits no model" in done.output
    assert "M40" in done.output


def test_with_nobody_there_what_was_found_is_kept(tmp_path: Path) -> None:
    """The result as found stands in the JSON with its decision; as left says that nobody turned; the bench is safe."""
    done = adjust(tmp_path, "power", "--json")
    found = json.loads(done.stdout)
    pairs = {one["stage"]: one for one in found["results"] if one["quantity"] == "carrier power"}
    assert pairs["as found"]["decision"] == "fail"
    assert pairs["as left"]["decision"] == "not measured"
    assert "nobody was there to turn it" in pairs["as left"]["note"]
    assert (found["bench_safe"], found["hazards"]) == (True, [])
    assert done.exit_code == 3
