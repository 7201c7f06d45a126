"""Pictures of answers for builders: force over gap of each piece, and pull-off forces over pulls."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from rig.aids import NipAnswer, RetentionAnswer
from rig.core import BOTH
from rig.sheets.plots import DASHES, INK, MARKERS, SERIES, label_axes, new_figure, save_figure

MOST_NAMED = 6
"""More names than this hide the curves."""


def save_nip_plots(answer: NipAnswer, folder: Path) -> list[tuple[str, Path]]:
    """Return the force against the gap; caption and path."""
    figure, axes = new_figure(1, (7.0, 4.8))
    axis, path = axes[0], folder / "nip.png"
    batches = list(answer.by_batch)
    for batch in reversed(batches):
        place = batches.index(batch)
        named = False
        for curve in answer.curves:
            if curve.batch != batch:
                continue
            axis.plot(
                curve.gap_mm, curve.force_n, color=SERIES[place % len(SERIES)], alpha=0.8, linewidth=1.2,
                linestyle="-" if place % 2 == 0 else DASHES, label=None if named else batch,
            )  # fmt: skip
            named = True
    gap_mm, wanted_n = answer.figures["gap_mm"].mean, answer.nip.force_n
    axis.axhline(wanted_n, color=INK, linewidth=0.8, linestyle=":")
    axis.axvline(gap_mm, color=INK, linewidth=0.8, linestyle=":")
    axis.plot([gap_mm], [wanted_n], "o", color=INK, label=f"{wanted_n:.4g} N at {gap_mm:.2f} mm")
    axis.legend(frameon=False, fontsize=8)
    label_axes(axis, "gap, mm", "force, N", "Force of each piece against the gap", units=BOTH)
    save_figure(figure, path)
    return [
        ("Force of each piece, pressed between platens, against the gap; the wanted force is marked", path)
    ]


def save_pull_plots(answer: RetentionAnswer, folder: Path) -> list[tuple[str, Path]]:
    """Peaks over pulls; caption and path."""
    figure, axes = new_figure(1, (7.0, 4.4))
    axis, path = axes[0], folder / "pulls.png"
    few = len(answer.pieces) <= MOST_NAMED
    for place, piece in enumerate(answer.pieces):
        pulls = np.arange(1, len(piece.peak_n) + 1)
        colour, mark = SERIES[place % len(SERIES)], MARKERS[place % len(MARKERS)]
        axis.plot(
            pulls, piece.peak_n, f"{mark}-", color=colour, markersize=5,
            label=f"{piece.result.piece}, peak" if few else None,
        )  # fmt: skip
        if not np.isfinite(piece.slip_n).any():
            continue
        axis.plot(
            pulls, piece.slip_n, mark, color=colour, markersize=5, markerfacecolor="white", linestyle=DASHES,
            label=f"{piece.result.piece}, first slip" if few else None,
        )  # fmt: skip
    # from zero, with room for the marks: equal caps would otherwise lie on the upper edge
    axis.set_ylim(0, 1.1 * max(float(np.nanmax(piece.peak_n, initial=0.1)) for piece in answer.pieces))
    most = max(len(piece.peak_n) for piece in answer.pieces)
    axis.set_xticks(range(1, most + 1, max(1, most // 10)))
    if few:
        axis.legend(frameon=False, fontsize=8)
    label_axes(axis, "pull", "force, N", "Pull-off force over pulls", units=BOTH)
    save_figure(figure, path)
    return [("Peak pull-off force (full) and force at first slip (dashed) of each pull", path)]
