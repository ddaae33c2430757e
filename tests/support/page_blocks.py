"""The project's pages as a test reads them: fenced blocks with their language and place, links, and commands."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import click

from sequencer.cli.main import main

TOP = Path(__file__).parents[2]
FOLDER = TOP / "sequencer" / "reference" / "pages"
PAGES = {path.name: path for path in (TOP / "README.md", TOP / "DEVELOPERS.md", *sorted(FOLDER.glob("*.md")))}
"""Every page by its file's name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """A fenced block: ``name`` is the file that its first line names (`# bench.yaml`), if it names one."""

    language: str
    text: str
    line: int

    @property
    def name(self) -> str:
        """The file that the first line names; empty where none is named."""
        match = re.match(r"# ([\w./-]+\.(?:yaml|toml|py))\n", self.text)
        return match[1] if match else ""


def blocks_of(page: Path) -> list[Block]:
    """Return the fenced blocks of a page, in order."""
    text = page.read_text(encoding="utf-8")
    return [
        Block(language=match[1], text=match[2], line=text.count("\n", 0, match.start()) + 1)
        for match in re.finditer(r"^```(\w*)\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    ]


def commands_of(block: Block) -> Iterator[tuple[list[str], int]]:
    """Yield the words of each `sequencer` command of a block, and the exit status that a comment behind it promises."""
    for line in block.text.splitlines():
        for part in line.split("&&"):
            words = shlex.split(part, comments=True)
            if words and words[0].rpartition("/")[2] == "sequencer":
                promised = re.search(r"#.*\bexit status (\d)", part)
                yield words[1:], int(promised[1]) if promised else 0


def links_of(page: Path) -> list[str]:
    """Return where a page's links and pictures lead, code left out."""
    text = re.sub(
        r"^```.*?^```$|`[^`\n]*`", "", page.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL
    )
    return re.findall(r"\]\(([^)\s]+)\)", text)


def anchors_of(page: Path) -> set[str]:
    """Return the addresses of a page's headings, as the usual readers of Markdown make them."""
    headings = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", one.lower()).replace(" ", "-") for one in headings}


def inline_commands_of(page: Path) -> list[list[str]]:
    """Return the words of each command between backticks within the text."""
    text = re.sub(r"^```.*?^```$", "", page.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
    found = re.findall(r"`sequencer ([^`]+)`", text)
    return [shlex.split(one.replace("\n", " ")) for one in found]


def parse_command(words: list[str]) -> dict[str, object]:
    """Return the options that the command line makes of ``words``. Raises click's usage errors; `--help` gives nothing."""
    if words[0].startswith("-"):
        assert words[0] in ("--help", "-h", "--version"), words
        return {}
    command = main.get_command(click.Context(main), words[0])
    assert command is not None, f"there is no command {words[0]!r}"
    if isinstance(command, click.Group) and len(words) > 1 and not words[1].startswith("-"):
        inner = command.get_command(click.Context(command), words[1])
        assert inner is not None, f"there is no command {words[0]} {words[1]}"
        command, words = inner, words[1:]
    try:
        return command.make_context(words[0], words[1:]).params
    except click.exceptions.Exit:
        return {}
