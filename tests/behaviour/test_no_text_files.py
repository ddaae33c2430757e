"""What is no text under the name of a file that a person writes: where, what, what is allowed and what next are said; nothing hangs."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.inputs.load_bench import load_bench

BENCH = load_bench("bench").path
SEQUENCE = Path(__file__).parents[1] / "data" / "whole-sequence.yaml"
DRY = ("--dry-run", "--confirmed", "--folder", "kept")

CONTENTS: dict[str, tuple[bytes, str]] = {
    "a PDF": (b"%PDF-1.4\n1 0 obj\n<< /Type /Catalog >>\nendobj\n", "this is a PDF document"),
    "a spreadsheet": (b"PK\x03\x04\x14\0\x06\0\x08\0" + bytes(range(256)), "this is a ZIP archive"),
    "a picture": (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "this is a picture"),
    "a web page": (b"<!DOCTYPE html>\n<html><body>404: not found</body></html>\n", "this is a web page"),
    "bytes": (bytes(range(256)) * 20, "not UTF-8 text|this is no text|is not a complete JSON file"),
    "nothing": (b"", "the file is empty|the list is empty|is not a complete JSON file"),
}
"""Content, and what is said of it: of YAML, of a list, of a kept run."""
ABOUT_THE_NAME = {
    "a directory": "directory",
    "a pipe": "but a pipe",
    "a device": "but a device|cannot stand in a file's name",
    "a name too long": "no such|cannot be read|no file|too long|at most",
    "a terabyte": "too many|too large",
}


def _yaml(name: str) -> str:
    return f'"{name}"'


def _sequence(name: str) -> str:
    text = SEQUENCE.read_text("utf-8").replace("channels: plans/cept-40.yaml", f"channels: {_yaml(name)}")
    Path("with-plan.yaml").write_text(text, "utf-8")
    return "with-plan.yaml"


def _limits(name: str) -> str:
    text = SEQUENCE.read_text("utf-8")
    step = f"{{check: adjacent_channel_power, channel: 20, drive: 10 mV, limits_from: {{file: {_yaml(name)}, row: x}}}}"
    Path("with-limits.yaml").write_text(text[: text.index("checks:")] + f"checks:\n  - {step}\n", "utf-8")
    return "with-limits.yaml"


def _bench(old: str, new: str) -> str:
    text = BENCH.read_text("utf-8")
    changed = re.sub(old, lambda _: new, text, count=1)
    assert changed != text
    Path("with-file.yaml").write_text(changed, "utf-8")
    return "with-file.yaml"


def _list(name: str) -> str:
    Path("list.csv").write_text(f"bench,sequence,serial\n{_yaml(name)},quick-check,M40-0007\n", "utf-8")
    return "list.csv"


PLACES: dict[str, Callable[[str], list[str]]] = {
    "sequence": lambda name: ["validate", name, "--bench", "bench"],
    "bench": lambda name: ["validate", "quick-check", "--bench", name],
    "model": lambda name: ["validate", "quick-check", "--bench", "bench", "--model", name],
    "plan": lambda name: ["validate", _sequence(name), "--bench", "bench"],
    "limits": lambda name: ["validate", _limits(name), "--bench", "spectrum-bench"],
    "loss table": lambda name: [
        "validate", "quick-check", "--bench", _bench(r"(?<=receive: \{loss: )\{[^}]*\}", _yaml(name)),
    ],
    "profile": lambda name: [
        "validate", "quick-check", "--bench", _bench(r"(?<=signal_generator:\n)", f"    profile: {_yaml(name)}\n"),
    ],
    "list of units": lambda name: ["run", "quick-check", "--bench", "bench", "--units", name, *DRY],
    "list of benches": lambda name: ["benches", name, *DRY],
    "bench of a list": lambda name: ["benches", _list(name), *DRY],
    "batch": lambda name: ["run", "quick-check", "--bench", "bench", "--serial", "M40-0007", "--batch", name, *DRY],
    "gauge study": lambda name: ["gauge", name, "--bench", "bench", "--unasked", *DRY],
    "kept run": lambda name: ["import-kept", name, "--folder", "kept"],
    "channel plan": lambda name: ["channels", name, "--like", "like.csv", "--into", "out.csv"],
    "exported list": lambda name: ["channels", "cept-40", "--like", name, "--into", "out.csv"],
    "addresses": lambda name: [
        "run", "quick-check", "--bench", "bench", "--serial", "M40-0007", "--notify-file", name, *DRY,
    ],
}  # fmt: skip
"""Where a command or another file names a file that a person wrote."""


def _refused(arguments: list[str], said: str) -> None:
    result = CliRunner().invoke(main, arguments)
    assert isinstance(result.exception, SystemExit), result.exception
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    assert re.search(said, result.stderr), result.stderr
    assert re.search("allowed: |Try 'main", result.stderr), result.stderr
    assert not Path("kept").exists()
    assert not Path("out.csv").exists()


@pytest.mark.parametrize("place", PLACES)
def test_what_holds_no_text_is_said_to_be_that(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A PDF, a spreadsheet, a picture, a server's page, bytes and nothing, under the name of each file that a person writes."""
    monkeypatch.chdir(tmp_path)
    for number, (content, of_yaml) in enumerate(CONTENTS.values()):
        said = {"kept run": "is not a complete JSON file", "addresses": "allowed: an address"}.get(
            place, of_yaml
        )
        file = Path(f"{number}.yaml")
        file.write_bytes(content)
        file.chmod(0o600)
        _refused(PLACES[place](str(file)), said)


@pytest.mark.parametrize("place", PLACES)
def test_what_is_no_ordinary_file_is_not_opened(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A directory, a pipe, a device, a name that no file can have, and a file that is far too long."""
    monkeypatch.chdir(tmp_path)
    Path("folder.yaml").mkdir()
    os.mkfifo("pipe.yaml")
    with Path("large.yaml").open("wb") as file:
        file.truncate(1 << 40)
    Path("large.yaml").chmod(0o600)
    names = ("folder.yaml", "pipe.yaml", "/dev/zero", "x" * 300 + ".yaml", "large.yaml")
    for name, said in zip(names, ABOUT_THE_NAME.values(), strict=True):
        _refused(PLACES[place](name), said)
