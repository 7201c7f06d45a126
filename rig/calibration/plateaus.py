"""Settled plateaus: the mean of a stretch in which nothing moved, and how well it is known.

Problem: a load that still swings, creeps or is being put on gives a mean that is no reading, and converters
filter, so that neighbouring samples are no independent witnesses. Plan: a straight line through the stretch
tells drift; the stretch is refused where it drifts by more than is allowed and by more than its noise
explains; the uncertainty of the mean is that of the means of a few long blocks, which hardly know of each
other. Cost: a few passes over some thousand samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rig.core.measured import line_slope
from rig.errors import InputError
from rig.samples import FloatArray, RawArray, Status, StatusArray

BLOCKS = 10
"""Nine degrees of freedom, and each block is longer than any converter's filter in a stretch of seconds."""

LEAST_SAMPLES = 2 * BLOCKS
"""Two for each block."""

SIGNIFICANT_SLOPES = 4.0
"""A drift of fewer standard uncertainties than this may be chance (once in 250, of so few blocks)."""

UNSTEADY_NOISE = 1.5
"""A block whose mean lies further off the others than this many standard deviations of single samples was
disturbed; what is less goes into the uncertainty of the mean."""

CLEAR_MEANS = 4.0
"""Likewise in standard deviations of the mean of a block: it decides where a slow board puts two or three
samples into a block, whose means scatter by themselves (once in 1600 for ten of them)."""

NOISE_SAMPLES = 5
"""Of a block that tells the noise: a line through two samples leaves none."""

ROUNDING = 1e-6
"""Of times in seconds; a plateau is not too short by that."""

STEP_U_COUNTS = 1 / math.sqrt(12)
"""Of a reading that stays on one count: anywhere within half a count."""

_FAULTS = {
    Status.FORCE_SATURATED: (
        "saturated: the converter is at the end of its range, so its reading says nothing; take a smaller "
        "load, or a smaller gain"
    ),
    Status.POSITION_FAULT: (
        "the position sensor reports a fault; look at its cable, then take the reading again"
    ),
}


@dataclass(frozen=True, slots=True)
class PlateauRule:
    """What counts as settled.

    `drift_share`: largest drift over the stretch, as a share of the reading from zero.
    `drift_counts`: largest drift over the stretch where that share is smaller still.
    `drift_noise`: likewise, as a share of the standard deviation of single samples: such a drift hides in the
    noise and is part of the uncertainty of the mean.
    """

    least_s: float = 2.0
    drift_share: float = 0.0005
    drift_counts: float = 2.0
    drift_noise: float = 0.5

    def largest_drift(self, from_zero_counts: float, noise_counts: float) -> float:
        """Return the drift that is allowed over the stretch, in counts."""
        return max(
            self.drift_share * abs(from_zero_counts), self.drift_counts, self.drift_noise * noise_counts
        )


@dataclass(frozen=True, slots=True)
class Plateau:
    """A settled reading.

    `counts`, `u_counts`: mean, and its standard uncertainty with `degrees_of_freedom`.
    `drift_counts`: by how much a straight line through the stretch rises from its beginning to its end.
    """

    counts: float
    u_counts: float
    degrees_of_freedom: int
    drift_counts: float
    seconds: float
    samples: int


def settled_plateau(
    time_s: FloatArray,
    counts: RawArray | FloatArray,
    status: StatusArray | None = None,
    *,
    rule: PlateauRule | None = None,
    zero_counts: float | None = None,
    fault: Status = Status.FORCE_SATURATED,
) -> Plateau:
    """Return the mean of a stretch that has settled.

    Parameters
    ----------
    time_s, counts
        Samples of the stretch, shape (n,).
    status
        Bits of `rig.samples.Status`, shape (n,); None where they are not known.
    zero_counts
        Reading without load, from which the allowed drift is a share; None while it is being taken.
    fault
        Status bit of a reading that means nothing: FORCE_SATURATED or POSITION_FAULT.

    Raises
    ------
    InputError
        If the stretch is too short, saturated, unsteady or drifts; in words, with what to do.
    """
    rule = rule or PlateauRule()
    values = np.asarray(counts, np.float64)
    seconds = float(time_s[-1] - time_s[0]) if len(time_s) > 1 else 0.0
    if len(values) < LEAST_SAMPLES or seconds < rule.least_s * (1 - ROUNDING):
        raise InputError(
            f"plateau too short: found {len(values)} samples in {seconds:.2g} s, expected {LEAST_SAMPLES} "
            f"or more over {rule.least_s:.2g} s; leave the load alone for longer, or take longer plateaus"
        )
    if status is not None and bool(((status & fault) != 0).any()):
        raise InputError(_FAULTS[fault])
    # means of blocks: neighbouring samples of a filtering converter are no independent witnesses
    means = np.array([block.mean() for block in np.array_split(values, BLOCKS)])
    # rise of a straight line over the stretch
    slope = line_slope(np.array([block.mean() for block in np.array_split(time_s, BLOCKS)]), means)
    rise = slope.scaled(float(time_s[-1] - time_s[0]))
    noise = _noise(values)
    allowed = rule.largest_drift(0.0 if zero_counts is None else float(values.mean()) - zero_counts, noise)
    if abs(rise.value) > max(allowed, SIGNIFICANT_SLOPES * rise.u):
        raise InputError(
            f"plateau drifts by {rise.value:+.4g} counts in {seconds:.2g} s; expected at most {allowed:.4g}. "
            "The load may swing, creep or rub, or the rig may still be warming up. Wait, then take it again"
        )
    # against the median, which one disturbed block does not move
    off = float(np.abs(means - np.median(means)).max())
    bound = max(allowed, noise * max(UNSTEADY_NOISE, CLEAR_MEANS / math.sqrt(len(values) / BLOCKS)))
    if off > bound:
        raise InputError(
            f"plateau not steady: a tenth of it differs from the rest by {off:.4g} counts; expected at most "
            f"{bound:.4g}. Something moved. Leave the load alone, then take it again"
        )
    # noise of a count or more dithers the steps away; without it the mean stands anywhere in its step
    u = math.hypot(float(means.std(ddof=1)) / math.sqrt(BLOCKS), STEP_U_COUNTS if values.std() < 0.5 else 0.0)
    return Plateau(float(values.mean()), u, BLOCKS - 1, rise.value, seconds, len(values))


def _noise(values: FloatArray) -> float:
    """Return the standard deviation of single samples about a line through their block, in the middle one of
    the blocks.

    Neither a drift nor a step within the stretch can excuse itself as noise in this way.
    """
    found = []
    for block in np.array_split(values, min(BLOCKS, len(values) // NOISE_SAMPLES)):
        at = np.arange(len(block)) - (len(block) - 1) / 2
        slope = float(at @ block) / float(at @ at)
        left = block - block.mean() - slope * at
        found.append(math.sqrt(float(left @ left) / max(len(block) - 2, 1)))
    return float(np.median(found))
