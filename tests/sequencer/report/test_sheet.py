"""The customer's sheet: one page with workshop, job, as found and as left, verdict and a line to sign; budgets only when asked."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pypdf
import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.report import write_sheet
from sequencer.report.sheet import Job, render_sheets
from sequencer.results.store.store import Store
from sequencer.results.stored import StoredResult, StoredRun
from tests.sequencer.report.test_page import WRITTEN, Reader
from tests.support.stored_results import RUN, a_result
from tests.support.stored_rows import instrument, level_row, row, run_of

JOB = Job(
    workshop="Hollin Bridge Radio", customer="Ferrow Quarry Ltd", number="26-1187", technician="M. Aldane"
)


def _power(value: float, **other: Any) -> StoredResult:
    facts: dict[str, Any] = {
        "check": "adjust",
        "quantity": "carrier power",
        "unit": "W",
        "lower_limit": 3.0,
        "upper_limit": 4.0,
    }
    return row(value, uncertainty=0.1, **{**facts, **other})


ADJUSTED = (
    _power(2.31, stage="as found"),
    _power(3.82, stage="as left"),
    level_row(-120.0, upper_limit=-113.0),
)


def _html(*rows: StoredResult, job: Job = JOB, budgets: bool = False, **other: Any) -> str:
    return render_sheets([run_of(list(rows), **other)], job, budgets=budgets, written=WRITTEN)


def _shown(*rows: StoredResult, **other: Any) -> str:
    return " ".join(Reader(_html(*rows, **other)).shown().split())


def test_it_says_who_tested_what_for_whom_and_what_came_out() -> None:
    """Workshop, customer, job number, technician, unit, verdict and signature; what was found beside what was left."""
    shown = _shown(*ADJUSTED, instruments=(instrument(certificate="C-17", due="2030-01-01"),))
    for words in (
        *("Hollin Bridge Radio", "Ferrow Quarry Ltd", "26-1187", "M. Aldane", "M40-0007"),
        "Pass",
        "As found",
        "As left",
    ):
        assert words in shown
    assert "carrier power (2.31 ± 0.10) W (3.82 ± 0.10) W 3 to 4 W pass" in shown
    assert "Technician: M. Aldane Received by: Ferrow Quarry Ltd Date" in shown
    assert "certificate C-17, due 2030-01-01" in shown


def test_the_document_of_each_limit_stands_on_it_and_the_conditions() -> None:
    """A mark at the limit, the document with its edition and basis once below the table, and at what it was measured."""
    of = "limit of House rules, second edition: 3.1, figure from memory"
    own = "limit of the sequence's own, not of House rules, second edition"
    shown = _shown(
        _power(
            3.1,
            check="carrier_power",
            note=f"with 20 dB; {of}",
            document=of,
            conditions="supply 13.2 V",
            supply_v=13.2,
        ),
        _power(3.2, check="carrier_power", channel=30, note=of, document=of),
        _power(3.2, check="carrier_power", quantity="power at low", note=own, document=own),
    )
    assert shown.count(of) == 1
    assert f"1 {of}" in shown.replace("\xa0", " ")
    assert f"2 {own}" in shown.replace("\xa0", " ")
    assert "3 to 4 W 2 pass" in shown
    assert "Measured with: supply 13.2 V." in shown


def test_without_adjusting_there_is_one_value() -> None:
    """No empty column, and nothing is said of a job that nobody named."""
    shown = _shown(level_row(-120.0, upper_limit=-113.0), job=Job())
    assert "As found" not in shown
    assert "Value ± U" in shown
    assert "Customer" not in shown


def test_what_failed_says_by_how_much_and_what_was_not_measured_why() -> None:
    """The customer reads the reason on the sheet."""
    shown = _shown(_power(2.29), row(None, note="never reached"))
    assert "710 mW below the limit of 3 W" in shown
    assert "never reached" in shown
    assert "Fail" in shown


def test_budgets_stand_on_it_only_when_asked() -> None:
    """A level has a budget; the sheet has it with `budgets` alone."""
    assert "generator, level accuracy" not in _shown(*ADJUSTED)
    assert "generator, level accuracy" in _shown(*ADJUSTED, budgets=True)


def test_a_simulated_run_says_so() -> None:
    """In its head, above it, and on the printed page's edge."""
    html = _html(*ADJUSTED, simulated=True)
    assert "not a measurement of a real unit" in Reader(html).shown()
    assert html.count("SIMULATED") >= 2
    assert "simulated" not in _html(*ADJUSTED).lower()


