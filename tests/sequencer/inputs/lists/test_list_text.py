"""What is said of a file that is no list: the words are those of the list that was asked for."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.inputs.lists.bench_list import read_bench_list
from sequencer.inputs.lists.gauge_list import read_gauge_list
from sequencer.inputs.lists.unit_list import read_unit_list
from sequencer.problems import FileProblems


@pytest.mark.parametrize(
    ("read", "kind"),
    [
        (read_unit_list, "a list of units (CSV)"),
        (read_bench_list, "a line for each bench"),
        (read_gauge_list, "a list of readings (CSV)"),
    ],
)
def test_a_wrong_file_is_told_in_the_words_of_its_list(
    read: Callable[[Path], object], kind: str, tmp_path: Path
) -> None:
    """A spreadsheet's own file, and one that is not there: nothing is said of a radio's software."""
    file = tmp_path / "units.xlsx"
    file.write_bytes(b"PK\x03\x04" + bytes(range(256)) * 4)
    with pytest.raises(FileProblems) as wrong:
        read(file)
    assert "the software" not in str(wrong.value)
    assert "save or export the list as CSV" in str(wrong.value)
    with pytest.raises(FileProblems) as missing:
        read(tmp_path / "missing.csv")
    assert kind in str(missing.value)
