"""How far a force zero may have wandered while contact hid it.

Problem: a zero that is known before and behind a contact runs straight between the two, but only on the
average. How far it strays in between cannot be told from their difference: that is large for a steady
drift, which does no harm, and may vanish by chance for a zero that strayed and came back.

Plan: take the zero for a steady drift and a random walk on top, the same in all cycles so far. Every change
of the zero that can be seen shows both: from one side of a contact to the other, and between parts of the
stretches without load. The drift is the weighted mean of the changes per sample; what is left of them,
less what noise leaves in a mean, is the walk. Few changes tell it badly: it is widened as Student's t
widens an interval. Only what lies before a cycle, or right behind it, has a say in it, so that parts of a
recording give the same as the whole. Cost: a few means over the stretches without load, and sums.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from rig.analyser.ragged import means
from rig.core.measured import coverage_factor
from rig.samples import FloatArray, IntArray

PARTS = 3
"""Parts of a stretch without load: more of them show more changes, but in shorter means."""

LEAST_PART = 8
"""Samples of a part; the zero of a shorter one is noise."""

NOISE_MATTERS = 3.0
"""Changes are weighed for a walk so large that it does as much to a loop as the noise of the zeros at its
ends: the square of their difference, over a third of the samples between them."""

LEAST_FREEDOM = 1.5
"""With fewer degrees of freedom nothing is known of a walk."""

_SUMS = 8


@dataclass(frozen=True, slots=True)
class Changes:
    """Changes of the force zero, arrays of shape (m, k); not-a-number where there is none.

    Parameters
    ----------
    change_n
        Mean of the later samples less that of the earlier ones.
    lag
        Samples between the middles of both.
    early, late
        Samples in each mean.
    """

    change_n: FloatArray
    lag: FloatArray
    early: FloatArray
    late: FloatArray

    @classmethod
    def within(cls, force_n: FloatArray, first: IntArray, stop: IntArray) -> Changes:
        """Changes between neighbouring parts of stretches [first, stop), `PARTS` - 1 for each."""
        length = np.maximum(stop - first, 0) // PARTS
        length = np.where(length >= LEAST_PART, length, 0)
        starts = [stop - each * length for each in range(PARTS, 0, -1)]
        part_n = np.stack([means(force_n, start, start + length) for start in starts], axis=1)
        change_n = np.diff(part_n, axis=1)
        count = np.broadcast_to(np.maximum(length, 1)[:, None].astype(np.float64), change_n.shape)
        return cls(change_n, count, count, count)

    @classmethod
    def side_by_side(cls, *those: Changes) -> Changes:
        """Changes of the same rows, all together."""
        return cls(
            *(
                np.concatenate([getattr(changes, name) for changes in those], axis=1)
                for name in ("change_n", "lag", "early", "late")
            )
        )

    def sums(self, across: Changes) -> FloatArray:
        """Return what a record adds up, shape (m, sums); `across` are the changes over each row's
        contact."""
        known = np.isfinite(self.change_n)
        change_n = np.where(known, self.change_n, 0.0)
        noise = 1 / self.early + 1 / self.late
        # a mean over n samples of a walk has come n/3 less far than its end, and its middle n/2
        walked = self.lag - (self.early + self.late) / 6
        usual = across.lag / NOISE_MATTERS / (1 / across.early + 1 / across.late)
        weight = np.where(known, 1 / (walked + usual * noise), 0.0)
        by_lag = (weight * self.lag) ** 2
        terms = (
            weight * change_n**2,
            weight * change_n * self.lag,
            weight * self.lag**2,
            weight * walked,
            weight * noise,
            by_lag * walked,
            by_lag * noise,
            (weight * walked) ** 2,
        )
        return np.stack([term.sum(axis=1) for term in terms], axis=1)


@dataclass(frozen=True, slots=True)
class Wander:
    """What is known of the zero's course at each cycle, arrays of shape (m,).

    Parameters
    ----------
    drift_n
        Steady change per sample; 0 where too little is known.
    walk_n2
        Variance of the random walk per sample, widened for how well it is known; not-a-number where too
        little is known.
    """

    drift_n: FloatArray
    walk_n2: FloatArray


@dataclass(slots=True)
class ZeroRecord:
    """Sums over the changes of a recording's force zero so far."""

    _sums: FloatArray = field(default_factory=lambda: np.zeros(_SUMS))

    def take(self, across: Changes, before: Changes, behind: Changes, noise_n: float) -> Wander:
        """Take the next cycles, and tell how the zero wanders at each.

        Parameters
        ----------
        across
            From before each contact to behind it, shape (m, 1).
        before, behind
            Within the stretches without load. What lies behind a cycle comes once more before the next, and
            is kept only then.
        noise_n
            Standard deviation of a single sample.
        """
        own = Changes.side_by_side(across, before).sums(across)
        so_far = self._sums + np.cumsum(own, axis=0)
        if len(own):
            self._sums = so_far[-1].copy()
        return _wander(so_far + behind.sums(across), noise_n)


def _wander(sums: FloatArray, noise_n: float) -> Wander:
    square, along, lags, walked, noise, walked_lags, noise_lags, walked_square = sums.T
    with np.errstate(divide="ignore", invalid="ignore"):
        drift_n = along / lags
        left_n2 = np.maximum(square - along * drift_n, 0.0)
        freedom = walked**2 / walked_square - 1
        known = freedom >= LEAST_FREEDOM
        widened = coverage_factor(np.where(known, freedom, np.inf)) / coverage_factor(np.inf)
        noise_left = noise - noise_lags / lags
        walk_n2 = (widened**2 * left_n2 - noise_n**2 * noise_left) / (walked - walked_lags / lags)
    return Wander(np.where(known, drift_n, 0.0), np.where(known, np.maximum(walk_n2, 0.0), np.nan))
