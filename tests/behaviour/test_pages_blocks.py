"""What the README and the pages show is what the project does: files are read, commands run, examples executed.

A block whose first line names a file (`# bench.yaml`) becomes that file in a folder of the page's own; then the page's Python
is executed, its packages are installed, and its commands are run there, in order. A command that would go to real instruments, or
that needs a person, is held against the command line's own options and not run. Outside the project: PyYAML reads the blocks, pip
builds the packages.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import click
import pytest
import yaml
from click.testing import CliRunner

from sequencer.checks import SHIPPED
from sequencer.cli.main import main
from sequencer.inputs.batch import load_batch
from sequencer.inputs.gauge_file import load_gauge
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.loading.model_file import Wanted, load_model
from sequencer.reference import WRITTEN
from sequencer.reference.examples import HEAD
from tests.support.page_blocks import (
    FOLDER,
    PAGES,
    TOP,
    Block,
    blocks_of,
    commands_of,
    inline_commands_of,
    parse_command,
)

TRIED = ("README.md", *(f"{name}.md" for name in WRITTEN))
OTHERS = ("python3", ".venv/bin/pip", ".venv/bin/python", "eval", "export", "_SEQUENCER_COMPLETE=fish_source")
"""What a command line may begin with that is not ours: Python itself, and the shell's own words."""
LANGUAGES = {"sh", "yaml", "python", "toml", "text", "csv", "ini"}
DRIVERS = {"profile", "operator", "text"}


def _environment(site: Path) -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": os.pathsep.join([str(site), str(TOP)]), "NO_COLOR": "1"}


def _process(folder: Path, site: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=folder,
        env=_environment(site),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )


def _lay_out(blocks: list[Block], folder: Path) -> None:
    for block in blocks:
        if block.name:
            file = folder / block.name
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(block.text, encoding="utf-8")


def _install(folder: Path, site: Path) -> None:
    """Install the page's package as pip does, from its own pyproject, without the network."""
    how = ["--quiet", "--no-deps", "--no-index", "--no-build-isolation", "--target", str(site)]
    done = _process(folder, site, "-m", "pip", "install", *how, ".")
    assert done.returncode == 0, done.stdout + done.stderr


def _can_be_run(options: dict[str, Any], words: list[str]) -> bool:
    """Say whether a command stays within the simulation, ends by itself, and asks nobody."""
    if (
        words[0] in ("simulate", "watch", "jobs", "worker")  # the latter two need a server: test_jobs.py
        or any(re.fullmatch(r"[A-Z]{3,}", word) for word in words)
        or "--store" in words
    ):
        return False
    bench = options.get("bench_name")
    if bench is None or words[0] in ("validate", "replay") or options.get("dry_run"):
        return True
    text = Path(bench).read_text(encoding="utf-8") if Path(bench).is_file() else ""
    return "visa: sim" in text or (not text and load_bench(bench).bench.simulated and "manual" not in bench)


