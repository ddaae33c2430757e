"""The scan buffer: whatever a scanner sends before, between and after, each serial comes out once, whole and in order."""

from __future__ import annotations

import itertools
import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.run.line.scans import (
    ENDS,
    LONGEST,
    MOST_WAITING,
    Affixes,
    Scan,
    ScanBuffer,
    Waiting,
    twice_in_one,
    wrong_with_scan,
)

SERIALS = st.builds("{}-{}".format, st.sampled_from(["M40", "V", "H10", "MX40L"]), st.integers(0, 999_999))
STRAY = st.text(alphabet="\x00\x05\x06\x07\x0e\x0f\x1d\x1e\x7f\u200b\ufeff", max_size=2)
"""Controls that mean nothing here: not an end, a beginning or an escape."""
END = st.sampled_from(["\r", "\n", "\r\n", "\t", "\x03", "\x03\r\n", "\r\r"])


@st.composite
def typed(draw: st.DrawFn) -> tuple[list[str], str, Affixes]:
    """Draw serials, and how a scanner of some set-up types them."""
    affixes = Affixes(
        prefix=draw(st.sampled_from(["", "S:", "~~"])), suffix=draw(st.sampled_from(["", "#", "%%"]))
    )
    begin = draw(st.sampled_from(["", "\x02", "]C1", "\x02]Q3"]))
    serials = draw(st.lists(SERIALS, max_size=6))
    text = ""
    for serial in serials:
        spoilt = "".join(one + draw(STRAY) for one in f"{affixes.prefix}{serial}{affixes.suffix}")
        text += draw(STRAY) + begin + spoilt + draw(END)
    return serials, text, affixes


@given(scanned=typed(), cuts=st.lists(st.integers(0, 200), max_size=8))
@settings(max_examples=50)
def test_each_serial_comes_out_once_whole_and_in_order(
    scanned: tuple[list[str], str, Affixes], cuts: list[int]
) -> None:
    """However the stream is cut on its way, and whatever stands around the serials."""
    serials, text, affixes = scanned
    buffer = ScanBuffer(affixes)
    edges = sorted({0, len(text), *(min(cut, len(text)) for cut in cuts)})
    found = [scan for low, high in itertools.pairwise(edges) for scan in buffer.take(text[low:high])]
    assert [one.serial for one in found] == serials
    assert all(not one.wrong for one in found)
    assert buffer.begun.strip("\x00") == ""


@given(text=st.text(max_size=80), more=SERIALS)
def test_nothing_that_came_before_spoils_the_next_scan(text: str, more: str) -> None:
    """After an end the next serial is read as itself; nothing that comes out holds a control character unless it is refused."""
    buffer = ScanBuffer()
    found = buffer.take(text + "\r")
    assert buffer.take(f"{more}\r") == [Scan(serial=more)]
    for one in found:
        assert one.wrong or one.serial.isprintable(), one
        assert not any(unicodedata.category(sign) == "Cf" for sign in one.serial)


@given(before=SERIALS, pasted=st.lists(SERIALS, min_size=1, max_size=4), after=SERIALS)
@settings(max_examples=50)
def test_a_paste_is_whole_by_itself(before: str, pasted: list[str], after: str) -> None:
    """A bracketed paste need not end, and is not joined to what was being typed before or is typed after."""
    buffer = ScanBuffer()
    assert buffer.take(before) == []
    found = buffer.paste("\n".join(pasted))
    assert found[0] == Scan(serial=before, wrong="its end is missing")
    assert [one.serial for one in found[1:]] == pasted
    assert buffer.take(f"{after}\r") == [Scan(serial=after)]


def test_a_scan_without_an_end_is_not_joined_to_the_next_one_that_has_a_beginning() -> None:
    """Where the scanner marks the beginning, a lost end is found out."""
    found = ScanBuffer().take("\x02M40-0001\x02M40-0002\x03")
    assert found == [Scan(serial="M40-0001", wrong="its end is missing"), Scan(serial="M40-0002")]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("=HYPERLINK(A1)", "formula"),
        ("@SUM(A1)", "formula"),
        ("+49", "formula"),
        ("../../etc/passwd", "path"),
        ("~/units", "path"),
        ("C:\\units\\1", "path"),
        ("\x1b[2JM40-0001", "escape"),
        ("\x9b2JM40-0001", "escape"),
        ("M40:0001", "cannot stand in a file's name"),
        ("X" * 65, "65 characters"),
        ("X" * (LONGEST + 1), f"longer than {LONGEST}"),
    ],
)
def test_what_is_no_serial_says_why(text: str, why: str) -> None:
    """A formula, a path, an escape sequence, two scans in one: kept, refused in words, never taken for a unit."""
    (found,) = ScanBuffer().take(text + "\r")
    assert why in found.wrong


@given(SERIALS)
def test_a_serial_of_the_trade_is_accepted(serial: str) -> None:
    """Nothing is refused for its letters."""
    assert wrong_with_scan(serial) == ""
    assert twice_in_one(serial * 2) == serial


def test_the_backspace_key_takes_back_and_what_was_begun_can_be_dropped() -> None:
    """A person types too."""
    buffer = ScanBuffer()
    buffer.take("M41")
    buffer.erase()
    buffer.take("0-0001")
    assert buffer.begun == "M40-0001"
    assert buffer.drop() == "M40-0001"
    buffer.erase()
    assert buffer.take("\r\n\t") == []


@given(serials=st.lists(SERIALS, max_size=30), doubled=st.sets(st.integers(0, 29)))
@settings(max_examples=50)
def test_scans_wait_in_order_and_a_doubled_one_waits_once(serials: list[str], doubled: set[int]) -> None:
    """A doubled scan is one unit, and it is said how often it was scanned."""
    waiting = Waiting()
    wanted: list[str] = []
    for number, serial in enumerate(serials):
        waiting.add([Scan(serial=serial)] * (2 if number in doubled else 1))
        wanted += [serial] * (not wanted or wanted[-1] != serial)
    assert sum(one.times for one in waiting.scans) == len(serials) + len(
        [one for one in doubled if one < len(serials)]
    )
    assert [one.serial for one in iter(waiting.take, None)] == wanted


def test_more_than_can_wait_is_counted() -> None:
    """A key that is held down, or a handler gone wild, costs no memory, and is said."""
    waiting = Waiting()
    waiting.add(Scan(serial=f"A-{number}") for number in range(MOST_WAITING + 3))
    assert (len(waiting), waiting.left_out) == (MOST_WAITING, 3)


def test_what_ends_a_scan_is_no_printable_character() -> None:
    """So no serial is cut in two."""
    assert not any(one.isprintable() for one in ENDS)
