"""Files into models: every complaint at its place, all at once, and nothing hangs or raises otherwise."""

import os
from datetime import date
from enum import Enum
from typing import Annotated, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import Field, field_validator, model_validator

from sequencer.files.fields import FileModel, FrequencyHz, LevelDbm, PowerW, RatioDb, TimeS
from sequencer.files.read import LARGEST_BYTES, read_file, read_text
from sequencer.problems import FieldProblem, FieldProblems, FileProblems


class Limit(FileModel):
    """Limits on a level."""

    min_dbm: LevelDbm | None = None
    max_dbm: LevelDbm | None = None

    @model_validator(mode="after")
    def _in_order(self):
        if self.min_dbm is not None and self.max_dbm is not None and self.min_dbm > self.max_dbm:
            raise FieldProblem("max lies below min", at=("max",), allowed="min or more")
        return self


class Sensitivity(FileModel):
    """One kind of check."""

    check: Literal["sensitivity"]
    channel: int | list[int]
    tone_hz: FrequencyHz = 1000.0
    limit: Limit = Limit()


class CarrierPower(FileModel):
    """Another kind of check."""

    check: Literal["carrier_power"]
    channel: int | list[int]
    due: date | None = None
    power_w: PowerW | LevelDbm | None = None


class Side(Enum):
    """An enumeration in a file."""

    RECEIVE = "receive"
    TRANSMIT = "transmit"


class Sequence(FileModel):
    """A file's model with everything that complicates a position."""

    sequence: str
    mode: Literal["FM", "AM"] = "FM"
    side: Side = Side.RECEIVE
    quiet: bool = False
    repeat: int = Field(default=1, ge=1, le=10)
    factor: float = 1.0
    wait_s: TimeS = 0.0
    loss_db: dict[FrequencyHz, RatioDb] = Field(default_factory=dict)
    pair: tuple[int, int] = (1, 2)
    checks: tuple[Annotated[Sensitivity | CarrierPower, Field(discriminator="check")], ...] = ()

    @field_validator("sequence")
    @classmethod
    def _not_forbidden(cls, name):
        if name == "forbidden":
            raise ValueError("this name is taken")
        return name

    @model_validator(mode="after")
    def _no_equal_checks(self):
        kinds = [check.check for check in self.checks]
        if len(self.checks) == 7:
            raise FieldProblems(
                FieldProblem(f"too many {kind}", at=("checks", index, "check"))
                for index, kind in enumerate(kinds)
            )
        return self


def complaints_of(text):
    """Return the complaints about a text."""
    with pytest.raises(FileProblems) as caught:
        read_text(text, Sequence, file="a.yaml")
    return caught.value.complaints


def only_complaint(text):
    """Return the one complaint about a text."""
    complaints = complaints_of(text)
    assert len(complaints) == 1, [str(one) for one in complaints]
    return complaints[0]


GOOD = """\
sequence: acceptance
mode: AM
side: transmit
quiet: true
wait: 30 ms
loss: {27 MHz: 0.42 dB, 28 MHz: 0.43 dB}
pair: [3, 4]
checks:
  - check: sensitivity
    channel: 20
    tone: 1 kHz
    limit: {max: -113 dBm}
  - {check: carrier_power, channel: [1, 20], due: 2027-06-30, power: 4 W}
"""


def test_a_good_file_becomes_its_model(tmp_path):
    """Quantities arrive in the unit of the field, dates and tuples as themselves, with positions kept."""
    path = tmp_path / "a.yaml"
    path.write_text(GOOD, encoding="utf-8")
    read = read_file(path, Sequence)
    assert read.model.wait_s == 0.03
    assert read.model.loss_db == {27e6: 0.42, 28e6: 0.43}
    assert read.model.side is Side.TRANSMIT
    assert read.model.pair == (3, 4)
    assert read.model.checks[0].limit.max_dbm == -113.0
    assert read.model.checks[1].due == date(2027, 6, 30)
    assert str(read.source.where("checks", 1, "channel")) == f"{path}:13:37"


def test_a_byte_order_mark_is_passed_over(tmp_path):
    """A UTF-8 byte order mark, as some editors write, changes nothing."""
    path = tmp_path / "a.yaml"
    path.write_bytes(b"\xef\xbb\xbfsequence: x\n")
    assert read_file(path, Sequence).model.sequence == "x"


