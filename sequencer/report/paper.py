"""Keep the paper that every plot is drawn on, and turn a drawing into SVG that stands inside the page.

Shapes and line styles carry the meaning and colours repeat it: blue and vermilion of a palette that colour-blind readers tell apart
(Okabe and Ito).
"""

from __future__ import annotations

import io
import re
from functools import cache
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
from markupsafe import Markup
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator, ScalarFormatter

from sequencer.frozen import dataclass
from sequencer.problems import printable
from sequencer.results.text import with_minus

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

INK, GREY, PALE, BLUE, VERMILION = "#1b1b1b", "#6a6a6a", "#dfe8ef", "#005a8c", "#a63d00"
_SIZE_IN = (4.5, 2.85)
_STYLE: Any = {
    "svg.fonttype": "none",  # text stays text: it can be searched, read aloud, and takes the page's type
    "text.parse_math": False,  # a dollar sign in a name is a dollar sign
    "font.family": "sans-serif",
    "font.size": 8.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": GREY,
    "axes.linewidth": 0.6,
    "axes.labelcolor": INK,
    "axes.unicode_minus": True,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "lines.linewidth": 1.2,
    "lines.markersize": 4.5,
    "hatch.linewidth": 0.5,
    "path.simplify": False,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """One plot: the drawing, its title, and in words what it shows."""

    svg: Markup
    title: str
    caption: str


_PLACE = (0.155, 0.165, 0.82, 0.80)
_LEGEND_LINE = 0.06  # of the figure's height
_NARROW = 28  # characters of a name that leave room for another beside it


@cache
def _paper() -> tuple[Figure, Axes]:
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=_SIZE_IN)
        FigureCanvasSVG(figure)
        axes = figure.add_axes(_PLACE)
        axes.tick_params(length=3, width=0.6)
    return figure, axes


def empty_axes() -> tuple[Figure, Axes]:
    """Return empty axes. They are made once and wiped: to make them anew takes longer than to draw on them."""
    figure, axes = _paper()
    for container in list(axes.containers):
        container.remove()
    for artist in (*axes.lines, *axes.collections, *axes.patches):
        artist.remove()
    if (legend := axes.get_legend()) is not None:
        legend.remove()
    axes.set_position(_PLACE)
    for set_scale, axis in ((axes.set_xscale, axes.xaxis), (axes.set_yscale, axes.yaxis)):
        set_scale("linear")
        axis.set_major_locator(MaxNLocator(nbins=7, steps=[1, 2, 2.5, 5, 10]))
        axis.set_major_formatter(ScalarFormatter(useOffset=False))
    axes.set_prop_cycle(None)
    axes.relim()
    axes.autoscale(enable=True)
    return figure, axes


def name_series(axes: Axes, names: Sequence[str]) -> None:
    """Write the names of the series above the axes, which make room for them: over the data they would hide some."""
    columns = 2 if max(map(len, names)) <= _NARROW else 1
    left, bottom, width, height = _PLACE
    axes.set_position((left, bottom, width, height - _LEGEND_LINE * -(-len(names) // columns)))
    axes.legend(
        frameon=False, fontsize=7, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncol=columns, handlelength=2.6,
        borderaxespad=0.2, labelspacing=0.25,
    )  # fmt: skip


def finished(figure: Figure, title: str, caption: str, salt: str) -> Plot:
    """Return the plot that was drawn. ``salt`` makes names inside the drawing unique on the page, and the same each time."""
    drawn = io.StringIO()
    style: Any = {**_STYLE, "svg.hashsalt": salt}
    with mpl.rc_context(style):
        figure.savefig(
            drawn, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
        )
    title, caption = printable(title), with_minus(printable(caption))
    return Plot(svg=_inline(drawn.getvalue(), f"{title}. {caption}"), title=title, caption=caption)


def _inline(svg: str, said: str) -> Markup:
    """Return the drawing to stand inside a page: without prologue, fixed size and the names that no drawing refers to."""
    body = svg[svg.index("<svg") :]
    width, height = (float(x) for x in re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', body).groups())  # type: ignore[union-attr]
    inner = body[body.index(">") + 1 :]
    inner = re.sub(r"<metadata>.*?</metadata>", "", inner, flags=re.DOTALL)
    inner = re.sub(r'<g id="[^"]*"', "<g", inner)
    inner = re.sub(r"\s*<style[^>]*>.*?</style>", "", inner, flags=re.DOTALL)
    head = Markup(
        '<svg class="plot" xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        'viewBox="0 0 {:g} {:g}" role="img" aria-label="{}">'
    ).format(width, height, said)
    return head + Markup(inner)  # matplotlib escapes the text it draws
