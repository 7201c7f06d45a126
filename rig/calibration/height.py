"""Height of a piece between platens, from where they meet it and where they meet each other.

Problem: a caliper squeezes what it measures, and a soft piece has no height but one at a force. Plan: the
platen's position at a stated small force, with nothing between the platens less that with the piece. What
both contact checks share goes out: the position's zero, the frame compliance at that force, the backlash.
What they do not share makes the budget: repeats or the noise of a reading, whichever is larger; the smallest
step; the position's scale over the way between; the force's own uncertainty through the slopes; the delay
through the speeds; a homing in between. Propagation is that of JCGM 100, intervals are Student's. Cost:
nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rig.calibration.calibration import Calibration
from rig.calibration.shifts import shifts
from rig.core import finite
from rig.core.measured import combined, coverage_factor, line_slope
from rig.errors import InputError
from rig.samples import FloatArray

MOST_CHANCE = 0.05
"""A first contact check or a trend that chance makes less often than this is reported."""

SAME_SPEED = 0.05
"""Speeds that differ by a smaller share make a delay go out."""

HOW = {
    "position": "over the way between both contact checks",
    "force": "of the force at which both are read, through the slopes there",
    "delay": "through the difference of both speeds",
}
"""How parts of a calibration come into a height, by the first word of their source; frame and backlash are
the same at both contact checks."""

LEAST_FOR_FIRST = 4
"""Contact checks without which a first one cannot be told from the rest."""


@dataclass(frozen=True, slots=True)
class PlatenContact:
    """Where one contact check passed a force.

    `position_mm`, `u_mm`: platen position, and the standard uncertainty that noise and force zero leave in
    it.
    `rounding_mm`: standard uncertainty that the position's smallest step leaves, the same at each repeat.
    `zero_u_mm`: the part of `u_mm` that comes from the force zero.
    `per_newton_mm`: slope of position against force there.
    """

    position_mm: float
    u_mm: float
    rounding_mm: float
    zero_u_mm: float
    per_newton_mm: float
    speed_mm_per_s: float


@dataclass(frozen=True, slots=True)
class HeightPart:
    """One row of the budget.

    `u_mm`: standard uncertainty; None where it cannot be given, for the reason in `why`.
    `counts`: whether it enters the sum; one that does not is in another row already, or goes out.
    """

    source: str
    u_mm: float | None
    degrees_of_freedom: float
    counts: bool
    why: str

    def as_dict(self) -> dict[str, Any]:
        """Return plain values; None for infinite degrees of freedom."""
        return {
            "source": self.source,
            "u_mm": self.u_mm,
            "degrees_of_freedom": finite(self.degrees_of_freedom),
            "counts": self.counts,
            "why": self.why,
        }


@dataclass(frozen=True, slots=True)
class Height:
    """Height of a piece at a force.

    `force_n`: at which both contact checks were read; zero where it was extrapolated.
    `mm`: mean over the contact checks that count.
    `u_mm`, `degrees_of_freedom`: standard uncertainty and its effective degrees of freedom; None where
    repeats are missing.
    `sd_bare_mm`, `sd_piece_mm`: of the repeats; None for a single one.
    `contact_checks_mm`: height of each contact check of the piece against the mean of the bare ones, in
    order.
    `first_mm`: height at the first contact check where it stands apart from the later ones, and is then not
    in the mean.
    `trend_mm`: change from contact check to contact check where it is more than chance.
    """

    force_n: float
    mm: float
    u_mm: float | None
    degrees_of_freedom: float | None
    low_mm: float | None
    high_mm: float | None
    sd_bare_mm: float | None
    sd_piece_mm: float | None
    contact_checks_mm: tuple[float, ...]
    first_mm: float | None
    trend_mm: float | None
    parts: tuple[HeightPart, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values without infinities."""
        return {
            "force_n": self.force_n,
            "height_mm": self.mm,
            "height_mm_u": self.u_mm,
            "degrees_of_freedom": finite(self.degrees_of_freedom),
            "interval_95_mm": None if self.low_mm is None else [self.low_mm, self.high_mm],
            "sd_bare_mm": self.sd_bare_mm,
            "sd_piece_mm": self.sd_piece_mm,
            "contact_checks_mm": list(self.contact_checks_mm),
            "first_contact_check_mm": self.first_mm,
            "trend_mm_per_contact_check": self.trend_mm,
            "budget": [part.as_dict() for part in self.parts],
        }


