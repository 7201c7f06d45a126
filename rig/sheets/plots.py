"""Pictures of results, written as PNG or SVG by the suffix of their file.

One look throughout: loading drawn full, unloading dashed, cycles from dark to light in a colour map that
stays ordered for colour-blind readers and in grey print; axes name quantity and unit.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from io import BytesIO, StringIO
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.text import Text
from matplotlib.ticker import FixedFormatter, Formatter, FuncFormatter, MaxNLocator, StrMethodFormatter

from rig.analyser import CaptureResult, spoilt
from rig.core import BOTH, METRIC, US, chosen_units, html_text, in_chosen_units, plot_text, quantity
from rig.samples import FloatArray, IntArray
from rig.units import us_factor, us_name

INK = "#1b2a33"
SERIES = ("#0b5d7a", "#c8641b", "#4d7c3a", "#7a3d78")
"""Colours of captures drawn together, told apart in grey print by their markers."""

MARKERS = ("o", "s", "^", "D")

DPI = 130
MOST_POINTS = 400
"""A trend over more cycles than this shows this many of them, spread by their logarithm."""

SALT = "pressrig"
"""The same results give the same file."""

LONG_RUN = 30
"""From this many cycles on, a trend is drawn over the logarithm of their number."""

DASHES = (0, (4, 2))
TRENDS = ("secant_n_per_mm", "hysteresis_pct", "set_mm")


@dataclass(frozen=True, slots=True)
class Drawn:
    """A picture in both forms."""

    svg: str
    png: bytes

    def save(self, stem: Path) -> None:
        """Write both files beside each other; `stem` is their path without the ending."""
        stem.with_name(f"{stem.name}.svg").write_text(self.svg, encoding="utf-8")
        stem.with_name(f"{stem.name}.png").write_bytes(self.png)


def save_loops(result: CaptureResult, title: str, path: Path) -> None:
    """Force against deflection of some cycles of one capture."""

    figure, axes = new_figure(1, (7.0, 4.8))
    loops = result.loops
    for rank, loop in enumerate(loops):
        shade = to_hex(colormaps["viridis"](0.85 * rank / max(len(loops) - 1, 1)))
        label = f"cycle {loop.cycle}" if rank in (0, len(loops) - 1) else None
        x, f = loop.deflection_mm, loop.force_n
        turn = int(np.argmax(x))
        axes[0].plot(x[: turn + 1], f[: turn + 1], color=shade, linewidth=1.3, label=label)
        axes[0].plot(x[turn:], f[turn:], color=shade, linewidth=1.1, linestyle=DASHES)
    label_axes(axes[0], "deflection, mm", "force, N", title)
    legend_of_strokes(axes[0])
    save_figure(figure, path)


def save_cycle_trends(
    result: CaptureResult, title: str, path: Path, beside: Mapping[str, FloatArray] | None = None
) -> None:
    """Stiffness, hysteresis and set against the number of cycles.

    Parameters
    ----------
    beside
        Further columns, one value for each cycle, drawn below: a specimen that grows warm softens too.
    """
    beside = beside or {}
    count = len(TRENDS) + len(beside)
    figure, axes = new_figure(count, (7.0, 2.2 * count))
    picked = _spread(len(result))
    nothing = np.empty(0)
    cycle = result.columns.get("cycle", nothing)[picked]
    flags = result.columns.get("flags", nothing)[picked]
    for axis, name in zip(axes[len(TRENDS) :], beside, strict=True):
        shown = quantity(name)
        axis.plot(cycle, beside[name][picked], "s-", color=SERIES[0], markersize=3.0)
        label_axes(axis, "", f"{shown.title},\n{shown.unit}", "")
    all_good = True
    for axis, name in zip(axes, TRENDS, strict=False):
        shown = quantity(name)
        values = result.columns.get(name, nothing)[picked]
        errors = np.nan_to_num(2 * result.columns.get(f"{name}_u", nothing)[picked])
        good = ~spoilt(flags, [name])[0]
        all_good = all_good and bool(good.all())
        axis.errorbar(cycle[good], values[good], errors[good], fmt="o-", color=SERIES[0], markersize=3.5)
        axis.plot(cycle[~good], values[~good], "x", color=SERIES[1], label="left out of means")
        label_axes(axis, "", f"{shown.title},\n{shown.unit}", "")
    if not all_good:
        axes[0].legend(frameon=False)
    axes[0].set_title(title, loc="left", color=INK, fontsize=11)
    axes[-1].set_xlabel("cycle (bars: 95 % of one measurement)", color=INK)
    _number_cycles(axes[-1], len(result))
    save_figure(figure, path)


def legend_of_strokes(axis: Axes) -> None:
    """What the colours and the dashes mean; nothing where nothing was drawn."""

    axis.axhline(0, color=INK, linewidth=0.6)
    drawn, _ = axis.get_legend_handles_labels()
    if drawn:
        dashed = Line2D([], [], color=INK, linewidth=1.1, linestyle=DASHES, label="unloading")
        axis.legend(handles=[*drawn, dashed], frameon=False, loc="upper left")


def _spread(count: int) -> IntArray:
    """Return the rows to draw of a table of cycles: all, or `MOST_POINTS` evenly by their logarithm."""
    if count <= MOST_POINTS:
        return np.arange(count)
    return np.unique(np.geomspace(1, count, MOST_POINTS).astype(np.int64)) - 1


def _number_cycles(axis: Axes, count: int) -> None:

    if count < LONG_RUN:
        axis.xaxis.set_major_locator(MaxNLocator(integer=True))
        return
    axis.set_xscale("log")
    axis.xaxis.set_major_formatter(StrMethodFormatter("{x:g}"))


def new_figure(rows: int, size: tuple[float, float]) -> tuple[Figure, list[Axes]]:
    """Return a figure of rows that share their axis across; `size` in inches."""
    figure, axes = new_grid(rows, 1, size, sharex=True)
    return figure, list(axes[:, 0])


def new_grid(
    rows: int,
    columns: int,
    size: tuple[float, float],
    *,
    sharex: bool = False,
    height_ratios: list[float] | None = None,
) -> tuple[Figure, np.ndarray]:
    """Return a figure of rows and columns; `size` in inches."""
    figure = Figure(figsize=size, layout="constrained")
    FigureCanvasAgg(figure)
    return figure, figure.subplots(rows, columns, sharex=sharex, squeeze=False, height_ratios=height_ratios)


def label_axes(axis: Axes, across: str, up: str, title: str, *, units: str | None = None) -> None:
    """Label both axes and the top, with a grid and no frame, in the reader's units.

    `across`, `up`: with the unit of the data at their end, such as "force, N".
    `title`: left out where it is empty.
    `units`: where the reader chose none; None draws SI alone.
    """
    if title:
        axis.set_title(title, loc="left", color=INK, fontsize=11)
    axis.grid(visible=True, color="#d8dee2", linewidth=0.6)
    axis.spines[["top", "right"]].set_visible(False)
    system = chosen_units() or units or METRIC
    for text, scale, beside in (
        (across, axis.xaxis, partial(axis.secondary_xaxis, "top")),
        (up, axis.yaxis, partial(axis.secondary_yaxis, "right")),
    ):
        label, separator, unit = text.rpartition("," + ("\n" if ",\n" in text else " "))
        many, in_us = us_factor(unit), f"{label}{separator}{us_name(unit)}"
        if many is not None and system == US:
            scale.set_major_locator(_RoundTicks(many))
            scale.set_major_formatter(partial(_tick_text, many))
        scale.set_label_text(in_us if many is not None and system == US else text, color=INK)
        if many is not None and system == BOTH:
            other = beside(functions=(partial(np.multiply, many), partial(np.multiply, 1 / many)))
            (other.set_xlabel if scale is axis.xaxis else other.set_ylabel)(in_us, color=INK)


def _tick_text(many: float, value: float, _: int | None = None) -> str:
    return f"{value * many:.6g}"


class _RoundTicks(MaxNLocator):
    """Ticks that are round numbers once they are multiplied by a factor."""

    def __init__(self, many: float) -> None:
        super().__init__(nbins="auto", steps=[1, 2, 2.5, 5, 10])
        self._many = many

    def tick_values(self, vmin: float, vmax: float) -> Sequence[float]:
        """Return the ticks between two values."""
        many = self._many
        return [float(tick) / many for tick in super().tick_values(vmin * many, vmax * many)]


def save_figure(figure: Figure, path: Path) -> None:
    """Write a figure; its folder is made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    _show_as_text(figure)
    figure.savefig(path, dpi=DPI)


