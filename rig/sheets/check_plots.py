"""Pictures of what a rig was checked with: errors against references, and the chart of a check standard."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from rig.calibration import ChartLimits, Verification
from rig.sheets.plots import DASHES, INK, SERIES, Drawn, drawn, label_axes, new_figure, save_figure

MOST_POINTS = 200
"""Of a chart: the newest ones."""


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """One pressing of a check standard, to be drawn.

    `value`, `u`: and its standard uncertainty; None where there is none.
    `outside`: whether it was outside when it was judged.
    """

    day: str
    value: float
    u: float | None
    outside: bool


def draw_errors(verification: Verification, alt: str) -> Drawn:
    """Accuracy errors against load."""
    figure, (axis,) = new_figure(1, (7.2, 3.4))
    loads = verification.loads
    bars = [load.interval_q or 0.0 for load in loads]
    axis.errorbar(
        [load.load_n for load in loads],
        [load.q for load in loads],
        bars,
        fmt="o-",
        color=SERIES[0],
        markersize=4,
        capsize=3,
    )
    reach = 1.3 * max(*(abs(load.q) + bar for load, bar in zip(loads, bars, strict=True)), 0.5)
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
    label_axes(axis, "load, N", "accuracy error q, %", "")
    return drawn(figure, alt)


def save_control_chart(
    points: Sequence[ChartPoint], limits: ChartLimits | None, *, title: str, unit: str, path: Path
) -> None:
    """Values and moving ranges of a check standard with their limits, as PNG or SVG by the file's suffix."""
    shown = points[-MOST_POINTS:]
    figure, (values, ranges) = new_figure(2, (7.2, 5.0))
    places = list(range(len(shown)))
    bars = [2 * (point.u or 0.0) for point in shown]
    values.errorbar(
        places, [point.value for point in shown], bars, fmt="o-", color=SERIES[0], markersize=4, linewidth=1.0
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
    label_axes(values, "", unit, title)
    label_axes(ranges, "bars: two standard uncertainties; dashed: limits", f"moving range,\n{unit}", "")
    ranges.set_ylim(bottom=0)
    step = max(math.ceil(len(places) / 8), 1)
    ranges.set_xticks(places[::step], [point.day for point in shown[::step]], rotation=20, ha="right")
    save_figure(figure, path)