def height_at(
    force_n: float,
    bare: Sequence[Sequence[PlatenContact]],
    piece: Sequence[PlatenContact],
    *,
    calibration: Calibration,
    homed_between: bool | None = False,
) -> Height:
    """Return the height at a force, with its budget.

    Parameters
    ----------
    bare
        Contact checks without the piece, a series for each homing of the position.
    piece
        Contact checks of the piece, in the order in which they were made.
    homed_between
        Whether the position was homed between the bare contact checks and the piece's; None if unknown.

    Returns
    -------
    Height
        `u_mm` is None where one of both was checked only once: its repeatability is unknown.

    Raises
    ------
    InputError
        If there is no contact check of one kind, or the bare platens meet before the piece is met.

    References
    ----------
    JCGM 100:2008, 5.1 and G.4.
    """
    if not piece or not bare or not all(bare):
        raise InputError("height: expected at least one bare contact check and one of the piece")
    bare_mm = float(np.mean([_mean(series, "position_mm") for series in bare]))
    met_mm = np.array([check.position_mm for check in piece])
    heights_mm = bare_mm - met_mm
    if heights_mm.min() <= 0:
        raise InputError(
            f"height: the bare platens meet at {bare_mm:.3f} mm, before the piece is met at "
            f"{met_mm.max():.3f} mm; expected them further on. Are the captures exchanged, was the "
            "position homed elsewhere in between, or does it count the other way?"
        )
    read_mm = max(math.hypot(check.u_mm, check.rounding_mm) for check in piece)
    apart = False
    if len(heights_mm) >= LEAST_FOR_FIRST:
        # the first check lies outside of what the later ones predict for one more: mean +- t s sqrt(1 + 1/n)
        later_mm = heights_mm[1:]
        within = coverage_factor(len(later_mm) - 1.0, 1 - MOST_CHANCE) * math.sqrt(1 + 1 / len(later_mm))
        within_mm = within * max(float(later_mm.std(ddof=1)), read_mm)
        apart = bool(abs(heights_mm[0] - later_mm.mean()) > within_mm)
    counted = list(piece[1:] if apart else piece)
    counted_mm = heights_mm[1:] if apart else heights_mm
    mm = float(counted_mm.mean())
    parts = _budget(force_n, bare, counted, calibration, homed_between)
    counting = [part for part in parts if part.counts]
    u_mm = freedom = reach_mm = None
    if not any(part.u_mm is None for part in counting):
        u_mm, freedom = combined((part.u_mm or 0.0, part.degrees_of_freedom) for part in counting)
        reach_mm = u_mm * coverage_factor(freedom)
    return Height(
        force_n,
        mm,
        u_mm,
        freedom,
        None if reach_mm is None else mm - reach_mm,
        None if reach_mm is None else mm + reach_mm,
        _sd([check.position_mm for check in bare[0]]) if len(bare) == 1 else None,
        _sd([check.position_mm for check in counted]),
        tuple(heights_mm.tolist()),
        float(heights_mm[0]) if apart else None,
        _trend(counted_mm, read_mm),
        parts,
    )


def _budget(
    force_n: float,
    bare: Sequence[Sequence[PlatenContact]],
    piece: Sequence[PlatenContact],
    calibration: Calibration,
    homed: bool | None,
) -> tuple[HeightPart, ...]:
    """Return the rows of the budget; those without a standard uncertainty, or that do not count, say why."""
    series_mm = [_mean(series, "position_mm") for series in bare]
    whole_bare = [check for series in bare for check in series]
    rounding_mm2 = [
        float(np.mean([check.rounding_mm**2 for check in checks])) for checks in (whole_bare, piece)
    ]
    step = "of the position, at both contact checks; repeats at the same place share it"
    return (
        *([_repeats("repeats of the bare contact check", bare[0])] if len(bare) == 1 else []),
        _repeats("repeats of the piece's contact check", piece),
        *_homing(series_mm, bare, homed),
        HeightPart("smallest step", math.sqrt(sum(rounding_mm2)), math.inf, True, step),
        *_calibrated(force_n, float(np.mean(series_mm)), whole_bare, piece, calibration),
        *_told_only(force_n, whole_bare, piece, calibration),
    )


def _trend(heights_mm: FloatArray, read_mm: float) -> float | None:
    """Return the change from contact check to contact check, in mm; None where noise or chance explains
    it."""
    if len(heights_mm) < LEAST_FOR_FIRST or not np.ptp(heights_mm):
        return None
    number = np.arange(len(heights_mm), dtype=np.float64)
    slope = line_slope(number, heights_mm)
    # a scatter below the noise of the readings is luck
    slope = replace(slope, own_u=max(slope.u, read_mm / (float(number.std()) * math.sqrt(len(number)))))
    return slope.value if abs(slope.value) > slope.reach(1 - MOST_CHANCE) else None


def _sd(values: Sequence[float]) -> float | None:
    return float(np.std(values, ddof=1)) if len(values) > 1 else None