@pytest.mark.slow
@pytest.mark.parametrize("page", TRIED)
def test_what_a_page_shows_runs(page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Files are laid out as named, Python runs, packages install, and each command ends with the status that stands behind it."""
    blocks = blocks_of(PAGES[page])
    monkeypatch.chdir(tmp_path)
    _lay_out(blocks, tmp_path)
    site = tmp_path / "site"
    script = "".join(block.text for block in blocks if block.language == "python" and not block.name)
    if script:
        (tmp_path / "script.py").write_text(script, encoding="utf-8")
        done = _process(tmp_path, site, "script.py")
        assert done.returncode == 0, done.stderr
    packaged = (tmp_path / "pyproject.toml").is_file()
    if packaged:
        _install(tmp_path, site)
    for block in blocks:
        for words, status in commands_of(block) if block.language == "sh" else ():
            if not _can_be_run(parse_command(words), words):
                continue
            if packaged:
                ran = _process(tmp_path, site, "-P", "-m", "sequencer", *words)
                assert ran.returncode == status, (words, ran.stdout, ran.stderr)
            elif words[:2] == ["run", "sequences/fm-mobile-acceptance.yaml"]:
                assert CliRunner().invoke(main, words).exit_code == 0  # found by name from anywhere
            else:
                done_here = CliRunner().invoke(main, words)
                assert done_here.exit_code == status, (words, done_here.output)


@pytest.mark.parametrize("page", PAGES)
def test_every_command_exists_with_its_options(page: str) -> None:
    """In blocks and within the text, every command is one of ours with options it has, or one of a few others."""
    for block in blocks_of(PAGES[page]):
        assert block.language in LANGUAGES | {""}, (page, block.line)
        if block.language == "sh":
            for line in block.text.splitlines():
                assert line.split()[0].rpartition("/")[2] == "sequencer" or line.startswith(OTHERS), (
                    page,
                    line,
                )
            for words, _ in commands_of(block):
                parse_command(words)
    for words in inline_commands_of(PAGES[page]):
        try:
            parse_command([word for word in words if word != "…"])
        except click.UsageError as error:  # "sequencer validate" within a sentence needs no argument
            if not (isinstance(error, click.MissingParameter) or error.message.startswith("Missing ")):
                raise


@pytest.mark.parametrize("page", TRIED)
def test_every_yaml_block_is_a_file_or_a_piece_of_one(
    page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sequences, benches and pieces of them are read by the engine without a complaint; a profile is a file that a bench names."""
    monkeypatch.chdir(tmp_path)
    blocks = [block for block in blocks_of(PAGES[page]) if block.language == "yaml"]
    _lay_out(blocks, tmp_path)
    for number, block in enumerate(blocks):
        file = tmp_path / (block.name or f"block-{number}.yaml")
        file.write_text(block.text, encoding="utf-8")
        _read(yaml.safe_load(block.text), block, file)


def _read(content: Any, block: Block, file: Path) -> None:
    if isinstance(content, list):
        if {item["check"] for item in content} <= set(SHIPPED):
            file.write_text(
                HEAD + "".join(f"  {line}\n" for line in block.text.splitlines()), encoding="utf-8"
            )
            assert load_sequence(str(file)).sequence.checks
    elif "batch" in content:
        assert load_batch(file).file.sequence
    elif "gauge" in content:
        assert load_gauge(file).file.units
    elif "serials" in content:
        assert load_model(file).plan is not None
    elif "sequence" in content:
        if {item["check"] for item in content["checks"]} <= set(SHIPPED):  # else the page's package brings it
            models = [one.stem for one in file.parent.glob("models/*.yaml")]
            assert load_sequence(str(file), Wanted(name=models[0]) if models else None).sequence.checks
    elif "profile" in content:
        assert block.name, "a profile that no bench file can name"
    elif {entry.get("driver", "profile") for entry in content.get("instruments", {}).values()} <= DRIVERS:
        _read_bench(content, block, file)


def _read_bench(content: dict[str, Any], block: Block, file: Path) -> None:
    if "bench" not in content:
        whole = yaml.safe_load((TOP / "sim" / "bench.yaml").read_text(encoding="utf-8"))
        whole["unit"] = str(TOP / "sim" / "units")
        for key, entries in content.items():
            whole[key] = {**whole.get(key, {}), **entries}
        file.write_text(yaml.safe_dump(whole, allow_unicode=True), encoding="utf-8")
        _write_losses(content, file)
    assert load_bench(str(file)).bench.instruments


def _write_losses(content: dict[str, Any], file: Path) -> None:
    """Measure the loss table that a piece of a bench file names, on the simulated bench."""
    named = [one["loss"] for one in content.get("paths", {}).values() if isinstance(one.get("loss"), str)]
    for name in named:
        bench = yaml.safe_load((TOP / "sim" / "bench.yaml").read_text(encoding="utf-8"))
        bench["unit"] = str(TOP / "sim" / "units")
        (file.parent / "plain-bench.yaml").write_text(yaml.safe_dump(bench), encoding="utf-8")
        text = f"sequence: Loss\nmode: FM\nchecks: [{{check: path_loss, of: receive, frequencies: [27 MHz], file: {name}}}]\n"
        (file.parent / "loss.yaml").write_text(text, encoding="utf-8")
        words = ["run", "loss.yaml", "--bench", "plain-bench.yaml", "--serial", "M40-0007", "--confirmed"]
        done = CliRunner().invoke(main, words)
        assert done.exit_code == 0, done.output
        (written,) = (file.parent / name).parent.glob("*-simulated.yaml")
        written.rename(file.parent / name)


def test_the_pages_tried_are_all_there_are() -> None:
    """Every page that a person wrote is tried here; those made from the code have tests of their own."""
    assert set(TRIED) | {"DEVELOPERS.md", "checks.md", "roles.md", "profiles.md"} == set(PAGES)
    assert {path.name for path in FOLDER.glob("*.md")} <= set(PAGES)
