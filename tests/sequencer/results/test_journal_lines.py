"""The lines of a journal: what was cut short, altered, moved or taken out is found, and what stands before it counts."""

from __future__ import annotations

import json
import zlib
from datetime import UTC, datetime
from typing import Any

import pytest

from sequencer.results.journal_lines import make_line, read_lines
from sequencer.uncertainty.decision import Decision
from tests.support.stored_results import a_result

FACTS: tuple[dict[str, Any], ...] = (
    {"event": "run", "text": 'µ "quoted"\n\ud800 \x00'},
    {"event": "check begun", "check_index": 0},
    {"event": "check ended", "value": float("nan"), "decision": Decision.PASS},
    {"event": "ended", "when": datetime(2027, 1, 2, tzinfo=UTC)},
)


def _content() -> list[bytes]:
    made: list[bytes] = []
    before = 0
    for number, facts in enumerate(FACTS):
        line, before = make_line(number, before, facts)
        made.append(line)
    return made


def test_lines_come_back_as_they_were_made() -> None:
    """Texts with line ends, NUL and lone surrogates, NaN, times and enumerations: one line each, and the same values again."""
    lines = _content()
    found = read_lines(b"".join(lines))
    assert [line.count(b"\n") for line in lines] == [1] * 4
    assert (found.good_bytes, found.lost_bytes, found.altered) == (sum(map(len, lines)), 0, False)
    assert found.lines[0]["text"] == FACTS[0]["text"]
    assert found.lines[2]["decision"] == "pass"
    assert found.lines[3]["when"] == "2027-01-02T00:00:00.000+00:00"


def test_the_checksum_is_the_crc_of_all_lines_so_far() -> None:
    """CRC-32 (ISO/IEC 13239, as zlib has it) continued from line to line: another program can hold a journal against it."""
    before = 0
    for line in _content():
        body, _, said = line.partition(b',"sum":"')
        before = zlib.crc32(body, before)
        assert said == b'%08x"}\n' % before
        assert json.loads(line)["sum"] == f"{before:08x}"


def test_cut_at_every_byte_what_stands_before_counts() -> None:
    """After a power cut a file ends anywhere: each whole line before that counts, and how many bytes do not is told."""
    lines = _content()
    whole = b"".join(lines)
    ends = [sum(map(len, lines[: at + 1])) for at in range(len(lines))]
    for cut in range(len(whole) + 1):
        found = read_lines(whole[:cut])
        assert len(found.lines) == sum(end <= cut for end in ends), cut
        assert found.good_bytes + found.lost_bytes == cut
        assert not found.altered


@pytest.mark.parametrize("at", range(4))
def test_an_altered_line_ends_what_counts(at: int) -> None:
    """A digit changed, lines exchanged, a line taken out: nothing from there on counts, and it is told from a line cut short."""
    lines = _content()
    changed = lines[at].replace(b'"number":', b'"numbex":')
    for altered in (
        [*lines[:at], changed, *lines[at + 1 :]],
        [*lines[:at], *lines[at + 1 :]],
        [*lines[:at], *reversed(lines[at:])],
    ):
        found = read_lines(b"".join(altered))
        if altered == lines[: len(altered)]:  # the last taken out, or exchanged with itself, leaves no trace
            continue
        assert len(found.lines) == at
        assert found.altered
        assert found.lost_bytes > 0


def test_a_result_becomes_what_a_kept_run_holds() -> None:
    """Frozen values within values become objects by the names of their fields."""
    line, _ = make_line(0, 0, {"results": (a_result(),)})
    (plain,) = json.loads(line)["results"]
    assert plain["value"] == a_result().value
    assert plain["decision"] == a_result().decision.value
