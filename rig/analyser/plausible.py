"""What a recording can hold: no contact beyond its positions, no force beyond its forces, no uncertainty
larger than either.

Problem: arithmetic on a shape that is not a press gives numbers, and a contact at 1e20 mm reaches a mean
as any other does. Plan: every column that says a place, a force, a slope or an energy is set beside the
ranges of the segment's own samples; what lies outside is emptied, together with its uncertainty, and a
contact takes along what counts from it. Cost: a few comparisons a column.
"""

from __future__ import annotations

import numpy as np

from rig.analyser.spoiling import Basis, kind_of
from rig.analyser.strokes import Columns, Context
from rig.samples import FloatArray
from rig.segmenter import Segment

BEYOND = 0.5
"""A turn may lie between samples, and a contact before the first one: at most by this share of a range."""

SLOPES = 1e3
"""A slope is no steeper than this many times the largest force over the press's own way: hard stops are some
tens of times as steep."""


OF_WORK = {"hysteresis_pct", "energy_return_pct"}
MOST_OF_WORK_PCT = 1000.0
"""Where the work put in is next to nothing, as with a position of the wrong sign, no share of it counts."""


def without_absurd(segment: Segment, columns: Columns, context: Context) -> Columns:
    """Return the columns without what the recording cannot hold; emptied values and their uncertainties
    are not-a-number."""
    signals, cycles = segment.signals, segment.cycles
    force_n, x_mm = signals.force_n, signals.position_mm
    if not len(cycles) or not len(force_n):
        return columns
    reach_mm, reach_n = float(np.ptp(x_mm)), float(np.ptp(force_n))
    # a frame that gives, and a recorded zero of position, lie outside the positions themselves
    deflection_mm = float(np.abs(context.frame.deflection_mm(np.array(reach_n))))
    zero_mm = float(np.abs(x_mm).min()) if context.recorded_zero else 0.0
    far_mm = (1 + BEYOND) * reach_mm + deflection_mm + zero_mm
    far_n = (1 + BEYOND) * max(reach_n, float(np.abs(force_n).max()))
    way_mm = np.maximum(np.abs(x_mm[cycles.load_end] - x_mm[cycles.contact]), reach_mm * 1e-3)
    with np.errstate(divide="ignore", invalid="ignore"):
        steepest = SLOPES * far_n / np.maximum(way_mm, np.finfo(float).tiny)
    place_mm = {"contact_mm", "contact_at_force_mm"}
    low_mm, high_mm = float(x_mm.min()) - BEYOND * reach_mm, float(x_mm.max()) + BEYOND * reach_mm
    kept = dict(columns)
    for name in [column for column in columns if f"{column}_u" in columns]:
        value, u = columns[name], columns[f"{name}_u"]
        most: FloatArray | float
        if name.endswith("_n_per_mm"):
            most = steepest
        elif name.endswith("_mj"):
            most = far_n * far_mm
        elif name.endswith("_mm"):
            most = far_mm
        elif name.endswith("_n"):
            most = far_n
        elif name in OF_WORK:
            most = MOST_OF_WORK_PCT
        else:
            most = np.inf
        size = np.abs(value)
        if name in place_mm:
            size = np.where((value >= low_mm - deflection_mm) & (value <= high_mm), 0.0, np.inf)
        with np.errstate(invalid="ignore"):
            absurd = (size > most) | (u > most) | (u < 0) | np.isinf(value) | np.isinf(u)
        kept[name] = np.where(absurd, np.nan, value)
        kept[f"{name}_u"] = np.where(absurd, np.nan, u)
    # what counts from a contact that there is not has no datum
    lost = np.isnan(kept["contact_mm"]) & ~np.isnan(columns["contact_mm"])
    if lost.any():
        for name in [each for each in kept if f"{each}_u" in kept and Basis.TOE in kind_of(each)]:
            kept[name] = np.where(lost, np.nan, kept[name])
            kept[f"{name}_u"] = np.where(lost, np.nan, kept[f"{name}_u"])
    return kept
