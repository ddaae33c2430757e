"""The README is true: its links lead somewhere, its sample is what the command prints, its specimens do what its table says.

Also the links of every other page, and the pictures' size.
"""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner

from drivers.link.error_map import EXCEPTION_ROWS
from sequencer.cli.main import main
from sequencer.search.protocol import Status
from tests.support.page_blocks import FOLDER, PAGES, TOP, anchors_of, blocks_of, commands_of, links_of

README = TOP / "README.md"
TURNED = {"set-up-fm-mobile"}
"""Sequences in which a person turns presets: a simulated one does in test_set_up.py."""
UNMEASURABLE = {
    "M40-0017": "its receiver drops out, now and then while something is searched",
    "V5-0303": "its loudspeaker distorts, and the search proves no crossing of 12 dB SINAD",
}
"""Specimens whose fault may keep something from being measured, and why."""
TIME = re.compile(r"20\d{6}T\d{6}(\+\d{4}|-[0-9a-f]{6})?")


@pytest.mark.parametrize("page", [*PAGES, "CHANGELOG.md"])
def test_every_relative_link_leads_to_a_file_and_a_heading(page: str) -> None:
    """No link of any page is dead; those into the network are not tried."""
    path = PAGES.get(page, TOP / page)
    for link in links_of(path):
        if link.startswith(("http://", "https://")):
            continue
        name, _, anchor = link.partition("#")
        target = (path.parent / name) if name else path
        assert target.is_file(), f"{page}: {link}"
        assert not anchor or anchor in anchors_of(target), f"{page}: {link}"


def test_the_sample_is_what_the_command_prints(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Word for word, but for the time and the run's name; the command is the one under `Run it`."""
    run, sample = blocks_of(README)[:2]
    ((words, _),) = commands_of(run)
    monkeypatch.chdir(tmp_path)
    printed = CliRunner(env={"COLUMNS": "92", "NO_COLOR": "1"}).invoke(main, words)
    assert printed.exit_code == 0

    def plain(text: str) -> list[str]:
        return [TIME.sub("TIME", line.rstrip()) for line in text.strip().splitlines()]

    assert plain(sample.text) == plain(printed.output)


def _shelf() -> list[tuple[str, str, bool]]:
    """Return sequence, serial and soundness of each cell of the README's table of specimens."""
    rows = re.findall(r"^\| `([\w-]+)`[^|]*\|([^|]*)\|([^|]*)\|$", README.read_text("utf-8"), re.MULTILINE)
    serial = re.compile(r"\b(?:M40L?|MX40|V5|H10)-\d{4}")
    return [
        (sequence, one, sound)
        for sequence, good, bad in rows
        for cell, sound in ((good, True), (bad, False))
        for one in serial.findall(cell)
    ]


OF_THE_BENCH = {"own-check", "golden-unit"}
"""Sequences that measure no unit of the shelf, but the bench."""


@pytest.mark.slow
@pytest.mark.parametrize(("sequence", "serial", "sound"), [one for one in _shelf() if one[0] not in TURNED])
def test_a_specimen_does_what_the_table_says(
    sequence: str, serial: str, sound: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sound one meets every limit of its sequence; of one with a fault at least one decision is not a pass.

    Status 1, or 3 for the two whose fault may also keep a search from an answer: what could not be measured is not the unit's failure.
    """
    monkeypatch.chdir(tmp_path)
    benches = {
        "two-signal-receiver": "two-signal-bench",
        "receiver-rejections": "two-signal-bench",
        "manual-bench": "manual-bench",
        "pre-check-fm-27mhz": "spectrum-bench",
        "pre-check-vhf-fm": "spectrum-bench",
        "pre-check-hf-ssb": "spectrum-bench",
        "signalling-tone-received": "signalling-bench",
        "signalling-code-received": "signalling-bench",
        "keying-vhf-fm": "spectrum-bench",
        "over-temperature": "chamber-bench",
    }
    bench = benches.get(sequence, "bench")
    by_hand = ["--dry-run"] if bench == "manual-bench" else []
    words = ["run", sequence, "--bench", bench, "--serial", serial, "--confirmed", *by_hand]
    ran = CliRunner().invoke(main, words, catch_exceptions=False)
    expected = (0,) if sound else (1, 3) if serial in UNMEASURABLE else (1,)
    assert ran.exit_code in expected, ran.output
    assert ("All limits met." in ran.output) is sound


def test_every_specimen_and_sequence_stands_in_the_table() -> None:
    """No specimen of the shelf and no shipped sequence is left out."""
    shelf = _shelf()
    assert {serial.lower() for _, serial, _ in shelf} == {
        one.stem for one in (TOP / "sim" / "units").glob("*.yaml")
    }
    of_units = {one.stem for one in (TOP / "sequences").glob("*.yaml")} - OF_THE_BENCH
    assert {sequence for sequence, _, _ in shelf} == of_units


def test_the_first_result_stands_within_two_screens() -> None:
    """What the run printed and what it means ends within the first 100 lines (two screens of 50)."""
    text = README.read_text(encoding="utf-8")
    assert text.count("\n", 0, text.index("Exit status: 0 all passed")) < 100


def test_pictures_are_small_and_whole() -> None:
    """A PNG is one (its signature, PNG specification 5.2) and below 200 kB; an SVG is well-formed and says in words what it shows."""
    for picture in FOLDER.glob("*.png"):
        content = picture.read_bytes()
        assert content.startswith(b"\x89PNG\r\n\x1a\n")
        assert len(content) < 200_000
    for drawing in FOLDER.glob("*.svg"):
        root = ElementTree.fromstring(drawing.read_text(encoding="utf-8"))
        assert next(one.text for one in root if one.tag.endswith("desc"))


def test_the_troubleshooting_page_knows_the_words() -> None:
    """Each way a search can fail, and the faults of a socket that are met most, stand on the page in their own words."""
    text = (FOLDER / "troubleshooting.md").read_text(encoding="utf-8")
    for status in set(Status) - {Status.FOUND}:
        assert f"`{status.value}`" in text, status
    for name in ("ConnectionRefusedError", "ConnectionResetError", "BrokenPipeError", "TimeoutError"):
        assert f"`{EXCEPTION_ROWS[f'builtins.{name}'].what}`" in text, name
