"""Distributions instead of derivatives: the check on the law of propagation.

The examined cycles are measured many times, each time with a calibration drawn out of those that its
evidence allows and with fresh noise on every sample (JCGM 101:2008). What the reading leaves beyond noise
(resolution, drift of the zero, turns and fits) is not independent from sample to sample, and cannot be drawn
for each; it is added to the quantities as the budget states it. A drawn sample has the recorded noise in it
and the drawn one, and is measured as what it is: a fit that was given half its noise would take it for a
misfit, and end elsewhere. Cost: one analysis of the examined cycles for each draw.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from rig.analyser.budget import DRIFT, RESOLUTION, REST, Budget, budget
from rig.analyser.examined import Examined
from rig.analyser.settings import MeasuringNoise
from rig.analyser.strokes import Columns
from rig.analyser.view import CalibratedView
from rig.calibration import Calibration, drawn
from rig.errors import InputError
from rig.samples import FloatArray
from rig.segmenter import Segment

LEAST_DRAWS = 100
"""Fewer say nothing about the ends of a 95 % interval."""


@dataclass(frozen=True, slots=True)
class MonteCarlo:
    """What draws gave for one cycle, beside its budget.

    Parameters
    ----------
    draws
        Their number.
    budget
        Of the same cycle, by propagation.
    rms, low, high
        Root mean square distance from the stated value, and ends of the 95 % interval, of each quantity of
        the budget, shape (k,).
    """

    draws: int
    budget: Budget
    rms: FloatArray
    low: FloatArray
    high: FloatArray


def monte_carlo(
    examined: Examined,
    calibration: Calibration,
    draws: int,
    *,
    conditioning: int = 0,
    seed: int = 0,
    show: Callable[[int], None] | None = None,
) -> MonteCarlo:
    """Draw calibrations and noise, and measure the examined cycles with each.

    Parameters
    ----------
    calibration
        As the examined segments were read.
    draws
        At least `LEAST_DRAWS`.
    conditioning
        First cycles that do not count.
    seed
        Of everything random.
    show
        Called with the number of draws done.

    Raises
    ------
    InputError
        If there are too few draws, or no cycle was examined.
    """
    if draws < LEAST_DRAWS:
        raise InputError(f"Monte Carlo: found {draws} draws, expected {LEAST_DRAWS} or more")
    stated = budget(examined, calibration, conditioning)
    random = np.random.default_rng(seed)
    found = np.empty((draws, len(stated.names)))
    for draw in range(draws):
        found[draw] = _measured_once(examined, calibration, stated, random)
        if show is not None:
            show(draw + 1)
    left = [stated.sources.index(each) for each in (RESOLUTION, DRIFT, REST)]
    unsampled_u = np.sqrt((stated.parts[left] ** 2).sum(axis=0))
    found += unsampled_u * random.standard_normal(found.shape)
    low, high = np.nanquantile(found, [0.025, 0.975], axis=0)
    rms = np.sqrt(np.nanmean((found - stated.value) ** 2, axis=0))
    return MonteCarlo(draws, stated, rms, low, high)


def _measured_once(
    examined: Examined, calibration: Calibration, stated: Budget, random: np.random.Generator
) -> FloatArray:
    """Return the quantities of the budget's cycle, under a calibration and noise of this draw."""
    other = drawn(calibration, random)
    view = CalibratedView(other)
    columns: Columns = {}
    for segment, context in examined.kept:
        added = context.noise.before_rounding
        noisy = _with_noise(segment, *added, random)
        columns = view.measure(
            view.reread(noisy, calibration), replace(context, noise=_noisier(context.noise, *added))
        )
        row = np.flatnonzero(columns["cycle"] == stated.cycle)
        if len(row):
            return np.array([columns[name][row[0]] for name in stated.names])
    raise AssertionError("the budget's cycle is among the examined ones")


def _noisier(noise: MeasuringNoise, force_n: float, position_mm: float) -> MeasuringNoise:
    """Return what a single sample is worth once such noise has come on top of its own."""
    return replace(
        noise,
        force_n=math.hypot(noise.force_n, force_n),
        position_mm=math.hypot(noise.position_mm, position_mm),
    )


def _with_noise(segment: Segment, force_n: float, position_mm: float, random: np.random.Generator) -> Segment:
    signals = segment.signals
    return replace(
        segment,
        signals=replace(
            signals,
            force_n=signals.force_n + force_n * random.standard_normal(len(signals)),
            position_mm=signals.position_mm + position_mm * random.standard_normal(len(signals)),
        ),
    )
