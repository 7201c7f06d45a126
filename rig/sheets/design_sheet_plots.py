"""Pictures of a design sheet: force over compression and over the gap, and every piece beside the others.

One look with the other pictures. Groups differ by colour, marker and hatch, so that grey print tells them
apart; a second scale gives US units. Each picture is drawn once, and written as SVG that says in words what
it shows, and as PNG.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from rig.core import BOTH, counted
from rig.population import BatchFigures, CurveBand
from rig.sheets.comparison_plots import MOST_BANDS, draw_band, draw_pieces_of
from rig.sheets.plots import Drawn, drawn, label_axes, legend_of_strokes, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_compression(bands: Sequence[CurveBand], *, has_height: bool, alt: str) -> Drawn:
    """Return the force over compression in %, or over deflection in mm."""
    figure, (axis,) = new_figure(1, (7.0, 4.4))
    for rank, band in enumerate(bands[:MOST_BANDS]):
        draw_band(axis, band, band.deflection_mm, rank)
    _finish(axis, "compression, % of free height" if has_height else "deflection, mm")
    axis.set_xlim(left=0)
    return drawn(figure, alt)


def draw_gap(bands: Sequence[CurveBand], height_mm: float, *, alt: str) -> Drawn:
    """Return the force over the gap between platens, the narrow gap on the right."""
    figure, (axis,) = new_figure(1, (7.0, 4.6))
    for rank, band in enumerate(bands[:MOST_BANDS]):
        draw_band(axis, band, height_mm - band.deflection_mm, rank)
    _finish(axis, "gap between platens, mm")
    axis.invert_xaxis()
    return drawn(figure, alt)


def draw_pieces(groups: Mapping[str, BatchFigures], heading: str, *, alt: str) -> Drawn:
    """Return every piece of each group, and the mean with its interval."""
    figure, (axis,) = new_figure(1, (7.0, 3.2))
    draw_pieces_of(axis, list(groups.values()), size=5)
    names = [f"{name}\n{counted(figures.n, 'piece')}" for name, figures in groups.items()]
    axis.set_xticks(range(len(groups)), names)
    axis.set_xlim(-0.6, len(groups) - 0.4)
    label_axes(axis, "", heading, "")
    axis.grid(visible=False, axis="x")
    return drawn(figure, alt)


def _finish(axis: Axes, across: str) -> None:
    drawn_n = [np.asarray(line.get_ydata(), np.float64) for line in axis.get_lines()]
    # presses of one way have no unloading to draw
    known_n = [force_n[np.isfinite(force_n)].max() for force_n in drawn_n if np.isfinite(force_n).any()]
    top = float(max(known_n, default=1.0))
    # the bands of few pieces are wide; the curves must stay readable
    axis.set_ylim(min(0.0, -0.02 * top), 1.35 * top)
    label_axes(axis, across, "force, N", "", units=BOTH)
    legend_of_strokes(axis)
