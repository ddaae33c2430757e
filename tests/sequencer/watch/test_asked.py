"""What an address asks for is read within bounds, and refused in words beyond them."""

from __future__ import annotations

from datetime import datetime
from urllib.parse import quote, urlencode

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.watch.asked import (
    FILTERS,
    HIGHEST_CHANNEL,
    LONGEST_QUERY,
    MOST_VALUES,
    Query,
    WrongAddress,
    address,
)


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


def test_what_lies_at_a_bound_is_taken() -> None:
    """The last that is allowed, at each end; what is refused beyond it stands above."""
    for raw in ("channel=0", "channel=99999", "limit=1", "limit=200", "since=1970-01-02", "until=2999-12-30"):
        assert _all_of(raw.encode()) == ""
    assert Query.read(b"channel=99999", FILTERS).wanted().channel == HIGHEST_CHANNEL
    assert HIGHEST_CHANNEL == 99_999
    assert Query.read(b"limit=1", FILTERS).limit == 1
    assert Query.read(b"limit=", FILTERS).limit == Query.read(b"", FILTERS).limit == 50
    assert Query.read(b"serial=" + b"x" * 200, FILTERS).all("serial") == ("x" * 200,)
    assert len(Query.read("&".join(["serial=x"] * MOST_VALUES).encode(), FILTERS).all("serial")) == 12
    assert Query.read(b"&" * LONGEST_QUERY, FILTERS).values == {}
    with pytest.raises(WrongAddress, match="2001 characters behind"):
        Query.read(b"&" * (LONGEST_QUERY + 1), FILTERS)
    assert Query.read(b"n=999999999", ("n",)).number("n", 0, 10**10) == 999_999_999
    with pytest.raises(WrongAddress):
        Query.read(b"n=1000000000", ("n",)).number("n", 0, 10**10)


def test_a_day_is_whole_and_a_time_is_itself() -> None:
    """A date begins at midnight and ends at the next; what has an hour is that moment, whichever end is asked for."""
    query = Query.read(b"since=2027-01-31&until=2027-01-31T14:30%2B01:00", FILTERS)
    since, ends = query.moment("since"), query.moment("since", whole_day=True)
    assert since == datetime.fromisoformat("2027-01-31").astimezone()
    assert ends == datetime.fromisoformat("2027-02-01").astimezone()
    assert query.moment("until", whole_day=True) == datetime.fromisoformat("2027-01-31T14:30+01:00")
    assert query.moment("lot") is None


@pytest.mark.parametrize("name", ["since", "channel", "decision"])
def test_of_what_is_refused_forty_signs_are_shown(name: str) -> None:
    """Enough to recognise it."""
    with pytest.raises(WrongAddress) as caught:
        _all_of(f"{name}={'z' * 60}".encode())
    assert f"'{'z' * 40}'" in caught.value.what


def test_each_filter_comes_through_under_its_own_name() -> None:
    """None in another's place, and none that is not asked for."""
    names = ("sequence", "model", "batch", "station", "operator", "lot", "check")
    wanted = Query.read(urlencode({one: f"a {one}" for one in names}).encode(), FILTERS).wanted()
    assert [getattr(wanted, one) for one in names] == [f"a {one}" for one in names]
    nothing = Query.read(b"", FILTERS).wanted()
    assert [getattr(nothing, one) for one in names] == [""] * len(names)
    assert (nothing.channel, nothing.since, nothing.until) == (None, None, None)
    assert (nothing.serials, nothing.decisions) == ((), ())


def test_what_a_page_needs_is_there_once() -> None:
    """A unit's page needs its serial: without it, and with two, it is refused with what would do, as a bad request."""
    assert Query.read(b"serial=A-1", ("serial",)).needed("serial", "M40-0007") == "A-1"
    with pytest.raises(WrongAddress, match="does not say which serial") as caught:
        Query.read(b"", ("serial",)).needed("serial", "M40-0007")
    assert caught.value.allowed == "?serial=… such as ?serial=M40-0007"
    assert caught.value.status == 400
    with pytest.raises(WrongAddress, match="'serial' is given 2 times"):
        Query.read(b"serial=a&serial=b", ("serial",)).one("serial")


def test_an_unknown_filter_is_told_what_is_known_and_what_was_meant() -> None:
    """The names of that page; a page without filters says so."""
    with pytest.raises(WrongAddress) as caught:
        Query.read(b"seriel=M40", ("serial", "limit"))
    assert caught.value.allowed == "serial, limit; did you mean 'serial'?"
    with pytest.raises(WrongAddress) as caught:
        Query.read(b"y" * 60 + b"=M40", ())
    assert caught.value.what == f"This page knows no filter '{'y' * 40}'."
    assert caught.value.allowed == "none"


def test_a_page_links_to_itself_with_one_filter_changed() -> None:
    """What is left out goes, what is named takes the old one's place, the rest stays."""
    query = Query.read(b"serial=a&serial=b&batch=c&limit=5", FILTERS)
    assert query.without("serial", limit="9") == "batch=c&limit=9"
    assert query.without() == "serial=a&serial=b&batch=c&limit=5"
    assert address("/unit", serial=("a", "b"), batch="", lot=(), limit=5) == "/unit?serial=a&serial=b&limit=5"
    assert address("/unit", serial="") == "/unit"


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
