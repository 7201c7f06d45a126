"""Pictures of what presses said about the rig itself: its delay, and its frame compliance."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from rig.calibration import DelayMeasurement, FrameMeasurement
from rig.sheets.plots import DASHES, INK, SERIES, label_axes, new_figure, save_figure

_CURVE_POINTS = 200
_UM_PER_MM = 1e3


def save_delay(found: DelayMeasurement, title: str, path: Path) -> None:
    """Seeming hysteresis against the speed of the press, before and after the delay was taken off."""
    figure, axes = new_figure(1, (7.0, 4.2))
    speed = [press.speed_mm_per_s for press in found.presses]
    for losses, colour, marker, label in (
        ([press.loss_before_pct for press in found.presses], SERIES[1], "s", "before"),
        ([press.loss_after_pct for press in found.presses], SERIES[0], "o", "delay taken off"),
    ):
        axes[0].plot(speed, losses, marker, color=colour, markersize=4.5, label=label)
    axes[0].axhline(found.loss_pct, color=INK, linewidth=0.8, linestyle=DASHES)
    axes[0].legend(frameon=False)
    label_axes(axes[0], "speed of the press, mm/s", "seeming hysteresis, %", title)
    save_figure(figure, path)


def save_frame(found: FrameMeasurement, title: str, path: Path) -> None:
    """Give against force with its 95 % interval, and what the strokes lie off it."""
    figure, axes = new_figure(2, (7.0, 6.0))
    grid_n = np.linspace(0, found.frame.force_n[-1], _CURVE_POINTS)
    axes[0].plot(grid_n, _UM_PER_MM * found.frame.deflection_mm(grid_n), color=INK, linewidth=1.0)
    axes[0].errorbar(
        found.frame.force_n,
        _UM_PER_MM * np.array(found.frame.deflection_at_mm),
        _UM_PER_MM * np.array(found.interval_mm),
        fmt="D",
        color=INK,
        markersize=4.5,
        label="knots, 95 %",
    )
    curve_mm = found.frame.deflection_mm(found.force_n)
    for deflection_mm, colour, marker, label in (
        (found.loading_mm, SERIES[0], "o", "loading"),
        (found.unloading_mm, SERIES[1], "s", "unloading"),
    ):
        axes[0].plot(
            found.force_n, _UM_PER_MM * deflection_mm, marker, color=colour, markersize=2.5, label=label
        )
        axes[1].plot(
            found.force_n, _UM_PER_MM * (deflection_mm - curve_mm), marker, color=colour, markersize=2.5
        )
    axes[0].legend(frameon=False)
    label_axes(axes[0], "", "frame compliance, um", title)
    label_axes(axes[1], "force, N", "deviation from curve, um", "")
    save_figure(figure, path)
