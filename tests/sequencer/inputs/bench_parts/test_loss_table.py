"""Loss tables: written and read back, refused where they are wrong, and what a bench file that names one is told."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.inputs.bench_parts.loss_table import LoadedTable, frequency_text, load_table, table_text
from sequencer.inputs.load_bench import load_bench
from sequencer.problems import FileProblems
from sequencer.units.parse import FREQUENCY, parse_quantity

DAY = date(2026, 11, 25)
GOOD = table_text(
    title="receive path",
    day=DAY,
    simulated=False,
    run="r1",
    instruments={
        "power_meter": {
            "identity": "Hollinbrook PM-1, serial 3107, firmware 2.0",
            "certificate": "A-1",
            "due": DAY,
        }
    },
    losses={28e6: (0.43, 0.09), 27e6: (0.42, 0.1)},
)


def _write(folder: Path, text: str) -> Path:
    path = folder / "table.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_table_comes_back_as_it_was_written(tmp_path: Path) -> None:
    """Losses by frequency, the largest uncertainty, instruments and date; frequencies in order."""
    table = load_table(_write(tmp_path, GOOD)).table
    assert list(table.loss.items()) == [(27e6, 0.42), (28e6, 0.43)]
    assert table.uncertainty_db == pytest.approx(0.1, abs=1e-4)
    assert table.uncertainty_db >= 0.1
    assert (table.day, table.simulated, table.run) == (DAY, False, "r1")
    assert table.instruments["power_meter"].due == DAY


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.floats(1.0, 5e10, allow_nan=False))
def test_a_frequency_is_read_back_as_it_is_written(frequency_hz: float) -> None:
    """Twelve figures, which no generator has."""
    assert parse_quantity(frequency_text(frequency_hz), FREQUENCY) == pytest.approx(frequency_hz, rel=1e-11)


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ("  27 MHz: 0.4200 dB\n", "  27 MHz: 0.42\n", "0.42"),
        ("  27 MHz: 0.4200 dB\n", "  27 MHz: nan dB\n", "nan"),
        ("  27 MHz: 0.4200 dB\n", "  29 MHz: 0.4200 dB\n", "different frequencies"),
        ("date: 2026-11-25", "date: yesterday", "date"),
        ("simulated: false", "simulated: perhaps", "simulated"),
        ("loss_table: receive path\n", "", "loss_table"),
        ("run: r1\n", "run: r1\nfoo: 1\n", "foo"),
        ("  27 MHz: 0.4200 dB\n", "  27 MHz: 500 dB\n", "500"),
    ],
)
def test_a_table_that_is_wrong_is_refused_with_its_place(
    tmp_path: Path, old: str, new: str, text: str
) -> None:
    """A bare number, NaN, an uncertainty elsewhere, no date, an unknown key: file, line and what is allowed."""
    assert old in GOOD
    with pytest.raises(FileProblems, match=text) as caught:
        load_table(_write(tmp_path, GOOD.replace(old, new, 1)))
    assert caught.value.complaints[0].file.endswith("table.yaml")


def test_age_is_told(tmp_path: Path) -> None:
    """A table of today, one of more than a year ago, one from the future."""
    loaded = load_table(_write(tmp_path, GOOD))
    assert "0 days old" in loaded.described(DAY)
    assert "measure it again" in loaded.described(date(2027, 12, 1))
    assert "check the clock" in loaded.described(date(2026, 1, 1))
    assert isinstance(loaded, LoadedTable)
    assert (loaded.is_old(date(2027, 11, 25)), loaded.is_old(date(2027, 11, 26))) == (False, True)


def _bench(bench_file: Callable[..., Path], loss: str, **more: str | None) -> Path:
    return bench_file(paths={"receive": {"loss": loss, **more}})


def test_a_bench_file_s_own_uncertainty_holds(bench_file: Callable[..., Path]) -> None:
    """An uncertainty in the bench file stands against the table's; without it the table's largest is taken."""
    path = _bench(bench_file, "table.yaml", uncertainty="0.3 dB")
    _write(path.parent, GOOD)
    receive = load_bench(str(path)).bench.paths.receive
    assert receive is not None
    assert receive.uncertainty_db == 0.3
    assert receive.loss_db(27e6) == pytest.approx(0.42)


def test_a_missing_table_is_refused_with_the_nearest(bench_file: Callable[..., Path]) -> None:
    """The bench file's line, what was found, what would do, and the name that was probably meant."""
    path = _bench(bench_file, "tabel.yaml")
    _write(path.parent, GOOD)
    with pytest.raises(FileProblems, match="no such loss table") as caught:
        load_bench(str(path))
    (complaint,) = caught.value.complaints
    assert complaint.line > 1
    assert "table.yaml" in complaint.hint
    assert "27 MHz: 0.42 dB" in complaint.allowed


@pytest.mark.parametrize("named", ["", "x" * 500, "x" * 290, "a\x00b", ".", "/dev/null", "table.yaml/below"])
def test_a_name_that_is_no_file_is_refused(bench_file: Callable[..., Path], named: str) -> None:
    """Empty, endless, with a NUL, a folder, a device, below a file: refused without a traceback."""
    path = _bench(bench_file, named)
    _write(path.parent, GOOD)
    with pytest.raises(FileProblems):
        load_bench(str(path))


def test_a_wrong_table_is_told_of_beside_the_bench_file_s_own_mistakes(
    bench_file: Callable[..., Path],
) -> None:
    """The complaint names the table's line, not the bench file's."""
    path = _bench(bench_file, "table.yaml")
    _write(path.parent, GOOD.replace("0.4200 dB", "0.42"))
    with pytest.raises(FileProblems, match=r"table\.yaml:\d+"):
        load_bench(str(path))


def test_a_simulated_table_is_refused_on_a_real_bench(bench_file: Callable[..., Path]) -> None:
    """What a simulated bench measured stands for no real cable; on a simulated bench it will do."""
    path = _bench(bench_file, "table.yaml")
    _write(path.parent, GOOD.replace("simulated: false", "simulated: true"))
    assert load_bench(str(path)).tables["receive"].table.simulated
    content = yaml.safe_load(path.read_text())
    for key in ("unit", "clock", "seed"):
        content.pop(key, None)
    path.write_text(yaml.safe_dump({**content, "visa": "py"}, sort_keys=False))
    with pytest.raises(FileProblems, match="measured on a simulated bench, and stands for no real cable"):
        load_bench(str(path))
