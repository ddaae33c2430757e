"""Files that commands write: their ending decides what they are, and nothing is lost under them that was not theirs."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.reference import is_page
from sequencer.results.csv_table import ResultsTable
from sequencer.results.store.store import Store
from sequencer.run.keeping.journal import Journal
from tests.support.kept_json import write_kept
from tests.support.stored_results import RUN, a_result

_PAGES = Path(__file__).parents[2] / "sequencer" / "reference" / "pages"
ALL_ENDINGS = ("all.csv", "all.jsonl", "all.parquet", "all.xml")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A results folder with a store, a run's table and what is kept beside it."""
    made = tmp_path / "results"
    made.mkdir()
    with Store.open(made / "results.sqlite") as store:
        store.write_run(RUN)
        store.write_check("r1", 0, [a_result()], [])
        store.write_end("r1", outcome="done", bench_safe=True, bench_s=1.0)
    with ResultsTable(made / "run.csv") as table:
        table.write([a_result()])
    write_kept(made / "run.json", RUN, [(0, [a_result()], [])])
    Journal.create(made / "run.journal", power_safe=False, begins={}).close()
    return made


def _call(folder: Path, *words: str) -> Any:
    return CliRunner().invoke(main, [*words, "--folder", str(folder)])


def _files(folder: Path) -> dict[str, bytes]:
    return {one.name: one.read_bytes() for one in folder.iterdir()}


@pytest.mark.parametrize(
    ("name", "begins"),
    [("all.csv", b"time,run,"), ("all.jsonl", b'{"time"'), ("all.parquet", b"PAR1"), ("all.xml", b"<?xml")],
)
def test_the_ending_decides_the_format(folder: Path, tmp_path: Path, name: str, begins: bytes) -> None:
    """`export all.parquet` writes Parquet, not a CSV under that name (RFC 4180, Apache Parquet's magic number, XML 1.0)."""
    assert _call(folder, "export", str(tmp_path / name)).exit_code == 0
    assert (tmp_path / name).read_bytes().startswith(begins)


@pytest.mark.parametrize(
    "words",
    [
        ("export", "all.xlsx"),
        ("export", "all"),
        ("export", "all.csv", "--format", "parquet"),
        ("report", "last", "r.docx"),
        ("report", "last", "r"),
        ("report", "last", "r.csv"),
    ],
)
def test_an_ending_that_cannot_be_written_is_refused_with_those_that_can(
    folder: Path, tmp_path: Path, words: Any
) -> None:
    """Nothing is written under a name that says something else."""
    words = [
        str(tmp_path / word) if word.startswith(("all", "r.")) or word == "r" else word for word in words
    ]
    done = _call(folder, *words)
    assert done.exit_code == 2
    assert ".pdf" in done.stderr if words[0] == "report" else ".parquet (parquet)" in done.stderr
    assert [one.name for one in tmp_path.iterdir()] == ["results"]


def test_a_name_without_an_ending_takes_the_format_that_is_said(folder: Path, tmp_path: Path) -> None:
    """`--format` decides where the name does not."""
    assert _call(folder, "export", str(tmp_path / "all.txt"), "--format", "jsonl").exit_code == 0
    assert (tmp_path / "all.txt").read_bytes().startswith(b'{"time"')


@pytest.mark.parametrize("name", [*ALL_ENDINGS, "r.html", "r.pdf"])
def test_a_file_of_ones_own_is_written_over_only_when_told_to(
    folder: Path, tmp_path: Path, name: str
) -> None:
    """The second time is refused and leaves the first as it was; with --force it is written anew."""
    if name == "r.pdf":
        pytest.importorskip("weasyprint", exc_type=ImportError)
    words = ["report", "last", str(tmp_path / name)] if name[0] == "r" else ["export", str(tmp_path / name)]
    assert _call(folder, *words).exit_code == 0
    before = (tmp_path / name).stat()
    refused = _call(folder, *words)
    assert (refused.exit_code, "--force writes over it" in refused.stderr) == (2, True)
    assert (tmp_path / name).stat().st_ino == before.st_ino
    assert _call(folder, *words, "--force").exit_code == 0
    assert (tmp_path / name).stat().st_ino != before.st_ino


