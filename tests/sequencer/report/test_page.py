"""The report: what stands in it, what cannot get into it, and that it needs nothing from outside."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import pytest

from sequencer.problems import FileProblems
from sequencer.report import page, report_html, write_report
from sequencer.uncertainty.decision import GUARDED
from tests.support.stored_rows import HEARD, instrument, level_row, plain_row, row, run_of, sinad_points

VOID = {"col", "meta", "br", "link", "img", "input", "hr"}
HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>{{1234567*7}}</style></title>"
WRITTEN = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


class Reader(HTMLParser):
    """Reads a page as a browser's parser would meet it: elements, attributes, text, and whether everything is closed."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        """Note an element."""
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        """Note an empty element of a drawing."""
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        """Check that it closes what was opened last."""
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data):
        """Note text that is shown (or is a style sheet)."""
        self.text.append(data)

    def shown(self) -> str:
        """Return the text with single spaces."""
        return " ".join(" ".join(self.text).split())

    def tags(self) -> set[str]:
        """Return which elements there are."""
        return {tag for tag, _ in self.elements}


def a_run(**other):
    """Return a run with a pass, a fail, something not measured and a guarded result."""
    rows = [
        row(
            1.0, check="confirm", unit="", quantity="confirmed: squelch open", channel=None, frequency_hz=None
        ),
        level_row(
            -120.06, upper_limit=-113.0, points=sinad_points(-120.06), id=1, note="6 readings", **HEARD
        ),
        plain_row(
            4.3,
            0.2,
            unit="W",
            quantity="carrier power",
            check="carrier_power",
            lower_limit=3.0,
            upper_limit=4.0,
            id=2,
            rule=GUARDED,
        ),
        row(
            None,
            quantity="S9 point",
            check="s9_point",
            note="never reached after 9 readings",
            upper_limit=-67.0,
            id=3,
        ),
    ]
    return run_of(other.pop("rows", rows), **other)


def test_the_page_says_what_was_tested_how_and_with_what():
    """Unit, sequence, bench, conditions, rule, results with limits and decisions, readings, budget and instruments are all in the text."""
    shown = Reader(report_html([a_run()], comments=["Back from repair."])).shown()
    for words in (
        "M40-0007",
        "acceptance (aaaa)",
        "Bench 2 (bbbb)",
        "supply 13.2 V",
        "squelch open (confirmed at the terminal)",
        "2 March 2026, 10:00 (UTC)",
        "(−120.06 ± 0.70) dBm",
        "0.222 µV pd, 0.444 µV emf",
        "at most −113.0 dBm",
        "3 to 4 W",
        "guarded (w = U)",
        "never reached after 9 readings",
        "Hollinbrook SG-2, serial 2201",
        "generator, level accuracy",
        "effective degrees of freedom infinite",
        "Back from repair.",
        "3 results with a limit: 1 fail, 1 not measured, 1 pass.",
    ):
        assert words in shown, words


def test_the_page_is_well_formed_and_fetches_nothing():
    """Every element is closed; there is no script, no link to elsewhere, no address to fetch, and a policy that forbids it."""
    html = report_html([a_run()], written=None)
    reader = Reader(html)
    assert reader.open == []
    assert not reader.tags() & {"script", "link", "img", "iframe", "object", "base", "form"}
    for tag, attributes in reader.elements:
        for name in ("src", "href", "xlink:href", "action", "data"):
            assert (attributes.get(name) or "#").startswith("#"), (tag, attributes)
        assert not any(name.startswith("on") for name in attributes)
    assert not re.search(r"url\(\s*['\"]?(?!#)|@import", html)
    assert any((a.get("content") or "").startswith("default-src 'none'") for _, a in reader.elements)


def test_names_inside_the_drawings_are_unique_on_the_page():
    """Two runs with the same curves do not share a name: a browser would cut one drawing with the other's frame."""
    reader = Reader(report_html([a_run(run="run-1"), a_run(run="run-2")]))
    names = [attributes["id"] for _, attributes in reader.elements if "id" in attributes]
    assert len(names) > 10
    assert len(names) == len(set(names))
    used = {
        match
        for _, attributes in reader.elements
        for match in re.findall(r"#([\w-]+)", " ".join(filter(None, attributes.values())))
    }
    assert {name for name in used if not re.fullmatch(r"[0-9a-f]{3,8}", name)} <= set(names)


