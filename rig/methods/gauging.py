"""Single readings from a stretch of a recording: position at a force, force at a position or after a hold.

Problem: a reading between two noisy samples is only as good as these, and a first passage in noise comes
early. Plan: a low polynomial through the samples around the place, whose value there is the reading and
whose scatter gives its uncertainty; what rounding leaves undithered comes on top. Cost: one small least
squares for each reading.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot, nan, sqrt

import numpy as np
import numpy.typing as npt

from rig.errors import InputError
from rig.samples import FloatArray

NEAR_MM = 0.1
"""Samples within this way of a reading take part: short beside any bend of a soft part's curve."""

CONTACT_CHECK_MM = 0.3
"""As before for a contact check, which stops there and so has samples on one side only."""

CHECK_SHARE = 0.5
"""Samples of a contact check count from this share of its force on."""

LEAST_SAMPLES = 4
MOST_SAMPLES = 2000
"""On each side of a reading."""

BOWED_SAMPLES = 7
"""From this many samples on, a parabola is fitted instead of a straight line."""

ZERO_SAMPLES = 20
ZERO_WAY_MM = 0.2
"""An approach of this many samples and so long a way has a no-load part of its own; its first half is
that."""

FLAT_WITHIN = 4.0
"""Both halves of a no-load part may differ by this many standard uncertainties of their difference."""

HOLD_END_S = 1.0
HOLD_SHARE = 0.1
"""The end of a hold is read from its last second, or its last tenth if that is shorter."""


