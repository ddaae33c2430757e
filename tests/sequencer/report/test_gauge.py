"""The page of a gauge study: every figure with its sentence, all readings drawn, no text of a study taken for markup."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from sequencer.analysis.gauge import findings_of, rests_on, verdict_of
from sequencer.problems import InputError
from sequencer.report import is_report, write_gauge_report
from sequencer.report.gauge import render_gauge
from sequencer.results.gauge_log import GaugeHead, GaugeReading, GaugeRecord, KeptCell

WRITTEN = datetime(2027, 1, 5, tzinfo=UTC)
UNITS, OPERATORS, TRIALS = ("M40-0001", "M40-0002", "M40-0003"), ("Ana", "Bela"), 3
# watts: each unit by Ana, then by Bela; of the last cell one reading is far off
VALUES = (
    3.50,
    3.51,
    3.50,
    3.50,
    3.52,
    3.51,
    3.70,
    3.71,
    3.70,
    3.71,
    3.72,
    3.71,
    3.90,
    3.91,
    3.90,
    3.91,
    3.92,
    3.60,
)


def _record(
    values: tuple[float | None, ...] = VALUES, *, limits: tuple[float, float] = (3.0, 4.0)
) -> GaugeRecord:
    head = GaugeHead(
        gauge="Power",
        units=UNITS,
        operators=OPERATORS,
        trials=TRIALS,
        order="random",
        seed=4,
        checks=("carrier_power",),
        sequence="Short",
        sequence_hash="c1",
        bench="Bench 1",
        bench_hash="c2",
        simulated=False,
    )
    keys = [
        (unit, operator, trial) for unit in UNITS for operator in OPERATORS for trial in range(1, TRIALS + 1)
    ]
    cells = {
        at: KeptCell(
            number=at,
            unit=unit,
            operator=operator,
            trial=trial,
            run=f"r{at}",
            readings=(
                GaugeReading(
                    check="carrier_power",
                    quantity="carrier power",
                    channel=20,
                    axis_value=None,
                    value=value,
                    unit="W",
                    uncertainty=0.2,
                    lower_limit=limits[0],
                    upper_limit=limits[1],
                ),
            ),
        )
        for at, ((unit, operator, trial), value) in enumerate(zip(keys, values, strict=True), start=1)
    }
    return GaugeRecord(head=head, cells=cells)


def _page(record: GaugeRecord) -> str:
    return render_gauge(
        record, findings_of(record), title="", comments=("after the repair",), written=WRITTEN
    )


def test_the_page_has_every_figure_every_reading_and_what_it_rests_on() -> None:
    """Verdict, table of variances, a mark for each of 18 readings in its operator's shape, the range chart with the odd cell named."""
    record = _record()
    page, (finding,) = _page(record), findings_of(record)
    assert verdict_of(finding).split("(")[0].strip() in page
    assert rests_on(finding).split(":")[0] in page
    for name in ("measuring", "repeatability", "reproducibility", "units", "all"):
        assert f"{name}</th>" in page
    drawing = page.split('<svg class="plot"')[1].split("</svg>")[0]
    assert drawing.count("<circle") == 9  # Ana's
    assert len(re.findall(r'Z" fill="#005a8c"', drawing)) == 9  # Bela's squares
    assert drawing.count("stroke-dasharray") == 2  # both limits
    assert "circle: Ana; square: Bela" in page
    # the mean range is (5 x about 0.014 + 0.32) / 6 = 0.065 W; D4 of 3 is 2.574 (ISO 7870-2): 0.32 W lies beyond 0.17 W
    assert "Beyond the limit: M40-0003 by Bela." in page
    assert "after the repair" in page
    assert "Simulated" not in page


def test_limits_far_away_are_not_drawn_and_said_so() -> None:
    """Drawn in, they would press all readings into one line."""
    page = _page(_record(limits=(0.0, 50.0)))
    assert "A limit lies too far away to be drawn." in page
    assert "stroke-dasharray" not in page.split('<svg class="plot"')[1].split("</svg>")[0]


def test_a_study_that_was_ended_says_what_is_missing() -> None:
    """No range chart where a cell is short; the missing cell is named, and the page says that it was ended."""
    record = replace(_record((*VALUES[:-1], None)), ended_early=True)
    page = _page(record)
    assert "Ended early: 1 measurements were not made" in page
    assert "M40-0003 by Bela: 2 of 3" in page
    assert "R chart" not in page


def test_readings_that_do_not_differ_have_no_range_chart() -> None:
    """The step of the meter hides the scatter: nothing is called good, and no chart of noughts is drawn."""
    page = _page(_record(tuple(value for value in (3.5, 3.6, 3.7) for _ in range(6))))
    assert "the step of the meter hides the scatter" in page
    assert "R chart" not in page


def test_the_page_fetches_nothing_and_takes_no_text_for_markup(tmp_path: Path) -> None:
    """Names of units and operators, the bench's and the study's are text; a simulated study says so across the page."""
    record = _record()
    wicked = "<script>alert(1)</script>"
    head = replace(
        record.head,
        gauge=wicked,
        bench=wicked,
        operators=(wicked, "Bela"),
        units=(wicked, *UNITS[1:]),
        simulated=True,
    )
    cells = {
        at: replace(
            one,
            operator=wicked if one.operator == "Ana" else one.operator,
            unit=wicked if one.unit == UNITS[0] else one.unit,
        )
        for at, one in record.cells.items()
    }
    page = _page(replace(record, head=head, cells=cells))
    assert "<script" not in page
    assert "http" not in page.replace("http-equiv", "")
    assert "not a study of real units" in page
    path = tmp_path / "g.html"
    write_gauge_report(record, findings_of(record), path, written=WRITTEN)
    assert is_report(path)
    with pytest.raises(InputError):
        write_gauge_report(record, findings_of(record), tmp_path / "g.txt", written=WRITTEN)
