"""Presses made from closed forms, as signals and as raw counts, and their analysis."""

from itertools import pairwise

import numpy as np

from rig.analyser import AnalysisSettings, CaptureAnalysis
from rig.calibration import Calibration, Scale, Signals
from rig.samples import Samples
from rig.segmenter import Segmenter

RATE_HZ = 500.0
FORCE_STEP_N, POSITION_STEP_MM = 0.001, 0.005
FORCE_NOISE_N, POSITION_NOISE_MM = 0.005, 0.001

CALIBRATION = Calibration(Scale(FORCE_STEP_N), Scale(POSITION_STEP_MM))


def path(*stops, speed_mm_per_s=10.0, rate_hz=RATE_HZ):
    """Positions from stop to stop at an even speed; a pair (position, seconds) rests there."""
    position = []
    here = None
    for stop in stops:
        target, rest_s = stop if isinstance(stop, tuple) else (stop, 0.0)
        if here is not None and target != here:
            steps = max(round(abs(target - here) / speed_mm_per_s * rate_hz), 1)
            position.extend(np.linspace(here, target, steps, endpoint=False))
        position.extend([target] * round(rest_s * rate_hz))
        here = target
    return np.array([*position, here], float)


def presses(count, depth_mm=10.0, gap_mm=2.5, rest_s=0.4, **motion):
    stops = [stop for _ in range(count) for stop in (depth_mm, (-gap_mm, rest_s))]
    return path((-gap_mm, 1.0), *stops, **motion)


def power(k=2.5, n=1.0):
    """Force of F = k d^n against position, contact at zero."""
    return lambda x: k * np.maximum(x, 0.0) ** n


def counts(
    position_mm,
    force_n,
    *,
    seed=0,
    rate_hz=RATE_HZ,
    contact_mm=20.0,
    status=None,
    keep=None,
    drift_n_per_s=0.0,
):
    """What a rig records of a true position and force: noise, counts, and a random phase between them."""
    rng = np.random.default_rng(seed)
    n = len(position_mm)
    time_us = np.round(np.arange(n) / rate_hz * 1e6).astype(np.int64)
    phase = rng.uniform(-0.5, 0.5, 2)
    force = force_n + drift_n_per_s * time_us / 1e6 + rng.normal(0, FORCE_NOISE_N, n)
    position = position_mm + contact_mm + rng.normal(0, POSITION_NOISE_MM, n)
    keep = np.ones(n, bool) if keep is None else keep
    status = np.zeros(n, np.uint8) if status is None else status
    return Samples(
        np.arange(n, dtype=np.int64)[keep],
        time_us[keep],
        np.rint(force / FORCE_STEP_N + phase[0]).astype(np.int32)[keep],
        np.rint(position / POSITION_STEP_MM + phase[1]).astype(np.int32)[keep],
        status[keep],
    )


def signals_of(position_mm, force_n, **how):
    """The same in newtons and millimetres."""
    samples = counts(position_mm, force_n, contact_mm=0.0, **how)
    return Signals(
        CALIBRATION.time_s(samples),
        CALIBRATION.force_n(samples),
        CALIBRATION.position_mm(samples),
        samples.status.copy(),
        np.zeros(len(samples), np.int64),
        FORCE_STEP_N,
        POSITION_STEP_MM,
    )


def segmented(signals):
    """The first segment of signals given whole (all cycles but the last), and what the segmenter knows."""
    segmenter = Segmenter()
    parts = [segmenter.push(signals), segmenter.finish()]
    return next(part for part in parts if part is not None), segmenter


def analysed(samples, *, calibration=CALIBRATION, cuts=(), **settings):
    """A whole analysis of samples that arrive in parts."""
    analysis = CaptureAnalysis(calibration, AnalysisSettings(**settings))
    edges = [0, *cuts, len(samples)]
    for start, stop in pairwise(edges):
        analysis.push(samples[start:stop])
    return analysis.finish()