@dataclass(frozen=True, slots=True)
class GaugedValue:
    """A value with its standard uncertainty, and the slope of the curve there in units of value by units of
    place.

    Not a `Measured`: the slope carries the uncertainty of a place over to the value, and what readings of one
    recording share, its calibration, is found afterwards by moving it (`results/method_results.py`).
    """

    value: float
    u: float
    slope: float = nan


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of a recording, arrays of shape (n,), and the smallest steps of both channels.

    `position_mm` may have the frame's share taken off.
    """

    time_s: FloatArray
    position_mm: FloatArray
    force_n: FloatArray
    force_step_n: float = 0.0
    position_step_mm: float = 0.0

    def __len__(self) -> int:
        return len(self.time_s)

    def part(self, which: slice) -> Stretch:
        """Return some of it."""
        return replace(
            self, time_s=self.time_s[which], position_mm=self.position_mm[which], force_n=self.force_n[which]
        )

    def way_in(self) -> Stretch:
        """Up to where the platen comes to rest."""
        if not len(self):
            return self
        reached = self.position_mm >= self.position_mm.max() - 2 * self.position_step_mm
        return self.part(slice(0, int(np.argmax(reached)) + 1))

    def way_out(self) -> Stretch:
        """From where the platen leaves its deepest place."""
        if not len(self):
            return self
        deep = np.flatnonzero(self.position_mm >= self.position_mm.max() - 2 * self.position_step_mm)
        return self.part(slice(int(deep[-1]), None))


@dataclass(frozen=True, slots=True)
class ContactReading:
    """Where and when a contact check reached its force, and the force zero of its approach."""

    position_mm: GaugedValue
    time_s: float
    zero_n: GaugedValue


def read_contact(stretch: Stretch, force_n: float, zero_n: GaugedValue | None) -> ContactReading:
    """Return the position at which a contact check reached its force.

    Raises InputError if there is no approach, no force zero, or the force was not reached.

    `stretch`: from the begin of the approach; what follows the contact check may be in it.
    `zero_n`: of a contact check before, for an approach without a no-load part.
    """
    if len(stretch) < LEAST_SAMPLES:
        raise InputError("contact check: too few samples of its approach are left")
    # an approach begins where the platen is farthest before its peak: what came before is another way out
    peak = int(np.argmax(stretch.force_n))
    low = int(np.argmin(stretch.position_mm[: peak + 1]))
    approach = stretch.part(slice(low, peak + 1))
    # a first guess of the zero finds the contact; the flat part before that then gives the zero itself
    guess_n = zero_n.value if zero_n else float(np.median(approach.force_n[:ZERO_SAMPLES]))
    top_n = float(approach.force_n.max()) - guess_n
    at = int(np.argmax(approach.force_n - guess_n >= min(force_n, 0.95 * top_n)))
    zero_n = _zero(approach, at) or zero_n
    if zero_n is None:
        raise InputError(
            "contact check: its approach has no stretch without load from which to take the force zero"
        )
    net_n = approach.force_n - zero_n.value
    if float(net_n.max()) < 0.8 * force_n:
        raise InputError(f"contact check: reached {float(net_n.max()):.3g} N, expected {force_n:.3g} N")
    at = int(np.argmax(net_n >= min(force_n, float(net_n.max()))))
    position_mm = approach.position_mm
    # only the rise of this contact: the way without load before it has another slope
    near = (net_n[:at] < CHECK_SHARE * force_n) | (position_mm[:at] < position_mm[at] - CONTACT_CHECK_MM)
    outside = np.flatnonzero(near)
    first = max(int(outside[-1]) + 1 if len(outside) else 0, at - MOST_SAMPLES)
    first = min(first, max(at - 1, 0))
    part = slice(first, at + 1)
    reading = _fitted(net_n[part], position_mm[part], force_n, stretch.position_step_mm)
    u = hypot(reading.u, reading.slope * zero_n.u)
    return ContactReading(GaugedValue(reading.value, u, reading.slope), float(approach.time_s[at]), zero_n)


def position_at(stretch: Stretch, force_n: float, zero_n: GaugedValue, *, falling: bool) -> GaugedValue:
    """Return the position where a stroke first passes a force; `slope` is in mm/N.

    Raises InputError if it does not pass it.
    """
    net_n = stretch.force_n - zero_n.value
    passed = net_n <= force_n if falling else net_n >= force_n
    part = _around(passed, stretch.position_mm, f"a force of {force_n:.4g} N")
    reading = _fitted(net_n[part], stretch.position_mm[part], force_n, stretch.position_step_mm)
    return GaugedValue(reading.value, hypot(reading.u, reading.slope * zero_n.u), reading.slope)


def force_at(
    stretch: Stretch, position_mm: GaugedValue, zero_n: GaugedValue, *, falling: bool
) -> GaugedValue:
    """Return the force where a stroke first passes a position; the position's uncertainty counts with the
    slope in N/mm.

    Raises InputError if it does not pass it.
    """
    at_mm = position_mm.value
    x_mm = stretch.position_mm
    slack_mm = 4 * stretch.position_step_mm
    passed = x_mm <= at_mm if falling else x_mm >= min(at_mm, float(np.max(x_mm, initial=-np.inf)))
    if not falling and len(x_mm) and float(x_mm.max()) < at_mm - slack_mm:
        raise InputError(f"press: went to {float(x_mm.max()):.2f} mm, short of {at_mm:.2f} mm")
    part = _around(passed, x_mm, f"{at_mm:.2f} mm")
    reading = _fitted(x_mm[part], stretch.force_n[part] - zero_n.value, at_mm, stretch.force_step_n)
    u = sqrt(reading.u**2 + zero_n.u**2 + (reading.slope * position_mm.u) ** 2)
    return GaugedValue(reading.value, u, reading.slope)


def end_of_hold(stretch: Stretch, zero_n: GaugedValue, held_s: float) -> tuple[GaugedValue, GaugedValue]:
    """Return the force and position at the end of a hold.

    Raises InputError if hardly a sample of its end is left.
    """
    since_s = min(HOLD_END_S, HOLD_SHARE * held_s)
    first = int(np.searchsorted(stretch.time_s, stretch.time_s[-1] - since_s)) if len(stretch) else 0
    part = stretch.part(slice(first, None))
    if len(part) < LEAST_SAMPLES:
        raise InputError("hold: too few samples of its end are left")
    force = _fitted(part.time_s, part.force_n - zero_n.value, float(part.time_s[-1]), part.force_step_n)
    position_mm = float(part.position_mm.mean())
    scatter_mm = float(part.position_mm.std(ddof=1)) / sqrt(len(part))
    rounded_mm = part.position_step_mm / sqrt(12)
    return (
        GaugedValue(force.value, hypot(force.u, zero_n.u)),
        GaugedValue(position_mm, hypot(scatter_mm, rounded_mm)),
    )


def _zero(approach: Stretch, at: int) -> GaugedValue | None:
    """Return the force zero from the far part of an approach that ends at a sample; None if none of it is
    flat."""
    x_mm = approach.position_mm[:at]
    if len(x_mm) < ZERO_SAMPLES or float(x_mm[-1] - x_mm[0]) < ZERO_WAY_MM:
        return None
    # a toe region may begin before the force shows it: halve what is far away until both halves agree
    flat_n = approach.force_n[:at][x_mm < (x_mm[0] + x_mm[-1]) / 2]
    while len(flat_n) >= ZERO_SAMPLES:
        half = len(flat_n) // 2
        scatter_n = float(flat_n[:half].std(ddof=1))
        rise_n = float(flat_n[half:].mean() - flat_n[:half].mean())
        if rise_n <= FLAT_WITHIN * max(scatter_n, approach.force_step_n / sqrt(12)) * sqrt(2 / half):
            # noise below half a step leaves the mean anywhere within that step: uniform, step / sqrt(12)
            undithered_n = approach.force_step_n / sqrt(12) if scatter_n < approach.force_step_n / 2 else 0.0
            return GaugedValue(float(flat_n.mean()), hypot(scatter_n / sqrt(len(flat_n)), undithered_n))
        flat_n = flat_n[:half]
    return None


def _around(passed: npt.NDArray[np.bool_], x_mm: FloatArray, what: str) -> slice:
    """Return the samples near the first one that has passed."""
    if not len(passed) or passed[0] or not passed.any():
        raise InputError(f"stroke: does not pass {what}")
    at = int(np.argmax(passed))
    far = np.abs(x_mm - x_mm[at]) > NEAR_MM
    before, behind = np.flatnonzero(far[:at]), np.flatnonzero(far[at:])
    first = int(before[-1]) + 1 if len(before) else 0
    last = at + int(behind[0]) if len(behind) else len(x_mm)
    first = min(max(first, at - MOST_SAMPLES), max(at - LEAST_SAMPLES, 0))
    last = max(min(last, at + MOST_SAMPLES), min(at + LEAST_SAMPLES, len(x_mm)))
    return slice(first, last)


def _fitted(x: FloatArray, y: FloatArray, at: float, step: float) -> GaugedValue:
    """Return the value at a place of a polynomial through samples, with its standard uncertainty."""
    count = len(x)
    span = float(np.ptp(x))
    if count < 2 or span == 0:
        raise InputError("reading: too few samples around it")
    if count == 2:
        # two samples have no scatter: the value is taken to lie anywhere between them
        slope = float((y[1] - y[0]) / (x[1] - x[0]))
        value = float(y[0]) + slope * (at - float(x[0]))
        return GaugedValue(value, abs(float(y[1] - y[0])) / sqrt(12) + step / sqrt(12), slope)
    degree = 2 if count >= BOWED_SAMPLES else 1
    # about the place and over the span, so that the constant is the value there and columns are of like size
    powers = np.vander((x - at) / span, degree + 1, increasing=True)
    fit, _, rank, _ = np.linalg.lstsq(powers, y, rcond=None)
    if rank < degree + 1:
        raise InputError("reading: too few different samples around it")
    left = y - powers @ fit
    free = count - degree - 1
    scatter = sqrt(float(left @ left) / free) if free else abs(float(np.ptp(y)))
    # variance of the constant: scatter^2 times its element of the inverse normal matrix
    u_fit = scatter * sqrt(float(np.linalg.inv(powers.T @ powers)[0, 0]))
    # each step that is passed rounds anew, and their errors average out
    steps_passed = max(float(np.ptp(y)) / step, 1.0) if step else 1.0
    return GaugedValue(float(fit[0]), hypot(u_fit, step / sqrt(12 * steps_passed)), float(fit[1]) / span)
