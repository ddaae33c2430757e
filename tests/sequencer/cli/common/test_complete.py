"""Completion as a shell asks for it: by the environment, in a process of its own, with the word as typed so far."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.shell_completion import ShellComplete

from sequencer.cli.main import main
from sequencer.files.shipped import shipped_names

TOP = Path(__file__).parents[4]


def _offered(words: list[str], typed: str) -> list[tuple[str, str]]:
    shell = ShellComplete(main, {}, "sequencer", "_SEQUENCER_COMPLETE")
    return [(item.type, item.value) for item in shell.get_completions(words, typed)]


@pytest.mark.parametrize("command", ["run", "validate"])
def test_shipped_sequences_are_offered(command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All of them at first, those that begin so once something is typed, each without its ending, as commands take it."""
    monkeypatch.chdir(tmp_path)
    every = [("plain", name.removesuffix(".yaml")) for name in shipped_names("sequence")]
    assert len(every) > 3
    assert _offered([command], "") == every
    assert _offered([command], "fm-mob") == [("plain", "fm-mobile-acceptance")]


@pytest.mark.parametrize(
    "command", [["run", "quick-check"], ["validate", "quick-check"], ["identify"], ["simulate"]]
)
def test_shipped_benches_are_offered(
    command: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After --bench, in every command that has it."""
    monkeypatch.chdir(tmp_path)
    assert ("plain", "bench") in _offered([*command, "--bench"], "")
    assert _offered([*command, "--bench"], "two") == [("plain", "two-signal-bench")]


def test_own_files_are_offered_beside_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """YAML files of the current folder; elsewhere, and where nothing fits, the shell completes paths."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "fm-own.yaml").touch()
    (tmp_path / "fm-notes.txt").touch()
    assert _offered(["run"], "fm-") == [("plain", "fm-mobile-acceptance"), ("plain", "fm-own.yaml")]
    assert _offered(["run"], "other/") == [("file", "other/")]
    assert _offered(["run"], "zz") == [("file", "zz")]


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash to complete in")
def test_bash_asks_and_is_answered(tmp_path: Path) -> None:
    """The line that the page gives for .bashrc defines a function, and calling that gets the names (click's own mechanism)."""
    environment = {**os.environ, "PYTHONPATH": str(TOP)}
    script = subprocess.run(
        [sys.executable, "-c", "from sequencer.cli.main import main; main(prog_name='sequencer')"],
        env={**environment, "_SEQUENCER_COMPLETE": "bash_source"},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
        cwd=tmp_path,
    ).stdout
    assert "complete -o nosort -F _sequencer_completion sequencer" in script
    asked = (
        "COMP_WORDS=(sequencer run fm-mob)\nCOMP_CWORD=2\n"
        "_sequencer_completion sequencer\nprintf '%s\\n' \"${COMPREPLY[@]}\"\n"
    )
    path = tmp_path / "bin"
    path.mkdir()
    (path / "sequencer").write_text(
        f"#!/bin/sh\nexec '{sys.executable}' -c \"from sequencer.cli.main import main; main(prog_name='sequencer')\"\n"
    )
    (path / "sequencer").chmod(0o755)
    done = subprocess.run(
        ["bash", "-c", script + asked],
        env={**environment, "PATH": f"{path}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
        cwd=tmp_path,
    )
    assert done.stdout.split() == ["fm-mobile-acceptance"], done.stderr