@pytest.mark.parametrize(
    ("text", "place", "said", "allowed", "hint"),
    [
        ("sequence: 7", "1:11", "'7' is not allowed", "text", "put it in quotes: '7'"),
        ("sequence: forbidden", "1:11", "this name is taken", "", ""),
        ("sequence: x\nmode: fm", "2:7", "'fm' is not allowed", "'FM' or 'AM'", "did you mean 'FM'?"),
        (
            "sequence: x\nside: recieve",
            "2:7",
            "'recieve'",
            "'receive' or 'transmit'",
            "did you mean 'receive'?",
        ),
        ("sequence: x\nquiet: yes", "2:8", "'yes' is not allowed", "true or false", "write true"),
        ("sequence: x\nrepeat: '3'", "2:9", "'3' is not allowed", "a whole number", "without quotes"),
        ("sequence: x\nrepeat: 010", "2:9", "'010' is not allowed", "a whole number", "leading zeros"),
        ("sequence: x\nrepeat: 2.5", "2:9", "'2.5' is not allowed", "a whole number", ""),
        ("sequence: x\nrepeat: true", "2:9", "'true' is not allowed", "a whole number", ""),
        ("sequence: x\nrepeat: 11", "2:9", "'11' is not allowed", "less than or equal to 10", ""),
        ("sequence: x\nrepeat:", "2:8", "nothing stands here", "a whole number", ""),
        ("sequence: x\nfactor: .nan", "2:9", "'.nan' is not allowed", "a number", ""),
        (
            "sequence: x\nwait: 30",
            "2:7",
            "'30' has no unit",
            "in s, ms, us, min or h",
            "as in '30 s' or '30 ms'",
        ),
        ("sequence: x\nwait: 30.0", "2:7", "'30.0' has no unit", "", ""),
        ("sequence: x\nwait: 4 V", "2:7", "'4 V' is not a time", "", "'V' is for a voltage"),
        ("sequence: x\nwait: [30 ms]", "2:7", "a time is due", "in s, ms", ""),
        ("sequence: x\nwait: true", "2:7", "a time is due", "in s, ms", ""),
        ("sequence: x\nwait_s: 30 ms", "2:1", "unknown key 'wait_s'", "wait", "did you mean 'wait'?"),
        ("sequence: x\nchekcs: []", "2:1", "unknown key 'chekcs'", "checks", "did you mean 'checks'?"),
        ("sequence: x\n7: y", "2:1", "unknown key '7'", "", ""),
        ("mode: FM", "1:1", "key 'sequence' is missing", "", ""),
        ("sequence: x\nloss: {27: 1 dB}", "2:8", "'27' has no unit", "MHz", ""),
        ("sequence: x\nloss: {27 MHz: 1}", "2:16", "'1' has no unit", "dB", ""),
        ("sequence: x\nloss: 1 dB", "2:7", "'1 dB' is not allowed", "a mapping", ""),
        ("sequence: x\npair: [1]", "2:7", "'1'", "", ""),
        ("sequence: x\nchecks: {a: 1}", "2:9", "found a mapping", "a list", ""),
        ("sequence: x\nchecks: [5]", "2:10", "'5' is not allowed", "a mapping", ""),
        ("sequence: x\nchecks:\n  - {channel: 1}", "3:5", "key 'check' is missing", "", ""),
        (
            "sequence: x\nchecks:\n  - {check: sensitivty}",
            "3:13",
            "check 'sensitivty' is unknown",
            "sensitivity, carrier_power",
            "did you mean 'sensitivity'?",
        ),
        ("sequence: x\nchecks:\n  - {check: sensitivity}", "3:5", "key 'channel' is missing", "", ""),
        (
            "sequence: x\nchecks:\n  - {check: sensitivity, channel: 1, limit: {mx: 1 dBm}}",
            "3:46",
            "unknown key 'mx'",
            "the keys min, max",
            "did you mean 'max'?",
        ),
        (
            "sequence: x\nchecks:\n  - {check: sensitivity, channel: 1, limit: {min: 1 dBm, max: 0 dBm}}",
            "3:63",
            "max lies below min",
            "min or more",
            "",
        ),
        (
            "sequence: x\nchecks:\n  - {check: sensitivity, channel: x}",
            "3:35",
            "'x'",
            "whole number; or a list",
            "",
        ),
        (
            "sequence: x\nchecks:\n  - {check: sensitivity, channel: [1, x]}",
            "3:39",
            "'x'",
            "a whole number",
            "",
        ),
        (
            "sequence: x\nchecks:\n  - {check: carrier_power, channel: 1, due: 2027-13-30}",
            "3:45",
            "'2027-13-30'",
            "a date",
            "",
        ),
        (
            "sequence: x\nchecks:\n  - {check: carrier_power, channel: 1, power: 4 V}",
            "3:47",
            "'4 V'",
            "W",
            "",
        ),
        ("- sequence", "1:1", "holds a list", "a mapping with the keys sequence, mode", ""),
        ("only text", "1:1", "holds 'only text'", "a mapping", ""),
    ],
)
def test_each_fault_is_one_complaint_at_its_place(text, place, said, allowed, hint):
    """A wrong value is shown at the value, an unknown key at the key, a missing key at its mapping."""
    if said == "'1'":  # a tuple that is too short: pydantic speaks of the missing element
        complaint = complaints_of(text)[0]
        assert complaint.place == f"a.yaml:{place}"
        return
    complaint = only_complaint(text)
    assert complaint.place == f"a.yaml:{place}"
    assert said in complaint.message
    assert allowed in complaint.allowed
    assert hint in complaint.hint


