"""What a serial and a model may be."""

from __future__ import annotations

import pytest

from sequencer.cli.common.options import check_model, check_serial
from sequencer.problems import FileProblems


@pytest.mark.parametrize(
    "serial",
    [
        "",
        "  ",
        "a/b",
        "a\\b",
        "..",
        ".x",
        "a:b",
        "a\0b",
        "a\nb",
        "a\x1b[31mb",
        "\u202egnp",
        "x" * 65,
        "x" * 10_000,
        "a*b",
    ],
)
def test_a_serial_that_cannot_name_a_file_is_refused(serial: str) -> None:
    """Slashes, control characters, bidirectional marks and beyond 64 characters: refused, with what is allowed."""
    with pytest.raises(FileProblems) as caught:
        check_serial(serial)
    assert "1 to 64 printable characters" in str(caught.value)
    assert len(str(caught.value)) < 400


@pytest.mark.parametrize("serial", ["M40-0007", " M40-0007 ", "漢字-1", "a b", "x" * 64, "-1", "=1"])
def test_a_serial_that_can_is_taken(serial: str) -> None:
    """Any printable serial is taken, without the blanks around it."""
    assert check_serial(serial) == serial.strip()


def test_a_model_is_printable_or_refused() -> None:
    """A model may be absent; one that holds an escape sequence is refused before it reaches a screen."""
    assert check_model("") == ""
    assert check_model(" M40 ") == "M40"
    for model in ("\x1b[2J", "x" * 65, "a\nb"):
        with pytest.raises(FileProblems, match="--model"):
            check_model(model)
