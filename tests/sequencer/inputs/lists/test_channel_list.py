"""A radio's exported list: understood as it comes, filled with a plan, and everything else left byte for byte."""

from __future__ import annotations

import codecs
import csv
import io
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.inputs.channel_plan import ChannelPlan
from sequencer.inputs.lists.channel_list import MemoryColumns, read_channel_list
from sequencer.inputs.lists.channel_list_fill import fill
from sequencer.inputs.lists.list_text import read_list_text
from sequencer.problems import FileProblems
from sim.radio.unit import CEPT_FREQUENCIES_HZ

NONE = MemoryColumns.unstated()


def plan(*hz: float, **other: dict[int, str]) -> ChannelPlan:
    """Return a plan with these frequencies from channel 1 on."""
    return ChannelPlan(
        name="Invented",
        source="this test",
        min_hz=1e6,
        max_hz=1e9,
        frequencies_hz=dict(enumerate(hz, start=1)),
        **other,
    )


THREE = plan(27_205_000.0, 27_215_000.0, 27_225_000.0)


def filled(folder: Path, content: bytes, of: ChannelPlan = THREE, *, drop: bool = False) -> bytes:
    """Return the list that comes of ``content``."""
    path = folder / "list.csv"
    path.write_bytes(content)
    return fill(read_channel_list(path, NONE), of, drop_others=drop).content


@pytest.mark.parametrize(
    ("was", "becomes"),
    [
        # decimal commas, a byte-order mark, quotes, blanks, Windows line ends, other columns untouched
        (
            '\ufeffCh;Freq (MHz);Step;Power\r\n1;27,20500;"5,0";High\r\n 2 ;"27,00000";5,0; Low\r\n3;27,22500;5;High\r\n',
            '\ufeffCh;Freq (MHz);Step;Power\r\n1;27,20500;"5,0";High\r\n 2 ;"27,21500";5,0; Low\r\n3;27,22500;5;High\r\n',
        ),
        # kHz, tab, no line end at the end
        (
            "No\tRX [kHz]\tCTCSS\n1\t27205\t67.0\n2\t27005\toff\n3\t27225\t",
            "No\tRX [kHz]\tCTCSS\n1\t27205\t67.0\n2\t27215\toff\n3\t27225\t",
        ),
        # Hz told by the size alone, with thousands set off
        (
            'ch,frequency\n1,"27,205,000"\n2,"27,000,000"\n3,"27,225,000"\n',
            'ch,frequency\n1,"27,205,000"\n2,"27,215,000"\n3,"27,225,000"\n',
        ),
        # the unit in each cell, zeros in front, closing zeros left out
        (
            "ch,frequency\n001,027.205 MHz\n002,027.2 MHz\n003,027.225 MHz\n",
            "ch,frequency\n001,027.205 MHz\n002,027.215 MHz\n003,027.225 MHz\n",
        ),
        # a distance of receive and transmit is kept, in a column of its own or in both
        (
            "Channel,RX Freq,TX Freq,Offset,Duplex\n1,27.205,27.205,0.0,\n2,27.005,26.905,0.1,-\n3,27.225,0,0.0,\n",
            "Channel,RX Freq,TX Freq,Offset,Duplex\n1,27.205,27.205,0.0,\n2,27.215,27.115,0.1,-\n3,27.225,0,0.0,\n",
        ),
        # a line that names the separator, blank lines, an empty channel, a row that ends early, mixed line ends
        (
            "sep=;\r\nch;f;frequency\r\n\n1;;27.205\n2;;\r\n\r\n3;;27.225;\r\n",
            "sep=;\r\nch;f;frequency\r\n\n1;;27.205\n2;;27.215\r\n\r\n3;;27.225;\r\n",
        ),
        # more decimals where the plan needs them, not fewer where it does not
        ("ch,frequency\n1,27.20500\n2,27.21400\n3,27.22500\n", "ch,frequency\n1,27.20500\n2,27.21500\n3,27.22500\n"),
    ],
)  # fmt: skip
def test_only_the_frequency_that_is_another_changes(tmp_path: Path, was: str, becomes: str) -> None:
    """In every dialect channel 2 alone is written anew, and nothing else by a single byte."""
    assert filled(tmp_path, was.encode()) == becomes.encode()


@pytest.mark.parametrize(
    ("encoding", "bom"),
    [
        ("utf-8", b""),
        ("utf-8", codecs.BOM_UTF8),
        ("utf-16-le", codecs.BOM_UTF16_LE),
        ("utf-16-be", codecs.BOM_UTF16_BE),
        ("utf-16-le", b""),
        ("utf-16-be", b""),
        ("cp1252", b""),
        ("latin-1", b""),
    ],
)
def test_the_encoding_stays(tmp_path: Path, encoding: str, bom: bytes) -> None:
    """With and without a byte-order mark, also where the bytes are no UTF-8: the rest comes back as it was, letters with accents too."""
    text = "ch;frequency;location\r\n1;27,205;Größe\r\n2;{};à côté\r\n3;27,225;\r\n"
    was, becomes = (bom + text.format(one).encode(encoding) for one in ("27,000", "27,215"))
    assert filled(tmp_path, was) == becomes