def test_all_complaints_come_at_once_in_the_order_of_the_file():
    """YAML's own faults (a duplicate key, a tag) and the model's are listed together, by line."""
    text = """\
sequence: 7
mode: fm
mode: AM
chekcs: 3
checks:
  - {check: sensitivity, chanel: 20, limit: {max: -113}}
  - {check: carrier_power, channel: 1, due: !!python/object:os.system {}}
"""
    complaints = complaints_of(text)
    assert [(one.line, one.message) for one in complaints] == [
        (1, "'7' is not allowed here"),
        (2, "'fm' is not allowed here"),
        (3, "key 'mode' appears twice in this mapping"),
        (4, "unknown key 'chekcs'"),
        (6, "key 'channel' is missing"),
        (6, "unknown key 'chanel'"),
        (6, "'-113' has no unit"),
        (7, "tag '!!python/object:os.system' is not allowed"),
    ]
    assert complaints[4].hint == "'chanel' looks like it"


def test_the_text_shows_line_pointer_and_hint():
    """The exception's text is what a person needs: place, line, pointer, what is allowed, the nearest key."""
    with pytest.raises(FileProblems) as caught:
        read_text("sequence: x\nchekcs: []\n", Sequence, file="a.yaml")
    assert str(caught.value).split("\n") == [
        "a.yaml:2:1: unknown key 'chekcs'",
        "    chekcs: []",
        "    ^",
        "    allowed: the keys sequence, mode, side, quiet, repeat, factor, wait, loss, pair, checks",
        "    did you mean 'checks'?",
    ]


def test_several_complaints_from_one_validator_keep_their_places():
    """A validator across fields may raise several complaints, each pointing at its own field."""
    lines = "".join("  - {check: sensitivity, channel: 1}\n" for _ in range(7))
    complaints = complaints_of("sequence: x\nchecks:\n" + lines)
    assert [(one.line, one.column) for one in complaints] == [(line, 13) for line in range(3, 10)]


def test_python_fills_a_model_with_numbers_by_field_name():
    """In Python a model takes numbers in the field's unit; from a file the same bare number is refused."""
    assert Limit(max_dbm=-113.0).max_dbm == -113.0
    with pytest.raises(FileProblems, match="has no unit"):
        read_text("max: -113.0", Limit)


# --- the file itself -------------------------------------------------------------------------------


def whole_complaint(path):
    """Return the one complaint about a file that cannot be read."""
    with pytest.raises(FileProblems) as caught:
        read_file(path, Sequence)
    assert len(caught.value.complaints) == 1
    return caught.value.complaints[0]


def test_a_missing_file_names_its_neighbour(tmp_path):
    """A file that is not there is one complaint, with the nearest name in the folder."""
    (tmp_path / "sequence.yaml").write_text("sequence: x")
    complaint = whole_complaint(tmp_path / "sequnce.yaml")
    assert complaint.message == "no such file"
    assert complaint.hint == "did you mean 'sequence.yaml'?"
    assert complaint.place == str(tmp_path / "sequnce.yaml")


def test_a_directory_is_refused(tmp_path):
    """A directory is named as one."""
    assert "directory" in whole_complaint(tmp_path).message


