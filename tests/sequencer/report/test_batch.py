"""The page of a batch: what it says, that it fetches nothing, and that no text of a row is taken for markup."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from sequencer.analysis.batches.summary import BatchSummary, find_summary
from sequencer.report import is_report, write_batch_report
from sequencer.report.batch import render_batch
from sequencer.results.store.store import Store
from tests.support.batch_store import BATCH, write_batch, write_unit

WRITTEN = datetime(2027, 1, 5, tzinfo=UTC)


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> BatchSummary:
    """Forty units, one of which is far out and was tested again."""
    with Store.open(tmp_path_factory.mktemp("batch") / "results.sqlite", power_safe=False) as store:
        write_batch(store, [3.5 + 0.02 * (at % 5) + (0.6 if at == 33 else 0.0) for at in range(40)])
        write_unit(store, 50, "M40-0033", 3.6, attempt=2)
        return find_summary(BATCH, store)


def test_the_page_has_every_figure_with_its_sentence(found: BatchSummary) -> None:
    """Yields with intervals, failures, capability, a chart with its crosses and a table beside it, seconds."""
    page = render_batch(found, title="", comments=("after the repair",), written=WRITTEN)
    # 39 of 40, exact 95 % interval 0.8684 to 0.9994 (Clopper and Pearson; any table of binomial limits)
    assert "39 of 40, 97.5 % (86.8 to 99.9 %)" in page
    assert "40 of 40, 100.0 % (91.2 to 100.0 %)" in page
    for said in (found.yields.sentence(), found.processes[0].chart_sentence(), found.seconds.sentence()):
        assert said.split(".")[0] in page
    assert page.count('<svg class="plot"') == 6
    assert "one point beyond 3 sigma" in page
    assert "M40-0033" in page
    assert "after the repair" in page
    assert "simulated" not in page.split("<body")[1].split("<header")[0]


def test_the_page_fetches_nothing_and_runs_nothing(found: BatchSummary) -> None:
    """No address, no script; a batch's name is text, whatever stands in it."""
    wicked = replace(found.record, batch="<script>alert(1)</script>", stopped="<b>x</b>")
    page = render_batch(
        replace(found, units=replace(found.units, record=wicked)), title="", comments=(), written=WRITTEN
    )
    assert "<script" not in page
    assert "&lt;b&gt;x" in page
    assert "http" not in page.replace("http-equiv", "")


def test_a_simulated_batch_says_so_across_the_page(found: BatchSummary, tmp_path: Path) -> None:
    """In the title and in a strip; and the file is known as a report again, so that --force may write over it."""
    simulated = replace(found, units=replace(found.units, record=replace(found.record, simulated=True)))
    write_batch_report(simulated, tmp_path / "b.html", written=WRITTEN)
    text = (tmp_path / "b.html").read_text(encoding="utf-8")
    assert "not a measurement of real units" in text
    assert "(simulated)</title>" in text
    assert is_report(tmp_path / "b.html")