@pytest.mark.parametrize("forced", [(), ("--force",)])
@pytest.mark.parametrize(
    "name",
    ["results.sqlite", "results.sqlite-wal", "link.csv", "hard.csv", "run.csv", "run.json", "run.journal"],
)
@pytest.mark.parametrize("command", [("export", "csv"), ("export", "jsonl"), ("report", "")])
def test_what_a_run_left_is_never_written_over(
    folder: Path, command: Any, name: str, forced: tuple[str, ...]
) -> None:
    """The store under any name or link, its write-ahead log, a run's table, a kept run: untouched, also with --force."""
    (folder / "link.csv").symlink_to("results.sqlite")
    os.link(folder / "results.sqlite", folder / "hard.csv")
    before = _files(folder)
    verb, kind = command
    words = (
        ("export", str(folder / name), "--format", kind)
        if verb == "export"
        else ("report", "last", str(folder / name))
    )
    done = _call(folder, *words, *forced)
    assert done.exit_code == 2
    assert "nothing was written" in done.stderr
    assert _files(folder) == before


@pytest.mark.parametrize(
    "name", ["notes.csv", "notes.jsonl", "notes.parquet", "notes.xml", "notes.html", "notes.pdf"]
)
def test_somebody_else_s_file_is_never_written_over(folder: Path, tmp_path: Path, name: str) -> None:
    """A file of the same ending that is no export and no report stays, also with --force."""
    file = tmp_path / name
    file.write_bytes(b"<!doctype html>,time,run\n%PDF- PAR1")
    words = ["export", str(file)] if file.suffix not in (".html", ".pdf") else ["report", "last", str(file)]
    done = _call(folder, *words, "--force")
    assert (done.exit_code, "is not a" in done.stderr) == (2, True)
    assert file.read_bytes() == b"<!doctype html>,time,run\n%PDF- PAR1"


def test_a_bench_file_that_is_there_is_not_written_over(tmp_path: Path) -> None:
    """`simulate --write-bench` onto a bench file of one's own leaves it and says so."""
    mine = tmp_path / "mine.yaml"
    mine.write_text("bench: mine\n", encoding="utf-8")
    done = CliRunner().invoke(main, ["simulate", "--bench", "bench", "--write-bench", str(mine)])
    assert (done.exit_code, "there is a file of this name already" in done.stderr) == (2, True)
    assert mine.read_text(encoding="utf-8") == "bench: mine\n"


def _into(folder: Path, command: str, *more: str) -> Any:
    return CliRunner().invoke(main, [command, "--into", str(folder), *more])


@pytest.mark.parametrize("forced", [(), ("--force",)])
@pytest.mark.parametrize(
    ("command", "names"),
    [
        ("schema", ("bench.schema.json", "plan.schema.json")),
        ("reference", ("checks.md", "first-bench.md", "bench-wiring.svg", "report.png")),
    ],
)
def test_a_folder_keeps_what_the_command_did_not_write(
    tmp_path: Path, command: str, names: tuple[str, ...], forced: tuple[str, ...]
) -> None:
    """`--into` names every file in its way at once and writes nothing at all, also with --force."""
    for name in names:
        (tmp_path / name).write_bytes(b'{"title": "mine"}\n# Checks\n')
    before = _files(tmp_path)
    done = _into(tmp_path, command, *forced)
    assert done.exit_code == 2
    assert all(f"{tmp_path / name}: what stands here is not a" in done.stderr for name in names)
    assert _files(tmp_path) == before