@pytest.mark.parametrize(
    "hostile",
    [HOSTILE, "\x1b[31m\u202eevil\x00", "$\\frac{1}$ _x^2 $", "'; } body { display: none } /*", "\ud800"],
)
def test_text_from_outside_is_text_wherever_it_appears(hostile):
    """Scripts, markup, style, template, formula and control characters in any text stay text, no element, attribute or rule."""
    texts = dict.fromkeys(("note", "quantity", "conditions", "rule", "mode"), hostile)
    rows = [
        level_row(-120.0, upper_limit=-113.0, points=sinad_points(-120.0), **{**texts, "rule": GUARDED}),
        *(
            plain_row(3.7, 0.2, unit="W", channel=at, check=hostile, **{**texts, "rule": GUARDED})
            for at in (1, 2, 3)
        ),
    ]
    first, *others = rows[0].budget.contributions
    budget = replace(rows[0].budget, contributions=(replace(first, source=hostile), *others))
    rows[0] = replace(rows[0], budget=budget)
    instruments = (instrument(hostile), instrument("other", maker=hostile, certificate=hostile, due=hostile))
    run = run_of(
        rows,
        serial=hostile,
        model=hostile,
        sequence=hostile,
        bench=hostile,
        run=hostile,
        outcome=hostile,
        instruments=instruments,
    )
    html = report_html([run, run], title=hostile, comments=[hostile], written=WRITTEN)
    plain = Reader(report_html([a_run(), a_run()]))
    reader = Reader(html)
    assert reader.open == []
    assert reader.tags() <= plain.tags() | {"defs", "use", "clippath", "rect", "path", "text", "pattern"}
    assert not any(name.startswith("on") for _, attributes in reader.elements for name in attributes)
    assert len([tag for tag, _ in reader.elements if tag == "style"]) == 1
    assert "8641969" not in reader.shown()  # what a template would make of the formula
    assert ("{{1234567*7}}" in reader.shown()) == (hostile == HOSTILE)
    assert not re.search("[\x00\x1b\u202e\ud800]", html)
    style = html[html.index("<style>") : html.index("</style>")]
    assert "body { display: none }" not in style
    html.encode("utf-8")


def test_hostile_text_in_a_serial_is_shown_as_it_was_written():
    """What was typed can still be read: escaped, not removed."""
    shown = Reader(report_html([a_run(serial="<script>alert(1)</script>")])).shown()
    assert "<script>alert(1)</script>" in shown


def test_simulated_runs_are_marked_on_screen_and_on_every_page():
    """A simulated run carries the word at the top, in its table's head that is repeated in print, and at the edge of each of its pages."""
    html = report_html([a_run(simulated=True), a_run(run="run-2")])
    reader = Reader(html)
    assert "1 of these 2 runs are no measurement of a real unit" in reader.shown()
    assert '@page run-1{@top-center{content:"SIMULATED' in html
    assert '@page run-2{@top-center{content:""}' in html
    assert '@page{@top-center{content:"SIMULATED in part' in html
    assert html.count('class="print-mark"') == 1
    real = report_html([a_run()])
    assert "simulated</" not in real.lower()
    assert 'content:"SIMULATED' not in real


@pytest.mark.parametrize(
    ("rows", "other", "word"),
    [
        ([level_row(-120.0, upper_limit=-113.0)], {}, "Pass"),
        ([level_row(-120.0, upper_limit=-113.0), level_row(-100.0, upper_limit=-113.0)], {}, "Fail"),
        ([level_row(-113.2, upper_limit=-113.0, rule=GUARDED)], {}, "Conditional pass"),
        ([level_row(-112.8, upper_limit=-113.0, rule=GUARDED)], {}, "Conditional fail"),
        ([level_row(-120.0, upper_limit=-113.0), row(None)], {}, "Not complete"),
        ([level_row(-120.0)], {}, "No limits"),
        ([], {}, "Empty"),
        ([level_row(-120.0, upper_limit=-113.0)], {"outcome": "interrupted (SIGINT)"}, "Not finished"),
        ([level_row(-100.0, upper_limit=-113.0)], {"outcome": "interrupted (SIGINT)"}, "Fail"),
    ],
)
def test_the_verdict_is_the_worst_that_happened(rows, other, word):
    """One word says it across the room; an interrupted run is never a pass."""
    html = report_html([run_of(rows, **other)])
    assert f'<span class="word">{word}</span>' in html


def test_the_verdict_says_how_many_limits_are_met_only_conditionally():
    """And why: nothing is stated, or the value lies in the guard band."""
    unknown = row(-120.0, upper_limit=-113.0, rule=GUARDED)
    shown = Reader(report_html([run_of([unknown, level_row(-120.0, upper_limit=-113.0)])])).shown()
    assert "1 of 2 met only conditionally (uncertainty not stated)." in shown
    near = Reader(report_html([run_of([level_row(-113.2, upper_limit=-113.0, rule=GUARDED)])])).shown()
    assert "1 of 1 met only conditionally (inside the guard band)." in near


def test_a_bench_left_unsafe_is_told():
    """When the bench could not be confirmed safe, the verdict says so."""
    assert "could not be confirmed safe" in Reader(report_html([a_run(bench_safe=False)])).shown()


def test_many_runs_begin_with_an_overview():
    """Several runs stand in one table with verdict, what did not pass (channels of a quantity together), and a way to each."""
    off = [
        plain_row(900.0, 3.0, unit="Hz", quantity="frequency error", upper_limit=600.0, channel=at)
        for at in (1, 23)
    ]
    html = report_html([run_of(off, run="a", serial="M40-0012"), a_run(run="b")], title="Batch of October")
    shown = Reader(html).shown()
    assert "Batch of October" in shown
    assert "frequency error, channels 1, 23: fail" in shown
    assert 'href="#run-2"' in html
    assert 'id="run-2"' in html


