"""An exported list as text that is written back byte for byte: its encoding, its separator, and every cell as it stands.

Python's csv module gives the values of cells and forgets how they were written (RFC 4180 leaves that to the writer): quotes, blanks and
line ends would not come back.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

from sequencer.files.ordinary import format_of, seems_utf16
from sequencer.files.read import read_bytes
from sequencer.frozen import dataclass
from sequencer.problems import Complaint, FileProblems, did_you_mean, listed, printable

MOST_ROWS = 10_000
"""Lines a list may have."""
SEPARATORS = {",": ",", ";": ";", "tab": "\t"}
_BOMS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
_WITHOUT_BOM = ("utf-8", "cp1252", "latin-1")
_LINE_END = re.compile(r"\r\n|\n|\r")
_QUOTED = re.compile(r'([ ]*)"((?:[^"]|"")*)"([ ]*)')


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of a list: its cells as they stand, with quotes and blanks; what ends it; and its number in the file."""

    cells: tuple[str, ...]
    end: str
    line: int

    @property
    def values(self) -> tuple[str, ...]:
        """What the cells hold, without quotes and blanks around it."""
        return tuple(map(value_of, self.cells))

    @property
    def is_blank(self) -> bool:
        """Whether nothing stands there."""
        return not any(self.values)

    def with_value(self, at: int, value: str, separator: str) -> Row:
        """Return the row with another value in one cell, quoted and set off as the one before was."""
        cells = list(self.cells)
        cells[at] = _rewritten(cells[at], value, separator)
        return replace(self, cells=tuple(cells))


@dataclass(frozen=True, slots=True, kw_only=True)
class ListText:
    """A list: ``rows`` hold every line, blank ones and the column names too."""

    path: Path
    encoding: str
    bom: bytes
    separator: str
    rows: tuple[Row, ...]

    def content(self) -> bytes:
        """Return the bytes of the file. UnicodeEncodeError for a character that its encoding does not have."""
        text = "".join(self.separator.join(row.cells) + row.end for row in self.rows)
        return self.bom + text.encode(self.encoding)


def value_of(cell: str) -> str:
    """Return what a cell holds, without quotes and blanks around it."""
    quoted = _QUOTED.fullmatch(cell)
    return (quoted[2].replace('""', '"') if quoted is not None else cell).strip()


def _rewritten(cell: str, value: str, separator: str) -> str:
    if (quoted := _QUOTED.fullmatch(cell)) is not None:
        return f'{quoted[1]}"{_doubled(value)}"{quoted[3]}'
    if any(one in value for one in (separator, '"', "\r", "\n")):
        return f'"{_doubled(value)}"'
    before, after = re.match(r"\s*", cell), re.search(r"\s*$", cell.lstrip())
    assert before is not None
    assert after is not None
    return f"{before[0]}{value}{after[0]}"


def _doubled(value: str) -> str:
    return value.replace('"', '""')


def read_list_text(path: Path, separator: str | None = None, *, kind: str = "a list (CSV)") -> ListText:
    """Return the list in the file; without ``separator`` the one that its first line is cut into most columns by.

    ``kind`` says what list it is to be, for whoever named another file.

    Raises FileProblems for a file that is no text, quotes that never end, or more than `MOST_ROWS` lines.
    """
    content = read_bytes(path, kind=kind)
    encoding, bom, text = _decoded(content, path)
    lines = _LINE_END.split(text, 1)
    told = re.fullmatch(r"(?i)sep=([,;\t])", lines[0].strip(" "))  # a first line that some spreadsheets write
    sign = separator or (told[1] if told is not None else None) or _separator_of(text, path)
    rows = tuple(_rows(text, sign, path))
    if told is not None:
        rows = (Row(cells=(lines[0],), end=rows[0].end, line=1), *rows[1:])
    if len(rows) > MOST_ROWS:
        raise FileProblems([at_line(path, MOST_ROWS, f"{len(rows)} lines", allowed=f"at most {MOST_ROWS}")])
    return ListText(path=path, encoding=encoding, bom=bom, separator=sign, rows=rows)


def is_separator_line(row: Row) -> bool:
    """Say whether a line only names the separator (``sep=;``)."""
    return row.line == 1 and re.fullmatch(r"(?i)sep=[,;\t]", row.cells[0].strip()) is not None


def _decoded(content: bytes, path: Path) -> tuple[str, bytes, str]:
    """Return encoding, byte-order mark and text; of a file without mark what its bytes allow."""
    if known := format_of(content):
        raise FileProblems([_no_text(path, 1, f"this is {known}")])
    for bom, encoding in _BOMS:
        if content.startswith(bom):
            return encoding, bom, _text(content[len(bom) :], encoding, path)
    if b"\0" in content:  # digits and Latin letters in UTF-16 have a zero in every other byte
        even, odd = content[::2].count(0), content[1::2].count(0)
        encoding = "utf-16-le" if odd > even else "utf-16-be"
        try:
            return encoding, b"", _text(content, encoding, path)
        except FileProblems as problems:
            if seems_utf16(content):
                raise
            line = content[: content.index(0)].count(b"\n") + 1
            raise FileProblems(
                [_no_text(path, line, "this is no text: a byte 0x00 stands here")]
            ) from problems
    for encoding in _WITHOUT_BOM:
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        return encoding, b"", _sound(text, encoding, path)
    raise AssertionError("every byte is a character of latin-1")


