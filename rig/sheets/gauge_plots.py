"""Pictures of a gauge study: whose the spread is, and where it sits.

One look with the other pictures; appraisers are told apart by colour and by marker, so that grey print does.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from rig.errors import InputError
from rig.population import GaugeResult, TrialTable, range_limits
from rig.samples import FloatArray
from rig.sheets.plots import DASHES, INK, MARKERS, SERIES, label_axes, save_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BARS = (
    ("gauge", "gauge"),
    ("repeatability", "repeats"),
    ("reproducibility", "appraisers"),
    ("piece x appraiser", "piece x\nappraiser"),
    ("pieces", "piece to\npiece"),
)
SHOWN_NAMES = 20
"""More pieces than this are named at some ticks only."""

MOST_PANELS = 12
"""Charts of more appraisers than this would be too narrow to read; the first so many are drawn."""

SPREAD = 0.5
"""Appraisers of one piece stand side by side over this share of its width."""


def save_gauge_plots(table: TrialTable, result: GaugeResult, folder: Path) -> list[tuple[str, Path]]:
    """Write the pictures of a study into a folder.

    Returns
    -------
    Caption and path of each: parts of the spread, all values, means of the appraisers, charts of ranges and
    means.
    """
    drawn = [
        ("Parts of the spread", folder / "components.png", _components(result)),
        ("All values, piece by piece", folder / "values.png", _values(table, result)),
        (
            "Means by piece and appraiser: lines that run alike show no interaction",
            folder / "interaction.png",
            _means(table, result),
        ),
    ]
    try:
        limits = range_limits(table.measured)
    except InputError:
        limits = None
    if limits is not None:
        caption = (
            "Means and ranges of each piece, with limits of three standard deviations: "
            "ranges should lie inside, means mostly outside"
        )
        drawn.append((caption, folder / "charts.png", _charts(table, result)))
    for _, path, figure in drawn:
        save_figure(figure, path)
    return [(caption, path) for caption, path, _ in drawn]


def _components(result: GaugeResult) -> Figure:
    parts = {each.name: each for each in result.chosen.components}
    shown = [(parts[name], title) for name, title in BARS if name in parts]
    sets = [
        ("of total spread", [each.of_total_pct for each, _ in shown], SERIES[0], ""),
        ("of variance", [each.contribution_pct for each, _ in shown], SERIES[1], "//"),
    ]
    if result.tolerance is not None:
        sets.append(("of tolerance", [each.of_tolerance_pct for each, _ in shown], SERIES[2], ".."))
    figure, axis = _one((7.0, 4.0))
    width = 0.8 / len(sets)
    for place, (label, heights, colour, hatch) in enumerate(sets):
        across = np.arange(len(shown)) + (place - (len(sets) - 1) / 2) * width
        bars = axis.bar(
            across, [each or 0.0 for each in heights], 0.92 * width,
            color=colour, label=label, hatch=hatch, edgecolor="white", linewidth=0.5,
        )  # fmt: skip
        axis.bar_label(bars, fmt="%.0f", fontsize=8, color=INK, padding=1)
    axis.set_xticks(range(len(shown)), [title for _, title in shown])
    axis.legend(frameon=False)
    label_axes(axis, "", "%", f"{result.quantity}: parts of the spread ({result.chosen.name})")
    axis.grid(visible=False, axis="x")
    axis.set_axisbelow(True)
    return figure


def _values(table: TrialTable, result: GaugeResult) -> Figure:
    figure, axis = _one((9.0, 4.4))
    pieces, count, trials = table.measured.shape
    for place, name in enumerate(table.appraisers):
        across = np.arange(pieces) + _beside(place, count)
        axis.plot(
            np.repeat(across, trials), table.measured[:, place].ravel(), _mark(place),
            color=SERIES[place % len(SERIES)], markersize=4, alpha=0.8, label=name,
        )  # fmt: skip
    axis.plot(table.measured.mean((1, 2)), "_", color=INK, markersize=14, label="mean of the piece")
    _finish(axis, table, result, "all values")
    return figure


def _means(table: TrialTable, result: GaugeResult) -> Figure:
    figure, axis = _one((9.0, 4.4))
    for place, name in enumerate(table.appraisers):
        means = table.measured[:, place].mean(axis=1)
        axis.plot(means, f"{_mark(place)}-", color=SERIES[place % len(SERIES)], markersize=5, label=name)
    _finish(axis, table, result, "means")
    return figure


def _charts(table: TrialTable, result: GaugeResult) -> Figure:
    """Means above, ranges below, a panel for each appraiser."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    limits = range_limits(table.measured)
    shown = min(len(table.appraisers), MOST_PANELS)
    figure = Figure(figsize=(max(7.0, 2.6 * shown), 5.6), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(2, shown, sharex=True, sharey="row", squeeze=False)
    means, ranges = table.measured.mean(axis=2), np.ptp(table.measured, axis=2)
    lines = (
        (limits.mean_low, limits.grand_mean, limits.mean_high),
        (limits.range_low, limits.mean_range, limits.range_high),
    )
    for place in range(shown):
        name = table.appraisers[place]
        for axis, values, (low, middle, high) in zip(axes[:, place], (means, ranges), lines, strict=True):
            _chart(axis, values[:, place], (low, middle, high))
        axes[0, place].set_title(name, loc="left", color=INK, fontsize=10)
        axes[1, place].set_xlabel("piece", color=INK)
        _name_pieces(axes[1, place], table.pieces, most=6 if shown > 1 else SHOWN_NAMES)
    unit = f", {result.unit}" if result.unit else ""
    axes[0, 0].set_ylabel(f"mean{unit}", color=INK)
    axes[1, 0].set_ylabel(f"range{unit}", color=INK)
    return figure


def _chart(axis: Axes, values: FloatArray, lines: tuple[float, float, float]) -> None:
    low, middle, high = lines
    label_axes(axis, "", "", "")
    for at in (low, high):
        axis.axhline(at, color=SERIES[1], linewidth=1.0, linestyle=DASHES)
    axis.axhline(middle, color=INK, linewidth=0.8)
    axis.plot(values, "o-", color=SERIES[0], markersize=4, linewidth=1.0)
    outside = (values < low) | (values > high)
    axis.plot(np.flatnonzero(outside), values[outside], "s", color=SERIES[1], markersize=5)


def _finish(axis: Axes, table: TrialTable, result: GaugeResult, what: str) -> None:
    unit = f", {result.unit}" if result.unit else ""
    label_axes(axis, "piece", f"{result.quantity}{unit}", f"{result.quantity}: {what}")
    _name_pieces(axis, table.pieces, most=SHOWN_NAMES)
    axis.legend(frameon=False, loc="upper left", bbox_to_anchor=(1.0, 1.0), fontsize=9)


def _name_pieces(axis: Axes, pieces: tuple[str, ...], *, most: int) -> None:
    """Names at the ticks, as many as can be read."""
    step = -(-len(pieces) // most)
    ticks = range(0, len(pieces), step)
    names = [pieces[place] for place in ticks]
    slanted = sum(len(name) for name in names) > 4 * most
    axis.set_xticks(
        ticks, names, rotation=35 if slanted else 0, ha="right" if slanted else "center", fontsize=8,
    )  # fmt: skip


def _beside(place: int, count: int) -> float:
    return SPREAD * ((place + 0.5) / count - 0.5)


def _mark(place: int) -> str:
    """A colour that comes round again has another marker."""
    return MARKERS[(place + place // len(SERIES)) % len(MARKERS)]


def _one(size: tuple[float, float]) -> tuple[Figure, Axes]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=size, layout="constrained")
    FigureCanvasAgg(figure)
    return figure, figure.subplots()
