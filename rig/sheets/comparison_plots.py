"""Pictures of groups of pieces: every piece with the mean of its group, curves with their bands, batches over
time.

One look with the other pictures; groups are distinguished by colour and by marker or dash, so that grey print
does.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from rig.core import counted, file_names, quantity
from rig.population import BatchDrift, BatchFigures, Comparison, CurveBand, CurveDifference
from rig.samples import BoolArray, FloatArray
from rig.sheets.plots import DASHES, INK, MARKERS, SERIES, label_axes, new_figure, save_figures

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

HATCHES = ("", "//", "..", "\\\\")

SIDE = 0.18
"""Pieces of one group stand beside each other over this share of its width, either way."""

MOST_BANDS = 4
"""More curves in one picture hide each other; the first this many groups are drawn."""

MOST_PICTURES = 24
"""More pictures than this are too many to look at."""


def save_comparison_plots(
    comparison: Comparison,
    bands: Sequence[CurveBand],
    parted: Sequence[CurveDifference],
    drifts: Mapping[str, BatchDrift],
    folder: Path,
) -> list[tuple[str, Path]]:
    """Write the pictures of a comparison into a folder; return caption and path of each."""
    drawn: list[tuple[str, Path, Figure]] = []
    columns = list(dict.fromkeys(name for figures in comparison.figures.values() for name in figures))
    called = file_names([*columns, *drifts, *(difference.second for difference in parted)], "group")
    if bands:
        caption = (
            "Mean force of each group. Dark bands: the mean; light bands: most pieces; dashed: unloading"
        )
        drawn.append((caption, folder / "curves.png", _curves(bands)))
    for difference in parted:
        caption = (
            f"Force of {difference.second} less that of {difference.first}; the band holds the whole curve; "
            "marks below show where it excludes zero"
        )
        drawn.append((caption, folder / f"difference-{called[difference.second]}.png", _parted(difference)))
    for column in columns[:MOST_PICTURES]:
        caption = f"{quantity(column).title}: every piece, and each group's mean with its interval"
        drawn.append((caption, folder / f"pieces-{called[column]}.png", _pieces(comparison, column)))
    for column, drift in list(drifts.items())[:MOST_PICTURES]:
        caption = f"{quantity(column).title}: batches in order of time, with limits of three standard errors"
        drawn.append((caption, folder / f"drift-{called[column]}.png", _drift(drift)))
    return save_figures(drawn)


def _curves(bands: Sequence[CurveBand]) -> Figure:
    figure, (axis,) = new_figure(1, (7.0, 4.8))
    for rank, band in enumerate(bands[:MOST_BANDS]):
        # as far as half of the pieces were pressed: beyond, the mean is that of a few others
        draw_band(axis, band, band.deflection_mm, rank, band.count >= len(band.pieces) / 2)
    axis.axhline(0, color=INK, linewidth=0.6)
    axis.legend(frameon=False, loc="upper left")
    label_axes(axis, "deflection, mm", "force, N", "Force against deflection")
    return figure


def draw_band(
    axis: Axes, band: CurveBand, x: FloatArray, rank: int, shown: slice | BoolArray = slice(None)
) -> None:
    """Draw the mean curve of a group with its bands, which a single piece does not have.

    `x`: where its points stand across, shape (n,).
    `rank`: of the group, for colour, marker and hatch.
    """
    colour, x = SERIES[rank % len(SERIES)], x[shown]
    if len(band.pieces) > 1:
        low_n, high_n = band.tolerance_low_n[shown], band.tolerance_high_n[shown]
        axis.fill_between(x, low_n, high_n, color=colour, alpha=0.13, linewidth=0)
        axis.fill_between(
            x, band.low_n[shown], band.high_n[shown], color=colour, alpha=0.30, linewidth=0,
            hatch=HATCHES[rank % len(HATCHES)],
        )  # fmt: skip
    axis.plot(
        x, band.loading_n[shown], color=colour, linewidth=1.5,
        label=f"{band.group} ({counted(len(band.pieces), 'piece')})",
        marker=MARKERS[rank % len(MARKERS)], markersize=4, markevery=(4 * rank, 16),
    )  # fmt: skip
    axis.plot(x, band.unloading_n[shown], color=colour, linewidth=1.1, linestyle=DASHES)


def _parted(found: CurveDifference) -> Figure:
    figure, (axis,) = new_figure(1, (7.0, 3.6))
    x = found.deflection_mm
    axis.fill_between(x, found.low_n, found.high_n, color=SERIES[0], alpha=0.25, linewidth=0)
    axis.plot(x, found.difference_n, color=SERIES[0], linewidth=1.4)
    axis.axhline(0, color=INK, linewidth=0.8)
    for begin, end in found.apart:
        axis.axvspan(begin, end, ymax=0.03, color=SERIES[1], hatch="//")
    label_axes(axis, "deflection, mm", "difference of force, N", f"{found.second} less {found.first}")
    return figure


def _pieces(comparison: Comparison, column: str) -> Figure:
    having = {name: figures[column] for name, figures in comparison.figures.items() if column in figures}
    figure, (axis,) = new_figure(1, (max(5.0, 1.3 * len(having)), 3.8))
    draw_pieces_of(axis, list(having.values()), size=4)
    axis.set_xticks(range(len(having)), list(having))
    label_axes(axis, "", quantity(column).heading, "")
    axis.grid(visible=False, axis="x")
    return figure


def draw_pieces_of(axis: Axes, groups: Sequence[BatchFigures], *, size: int) -> None:
    """Draw every piece of each group, outliers in a ring, and beside them the mean with its interval.

    `size`: of a piece's marker, in points.
    """
    for place, figures in enumerate(groups):
        colour, marker = SERIES[place % len(SERIES)], MARKERS[place % len(MARKERS)]
        across = place - 0.12 + np.linspace(-SIDE, SIDE, max(figures.n, 2))[: figures.n]
        axis.plot(across, figures.values, marker, color=colour, markersize=size, alpha=0.8)
        odd = [rank for rank, name in enumerate(figures.names) if name in figures.outliers]
        ringed = np.array(figures.values)[odd]
        axis.plot(across[odd], ringed, "o", markersize=size + 7, fillstyle="none", color=INK)
        away = None
        if figures.low is not None and figures.high is not None:
            away = [[figures.mean - figures.low], [figures.high - figures.mean]]
        axis.errorbar(
            [place + 0.25], [figures.mean], yerr=away, fmt="_", color=INK, markersize=12, capsize=size - 1
        )


def _drift(drift: BatchDrift) -> Figure:
    figure, (axis,) = new_figure(1, (max(6.0, 0.6 * len(drift.batches)), 3.6))
    across = np.arange(len(drift.batches))
    for limits in (drift.low, drift.high):
        axis.step(across, limits, where="mid", color=SERIES[1], linewidth=1.0, linestyle=DASHES)
    axis.axhline(drift.middle, color=INK, linewidth=0.8)
    axis.plot(across, drift.means, "o-", color=SERIES[0], markersize=4.5, linewidth=1.0)
    out = [place for place, name in enumerate(drift.batches) if name in drift.outside]
    axis.plot(across[out], np.array(drift.means)[out], "s", color=SERIES[1], markersize=7)
    slanted = sum(map(len, drift.batches)) > 60
    axis.set_xticks(
        across, drift.batches, rotation=35 * slanted, ha="right" if slanted else "center", fontsize=8
    )
    label_axes(axis, "batch, in order of time", quantity(drift.quantity).heading, "")
    return figure