def test_a_title_of_one_s_own_is_the_page_s_heading():
    """The title given stands at the head of the page and in the browser's tab, for one run as for many; without one, none is added."""
    html = report_html([a_run()], title="Back from repair & loan")
    assert "<title>Back from repair &amp; loan</title>" in html
    assert '<h1 class="title">Back from repair &amp; loan</h1>' in html
    assert report_html([a_run(), a_run()], title="Batch").count("<h1>Batch</h1>") == 1
    assert "<h1" not in report_html([a_run()])


def test_an_old_run_says_what_its_results_do_not():
    """Readings without a target were stored before there was one: the page says so; a new run says no such thing."""
    old, new = (
        run_of([level_row(-120.0, points=sinad_points(-120.0), **facts)], run="r") for facts in ({}, HEARD)
    )
    assert "stored before results carried target" in Reader(report_html([old])).shown()
    assert "stored before results carried" not in Reader(report_html([new])).shown()


def test_a_budget_from_before_says_that_what_it_does_not_state_is_not_known():
    """A budget that was stored before the unstated was kept is not printed as one that states all."""
    found = level_row(-120.06, id=1)
    old = replace(found, budget=replace(found.budget, unstated=None))
    said = "whether the bench file stated all that it needs was not kept"
    assert said in Reader(report_html([a_run(rows=[old])])).shown()
    assert said not in Reader(report_html([a_run(rows=[found])])).shown()


def test_calibration_is_shown_and_what_was_overdue_is_named():
    """Certificate and due date stand beside an instrument; one that was overdue when this was measured says so, another does not."""
    instruments = (
        instrument(serial="", firmware="", certificate="A-1", due="2026-03-01"),
        instrument("power_meter", model="PM-1", serial="7", firmware="", certificate="A-2", due="2026-03-02"),
    )
    shown = Reader(report_html([a_run(instruments=instruments)])).shown()
    assert "Hollinbrook SG-2 A-1 2026-03-01 – overdue when this was measured" in shown
    assert "Hollinbrook PM-1, serial 7 A-2 2026-03-02" in shown
    assert shown.count("overdue when") == 1


def test_every_drawing_has_words_for_those_who_do_not_see_it():
    """Each plot and each limit bar carries a text alternative; signs beside a word are hidden from a reader of the page."""
    reader = Reader(report_html([a_run()]))
    drawings = [attributes for tag, attributes in reader.elements if tag == "svg"]
    assert len(drawings) > 5
    for attributes in drawings:
        assert attributes.get("aria-hidden") == "true" or len(attributes.get("aria-label") or "") > 20


def test_the_same_runs_give_the_same_page():
    """Written at one time, a report is the same to the last byte: nothing random is in it."""
    first, second = (report_html([a_run()], written=WRITTEN) for _ in range(2))
    assert first == second


def test_plots_can_be_left_out_and_a_large_report_leaves_those_of_passes_out(monkeypatch):
    """ "none" draws nothing; beyond the most runs with all plots a run that passed has none and says so, one that failed keeps its own."""
    assert 'class="plot"' not in report_html([a_run()], plots="none")
    monkeypatch.setattr(page, "MOST_WITH_ALL_PLOTS", 1)
    passed = run_of([level_row(-120.0, upper_limit=-113.0, points=sinad_points(-120.0))], run="p")
    html = report_html([passed, a_run(run="f")])
    assert html.count('class="plot"') == 1
    assert "Curves of runs that passed are left out" in html
    assert report_html([passed, a_run(run="f")], plots="all").count('class="plot"') == 2


def test_no_runs_make_no_report():
    """A report of nothing is refused."""
    with pytest.raises(ValueError, match="one run or more"):
        report_html([])


def test_a_report_that_cannot_be_written_says_so(tmp_path):
    """A folder that is not there is a clear complaint."""
    with pytest.raises(FileProblems, match="cannot be written"):
        write_report([a_run()], tmp_path / "nowhere" / "r.html")


def test_a_report_is_written_whole(tmp_path):
    """The file holds the page, in UTF-8, and nothing lies beside it."""
    write_report([a_run()], tmp_path / "r.html")
    assert Reader((tmp_path / "r.html").read_text(encoding="utf-8")).open == []
    assert [path.name for path in tmp_path.iterdir()] == ["r.html"]


def test_looking_back_loads_no_plots_until_a_report_is_asked_for():
    """Comparison, history and export start without matplotlib, Jinja2 or pyarrow, which take a second to load."""
    code = (
        "import sys, sequencer.analysis.compare, sequencer.analysis.history, sequencer.results.export, sequencer.report;"
        "print([name for name in ('matplotlib', 'jinja2', 'pyarrow', 'weasyprint') if name in sys.modules])"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).resolve().parents[3],
    )
    assert ran.stdout.strip() == "[]"