@pytest.mark.parametrize(("command", "name"), [("schema", "bench.schema.json"), ("reference", "checks.md")])
def test_a_folder_s_own_files_are_written_over_only_when_told_to(
    tmp_path: Path, command: str, name: str
) -> None:
    """What is the same already stays; what was changed since is refused by name, and written anew with --force."""
    assert _into(tmp_path, command).exit_code == 0
    first = _files(tmp_path)
    assert _into(tmp_path, command).exit_code == 0, "the same again is no loss"
    changed = first[name].replace(b"check", b"CHECK")
    (tmp_path / name).write_bytes(changed)
    done = _into(tmp_path, command)
    assert (done.exit_code, f"{tmp_path / name}: there is" in done.stderr, done.stderr.count("--force")) == (
        2,
        True,
        1,
    )
    assert (tmp_path / name).read_bytes() == changed
    assert _into(tmp_path, command, "--force").exit_code == 0
    assert _files(tmp_path) == first


def test_every_page_and_picture_carries_the_mark_of_the_reference() -> None:
    """Without it `--force` could not tell a page of ours from somebody else's file."""
    for page in _PAGES.iterdir():
        assert is_page(page), page


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("last",), ("FILE: the report's file is missing after last", "last report.html")),
        (("20270101T000000-abcdef",), ("FILE: the report's file is missing", ".pdf")),
        (("r.html",), ("RUN: which run the report r.html is of is missing", "last report.html")),
        (("last", "reprot"), ("reprot: its name does not end as a report's", ".html")),
    ],
)
def test_a_report_says_which_of_its_words_is_missing(folder: Path, words: Any, said: Any) -> None:
    """Of RUN and FILE the one that is missing is named, whichever was given."""
    done = _call(folder, "report", *words)
    assert done.exit_code == 2
    assert all(one in done.stderr for one in said), done.stderr


_WRITERS = ["all.csv", "all.jsonl", "all.parquet", "all.xml", "r.html", "r.pdf"]


@pytest.mark.parametrize("forced", [False, True])
@pytest.mark.parametrize("name", _WRITERS)
def test_a_file_that_comes_while_one_is_written_stays(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, forced: bool
) -> None:
    """Somebody else's file that appears at the last moment before ours takes its name is neither lost nor changed.

    With --force only the file that was looked at may be written over, not another that has taken its place since.
    """
    if name == "r.pdf":
        pytest.importorskip("weasyprint", exc_type=ImportError)
    target = tmp_path / name
    words = ["report", "last", str(target)] if name[0] == "r" else ["export", str(target)]
    if forced:
        assert _call(folder, *words).exit_code == 0
    fsync = os.fsync

    def meanwhile(descriptor: int) -> None:
        target.unlink(missing_ok=True)
        target.write_bytes(b"theirs")
        fsync(descriptor)

    monkeypatch.setattr(os, "fsync", meanwhile)
    done = _call(folder, *words, *(["--force"] if forced else []))
    assert (done.exit_code, "another file has appeared under this name" in done.stderr) == (2, True)
    assert {one.name: one.read_bytes() for one in tmp_path.iterdir() if one.is_file()} == {name: b"theirs"}


@pytest.mark.parametrize("name", _WRITERS)
def test_without_links_nothing_is_lost_either(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """On a file system without hard links (FAT) the same holds: written whole where nothing stands, refused where something has come."""
    if name == "r.pdf":
        pytest.importorskip("weasyprint", exc_type=ImportError)
    target = tmp_path / name
    words = ["report", "last", str(target)] if name[0] == "r" else ["export", str(target)]

    def no_links(*_: Any) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    assert _call(folder, *words).exit_code == 0
    assert target.stat().st_size > 100
    target.unlink()
    fsync = os.fsync

    def meanwhile(descriptor: int) -> None:
        if not target.exists():
            target.write_bytes(b"theirs")
        fsync(descriptor)

    monkeypatch.setattr(os, "fsync", meanwhile)
    assert _call(folder, *words).exit_code == 2
    assert target.read_bytes() == b"theirs"
