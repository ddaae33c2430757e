"""The published lists of tones and codes, from the data file beside this module, which names the source of each."""

from functools import cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from sequencer.files.fields import FileModel, between
from sequencer.files.read import read_file
from sequencer.problems import FieldProblem

FILE = Path(__file__).with_name("signalling_lists.yaml")
Figure = Annotated[float, AfterValidator(between(1.0, 1e4, ""))]
Text = Annotated[str, Field(min_length=1, max_length=300)]
LISTED = 2e-3  # as a share: a tone that lies this near to a listed one is that one; the nearest two of all are 1.45 % apart
BETWEEN_ROWS_HZ = 1_075.0


class ToneList(FileModel):
    """One list of sub-audible tones."""

    basis: Literal["seen", "from memory"]
    """Whether it was seen in a public text."""
    source: Text
    """Where."""
    hz: tuple[Figure, ...]
    """The tones."""


class CodeList(FileModel):
    """The list of digital codes."""

    basis: Literal["seen", "from memory"]
    """Whether it was seen in a public text."""
    source: Text
    """Where."""
    bit_rate: Figure
    """Bits a second."""
    octal: tuple[Text, ...]
    """The codes, three octal digits each."""


class DualToneList(FileModel):
    """The tones of which two are sent together."""

    basis: Literal["seen", "from memory"]
    """Whether it was seen in a public text."""
    source: Text
    """Where."""
    low_hz: tuple[Figure, ...] = Field(alias="low_hz")
    """The lower of two."""
    high_hz: tuple[Figure, ...] = Field(alias="high_hz")
    """The higher of two."""


class SignallingLists(FileModel):
    """All lists."""

    tones: tuple[ToneList, ...]
    """Sub-audible tones."""
    codes: CodeList
    """Digital codes."""
    dual_tones: DualToneList
    """Dual tones."""


@cache
def lists() -> SignallingLists:
    """Return the lists. Raises FileProblems where somebody has changed the file into something else."""
    return read_file(FILE, SignallingLists).model


def known_code(code: str) -> str:
    """Return a code that the list has, as `D023N` or `D023I`. Raises FieldProblem for another."""
    octal = lists().codes.octal
    if len(code) != 5 or code[0] != "D" or code[4] not in "NI" or code[1:4] not in octal:
        raise FieldProblem(
            f"there is no code {code!r}",
            allowed="D, three digits of the published list, and N for normal or I for inverted, such as D023N: "
            + " ".join(octal),
        )
    return code


def tone_said(tone_hz: float) -> str:
    """Return in words which listed sub-audible tone one is, and on what that rests; that it is none, where it is none."""
    for one in lists().tones:
        for listed_hz in one.hz:
            if abs(tone_hz - listed_hz) <= LISTED * listed_hz:
                memory = " (from memory)" if one.basis == "from memory" else ""
                return f"the listed tone {listed_hz:.1f} Hz{memory}"
    return "a tone of no list"