def test_a_pipe_is_refused_at_once(tmp_path):
    """A named pipe, which would hang the reader, is refused without being opened."""
    os.mkfifo(tmp_path / "pipe.yaml")
    assert "not an ordinary file" in whole_complaint(tmp_path / "pipe.yaml").message


def test_paths_the_system_refuses(tmp_path):
    """A loop of links, a name too long and a NUL in the name are complaints, not tracebacks."""
    loop = tmp_path / "loop.yaml"
    loop.symlink_to(loop)
    assert "cannot be read" in whole_complaint(loop).message
    assert "cannot be read" in whole_complaint(tmp_path / ("x" * 5000)).message
    assert "cannot be read" in whole_complaint("a\0.yaml").message


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_a_file_that_may_not_be_read(tmp_path):
    """Missing permission is named as such."""
    path = tmp_path / "a.yaml"
    path.write_text("sequence: x")
    path.chmod(0)
    assert whole_complaint(path).message == "you may not read this file"


def test_a_file_over_one_mebibyte_is_refused_unread(tmp_path):
    """A file beyond the bound is refused by its size: here 1 TiB of nothing, too much to read."""
    path = tmp_path / "a.yaml"
    with path.open("wb") as file:
        file.truncate(1 << 40)
    assert f"at most {LARGEST_BYTES} bytes" in whole_complaint(path).allowed


def test_a_file_of_one_mebibyte_is_read(tmp_path):
    """The bound itself is allowed."""
    path = tmp_path / "a.yaml"
    text = "sequence: x\n#"
    path.write_text(text + "x" * (LARGEST_BYTES - len(text)))
    assert read_file(path, Sequence).model.sequence == "x"


@pytest.mark.parametrize(
    ("content", "line", "column", "hint"),
    [
        (b"sequence: x\nmode: \xb5V", 2, 7, "UTF-8"),
        ("sequence: x".encode("utf-16"), 1, 1, "UTF-16"),
        (b"\x89PNG\r\n\x1a\n\0\0\xff", 1, 1, "the file that was meant"),
        (b"%PDF-1.4\n1 0 obj\n", 1, 1, "the file that was meant"),
        (b"sequence: \xff\0", 1, 11, "binary"),
        ("sequence: x".encode("utf-16-le"), 1, 1, "UTF-16"),
        (b"sequence: \0", 1, 11, "not text"),
        (b"", 1, 1, ""),
    ],
)
def test_what_is_not_text_is_refused(tmp_path, content, line, column, hint):
    """Other encodings, binary files, NUL and empty files are refused at their first strange byte."""
    path = tmp_path / "a.yaml"
    path.write_bytes(content)
    complaint = whole_complaint(path)
    assert (complaint.line, complaint.column) == (line, column)
    assert hint in complaint.hint


def test_no_code_in_a_file_runs(tmp_path):
    """A tag that asks Python to run a command leaves nothing but a complaint (a danger PyYAML documents)."""
    target = tmp_path / "made"
    text = f"sequence: !!python/object/apply:os.mkdir ['{target}']"
    assert "is not allowed" in only_complaint(text).message
    assert not target.exists()


def test_control_characters_do_not_reach_the_terminal(tmp_path):
    """Escapes in file names and values are spelt out in the complaint's text."""
    with pytest.raises(FileProblems) as caught:
        read_text("sequence: x\nmode: '\u202efm'", Sequence, file="a\x1b[2J.yaml")
    assert "\x1b" not in str(caught.value)
    assert "\u202e" not in str(caught.value)


def test_many_complaints_are_counted():
    """The text stops after a screenful and counts the rest; the tuple holds them all."""
    with pytest.raises(FileProblems) as caught:
        read_text("sequence: x\n" + "".join(f"k{n}: 1\n" for n in range(300)), Sequence)
    assert len(caught.value.complaints) == 300
    assert str(caught.value).endswith("… and 250 more")


@given(
    text=st.text(max_size=80) | st.from_regex(r"(sequence|checks|loss|wait): [\[\]{}0-9a-z:,* &!'-]{0,30}\n")
)
def test_any_text_is_a_model_or_complaints(text):
    """No text whatever raises anything but FileProblems."""
    complaints = None
    try:
        read_text(text, Sequence)
    except FileProblems as problems:
        complaints = problems.complaints
    assert complaints is None or "".join(str(one) for one in complaints)
