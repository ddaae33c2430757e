"""Text of a user, a scanner or an instrument on every way out: it is shown as text, and is nothing else anywhere.

One run with hostile words in every place that takes free text (names of sequence and bench, what is confirmed, model, title, customer), on
instruments that answer with escape sequences; then each command that shows or writes results. What each way out must never
carry: a control character on a screen or in a table (ECMA-48), a cell that a spreadsheet takes for a formula (CWE-1236), markup that
a browser acts on (HTML, CWE-79), a command on the wire (IEEE 488.2 program messages), a file outside its folder (CWE-22).
"""

from __future__ import annotations

import csv
import json
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
import yaml
from click.testing import CliRunner
from sqlalchemy import create_engine, text
from typing_extensions import override

from sequencer.cli.main import main
from sim.instruments.power_meter import PowerMeter

TOP = Path(__file__).parents[2]
WORDS = (
    "=HYPERLINK(1)",
    "<script>alert(1)</script>",
    "[bold red]x[/bold red]",
    ":bell:",
    "{{ 7 * 7 }}",
    "'; DROP TABLE run;--",
    ":OUTP ON;*RST",
    "../../gone",
    "@SUM(A1)",
    "%s%n",
)
HOSTILE = " ".join(WORDS)
ESCAPES = "\x1b]0;owned\x07\x1b[2J"


