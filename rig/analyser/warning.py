"""What a reader of the numbers has to be told, in sentences."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.stats import linregress

from rig.analyser.result import CaptureResult, good_cycles
from rig.samples import FloatArray
from rig.segmenter import Flag

FEW_POINTS = 10
"""A loading stroke of fewer points than this is a table read by hand."""

ORIGIN_SHARE = 0.02
"""A line through such points that misses the origin by this share of their largest force is worth a word."""

NAMED_CYCLES = 6


@dataclass(frozen=True, slots=True)
class Start:
    """How a recording began.

    Parameters
    ----------
    timed
        Whether its samples have times.
    recorded_zero
        Whether its positions have a zero of their own.
    points
        Position in mm and force in N of the first loading stroke; None if there is none.
    """

    timed: bool
    recorded_zero: bool
    points: tuple[FloatArray, FloatArray] | None


def warnings_about(result: CaptureResult, start: Start) -> tuple[str, ...]:
    """Sentences for a result: what was left out, what could not be had and why."""
    return (
        *_about_start(result, start),
        *_about_points(start),
        *_about_flags(result),
        *_about_missing(result, start),
    )


def _about_start(result: CaptureResult, start: Start) -> Iterator[str]:
    if result.touches:
        yield (
            f"{result.touches} touches stayed below the contact force of {result.contact_force_n:.3g} N "
            "or did not move the platen; they are not counted as cycles."
        )
    if not len(result):
        yield (
            f"No cycle was found: the force never rose above {result.contact_force_n:.3g} N while the platen moved. "
            "Check the sign of both channels, the calibration and the contact force."
        )
        return
    if result.noise is not None and not result.noise.zero_samples:
        yield (
            "The recording does not begin with a no-load stretch: force zero is the recorded one, "
            "and the noise is taken from the resolution alone."
        )
    if (int(result.columns["flags"][0]) & Flag.STARTS_IN_CONTACT) and start.recorded_zero:
        yield "The recording starts in contact: deflection counts from the recorded zero of position."
    if not start.timed:
        yield "There are no times: rates, dwells and relaxation are empty."


def _about_points(start: Start) -> Iterator[str]:
    if start.points is None or not 2 <= len(start.points[0]) < FEW_POINTS:
        return
    position_mm, force_n = start.points
    count = len(position_mm)
    yield f"{count} points are few: stiffness between them is only as good as a straight line between neighbours."
    if count < 3 or not start.recorded_zero or np.ptp(position_mm) == 0:
        return
    line = linregress(position_mm, force_n)
    if abs(line.intercept) > ORIGIN_SHARE * np.abs(force_n).max():
        yield (
            f"The straight line through the {count} points misses the origin by {line.intercept:.2f} N: "
            "a zero error of force or position, or a stiff start of the specimen. No point at zero was added."
        )


def _about_flags(result: CaptureResult) -> Iterator[str]:
    if not len(result):
        return
    flags = result.columns["flags"].astype(np.int64)
    for flag in Flag:
        numbers = result.columns["cycle"][(flags & flag) != 0].astype(int)
        if len(numbers):
            named = ", ".join(map(str, numbers[:NAMED_CYCLES])) + (
                " ..." if len(numbers) > NAMED_CYCLES else ""
            )
            yield f"{_cycles(len(numbers))} left out of means ({flag.label}): {named}."
    conditioning = result.settings.conditioning
    if not good_cycles(result.columns, conditioning).any():
        yield f"No cycle is left for means: all are flagged or among the first {conditioning} conditioning cycles."


def _about_missing(result: CaptureResult, start: Start) -> Iterator[str]:
    if not len(result):
        return
    columns = result.columns
    yield "Set counts from the first contact at the contact force: it is zero there by definition, without uncertainty."
    if result.settings.free_height_mm is None:
        yield "The free height is not known: compressions, and forces at per cent of it, are empty."
    for depth in result.settings.depths():
        name = f"at {depth.label}.loading_n"
        if (
            name in columns
            and np.isnan(columns[name]).all()
            and depth.deflection_mm(result.settings.free_height_mm)
        ):
            yield f"No cycle reaches {depth.label}: the forces there are empty."
    if not np.isfinite(columns["knee_mm"]).any():
        if columns["knee_resolved"].any():
            share = 100 * result.settings.knee_drop
            yield f"No knee: the tangent of loading never fell below {share:.0f} % of its largest value before."
        else:
            yield "No knee can be told: the loading strokes hold too few samples for a tangent along them."
    if start.timed and not np.isfinite(columns["relaxation_left_1s_pct"]).any():
        yield "No dwell of a second or more: relaxation is empty."
    if result.softening is None:
        yield "Softening needs three unflagged cycles at least: it is empty."
    if not np.isfinite(columns["loss_factor"]).any():
        yield "Loss factor is given for a cyclic squeeze about a mean that stays in contact only: it is empty."


def _cycles(count: int) -> str:
    return "1 cycle" if count == 1 else f"{count} cycles"
