"""The report as a PDF. Without the extra ``pdf`` these tests say what is missing; in CI (SEQUENCER_TEST_ALL) they then fail."""

from __future__ import annotations

import os
import sys

import pypdf
import pytest

from sequencer.problems import FileProblems
from sequencer.report import write_report
from sequencer.report.pdf import write_pdf
from sequencer.uncertainty.budget import Budget, Contribution
from sequencer.uncertainty.distributions import Shape
from tests.sequencer.report.test_page import a_run
from tests.support.stored_rows import plain_row, run_of

try:
    import weasyprint  # noqa: F401
except (ImportError, OSError) as error:  # pragma: no cover - says what is missing
    missing = f"the extra 'pdf' (weasyprint) or the system's Pango (libpangoft2-1.0-0) is missing: {error}"
    if os.environ.get("SEQUENCER_TEST_ALL"):
        pytest.fail(missing, pytrace=False)
    pytest.skip(missing, allow_module_level=True)

MARK = "SIMULATED – not a measurement of a real unit"


def pages_of(path):
    """Return the pages of a PDF as pypdf, a general-purpose reader, finds them: size in points, and text with single spaces."""
    return [
        ((float(sheet.mediabox.width), float(sheet.mediabox.height)), " ".join(sheet.extract_text().split()))
        for sheet in pypdf.PdfReader(path).pages
    ]


def test_a_pdf_has_pages_of_a4_each_marked_if_simulated(tmp_path):
    """Every page is A4 (210 x 297 mm, ISO 216) and carries the mark of a simulation, the serial and its number."""
    write_report([a_run(simulated=True)], tmp_path / "r.pdf")
    pages = pages_of(tmp_path / "r.pdf")
    assert len(pages) >= 2
    for number, (size, text) in enumerate(pages, start=1):
        assert size == pytest.approx((210 / 25.4 * 72, 297 / 25.4 * 72), abs=0.1)
        assert MARK in text
        assert "M40-0007 · run run-1" in text
        assert f"page {number} of {len(pages)}" in text


def test_a_report_in_part_simulated_marks_the_pages_of_those_runs_only(tmp_path):
    """Pages of a real run carry no mark, those of a simulated one do, and the overview says that it is so in part."""
    write_report([a_run(run="run-1"), a_run(run="run-2", simulated=True)], tmp_path / "r.pdf")
    pages = [text for _, text in pages_of(tmp_path / "r.pdf")]
    assert "SIMULATED in part: 1 of 2 runs" in pages[0]
    real = [text for text in pages if "run run-1" in text]
    simulated = [text for text in pages if "run run-2" in text]
    assert real
    assert simulated
    assert not any(MARK in text for text in real)
    assert all(MARK in text for text in simulated)


def test_the_budgets_that_a_screen_folds_away_are_printed(tmp_path):
    """Uncertainty budgets stand open in the PDF."""
    write_report([a_run()], tmp_path / "r.pdf")
    assert any("generator, level accuracy" in text for _, text in pages_of(tmp_path / "r.pdf"))


def test_no_cell_of_a_budget_is_split(tmp_path):
    """A number stays with its unit and a word in one piece, however long: what broke read as another figure on the next line."""
    wide = Contribution.bounded(
        "setting", 0.000225, Shape.TRAPEZOIDAL, top=0.5, unit="dBm", value=-119.123456
    )
    budget = Budget(quantity="level", unit="dBm", value=-119.1, contributions=(wide,))
    row = plain_row(-119.1, 0.2, id=1, budget=budget)
    write_report([run_of([row])], tmp_path / "r.pdf")
    lines = [
        " ".join(line.split())
        for sheet in pypdf.PdfReader(tmp_path / "r.pdf").pages
        for line in sheet.extract_text().splitlines()
    ]
    for cell in ("-119.12346 dBm", "0.000225 dBm", "trapezoidal", "infinite", "uncertainty"):
        assert any(cell in line for line in lines), cell


def test_nothing_is_fetched_for_a_pdf(tmp_path, caplog):
    """A page that refers to something outside itself gets nothing, not even a file of this machine."""
    secret = tmp_path / "secret.css"
    secret.write_text("p::after { content: 'leaked' }")
    write_pdf(f'<link rel="stylesheet" href="{secret.as_uri()}"><p>text</p>', tmp_path / "r.pdf")
    assert "leaked" not in pages_of(tmp_path / "r.pdf")[0][1]
    assert "Failed to load stylesheet" in caplog.text
    write_pdf('<img src="http://192.0.2.1/x.png"><p>text</p>', tmp_path / "second.pdf")
    assert "Failed to load image" in caplog.text


def test_without_the_extra_the_complaint_says_how_to_get_it(tmp_path, monkeypatch):
    """Without WeasyPrint the complaint names the extra."""
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(FileProblems, match=r"weasyprint(.|\n)*\[pdf\]"):
        write_report([a_run()], tmp_path / "r.pdf")
    assert list(tmp_path.iterdir()) == []
