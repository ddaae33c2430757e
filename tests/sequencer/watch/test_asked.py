"""What an address asks for is read within bounds, and refused in words beyond them."""

from __future__ import annotations

from urllib.parse import quote, urlencode

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.watch.asked import FILTERS, LONGEST_QUERY, Query, WrongAddress, address


def test_the_filters_of_the_command_line_are_read() -> None:
    """Each filter comes through as `sequencer results` takes it; a date is its whole day, and empty fields of a form choose nothing."""
    raw = (
        b"serial=M40-0007&serial=M40-0011&check=sensitivity&channel=20&decision=not+measured&batch=Week+48&station=&since=2027-01-31"
        b"&until=2027-01-31&limit=100"
    )
    query = Query.read(raw, FILTERS)
    wanted = query.wanted()
    assert wanted.serials == ("M40-0007", "M40-0011")
    assert (wanted.check, wanted.channel, wanted.decisions) == ("sensitivity", 20, ("not measured",))
    assert (wanted.batch, wanted.station) == ("Week 48", "")
    assert wanted.since is not None
    assert wanted.until is not None
    assert 23 <= (wanted.until - wanted.since).total_seconds() / 3600 <= 25
    assert query.limit == 100


def _all_of(raw: bytes) -> str:
    """Read all that an address may ask for; return what was refused."""
    query = Query.read(raw, FILTERS)
    query.wanted()
    return "" if query.limit else "no limit"


@pytest.mark.parametrize(
    ("raw", "what"),
    [
        ("seriel=M40", "knows no filter 'seriel'"),
        ("channel=-1", "'channel' is '-1'"),
        ("channel=100000", "'channel' is '100000'"),
        ("channel=9e9", "'channel' is '9e9'"),
        ("channel=%D9%A1", "'channel' is '١'"),  # a digit of another script
        ("channel=1&channel=2", "'channel' is given 2 times"),
        ("limit=0", "'limit' is '0'"),
        ("limit=100000", "'limit' is '100000'"),
        ("decision=maybe", "no decision 'maybe'"),
        ("since=yesterday", "no date or time"),
        ("since=0001-01-01", "no date or time"),
        ("until=9999-12-31", "no date or time"),
        ("serial=%00", "cannot be printed"),
        ("serial=%ff%fe", "cannot be printed"),
        ("serial=a%0d%0aSet-Cookie:x", "cannot be printed"),
        ("serial=%E2%80%AEabc", "cannot be printed"),
        ("serial=" + "x" * 201, "has 201 characters"),
        ("&".join(["serial=x"] * 13), "given 13 times"),
        ("serial=x&" * LONGEST_QUERY, "too long"),
    ],
)
def test_what_cannot_be_asked_is_refused_in_words(raw: str, what: str) -> None:
    """Unknown names, numbers out of range, control characters and long texts: each is named, with what would do."""
    with pytest.raises(WrongAddress) as caught:
        _all_of(raw.encode())
    assert what in caught.value.what
    assert caught.value.allowed


@given(st.text(max_size=100))
def test_an_address_brings_back_what_it_was_made_of(text: str) -> None:
    """Whatever a unit is called, the address that a page links to asks for exactly that unit, or is refused; it never asks for another."""
    made = address("/unit", serial=text)
    try:
        found = Query.read(made.partition("?")[2].encode(), ("serial",)).one("serial")
    except WrongAddress:
        assert not text.strip().isprintable() or "\N{REPLACEMENT CHARACTER}" in text
    else:
        assert found == text.strip()


@given(st.binary(max_size=60))
def test_no_bytes_end_in_a_traceback(raw: bytes) -> None:
    """Any bytes behind the question mark are read or refused."""
    for given_raw in (raw, quote(raw).encode(), urlencode({"serial": raw}).encode()):
        refused: list[str] = []
        try:
            _all_of(given_raw)
        except WrongAddress as wrong:
            refused.append(wrong.what)
        assert all(one.isprintable() for one in refused)