def test_names_and_modes_are_put_in_as_the_list_writes_them(tmp_path: Path) -> None:
    """A name is quoted where it must be; NFM is FM already and F3E too; another mode takes the list's own word for it."""
    of = plan(
        *THREE.frequencies_hz.values(),
        names={1: "Calling, west", 2: "Site"},
        modes={1: "FM", 2: "AM", 3: "FM"},
    )
    text = "ch,frequency,name,mode\n1,27.205,A,NFM\n2,27.215,Site,nfm\n3,27.225,C,F3E\n"
    assert filled(tmp_path, text.encode(), of).decode() == (
        'ch,frequency,name,mode\n1,27.205,"Calling, west",NFM\n2,27.215,Site,AM\n3,27.225,C,F3E\n'
    )
    narrow = "ch,frequency,mode\n1,27.205,NFM\n2,27.215,am\n3,27.225,am\n"
    assert filled(tmp_path, narrow.encode(), of).decode().endswith("2,27.215,am\n3,27.225,NFM\n")


def test_a_channel_that_is_missing_is_added_as_its_neighbour(tmp_path: Path) -> None:
    """Behind the last entry, with all other columns of the channel below; the file ends as it did."""
    text = "ch;frequency;power\r\n01;27,205;low\r\n"
    assert filled(tmp_path, text.encode()).decode() == text + "02;27,215;low\r\n03;27,225;low\r\n"
    assert filled(tmp_path, text.strip().encode()).decode() == text + "02;27,215;low\r\n03;27,225;low"


def test_entries_beyond_the_plan_stay_or_are_left_out_on_request(tmp_path: Path) -> None:
    """They are told either way."""
    text = "ch,frequency\n1,27.205\n2,27.215\n3,27.225\n41,27.415\n"
    path = tmp_path / "list.csv"
    path.write_text(text, encoding="utf-8")
    found = read_channel_list(path, NONE)
    kept, dropped = (fill(found, THREE, drop_others=one) for one in (False, True))
    assert (kept.others, dropped.others) == ((41,), (41,))
    assert kept.content.decode() == text
    assert dropped.content.decode() == text.replace("41,27.415\n", "")


def test_what_changes_is_told_cell_by_cell(tmp_path: Path) -> None:
    """Column, what stood there, what stands there now; and which channels keep a distance between receive and transmit."""
    path = tmp_path / "list.csv"
    path.write_text("ch,frequency,offset\n1,27.205,0.000\n2,27.000,-0.600\n", encoding="utf-8")
    found = fill(read_channel_list(path, NONE), THREE)
    assert (found.changed[1].channel, found.changed[1].like) == (3, 1)  # not as 2, which transmits elsewhere
    changed, _ = found.changed
    assert [(one.column, one.was, one.becomes) for one in changed.changes] == [
        ("frequency", "27.000", "27.215")
    ]
    assert found.unchanged == 1
    assert found.with_offset == (2,)
    path.write_text("ch,frequency,offset\n2,27.215,-0.600\n", encoding="utf-8")
    assert fill(read_channel_list(path, NONE), THREE).with_offset == (2, 1, 3)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"ch,frequency\n1,27.205\n1,27.215\n", ("list.csv:3:1: channel 1 stands here a second time, first on line 2",)),
        (b"ch,frequency\n", ("the list has no entry",)),
        (b'ch,frequency\n1,"27.205\n2,27.215\n', ("list.csv:2:1: quotes open here and never close",)),
        (b'ch,frequency\n1,"27.205"x\n', ("list.csv:2:1: text stands behind closing quotes",)),
        (b"ch,frequency\n1,27.205\n2,27,215\n", ("list.csv:3:1: 3 columns", "a decimal comma between commas?")),
        (b"a;b,c\n1;2,3\n", ("',' and ';' both stand between the column names",)),
        (b"ch,frequency,frequency\n1,27.205,1\n", ("column 'frequency' stands there twice",)),
        (b"ch,frequency\n1,27.205\n2,27.21x\n", ("list.csv:3:1: '27.21x' is not a frequency", "a number in MHz")),
        (b"ch,frequency\n1,26.965\n2,26900\n3,26985000\n", ("list.csv:2:1: '26.965' cannot be in kHz", "list.csv:4:1")),
        (b"ch,frequency\n1,26.9 MHz\n2,26.975 MHz\n3,26985\n", ("list.csv:4:1: '26985' cannot be in MHz",)),
        (b"ch,frequency,tx\n1,27.205,later\n", ("list.csv:2:1: 'later' is not a frequency",)),
        (b"ch,frequency\n1,27.205\n2,1.2.3\n", ("list.csv:3:1: '1.2.3' is not a frequency",)),
        (b"PK\x03\x04\x14\x00\x06\x00" * 9, ("list.csv:1:1",)),
        (codecs.BOM_UTF16_LE + b"c\0h\0\n", ("not UTF-16-LE text",)),
        (b"", ("the file is empty",)),
    ],
)  # fmt: skip
def test_a_list_it_cannot_understand_is_refused_with_the_line(
    tmp_path: Path, content: bytes, words: tuple[str, ...]
) -> None:
    """Where, what, what is allowed; never a list that was half understood."""
    with pytest.raises(FileProblems) as problems:
        filled(tmp_path, content)
    for word in words:
        assert word in str(problems.value)