def _text(content: bytes, encoding: str, path: Path) -> str:
    try:
        return _sound(content.decode(encoding), encoding, path)
    except UnicodeDecodeError as error:
        line = content[: error.start].decode(encoding, "replace").count("\n") + 1
        raise FileProblems([_no_text(path, line, f"not {encoding.upper()} text")]) from error


def _sound(text: str, encoding: str, path: Path) -> str:
    """Refuse what no list holds: characters that only a program reads, which a wrong guess of the encoding makes too."""
    wrong = next(
        (at for at, one in enumerate(text) if (one < " " and one not in "\t\r\n") or "\x7f" <= one <= "\x9f"),
        None,
    )
    if wrong is None:
        return text
    line = text.count("\n", 0, wrong) + 1
    raise FileProblems([_no_text(path, line, f"a control character ({ord(text[wrong]):#04x}) stands here")])


def _no_text(path: Path, line: int, message: str) -> Complaint:
    allowed = "text in UTF-8, UTF-16 or Windows-1252 / ISO 8859-1"
    return at_line(
        path,
        line,
        message,
        allowed=allowed,
        hint="save or export the list as CSV, which is text, not as a program's own file",
    )


def _separator_of(text: str, path: Path) -> str:
    """Return the sign that cuts the first line into most columns; a comma where none cuts it."""
    first = next((line for line in _LINE_END.split(text) if line.strip()), "")
    bare = re.sub(r'"(?:[^"]|"")*"', "", first)
    counts = {sign: bare.count(sign) for sign in SEPARATORS.values()}
    most = max(counts.values())
    best = [sign for sign, count in counts.items() if count == most]
    if most and len(best) > 1:
        names = " and ".join(f"'{name}'" for name, sign in SEPARATORS.items() if sign in best)
        raise FileProblems(
            [
                at_line(
                    path,
                    1,
                    f"{names} both stand between the column names",
                    allowed="one of them",
                    hint="say which separates the columns",
                )
            ]
        )
    return best[0]


def _rows(text: str, separator: str, path: Path) -> Iterator[Row]:
    at, line = 0, 1
    while at < len(text):
        began, first = at, line
        cells: list[str] = []
        while True:
            cell_from = at
            at = _cell_end(text, at, separator, path, line)
            cells.append(text[cell_from:at])
            if not text.startswith(separator, at):
                break
            at += 1
        end = _LINE_END.match(text, at)
        at = at if end is None else end.end()
        line += len(_LINE_END.findall(text[began:at]))
        yield Row(cells=tuple(cells), end="" if end is None else end[0], line=first)


def _cell_end(text: str, at: int, separator: str, path: Path, line: int) -> int:
    """Return where the cell that begins at ``at`` ends. Raises FileProblems for quotes that never end, or text behind them."""
    blank = re.compile(r" *").match(text, at)
    opens = at if blank is None else blank.end()
    stop = re.compile(rf"[{re.escape(separator)}\r\n]|\Z")
    if not text.startswith('"', opens):
        found = stop.search(text, at)
        assert found is not None
        return found.start()
    quoted = _QUOTED.match(text, at)
    if quoted is None:
        raise FileProblems([at_line(path, line, "quotes open here and never close", allowed='a closing "')])
    if stop.match(text, quoted.end()) is None:
        raise FileProblems(
            [
                at_line(
                    path,
                    line,
                    "text stands behind closing quotes",
                    allowed="the next column",
                    hint='quotes within a cell are written twice: ""',
                )
            ]
        )
    return quoted.end()


def at_line(path: Path, line: int, message: str, *, allowed: str = "", hint: str = "") -> Complaint:
    """Return a complaint about one line of a list."""
    return Complaint(file=str(path), line=line, column=1, message=message, allowed=allowed, hint=hint)


def find_columns(
    path: Path, head: Row, *, known: tuple[str, ...], needed: tuple[str, ...], headed: str
) -> Mapping[str, int]:
    """Return where each column stands, by its name. Raises FileProblems for those that are missing, doubled or unknown.

    ``headed`` says how the line of names is to be, for who left a column out that is ``needed``.
    """
    names = [value.casefold() for value in head.values]
    while names and not names[-1]:  # a spreadsheet may end every line with separators
        names.pop()
    complaints = [
        at_line(
            path,
            head.line,
            f"the column '{printable(name)[:40]}' is not known",
            allowed=listed(known),
            hint=did_you_mean(name, known),
        )
        for name in dict.fromkeys(names)
        if name not in known
    ]
    complaints += [
        at_line(
            path, head.line, f"the column '{name}' stands there {names.count(name)} times", allowed="once"
        )
        for name in known
        if names.count(name) > 1
    ]
    complaints += [
        at_line(path, head.line, f"there is no column '{name}'", allowed=headed)
        for name in needed
        if name not in names
    ]
    if complaints:
        raise FileProblems(complaints)
    return {name: at for at, name in enumerate(names)}
