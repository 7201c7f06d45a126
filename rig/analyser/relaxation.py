"""How force falls while the platen stands still, and a Prony series for it.

Problem: the press takes time to get to its depth, and the specimen relaxes on the way; a fit that takes
the ramp for a step blames the ramp on the material.

Plan: the force retained after stated times is read off the hold. The series is fitted to ramp and hold
together: every branch is the exact response of a spring and a dashpot in series to the deflection as it
was recorded, taken as straight between samples. Given the time constants and the exponent of the elastic
curve, the stiffnesses follow by non-negative least squares; the number of branches is the smallest that
the corrected Akaike criterion supports. Cost: some hundred small least-squares problems for one hold;
done for one hold of a recording.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import scipy

from rig.analyser.settings import MeasuringNoise
from rig.samples import FloatArray

RETENTION_AFTER_S = (1.0, 10.0, 60.0)
READING_SHARE = 0.05
"""A force retained after t seconds is the mean over this share of t to either side."""

POINTS = 240
MOST_BRANCHES = 3
EXPONENTS = (0.5, 3.0)


FALLEN_SHARE = 0.25
"""Standard uncertainty of what a force lies below a straight line, as a share of what it falls by from row to
row."""


@dataclass(frozen=True, slots=True)
class PronySeries:
    """F(t) = k_inf e(t) + sum of k_i (exp(-t/tau_i) * de/dt), with e = d^p.

    Parameters
    ----------
    long_term
        k_inf, N per mm^p.
    branches
        Pairs of k_i (N per mm^p) and tau_i (s), by rising time constant.
    exponent
        p of the elastic curve.
    residual_n
        Root mean square of what the series leaves over.
    """

    long_term: float
    branches: tuple[tuple[float, float], ...]
    exponent: float
    residual_n: float

    @property
    def instantaneous(self) -> float:
        """Stiffness before any relaxation: the long-term one and all branches."""
        return self.long_term + sum(stiffness for stiffness, _ in self.branches)


def force_retention_pct(
    time_s: FloatArray,
    force_n: FloatArray,
    peak_force_n: float,
    noise: MeasuringNoise,
    *,
    arrived_s: float,
    peak_u_n: float = 0.0,
    zero_u_n: float = 0.0,
) -> dict[str, float]:
    """Return the force retained after 1, 10 and 60 s of a hold, per cent of the peak force.

    Parameters
    ----------
    time_s, force_n
        The hold from its first sample on, shape (n,), force zero taken off.
    noise
        What a sample is worth.
    arrived_s
        When the platen arrived, which is before the hold's first sample.
    peak_u_n, zero_u_n
        Standard uncertainties of the peak force, and of the force zero.

    Returns
    -------
    `force_retention_1s_pct` and so on, with standard uncertainties; not-a-number where the hold is shorter,
    or the peak force is 0.
    """
    columns = {}
    peak_force_n = peak_force_n or np.nan  # nothing is a share of no force
    since_s = time_s - arrived_s
    for after_s in RETENTION_AFTER_S:
        name = f"force_retention_{after_s:.0f}s_pct"
        near = np.abs(since_s - after_s) <= READING_SHARE * after_s
        reached = since_s[-1] >= after_s >= since_s[0]
        if near.any() or not reached:
            left_n, between_n = float(force_n[near].mean()) if reached else np.nan, 0.0
        else:
            # a table that keeps few rows of a platen that stands is read between two of them: a force that
            # falls off lies below the chord, and above the later row
            later = int(np.searchsorted(since_s, after_s))
            left_n = float(np.interp(after_s, since_s, force_n))
            between_n = FALLEN_SHARE * abs(float(force_n[later] - force_n[later - 1]))
        left = left_n / peak_force_n
        # the zero may have strayed since the peak: what is in doubt of it counts for both
        mean_u_n = float(noise.mean_force_u_n(float(near.sum())))
        left_u = np.sqrt(mean_u_n**2 + between_n**2 + (left * peak_u_n) ** 2 + zero_u_n**2) / peak_force_n
        columns[name], columns[f"{name}_u"] = 100 * left, 100 * float(left_u)
    return columns


def fit_prony(time_s: FloatArray, deflection_mm: FloatArray, force_n: FloatArray) -> PronySeries | None:
    """Fit a Prony series to a loading stroke and the hold that follows it.

    Parameters
    ----------
    time_s, deflection_mm, force_n
        From contact to the end of the hold, shape (n,), time rising.

    Returns
    -------
    The series, or None where there are too few samples or no deflection.

    References
    ----------
    K. P. Burnham and D. R. Anderson, Model Selection and Multimodel Inference, 2002 (AICc).
    """
    usable = np.isfinite(time_s) & (deflection_mm >= 0)
    time_s, deflection_mm, force_n = time_s[usable], deflection_mm[usable], force_n[usable]
    if len(time_s) < 20 or not deflection_mm.max() > 0:
        return None
    index = _thinned(time_s, deflection_mm)
    time_s, deflection_mm, force_n = time_s[index], deflection_mm[index], force_n[index]
    duration_s = float(time_s[-1] - time_s[0])
    shortest_s = max(float(np.median(np.diff(time_s[: len(time_s) // 2]))), duration_s / 1e4)
    best: tuple[float, PronySeries] | None = None
    for branches in range(MOST_BRANCHES + 1):
        found = _fit_branches(
            time_s, deflection_mm, force_n, branches, shortest_s=shortest_s, duration_s=duration_s
        )
        criterion = _aicc(found.residual_n, len(time_s), 2 * branches + 2)
        if best is None or criterion < best[0] - 2.0:
            best = criterion, found
    return best[1] if best else None


def _thinned(time_s: FloatArray, deflection_mm: FloatArray) -> np.ndarray:
    """Return the samples evenly spread over the ramp, and by the logarithm of time over the hold."""
    turn = int(np.argmax(deflection_mm >= 0.999 * deflection_mm.max()))
    ramp = np.linspace(0, turn, POINTS // 3).round().astype(np.int64)
    hold_s = time_s[turn:] - time_s[turn]
    if len(hold_s) > 2 and hold_s[-1] > 0:
        marks = np.geomspace(max(hold_s[1], 1e-9), hold_s[-1], 2 * POINTS // 3)
        hold = turn + np.clip(np.searchsorted(hold_s, marks), 1, len(hold_s) - 1)
    else:
        hold = np.empty(0, np.int64)
    return np.unique(np.concatenate([ramp, hold]))


def branch_response(time_s: FloatArray, elastic: FloatArray, tau_s: float) -> FloatArray:
    """Response of one branch of unit stiffness to an elastic deflection that runs straight between samples.

    Notes
    -----
    Over a step of length h with slope m the branch's force decays by exp(-h/tau) and gains m tau (1 -
    exp(-h/tau)).
    """
    step_s = np.diff(time_s)
    decay = np.exp(-step_s / tau_s)
    gain = np.diff(elastic) / np.where(step_s > 0, step_s, 1.0) * tau_s * -np.expm1(-step_s / tau_s)
    response = np.empty_like(time_s)
    response[0] = elastic[0]
    for k, (before, after) in enumerate(pairwise(range(len(time_s)))):
        response[after] = response[before] * decay[k] + gain[k]
    return response


def _fit_branches(
    time_s: FloatArray,
    deflection_mm: FloatArray,
    force_n: FloatArray,
    branches: int,
    *,
    shortest_s: float,
    duration_s: float,
) -> PronySeries:
    def solved(parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        elastic = deflection_mm ** parameters[0]
        basis = [elastic] + [
            branch_response(time_s, elastic, float(np.exp(parameter))) for parameter in parameters[1:]
        ]
        matrix = np.stack(basis, axis=1)
        amounts, _ = scipy.optimize.nnls(matrix, force_n)
        return amounts, matrix @ amounts - force_n

    spread = np.log(np.geomspace(shortest_s * 3, duration_s / 3, branches)) if branches else np.empty(0)
    low, high = np.log(shortest_s), np.log(duration_s * 3)

    def residuals(parameters: FloatArray) -> FloatArray:
        return solved(parameters)[1]

    fit = scipy.optimize.least_squares(
        residuals,
        np.concatenate([[1.0], np.clip(spread, low + 1e-6, high - 1e-6)]),
        bounds=([EXPONENTS[0], *[low] * branches], [EXPONENTS[1], *[high] * branches]),
        max_nfev=60,
    )
    amounts, residual = solved(fit.x)
    pairs = sorted(
        zip(amounts[1:].tolist(), np.exp(fit.x[1:]).tolist(), strict=True), key=lambda pair: pair[1]
    )
    return PronySeries(float(amounts[0]), tuple(pairs), float(fit.x[0]), float(np.sqrt(np.mean(residual**2))))


def _aicc(residual_n: float, points: int, parameters: int) -> float:
    likelihood = points * np.log(max(residual_n, 1e-15) ** 2)
    return float(
        likelihood + 2 * parameters + 2 * parameters * (parameters + 1) / max(points - parameters - 1, 1)
    )