def save_figures(drawn: Sequence[tuple[str, Path, Figure]]) -> list[tuple[str, Path]]:
    """Write figures, each with its caption and path; return captions and paths."""
    for _, path, figure in drawn:
        save_figure(figure, path)
    return [(caption, path) for caption, path, _ in drawn]


def _show_as_text(figure: Figure) -> None:
    """Let the words of a figure, names of specimens among them, show as they are; called once for each.

    Labels that matplotlib makes itself, such as powers of ten, are made when it draws and stay.
    """

    for words in figure.findobj(Text):
        words.set_text(plot_text(in_chosen_units(words.get_text())))
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            stated = axis.get_major_formatter()
            if isinstance(stated, FixedFormatter | FuncFormatter):
                axis.set_major_formatter(FuncFormatter(partial(_shown_tick, stated)))


def _shown_tick(stated: Formatter, at: float, place: int | None = None) -> str:
    return plot_text(stated(at, place))


def drawn(figure: Figure, alt: str) -> Drawn:
    """Return a figure in both forms; what `alt` says stands in the SVG as its words."""

    png, text = BytesIO(), StringIO()
    _show_as_text(figure)
    figure.savefig(png, dpi=DPI, format="png")
    with mpl.rc_context({"svg.hashsalt": SALT}):
        nothing: dict[str, str | None] = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        figure.savefig(text, format="svg", metadata=nothing)
    return Drawn(_spoken(text.getvalue(), alt), png.getvalue())


def _spoken(svg: str, alt: str) -> str:
    """Return the picture with its words inside it, and without a document type that names an address."""
    svg = re.sub(r"<!DOCTYPE[^>]*>\s*", "", svg, count=1)
    head, _, rest = svg.partition("<svg")
    tag, _, inside = rest.partition(">")
    title, _, more = alt.partition(". ")
    words = f"<title>{html_text(title)}</title><desc>{html_text(more or title)}</desc>"
    return f'{head}<svg role="img"{tag}>{words}{inside}'
