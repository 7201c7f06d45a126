"""Pictures of what a rig was checked with: errors against references, and the chart of a check piece."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rig.calibration import ChartLimits, Verification
from rig.sheets.plots import DASHES, DPI, INK, SERIES

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

GRID = "#d8dee2"
MOST_POINTS = 200
"""Of a chart: the newest ones."""


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """One pressing of a check piece, to be drawn.

    Parameters
    ----------
    day
        For the axis.
    value, u
        And its standard uncertainty; None where there is none.
    outside
        Whether it was outside when it was judged.
    """

    day: str
    value: float
    u: float | None
    outside: bool


def errors_picture(verification: Verification) -> str:
    """Accuracy errors against load as an SVG element, to stand within a page."""
    figure, (axis,) = _figure(1, (7.2, 3.4))
    loads = verification.loads
    bars = [each.interval_q or 0.0 for each in loads]
    axis.errorbar(
        [each.load_n for each in loads],
        [each.q for each in loads],
        bars,
        fmt="o-",
        color=SERIES[0],
        markersize=4,
        capsize=3,
    )
    reach = 1.3 * max(*(abs(each.q) + bar for each, bar in zip(loads, bars, strict=True)), 0.5)
    for outcome in verification.classes:
        limit = outcome.limits.q
        if limit > reach:
            continue
        for side in (-limit, limit):
            axis.axhline(side, color=SERIES[1], linewidth=0.9, linestyle=DASHES)
        axis.annotate(
            f"class {outcome.limits.name}",
            (1.0, limit),
            xycoords=("axes fraction", "data"),
            ha="right",
            va="bottom",
            fontsize=8,
            color=INK,
        )
    axis.set_ylim(-reach, reach)
    axis.axhline(0, color=INK, linewidth=0.6)
    _label(axis, "load, N", "accuracy error q, %")
    return _inline_svg(figure, "Accuracy error against load")


def save_control_chart(
    points: Sequence[ChartPoint], limits: ChartLimits | None, *, title: str, unit: str, path: Path
) -> None:
    """Values and moving ranges of a check piece with their limits, as PNG or SVG by the file's suffix."""
    shown = points[-MOST_POINTS:]
    figure, (values, ranges) = _figure(2, (7.2, 5.0))
    places = list(range(len(shown)))
    bars = [2 * (each.u or 0.0) for each in shown]
    values.errorbar(
        places, [each.value for each in shown], bars, fmt="o-", color=SERIES[0], markersize=4, linewidth=1.0
    )
    outside = [place for place in places if shown[place].outside]
    if outside:
        values.plot(
            outside,
            [shown[place].value for place in outside],
            "X",
            color=SERIES[1],
            markersize=9,
            label="outside",
        )
        values.legend(frameon=False)
    moved = [abs(shown[place].value - shown[place - 1].value) for place in places[1:]]
    ranges.plot(places[1:], moved, "s-", color=SERIES[0], markersize=3.5, linewidth=1.0)
    if limits is not None:
        values.axhline(limits.mean, color=INK, linewidth=0.8)
        for limit in (limits.lower, limits.upper):
            values.axhline(limit, color=SERIES[1], linewidth=0.9, linestyle=DASHES)
        ranges.axhline(limits.mean_range, color=INK, linewidth=0.8)
        ranges.axhline(limits.largest_range, color=SERIES[1], linewidth=0.9, linestyle=DASHES)
    _label(values, "", unit)
    _label(ranges, "bars: two standard uncertainties; dashed: limits", f"moving range,\n{unit}")
    values.set_title(title, loc="left", color=INK, fontsize=11)
    ranges.set_ylim(bottom=0)
    step = max(math.ceil(len(places) / 8), 1)
    ranges.set_xticks(places[::step], [each.day for each in shown[::step]], rotation=20, ha="right")
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, dpi=DPI)


def _inline_svg(figure: Figure, title: str) -> str:
    """The picture alone, without the head that a file of its own would have."""
    import matplotlib as mpl

    text = io.StringIO()
    nobody = {"Date": None, "Creator": None, "Format": None, "Type": None}
    # fixed, so that the same readings give the same page
    with mpl.rc_context({"svg.hashsalt": "verification"}):
        figure.savefig(text, format="svg", metadata=nobody)
    svg = text.getvalue()
    svg = svg[svg.index("<svg") :].strip()
    return svg.replace("<svg", f'<svg role="img" aria-label="{title}"', 1)


def _figure(rows: int, size: tuple[float, float]) -> tuple[Figure, tuple[Axes, ...]]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=size, layout="constrained")
    FigureCanvasAgg(figure)
    return figure, tuple(figure.subplots(rows, 1, sharex=True, squeeze=False)[:, 0])


def _label(axis: Axes, across: str, up: str) -> None:
    axis.set_xlabel(across, color=INK)
    axis.set_ylabel(up, color=INK)
    axis.grid(visible=True, color=GRID, linewidth=0.6)
    for side in ("top", "right"):
        axis.spines[side].set_visible(False)