def _repeats(source: str, contact_checks: Sequence[PlatenContact]) -> HeightPart:
    count = len(contact_checks)
    sd_mm = _sd([check.position_mm for check in contact_checks])
    if sd_mm is None:
        return HeightPart(source, None, math.inf, True, "one contact check says nothing of how it repeats")
    read_mm = math.sqrt(sum(check.u_mm**2 for check in contact_checks)) / count
    if read_mm > sd_mm / math.sqrt(count):
        why = f"noise of {count} readings; they agree to {1000 * sd_mm:.2g} um, better than it allows"
        return HeightPart(source, read_mm, math.inf, True, why)
    why = f"standard deviation of {1000 * sd_mm:.2g} um over {count} contact checks"
    return HeightPart(source, sd_mm / math.sqrt(count), count - 1.0, True, why)


def _homing(
    series_mm: Sequence[float], bare: Sequence[Sequence[PlatenContact]], homed: bool | None
) -> list[HeightPart]:
    """Return what the position's zero may have moved between both contact checks."""
    source = "homing in between"
    if len(series_mm) > 1:
        sd_mm = float(np.std(series_mm, ddof=1))
        within_mm = [_repeats("", series).u_mm or 0.0 for series in bare]
        least_mm = math.sqrt(float(np.mean(np.square(within_mm))))
        # the piece's own homing is one more draw, and the mean of the bare ones another
        share = math.sqrt((1.0 if homed else 0.0) + 1 / len(series_mm))
        why = f"standard deviation of {1000 * sd_mm:.2g} um over {len(series_mm)} bare series"
        return [HeightPart(source, max(sd_mm, least_mm) * share, len(series_mm) - 1.0, True, why)]
    if homed is None:
        return [HeightPart(source, None, math.inf, False, "the captures do not say whether it was homed")]
    if homed:
        why = "homed since the bare contact check; bare captures of several homings give its repeatability"
        return [HeightPart(source, None, math.inf, False, why)]
    return []


def _calibrated(
    force_n: float,
    bare_mm: float,
    bare: Sequence[PlatenContact],
    piece: Sequence[PlatenContact],
    calibration: Calibration,
) -> list[HeightPart]:
    """Return what every direction of the calibration's uncertainty does to the height."""
    slope_mm = _mean(bare, "per_newton_mm") - _mean(piece, "per_newton_mm")
    faster = _mean(bare, "speed_mm_per_s") - _mean(piece, "speed_mm_per_s")
    ends_mm = np.array([bare_mm, _mean(piece, "position_mm")])
    # height = bare - piece: what a direction does to it, to first order (JCGM 100:2008, 5.1.3 note 2)
    squares: dict[tuple[str, float], float] = {}
    for shift in shifts(calibration):
        off = shift.calibration
        change_mm = 0.0
        if calibration.position is not None and off.position is not None:
            moved_mm = off.position.value(calibration.position.counts(ends_mm)) - ends_mm
            change_mm += float(moved_mm[0] - moved_mm[1])
        if calibration.force is not None and off.force is not None and force_n:
            from_zero = calibration.force.counts(force_n)
            change_mm -= slope_mm * (float(off.force.value(from_zero)) - force_n)
        # a delay shifts a position by speed times delay: equal speeds cancel
        change_mm -= faster * (off.delay.s - calibration.delay.s)
        key = (shift.source, shift.degrees_of_freedom)
        squares[key] = squares.get(key, 0.0) + change_mm**2
    rows = [
        HeightPart(source, math.sqrt(square), freedom, True, HOW[source.split()[0]])
        for (source, freedom), square in squares.items()
        if source.split()[0] in HOW
    ]
    for name, scale in (("position", calibration.position), ("force", calibration.force)):
        if scale is None or scale.uncertainty is None:
            missing = "stated or scaled by its source, not calibrated: left out"
            rows.append(HeightPart(f"{name} calibration", None, math.inf, False, missing))
    if calibration.delay.u_s is None and abs(faster) > SAME_SPEED * abs(_mean(piece, "speed_mm_per_s")):
        missing = "not measured; equal speeds at both contact checks would cancel it"
        rows.append(HeightPart("delay", None, math.inf, False, missing))
    return rows


def _told_only(
    force_n: float, bare: Sequence[PlatenContact], piece: Sequence[PlatenContact], calibration: Calibration
) -> list[HeightPart]:
    """Return the rows that are in others already, or that go out between both contact checks."""
    rows = []
    for source, name in (("noise of the readings", "u_mm"), ("force zero", "zero_u_mm")):
        # variance of a mean of readings
        square = sum(
            float(np.sum([getattr(check, name) ** 2 for check in checks])) / len(checks) ** 2
            for checks in (bare, piece)
        )
        rows.append(HeightPart(source, math.sqrt(square), math.inf, False, "in the repeats already"))
    give_um = 1000 * float(calibration.frame.deflection_mm(np.array(force_n)))
    same = f"{give_um:.3g} um at {force_n:g} N, the same at both contact checks: goes out"
    rows.append(HeightPart("frame compliance", None, math.inf, False, same))
    return rows


def _mean(checks: Sequence[PlatenContact], name: str) -> float:
    """Return the mean of one field over contact checks."""
    return float(np.mean([getattr(check, name) for check in checks]))