@pytest.mark.parametrize("hostile", ["<script>alert(1)</script>", "</style><b>", "a\u202eb"])
def test_text_from_outside_acts_on_nothing(hostile: str) -> None:
    """In the head, in quantities, notes and names: it is text."""
    job = Job(workshop=hostile, customer=hostile, number=hostile, technician=hostile)
    html = _html(row(None, quantity=hostile, note=hostile), job=job, sequence=hostile, run=hostile)
    assert "<script>" not in html
    assert "\u202e" not in html
    assert "</style><b>" not in html


def _pages(runs: list[StoredRun], path: Path, **other: Any) -> list[str]:
    try:
        import weasyprint  # noqa: F401
    except (ImportError, OSError) as error:  # pragma: no cover - says what is missing
        if os.environ.get("SEQUENCER_TEST_ALL"):
            pytest.fail(f"the extra 'pdf' is missing: {error}", pytrace=False)
        pytest.skip(f"the extra 'pdf' is missing: {error}")
    write_sheet(runs, path, JOB, **other)
    return [" ".join(sheet.extract_text().split()) for sheet in pypdf.PdfReader(path).pages]


@pytest.mark.parametrize(
    ("fails_every", "left_out"),
    [
        (5, "none of them outside its limits"),
        (1, "of them not passed"),
        (99, "none of them outside its limits"),
    ],
)
def test_however_many_results_it_is_one_page(tmp_path: Path, fails_every: int, left_out: str) -> None:
    """Eighty results with long names and ten instruments: one A4 page, what failed first; what found no room is counted."""
    rows = [
        _power(
            2.29 if n % fails_every == 0 else 3.5,
            channel=n,
            check="carrier_power",
            quantity=f"quantity {n} with a long name, 20 dB above",
        )
        for n in range(1, 81)
    ]
    instruments = tuple(
        instrument(f"instrument_{n}", certificate="C-17", due="2020-01-01") for n in range(10)
    )
    (page,) = _pages([run_of(rows, instruments=instruments)], tmp_path / "s.pdf")
    assert left_out in page
    assert "in the full report of this run" in page
    assert "Received by" in page


def test_two_runs_are_two_pages(tmp_path: Path) -> None:
    """Each unit has its own sheet; budgets come behind on pages of their own."""
    runs = [run_of(list(ADJUSTED), run=name) for name in ("run-1", "run-2")]
    assert len(_pages(runs, tmp_path / "s.pdf")) == 2
    assert len(_pages(runs[:1], tmp_path / "b.pdf", budgets=True)) == 2


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder whose store holds a run."""
    with Store.open(tmp_path / "results.sqlite") as store:
        store.write_run(RUN)
        store.write_check(RUN.run, 0, [a_result()], [])
        store.write_end(RUN.run, outcome="done", bench_safe=True, bench_s=1.0)
    return tmp_path


def _report(folder: Path, *words: str, **environment: str) -> Any:
    call = ["report", "last", str(folder / "s.html"), "--folder", str(folder), *words]
    return CliRunner().invoke(main, call, env=environment)


def test_the_command_takes_what_stands_on_it(folder: Path) -> None:
    """Customer, job and technician as options; the workshop once for all in the environment."""
    done = _report(
        folder, "--sheet", "--customer", "Ferrow", "--job", "26-1", SEQUENCER_WORKSHOP="Hollin Bridge"
    )
    assert done.exit_code == 0, done.output
    shown = Reader((folder / "s.html").read_text(encoding="utf-8")).shown()
    for words in ("Hollin Bridge", "Ferrow", "26-1"):
        assert words in shown


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--customer", "Ferrow"), ("--customer", "on the customer's sheet only", "add --sheet")),
        (("--budgets",), ("--budgets", "add --sheet")),
        (("--sheet", "--title", "x"), ("--sheet", "takes no title")),
        (("--sheet", "--job", "x" * 121), ("--job", "121 characters in it", "at most 120")),
    ],
)
def test_options_that_do_not_go_together_are_refused(
    folder: Path, words: tuple[str, ...], said: tuple[str, ...]
) -> None:
    """Status 2, which option, and what to do; nothing is written."""
    done = _report(folder, *words)
    assert done.exit_code == 2
    for one in said:
        assert one in done.stderr
    assert not (folder / "s.html").exists()


def test_a_bound_is_called_one_on_the_sheet() -> None:
    """A customer reads "at most" before what the analyser could not see below of; before what was measured nothing."""
    hidden = _power(2.5, bound="at most")
    assert "at most (2.5" in _shown(hidden)
    assert "at most (2.5" not in _shown(_power(2.5))
