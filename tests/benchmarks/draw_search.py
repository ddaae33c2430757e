"""Draw the three pictures of the page on the search, from searches that are run for them.

    python tests/benchmarks/draw_search.py [FOLDER]

FOLDER is the pages' own unless given.
"""

from __future__ import annotations

import sys
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import matplotlib as mpl
from bench_shipped_search import fm_search
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from receivers import SinadReceiver, tables

from sequencer.reference import MARK
from sequencer.search.curve import CurveSearch
from sequencer.search.curve_belief import Belief

ROOT = Path(__file__).resolve().parents[2]
INK, DIM, ACCENT, WARM = "#1d2733", "#8a97a6", "#0b6e8f", "#b4541a"
SAID = {
    "search-family.svg": "SINAD over level: the curves weighed before the first reading, those left after the last, the readings.",
    "search-steps.svg": "Level over the number of the reading: where each was taken and where the crossing was believed to be after it.",
    "search-proof.svg": "How many times likelier the readings are with a response than without, of eight receivers and eight dead meters.",
}
STYLE = {
    "svg.fonttype": "none",
    "svg.hashsalt": "search",
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": DIM,
    "text.color": INK,
}


def receiver(seed: int = 5) -> SinadReceiver:
    """Return the receiver that the pictures are drawn of: 9 kHz wide, 2.2 kHz of deviation, de-emphasised, SINAD up to 22 dB."""
    table = next(one for one in tables() if one.name == "fm 9 kHz 2200 de-emph")
    return SinadReceiver(table, -117.2, np.random.default_rng(seed), ceiling_db=22.0)


def run(search: CurveSearch, unit: Any) -> list[tuple[float, float, float, Belief]]:
    """Search; return level, reading, reading time and belief of each step."""
    steps = []
    while (ask := search.ask) is not None:
        reading = unit.measure(ask)
        search.tell(reading)
        belief = search._state.fit
        assert isinstance(belief, Belief)
        steps.append((ask.level_db, reading, ask.reading_s, belief))
    return steps


def _figure() -> tuple[Figure, Any]:
    figure = Figure(figsize=(6.6, 3.3), layout="constrained")
    axes = figure.add_subplot()
    axes.tick_params(colors=DIM, labelcolor=INK)
    return figure, axes


def family_picture(steps: list[tuple[float, float, float, Belief]], search: CurveSearch) -> Figure:
    """The curves believed in before the first reading, and those that are left after the last, with the readings."""
    figure, axes = _figure()
    family, believer = search._state.family, search._state.believer
    assert family is not None
    assert believer is not None
    last = steps[-1][3]
    shown = slice(len(family.x_db) // 2 - 90, len(family.x_db) // 2 + 171, 5)
    for kept, style in ((range(0, len(family), 2), (DIM, 0.6, 0.35)), (believer._kept, (ACCENT, 0.8, 0.7))):
        for k in kept:
            curve = np.round(family.excess[k, shown] + 12.0, 2)
            axes.plot(family.x_db[shown] + last.level_db, curve, color=style[0], lw=style[1], alpha=style[2])
    axes.plot([s[0] for s in steps], [s[1] for s in steps], "o", color=WARM, ms=5)
    axes.axhline(12.0, color=INK, lw=0.7, ls=":")
    axes.set(xlim=(-126, -100), ylim=(0, 34), xlabel="level, dBm", ylabel="SINAD, dB")
    axes.set_title(
        "grey: weighed before the first reading; blue: left after the last; dots: the readings",
        fontsize=9,
        loc="left",
    )
    return figure


def steps_picture(steps: list[tuple[float, float, float, Belief]], truth_db: float) -> Figure:
    """Where each reading was taken and how the interval narrows."""
    figure, axes = _figure()
    number = np.arange(1, len(steps) + 1)
    ends = np.array([step[3].quantiles_db for step in steps])
    axes.vlines(
        number, np.maximum(ends[:, 0], -140), np.minimum(ends[:, 4], -95), color=ACCENT, lw=6, alpha=0.3
    )
    axes.vlines(number, ends[:, 1], ends[:, 3], color=ACCENT, lw=6)
    axes.plot(number - 0.15, [step[0] for step in steps], "o", color=WARM, ms=6)
    for k, (level, reading, reading_s, _) in enumerate(steps):
        axes.annotate(
            f"{reading:.1f} dB\n{reading_s:g} s",
            (k + 0.78, level),
            ha="right",
            va="center",
            fontsize=8,
            color=WARM,
        )
    axes.axhline(truth_db, color=INK, lw=0.8, ls=":")
    axes.set(
        xlim=(0.2, len(steps) + 0.6), ylim=(-128, -100), xticks=number, xlabel="reading", ylabel="level, dBm"
    )
    axes.set_title(
        "dots: readings; bars: where the crossing is believed to be (68 and 95 %); dotted: where it is",
        fontsize=9,
        loc="left",
    )
    return figure


def proof_picture() -> Figure:
    """How sure a response is, of a receiver and of meters that follow nothing, reading by reading."""
    figure, axes = _figure()
    for seed in range(8):
        unit = receiver(seed)
        odds = [step[3].log_odds for step in run(fm_search(2200.0, deemphasis=True, accuracy_db=0.5), unit)]
        axes.plot(np.arange(1, len(odds) + 1), np.exp(odds), color=ACCENT, lw=1.2, marker="o", ms=3)
    for seed in range(8):
        rng = np.random.default_rng(seed)
        search = fm_search(2200.0, deemphasis=True, accuracy_db=0.5)
        odds = []
        while search.ask is not None and len(odds) < 8:
            search.tell(max(0.0, 12.0 + 2.0 * float(rng.standard_normal())))
            if isinstance(search._state.fit, Belief):
                odds.append(search._state.fit.log_odds)
        axes.plot(np.arange(1, len(odds) + 1), np.exp(odds), color=WARM, lw=1.2, marker="s", ms=3)
    axes.axhline(600.0, color=INK, lw=0.8, ls=":")
    axes.set(yscale="log", ylim=(1e-6, 1e8), xlabel="reading", ylabel="response : none")
    axes.set_title(
        "blue: eight receivers; brown: eight dead meters at 12 ± 2 dB; dotted: 600, the proof asked for",
        fontsize=9,
        loc="left",
    )
    return figure


def main() -> None:
    """Draw them."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "sequencer/reference/pages"
    with mpl.rc_context(STYLE):  # type: ignore[arg-type]
        unit, search = receiver(), fm_search(2200.0, deemphasis=True, accuracy_db=0.5)
        steps = run(search, unit)
        tone, noise = np.exp(unit.log_tone), np.exp(unit.log_noise)
        curve = 10 * np.log10(1 + tone / (noise + tone * 10**-2.2))
        truth_db = (
            float(np.interp(12.0, np.maximum.accumulate(curve), unit.table.density_db)) - unit.offset_db
        )
        pictures = {
            "search-family.svg": family_picture(steps, search),
            "search-steps.svg": steps_picture(steps, truth_db),
            "search-proof.svg": proof_picture(),
        }
        for name, figure in pictures.items():
            drawn = StringIO()
            FigureCanvasSVG(figure).print_svg(drawn, metadata={"Date": None})
            head, rest = drawn.getvalue().split("<metadata>", 1)
            text = f"{head}<!-- {MARK} -->\n <desc>{SAID[name]}</desc>\n <metadata>{rest}"
            (folder / name).write_text(text, encoding="utf-8")
            print(name, len(text))


if __name__ == "__main__":
    main()
