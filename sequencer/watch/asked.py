"""What an address asks for, read with bounds: where it says something that cannot be, it is refused in words, as an option is."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from urllib.parse import parse_qsl, urlencode

from sequencer.frozen import dataclass
from sequencer.problems import did_you_mean, listed, printable
from sequencer.results.store.query import Wanted
from sequencer.uncertainty.decision import Decision

LONGEST_QUERY = 2000
LONGEST_TEXT = 200
MOST_VALUES = 12
MOST_LISTED = 200
DEFAULT_LISTED = 50
HIGHEST_CHANNEL = 99_999
EARLIEST_YEAR, LATEST_YEAR = 1970, 2999
_TEXTS = ("sequence", "model", "batch", "station", "operator", "lot")
OF_RESULTS = ("check", "channel", "decision")
FILTERS = ("serial", *_TEXTS, *OF_RESULTS, "since", "until", "limit")
"""The filters of `sequencer results`, by their names there."""


class WrongAddress(Exception):
    """An address asks for what cannot be; ``what`` is a sentence, ``allowed`` what would do. ``status`` is that of HTTP."""

    def __init__(self, what: str, allowed: str = "", *, status: int = 400) -> None:
        self.what = what
        self.allowed = allowed
        self.status = status
        super().__init__(what)


@dataclass(frozen=True, slots=True, kw_only=True)
class Query:
    """The values of an address by name, each a printable text of bounded length; what is empty is left out."""

    values: Mapping[str, tuple[str, ...]]

    @classmethod
    def read(cls, raw: bytes, names: Iterable[str]) -> Query:
        """Return what stands behind the question mark. Raises WrongAddress for a name that the page does not know, and beyond a bound."""
        if len(raw) > LONGEST_QUERY:
            raise WrongAddress(
                f"The address is too long: {len(raw)} characters behind the question mark.",
                f"at most {LONGEST_QUERY}",
            )
        known = tuple(names)
        found: dict[str, list[str]] = {}
        for name, value in parse_qsl(raw.decode("latin-1"), keep_blank_values=True, max_num_fields=None):
            if name not in known:
                hint = did_you_mean(name[:40], known)
                raise WrongAddress(
                    f"This page knows no filter {printable(name)[:40]!r}.",
                    f"{listed(known) or 'none'}{f'; {hint}' if hint else ''}",
                )
            if text := _text(name, value):
                found.setdefault(name, []).append(text)
        for name, values in found.items():
            if len(values) > MOST_VALUES:
                raise WrongAddress(f"{name!r} is given {len(values)} times.", f"at most {MOST_VALUES} times")
        return cls(values={name: tuple(values) for name, values in found.items()})

    def all(self, name: str) -> tuple[str, ...]:
        """Return every value of a name."""
        return self.values.get(name, ())

    def one(self, name: str) -> str:
        """Return the value of a name that is given once; empty where it is not. Raises WrongAddress where it is given more often."""
        values = self.all(name)
        if len(values) > 1:
            raise WrongAddress(f"{name!r} is given {len(values)} times.", "once")
        return values[0] if values else ""

    def needed(self, name: str, example: str) -> str:
        """Return the value of a name without which there is no page. Raises WrongAddress."""
        if not (value := self.one(name)):
            raise WrongAddress(
                f"The address does not say which {name}.", f"?{name}=… such as ?{name}={example}"
            )
        return value

    def number(self, name: str, low: int, high: int) -> int | None:
        """Return a whole number; None where it is not given. Raises WrongAddress."""
        text = self.one(name)
        if not text:
            return None
        if not (text.isascii() and text.isdecimal() and len(text) <= 9 and low <= int(text) <= high):
            raise WrongAddress(f"{name!r} is {text[:40]!r}.", f"a whole number from {low} to {high}")
        return int(text)

    def moment(self, name: str, *, whole_day: bool = False) -> datetime | None:
        """Return a date or time, in the server's zone unless it names another; of a date its beginning, or its end."""
        text = self.one(name)
        if not text:
            return None
        try:
            found = datetime.fromisoformat(text)
            in_bounds = EARLIEST_YEAR <= found.year <= LATEST_YEAR
            # The day is added before the zone is: a day with a change of the clock has 23 or 25 hours
            is_date = len(text) <= len("2027-01-31")
            moment = (found + timedelta(days=1) if whole_day and is_date else found).astimezone()
        except (ValueError, OverflowError):
            in_bounds = False
        if not in_bounds:
            raise WrongAddress(
                f"{name!r} is {text[:40]!r}, which is no date or time of a measurement.",
                f"ISO 8601, such as 2027-01-31 or 2027-01-31T14:30+01:00, from {EARLIEST_YEAR} to {LATEST_YEAR}",
            )
        return moment

    def wanted(self) -> Wanted:
        """Return which runs or results are asked for. Raises WrongAddress."""
        words = tuple(one.value for one in Decision)
        for one in self.all("decision"):
            if one not in words:
                raise WrongAddress(f"There is no decision {one[:40]!r}.", listed(words))
        return Wanted(
            serials=self.all("serial"),
            sequence=self.one("sequence"),
            model=self.one("model"),
            batch=self.one("batch"),
            station=self.one("station"),
            operator=self.one("operator"),
            lot=self.one("lot"),
            check=self.one("check"),
            channel=self.number("channel", 0, HIGHEST_CHANNEL),
            decisions=self.all("decision"),
            since=self.moment("since"),
            until=self.moment("until", whole_day=True),
        )

    @property
    def limit(self) -> int:
        """How many are listed."""
        return self.number("limit", 1, MOST_LISTED) or DEFAULT_LISTED

    def without(self, *names: str, **others: str) -> str:
        """Return the query with some values left out and others in place."""
        kept = [(name, one) for name, values in self.values.items() if name not in names for one in values]
        return urlencode([*(pair for pair in kept if pair[0] not in others), *others.items()])


def _text(name: str, value: str) -> str:
    if len(value) > LONGEST_TEXT:
        raise WrongAddress(f"{name!r} has {len(value)} characters.", f"at most {LONGEST_TEXT}")
    text = value.strip()
    # of bytes that are no UTF-8 the parser has made this
    if not text.isprintable() or "\N{REPLACEMENT CHARACTER}" in text:
        raise WrongAddress(f"{name!r} holds a character that cannot be printed.", "printable UTF-8 text")
    return text


def address(path: str, **values: str | int | Sequence[str]) -> str:
    """Return an address of this page that somebody can send to a colleague."""
    pairs = {name: value for name, value in values.items() if value not in ("", ())}
    return f"{path}?{urlencode(pairs, doseq=True)}" if pairs else path
