"""Recordings of shapes whose force is published in closed form, made here from the formulas."""

import numpy as np

from rig.analyser import AnalysisSettings, CaptureAnalysis, CaptureResult
from rig.calibration import Calibration, Scale
from rig.samples import Samples

RATE_HZ = 500
FORCE_N, POSITION_MM = 0.001, 0.005
CALIBRATION = Calibration(Scale(FORCE_N), Scale(POSITION_MM))
CONTACT_MM = 20.0


def triangle(depth_mm: float, speed_mm_per_s: float, presses: int = 3, gap_mm: float = 2.0) -> np.ndarray:
    """Deflections of presses at an even speed, with rests out of contact."""
    one_way = np.arange(-gap_mm, depth_mm, speed_mm_per_s / RATE_HZ)
    rest = np.full(RATE_HZ, -gap_mm)
    return np.concatenate([rest, *[np.concatenate([one_way, one_way[::-1], rest]) for _ in range(presses)]])


def measured(
    deflection_mm: np.ndarray, force_n: np.ndarray, settings: AnalysisSettings | None = None, seed: int = 5
) -> CaptureResult:
    """Analyse force and deflection as a rig would have counted them."""
    rng = np.random.default_rng(seed)
    n = len(deflection_mm)
    phase = rng.uniform(0, 1, 2)
    force = np.floor((force_n + rng.normal(0, 0.005, n)) / FORCE_N + phase[0])
    position = np.floor((deflection_mm + CONTACT_MM + rng.normal(0, 0.001, n)) / POSITION_MM + phase[1])
    samples = Samples(
        np.arange(n),
        np.arange(n) * (1_000_000 // RATE_HZ),
        force.astype(np.int32),
        position.astype(np.int32),
        np.zeros(n, np.uint8),
    )
    analysis = CaptureAnalysis(CALIBRATION, settings or AnalysisSettings())
    analysis.push(samples)
    return analysis.finish()
