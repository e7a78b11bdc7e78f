"""How figures look: one palette for vehicles, one for meanings, sizes that fit an A4 page, and the way into the page.

Colours are told apart by lightness too, and every vehicle has its own line style, so that a grey print stays readable.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

WIDTH: Final = 7.2
"""Width of a figure, inches: the text width of an A4 page with its margins."""

VEHICLE_COLOURS: Final = ("#1b4f8f", "#c8641b", "#3f9d84", "#8e3b78", "#6d6a1f", "#4aa3d6", "#a01f2e", "#6b7280")
VEHICLE_LINES: Final[tuple[Any, ...]] = ("-", (0, (5, 1.5)), (0, (1.2, 1.2)), (0, (6, 1.5, 1.2, 1.5)))
LIMIT: Final = "#9b1c31"
GOAL: Final = "#111827"
SURFACE: Final = "#f3f4f1"
EDGE: Final = "#4b5563"
QUIET: Final = "#9ca3af"
WINDOW: Final = "#e8ecf4"
ZONE: Final = "#e3e0d8"
PLATE: Final[dict[str, Any]] = {"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.8}
"""What a text in a figure is written on, so that it stays readable across curves."""

STYLE: Final = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 8.5,
    "axes.titlesize": 9,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 8.5,
    "axes.edgecolor": EDGE,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#e5e7eb",
    "grid.linewidth": 0.6,
    "lines.linewidth": 1.2,
    "hatch.linewidth": 0.5,
    "legend.frameon": False,
    "legend.fontsize": 8,
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
    "figure.dpi": 110,
    "svg.fonttype": "path",
    "path.simplify": True,
    "path.simplify_threshold": 0.4,
}


@dataclass(frozen=True)
class Look:
    """Colour and line style of one vehicle, the same in every figure."""

    colour: str
    line: Any

    @property
    def plot(self) -> dict[str, Any]:
        """Arguments for Axes.plot."""
        return {"color": self.colour, "linestyle": self.line}


def looks(vehicles: Sequence[str]) -> dict[str, Look]:
    """The look of each vehicle, by its place in the plan."""
    return {
        name: Look(VEHICLE_COLOURS[index % len(VEHICLE_COLOURS)], VEHICLE_LINES[index % len(VEHICLE_LINES)])
        for index, name in enumerate(vehicles)
    }


@contextmanager
def drawing() -> Iterator[None]:
    """Draw in the report's style, whatever the user's own is."""
    with matplotlib.rc_context({**matplotlib.rcParamsDefault, **STYLE}):
        yield


def new_figure(
    height: float,
    rows: int = 1,
    columns: int = 1,
    left: float = 0.65,
    top: float = 0.32,
    gap: float = 0.36,
    **grid: Any,
) -> tuple[Figure, Any]:
    """A figure of the page's width and its axes, as an array of shape (rows, columns).

    Inches: height of the whole, margins to the left and for a legend above, gap between rows. Fixed margins, because
    letting matplotlib find them takes as long as all the rest.
    """
    figure = Figure(figsize=(WIDTH, height))
    bottom, right, between = 0.43, 0.12, 0.12
    row = (height - top - bottom - gap * (rows - 1)) / rows
    column = (WIDTH - left - right - between * (columns - 1)) / columns
    figure.subplots_adjust(
        left=left / WIDTH,
        right=1.0 - right / WIDTH,
        bottom=bottom / height,
        top=1.0 - top / height,
        hspace=gap / row,
        wspace=between / column,
    )
    return figure, figure.subplots(rows, columns, squeeze=False, **grid)


def limit_line(axes: Axes, value: float, begin: float, end: float, text: str) -> None:
    """A limit with its value written on it."""
    axes.plot([begin, end], [value, value], color=LIMIT, linewidth=1.4, solid_capstyle="butt")
    axes.annotate(
        text,
        (end, value),
        xytext=(-2, 2),
        textcoords="offset points",
        ha="right",
        va="bottom",
        color=LIMIT,
        fontsize=7.5,
        bbox=PLATE,
    )


def legend_above(figure: Figure, styles: Mapping[str, Mapping[str, Any]]) -> None:
    """One legend for the whole figure: names with the arguments of Axes.plot that draw them."""
    handles = [Line2D([], [], linewidth=1.6, **style) for style in styles.values()]
    figure.legend(
        handles,
        list(styles),
        loc="upper right",
        bbox_to_anchor=(1.0, 1.0),
        ncols=min(6, len(handles)),
        handlelength=3.2,
        borderaxespad=0.1,
    )


def vehicle_legend(figure: Figure, vehicles: Mapping[str, Look]) -> None:
    """One legend of vehicles for the whole figure."""
    legend_above(figure, {name: look.plot for name, look in vehicles.items()})


def to_svg(figure: Figure, identity: str, text: str) -> str:
    """The figure as an SVG element for a page that holds many: its own identifiers, a text for readers of screens."""
    stream = io.StringIO()
    with matplotlib.rc_context({"svg.hashsalt": identity}):
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    svg = stream.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r'(id="|href="#|url\(#)', lambda found: f"{found.group(1)}{identity}-", svg)
    svg = re.sub(r"\s*\n\s*", "\n", svg)
    head = 'role="img" xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
    label = text.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;")
    return re.sub(r'<svg [^>]*?(viewBox="[^"]+")[^>]*>', rf'<svg \1 aria-label="{label}" {head}>', svg, count=1)