class Ways:
    """A results folder that one hostile run has filled, and what each command says of it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.results = folder / "inner" / "results"
        _write(folder)

    def say(self, *words: str) -> str:
        """Run a command; return all that it says."""
        ran = CliRunner().invoke(main, [*words, "--folder", str(self.results)], catch_exceptions=False)
        assert ran.exit_code in (0, 1, 3), ran.output
        return ran.stdout + ran.stderr

    def run(self) -> str:
        """Run the sequence; return all that it says."""
        unit = ("--serial", "M40-0007", "--model", WORDS[0], "--confirmed", "--batch", "hostile")
        return self.say(
            "run", str(self.folder / "sequence.yaml"), "--bench", str(self.folder / "bench.yaml"), *unit
        )


def _write(folder: Path) -> None:
    """Write bench and sequence."""
    (folder / "inner").mkdir()
    bench = yaml.safe_load((TOP / "sim" / "bench.yaml").read_text(encoding="utf-8"))
    bench |= {"bench": HOSTILE[:100], "unit": str(TOP / "sim" / "units")}
    (folder / "bench.yaml").write_text(yaml.safe_dump(bench, allow_unicode=True), encoding="utf-8")
    sequence = {
        "sequence": HOSTILE[:100],
        "channels": "cept-40",
        "supply": "13.2 V",
        "prepare": [{"confirm": HOSTILE}],
        "checks": [
            {"check": "carrier_power", "channel": 20, "limit": {"max": "3 W"}},
            {"check": "frequency_error", "channel": 20, "limit": {"within": "600 Hz"}},
        ],
    }
    (folder / "sequence.yaml").write_text(yaml.safe_dump(sequence, allow_unicode=True), encoding="utf-8")


@pytest.fixture(scope="module")
def ways(tmp_path_factory: pytest.TempPathFactory) -> Ways:
    """Run it once."""
    folder = tmp_path_factory.mktemp("hostile")
    found = Ways(folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(PowerMeter, "identity", ("=1+1", "<script>alert(2)</script>", "[blink]7[/]", "../../x"))
        said = found.run()
    assert "1 of 2 limits not met" in said
    (folder / "said.txt").write_text(said, encoding="utf-8")
    return found


SCREENS = (
    ("results",),
    ("results", "last", "--all"),
    ("trace", "last"),
    ("history", "--serial", "M40-0007"),
    ("results", "last", "--budget"),
    ("batch", "hostile"),
    ("batch",),
)


def test_no_screen_carries_a_control_character_or_loses_a_word(ways: Ways) -> None:
    """An escape sequence of an instrument is spelt out; words in brackets or between colons are not ours to read."""
    said = {words: ways.say(*words) for words in SCREENS}
    said["run",] = (ways.folder / "said.txt").read_text(encoding="utf-8")
    for words, shown in said.items():
        wrong = [c for c in shown if not c.isprintable() and c not in "\n\t"]
        assert wrong == [], (words, wrong)
    assert "[bold red]x[/bold red] :bell:" in " ".join(said["run",].split())


def test_an_instrument_that_answers_with_escape_sequences_moves_no_cursor(tmp_path: Path) -> None:
    """It is refused with its bytes spelt out, on the screen and in what is kept."""
    ways = Ways(tmp_path)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(PowerMeter, "identity", (f"Maker{ESCAPES}", "PM-1", "7", "1"))
        said = ways.run()
    assert "\\x1b]0;owned" in said
    assert [c for c in said if not c.isprintable() and c != "\n"] == []
    for words in SCREENS[1:3]:
        assert "\x1b" not in ways.say(*words)


def test_no_cell_is_a_formula(ways: Ways) -> None:
    """Neither in the run's table nor in an export: no text begins with what a spreadsheet computes."""
    table = next(ways.results.glob("*.csv"))
    ways.say("export", str(ways.folder / "all.csv"))
    for path in (table, ways.folder / "all.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.reader(file))
        cells = [cell for row in rows for cell in row]
        assert any("=HYPERLINK" in cell for cell in cells), path
        for cell in cells:
            assert not cell.startswith(("=", "@", "\t", "\r")), cell
            assert not cell.startswith(("+", "-")) or _is_number(cell), cell
            assert cell.isprintable(), cell


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


class Tags(HTMLParser):
    """The tags of a page, and the text outside them, as a browser's parser sees it."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.texts: list[str] = []
        self.feed(page)

    @override
    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        assert not any(name.startswith("on") for name, _ in attrs), attrs

    @override
    def handle_data(self, data: str) -> None:
        self.texts.append(data)


@pytest.mark.parametrize(
    "words",
    [
        ("--title", HOSTILE),
        ("--sheet", "--customer", HOSTILE[:110], "--job", WORDS[0], "--technician", WORDS[1]),
    ],
)
def test_no_page_acts_on_it(ways: Ways, words: tuple[str, ...]) -> None:
    """Report and sheet hold the words as text; no script, and nothing worked out of a template's braces."""
    page = ways.folder / f"report{len(words)}.html"
    said = ways.say("report", "last", str(page), "--force", *words)
    assert page.exists(), said
    tags = Tags(page.read_text(encoding="utf-8"))
    assert "script" not in tags.tags
    shown = " ".join(tags.texts)
    assert "<script>alert(1)</script>" in shown
    assert "{{ 7 * 7 }}" in shown
    assert "\x1b" not in shown


def test_what_programs_read_stays_whole(ways: Ways) -> None:
    """JSON and JUnit parse, and give the words back as they were typed; the store's tables are all there."""
    run = json.loads(ways.say("results", "last", "--json"))
    assert HOSTILE in json.dumps(run, ensure_ascii=False)
    ways.say("export", str(ways.folder / "all.xml"))
    ElementTree.parse(ways.folder / "all.xml")
    ways.say("export", str(ways.folder / "all.jsonl"))
    lines = (ways.folder / "all.jsonl").read_text(encoding="utf-8").splitlines()
    assert [json.loads(line)["serial"] for line in lines] == ["M40-0007"] * len(lines)
    engine = create_engine(f"sqlite:///{ways.results / 'results.sqlite'}")
    with engine.connect() as connection:
        tables = {
            row[0] for row in connection.execute(text("select name from sqlite_master where type = 'table'"))
        }
        assert {"run", "result"} <= tables
    engine.dispose()


def test_no_word_of_it_is_a_command_on_the_wire(ways: Ways) -> None:
    """Of all that was sent, nothing holds a word of the files or of the command line."""
    said = map(json.loads, ways.say("trace", "last", "--json").splitlines())
    messages = [one["content"] for one in said if one["direction"] == "sent"]
    assert len(messages) > 30
    for message in messages:
        assert not any(word in message for word in WORDS), message


def test_no_file_stands_outside_its_folder(ways: Ways) -> None:
    """A path in a name is no path: all that was written stands in the results folder, or where the command line said."""
    asked = {
        "bench.yaml",
        "sequence.yaml",
        "said.txt",
        "all.csv",
        "all.xml",
        "all.jsonl",
        "report2.html",
        "report7.html",
    }
    for path in ways.folder.rglob("*"):
        assert path.is_dir() or path.parent == ways.results or path.name in asked, path
    assert not (ways.folder.parent / "gone").exists()