def test_a_name_that_the_encoding_lacks_is_refused(tmp_path: Path) -> None:
    """A list in Windows-1252 has no Cyrillic letter."""
    of = plan(27_205_000.0, names={1: "Мост"})
    with pytest.raises(FileProblems, match="which the list's encoding does not have"):
        filled(tmp_path, "ch,frequency,name\n1,27.205,Größe\n".encode("cp1252"), of)


def _written(hz: int, unit: str, decimal: str, decimals: int | None) -> str:
    number = Decimal(hz) / {"Hz": 1, "kHz": 1000, "MHz": 1_000_000}[unit]
    text = f"{number:f}" if decimals is None else f"{number:.{decimals}f}"
    return text.replace(".", decimal)


_DIALECTS = st.fixed_dictionaries(
    {
        "unit": st.sampled_from(["Hz", "kHz", "MHz"]),
        "decimal": st.sampled_from([".", ","]),
        "separator": st.sampled_from([",", ";", "\t"]),
        "decimals": st.sampled_from([None, 6]),
        "quoting": st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL, csv.QUOTE_NONNUMERIC]),
        "end": st.sampled_from(["\n", "\r\n", "\r"]),
        "encoding": st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
        "channels": st.lists(st.integers(1, 40), min_size=1, max_size=40, unique=True),
        "other": st.text(st.characters(codec="cp1252", exclude_categories=["Cc"]), max_size=12),
    }
)


def _list_of(dialect: dict, frequencies_hz: tuple[int, ...]) -> bytes:
    """Return a list as Python's csv module writes it: another implementation than the one under test."""
    out = io.StringIO()
    decimals = 0 if dialect["unit"] == "Hz" else dialect["decimals"]
    writer = csv.writer(
        out, delimiter=dialect["separator"], quoting=dialect["quoting"], lineterminator=dialect["end"]
    )
    writer.writerow(["channel", f"frequency_{dialect['unit'].lower()}", "comment"])
    for channel in dialect["channels"]:
        hz = frequencies_hz[channel - 1]
        writer.writerow(
            [channel, _written(hz, dialect["unit"], dialect["decimal"], decimals), dialect["other"]]
        )
    return out.getvalue().encode(dialect["encoding"])


@given(_DIALECTS)
def test_a_plan_that_a_list_agrees_with_gives_the_same_bytes(
    tmp_path_factory: pytest.TempPathFactory, dialect: dict
) -> None:
    """Whatever the dialect: filled with the frequencies it has already, the list is the same to the byte."""
    hz = tuple(map(int, CEPT_FREQUENCIES_HZ))
    content = _list_of(dialect, hz)
    of = ChannelPlan(
        name="C",
        source="47 CFR 95.963",
        min_hz=26e6,
        max_hz=28e6,
        frequencies_hz={n: float(hz[n - 1]) for n in dialect["channels"]},
    )
    assert filled(tmp_path_factory.mktemp("list"), content, of) == content


@given(_DIALECTS, st.integers(1, 40))
def test_a_list_with_another_frequency_becomes_the_one_that_agrees(
    tmp_path_factory: pytest.TempPathFactory, dialect: dict, moved: int
) -> None:
    """One frequency written 10 kHz off, in any dialect with fixed decimals: filled, the list is the one that had it right."""
    dialect = {**dialect, "decimals": 6}
    hz = tuple(map(int, CEPT_FREQUENCIES_HZ))
    wrong = tuple(one + 10_000 if n == moved else one for n, one in enumerate(hz, start=1))
    of = ChannelPlan(
        name="C",
        source="47 CFR 95.963",
        min_hz=26e6,
        max_hz=28e6,
        frequencies_hz={n: float(hz[n - 1]) for n in dialect["channels"]},
    )
    assert filled(tmp_path_factory.mktemp("list"), _list_of(dialect, wrong), of) == _list_of(dialect, hz)


@given(
    st.text(st.characters(codec="utf-8", exclude_categories=["Cc"], include_characters="\n\r\t"), max_size=60)
)
def test_any_text_that_is_taken_comes_back_byte_for_byte(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    """Quotes, blanks, separators and line ends anywhere: what is not refused is written as it was read."""
    path = tmp_path_factory.mktemp("text") / "list.csv"
    path.write_bytes(text.encode())
    try:
        found = read_list_text(path)
    except FileProblems:
        return
    assert found.content() == text.encode()
