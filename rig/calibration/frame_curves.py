"""Curves of a frame's deflection through the samples of presses on a block.

Problem: what the position reading travels under a rising force is the deflection, from a contact that is not
known. Plan: samples of each stroke are averaged in steps of force; a contact for each press and a natural
cubic spline through the origin are linear in their unknowns, so least squares; knots are as few as the curve
needs. The means of the spline's own terms stand beside those of the position, so that wide steps bend
nothing. Where the position reading has backlash, it stands still after the turn until the backlash is taken
up, which on a stiff frame is much of the way out: the curve then rests during loading alone, and what is left
of the way out is only compared with it. Cost: a pass over the samples for each curve tried, some ten.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rig.calibration.frame import through_origin
from rig.calibration.presses import Press
from rig.calibration.scatter import chance_of_ratio
from rig.errors import InputError
from rig.samples import FloatArray, IntArray

BoolArray = npt.NDArray[np.bool_]

MOST_STEPS, LEAST_STEPS = 60, 8
"""Of force, in which the samples of a stroke are averaged."""

VALUES_A_STEP = 4
"""At the least, on the mean."""

LOW_SHARE, LOW_NOISE = 0.01, 10.0
"""Below this share of the range, and this many times the noise, a force may be none."""

TURN_SHARE = 0.02
"""Of the peak force, within which a press is hardest."""

MOVED_NOISE = 6.0
"""Times the noise: a reading that is further from its deepest has moved."""

KNOT_COUNTS = (1, 2, 3, 4, 6)
"""A straight line, and curves that bend ever more."""

CURVED_CHANCE = 0.01
NEGLIGIBLE_SHARE = 0.0005
"""Further knots must explain something that chance does not, and that is more than this share of the
deflection."""


@dataclass(frozen=True, slots=True, eq=False)
class FrameStrokes:
    """Samples of all presses, and the steps of force in which they are averaged.

    `force_n`, `step`: of each sample; `step` numbers its step over presses, strokes and steps in this order.
    `count`, `position_mm`: samples of each step and their mean position, shape (presses, 2, steps), loading
    first; none, and not-a-number, where the backlash hides the unloading.
    `rising_only`: whether the curve rests on the loading alone.
    `low_n`, `top_n`: where the steps begin, and the force that all presses reached.
    """

    force_n: FloatArray
    step: IntArray
    count: FloatArray
    position_mm: FloatArray
    rising_only: bool
    low_n: float
    top_n: float
    recording: IntArray

    def means(self, values: FloatArray) -> FloatArray:
        """Return the means of values of the samples in each step, shape (presses, steps): of both
        strokes, which weigh the same, or of the loading alone."""
        sums = np.bincount(self.step, values, self.count.size).reshape(self.count.shape)
        used = self.used
        return np.asarray((sums[:, used] / self.count[:, used]).mean(axis=1), np.float64)

    @property
    def used(self) -> slice:
        """Strokes that the curve rests on."""
        return slice(1) if self.rising_only else slice(2)

    @property
    def both(self) -> BoolArray:
        """Steps that every press has on both strokes, shape (steps,)."""
        return np.asarray((self.count > 0).all(axis=(0, 1)), np.bool_)

    @property
    def middle_n(self) -> FloatArray:
        """Mean force of each step, shape (steps,)."""
        middle: FloatArray = self.means(self.force_n).mean(axis=0)
        return middle


@dataclass(frozen=True, slots=True)
class Choice:
    """Knots that were tried: how many, whether denser where the force is small, and what they leave."""

    knots: int
    denser_below: bool
    residual_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class FrameCurve:
    """The curve through some knots.

    `knots_n`: shape (k,).
    `solver`: from means of steps to deflections at knots, shape (k, steps).
    `design`: from deflections at knots to means of steps, shape (steps, k), each column about its own mean.
    `deflections_mm`, `contacts_mm`: of each press, shape (presses, k) and (presses,).
    `residual_mm`: what each press leaves in each step about the mean curve, shape (presses, steps).
    """

    knots_n: FloatArray
    solver: FloatArray
    design: FloatArray
    deflections_mm: FloatArray
    contacts_mm: FloatArray
    residual_mm: FloatArray
    choice: Choice

    @property
    def deflection_mm(self) -> FloatArray:
        """At the knots, mean of the presses."""
        mean: FloatArray = self.deflections_mm.mean(axis=0)
        return mean


def strokes_of(
    presses: Sequence[Press],
    *,
    backlash_mm: float,
    block_compliance_mm_per_n: float,
    noise_n: float,
    most_steps: int,
) -> FrameStrokes:
    """Average the samples of presses in steps of force.

    Raises InputError if a stroke holds too few values.

    `presses`: whole ones.
    `backlash_mm`: of the position reading, taken off during unloading.
    `most_steps`: not to be exceeded, since the position reading tells no more apart.
    """
    top_n = min(press.peak_force_n for press in presses) - 2 * noise_n
    low_n = max(LOW_NOISE * noise_n, LOW_SHARE * top_n)
    force_n = np.concatenate([press.force_n for press in presses])
    parts = [_parted(press, backlash=backlash_mm > 0) for press in presses]
    # of each sample: whether it lies during unloading, and whether it tells where the platen is
    out, seen = (np.concatenate(part) for part in zip(*parts, strict=True))
    position_mm = np.concatenate([press.position_mm for press in presses])
    position_mm = position_mm - backlash_mm * out - force_n * block_compliance_mm_per_n
    number = np.repeat(np.arange(len(presses)), [len(press.force_n) for press in presses])
    inside = seen & (force_n > low_n) & (force_n < top_n)
    force_n, position_mm, stroke = force_n[inside], position_mm[inside], (2 * number + out)[inside]
    needed = slice(None, None, 2 if backlash_mm > 0 else 1)
    fewest = int(np.bincount(stroke, minlength=2 * len(presses))[needed].min())
    steps = min(MOST_STEPS, most_steps, fewest // VALUES_A_STEP)
    # fewer and wider steps, until each holds samples of every stroke
    while steps >= LEAST_STEPS:
        step = np.minimum(((force_n - low_n) / (top_n - low_n) * steps).astype(np.int64), steps - 1)
        step += stroke * steps
        count = np.bincount(step, minlength=2 * len(presses) * steps).reshape(len(presses), 2, steps)
        if count[:, :1].min() > 0 and (backlash_mm > 0 or count.min() > 0):
            sums_mm = np.bincount(step, position_mm, count.size).reshape(count.shape)
            mean_mm = np.divide(sums_mm, count, out=np.full(count.shape, np.nan), where=count > 0)
            recording = np.array([press.recording for press in presses])
            return FrameStrokes(
                force_n, step, count.astype(np.float64), mean_mm, backlash_mm > 0, low_n, top_n, recording
            )
        steps = steps * 3 // 4
    raise InputError(
        f"found {fewest} values between {low_n:.3g} N and {top_n:.4g} N in a stroke; expected "
        f"{LEAST_STEPS * VALUES_A_STEP} at the least, evenly spread: press more slowly"
    )


def _parted(press: Press, *, backlash: bool) -> tuple[BoolArray, BoolArray]:
    """Return which samples lie during unloading, and which tell where the platen is: with backlash in the
    reading, those after the turn do so once the reading has moved."""
    index = np.arange(len(press.force_n))
    if not backlash:
        return index > press.turn, np.ones(len(index), np.bool_)
    # the reading stands still about the turn: the force tells better when it was
    hardest = np.flatnonzero(press.force_n > (1 - TURN_SHARE) * press.peak_force_n)
    turn = int(hardest[0] + hardest[-1]) // 2
    deepest_mm = float(press.position_mm[: turn + 1].max())
    standing = np.flatnonzero(press.position_mm >= deepest_mm - MOVED_NOISE * press.free_position_mm)
    return index > turn, (index <= turn) | (index > max(int(standing[-1]), turn))


def curves_through(strokes: FrameStrokes, knots: int | None) -> Iterator[FrameCurve]:
    """Yield the curves to choose from, those of fewer knots first; with a stated number only those."""
    for count in KNOT_COUNTS if knots is None else (knots,):
        if count * 2 > strokes.count.shape[2]:
            continue
        for denser_below in (False, True) if count > 1 else (False,):
            yield _curve(strokes, count, denser_below=denser_below)


def chosen(curves: Sequence[FrameCurve], deflection_mm: float) -> tuple[FrameCurve, str]:
    """Return the first curve that no richer one betters by more than chance and by more than nothing.

    Parameters
    ----------
    curves
        Those of fewer knots first.

    Returns
    -------
    The curve, and why it was taken.
    """
    # in long recordings a test finds bends significant that are too small to matter
    negligible_mm = NEGLIGIBLE_SHARE * deflection_mm
    for curve in sorted(curves, key=lambda curve: (curve.choice.knots, curve.choice.residual_mm)):
        better = [rich for rich in curves if _betters(rich, curve, negligible_mm)]
        if not better:
            break
    richest = max(curve.choice.knots for curve in curves)
    count, residual_um = curve.choice.knots, 1e3 * curve.choice.residual_mm
    if count == richest:
        reason = f"{count} knots leave {residual_um:.2g} um; no more were tried"
    else:
        words = "a straight line leaves" if count == 1 else f"{count} knots leave"
        reason = f"{words} {residual_um:.2g} um, and no curve of up to {richest} knots explains more of that"
    return curve, reason


def basis(knots_n: FloatArray, force_n: FloatArray) -> FloatArray:
    """Return what each knot contributes at forces of shape (n,) within the knots: shape (n, k).

    The same curve as `Frame.deflection_mm`: natural cubic through the origin; one knot is a straight line.
    """
    if len(knots_n) == 1:
        return force_n[:, None] / knots_n
    # each knot's own term: the spline through one at it and zero at all others
    values: FloatArray = through_origin(knots_n, np.eye(len(knots_n)))(force_n)
    return values


def _curve(strokes: FrameStrokes, knots: int, *, denser_below: bool) -> FrameCurve:
    # denser where the force is small: slack is taken up there, and the curve bends most
    shares = np.arange(1, knots + 1) / knots
    knots_n = strokes.top_n * (shares**2 if denser_below else shares)
    terms = basis(knots_n, strokes.force_n)
    # presses, steps, knots
    design = np.stack([strokes.means(column) for column in terms.T], axis=-1)
    position_mm = strokes.position_mm[:, strokes.used].mean(axis=1)
    # least squares of each press about its own means, which takes its contact out of the unknowns
    deflections = np.array(
        [
            np.linalg.lstsq(table - table.mean(axis=0), column - column.mean(), rcond=None)[0]
            for table, column in zip(design, position_mm, strict=True)
        ]
    )
    deflection_mm = deflections.mean(axis=0)
    residual_mm = position_mm - design @ deflection_mm
    contacts_mm = residual_mm.mean(axis=1)
    mean_design = design.mean(axis=0)
    centred = mean_design - mean_design.mean(axis=0)
    residual_mm = residual_mm - contacts_mm[:, None]
    rms_mm = float(np.sqrt(np.mean(residual_mm.mean(axis=0) ** 2)))
    return FrameCurve(
        knots_n,
        np.linalg.pinv(centred),
        mean_design,
        deflections,
        contacts_mm,
        residual_mm,
        Choice(knots, denser_below, rms_mm),
    )


def _betters(rich: FrameCurve, plain: FrameCurve, negligible_mm: float) -> bool:
    """Return whether a curve of more knots explains more than chance does."""
    more = rich.choice.knots - plain.choice.knots
    if more < 1:
        return False
    # about each press's own curve, presses that differ do not hide a bend that they share
    presses, steps = rich.residual_mm.shape
    gained = presses * steps * (plain.choice.residual_mm**2 - rich.choice.residual_mm**2)
    left = (
        rich.residual_mm
        - (rich.deflections_mm - rich.deflection_mm) @ (rich.design - rich.design.mean(axis=0)).T
    )
    # F test of nested models: what further knots gain against what is left about each press's own curve
    freedom = presses * (steps - 1 - rich.choice.knots)
    spread = float(np.sum(left**2)) / freedom
    if gained / (presses * steps) <= negligible_mm**2:
        return False
    return spread == 0 or chance_of_ratio(gained / more / spread, more, freedom) < CURVED_CHANCE
