"""Results of invented presses of a piece that gives back four fifths of its work and softens a little."""

import numpy as np

from rig.analyser import AnalysisSettings, CaptureAnalysis, Depth
from rig.calibration import Calibration
from rig.capture import CaptureHeader
from rig.samples import RawChannel, Samples

RATE_HZ = 250.0
REST = 250
STROKE = 250


def made_samples(cycles=4, *, depth_mm=10.0, stiffness=2.5, first_set_mm=0.15, seed=0):
    """Triangles from 2 mm above the piece to a depth, in newtons and millimetres."""
    rng = np.random.default_rng(seed)
    way = np.linspace(-2.0, depth_mm, STROKE)
    one = np.concatenate([way, way[::-1], np.full(REST, -2.0)])
    position = np.concatenate([np.full(2 * REST, -2.0), np.tile(one, cycles)])
    cycle = np.maximum((np.arange(len(position)) - 2 * REST) // len(one), 0)
    going = np.diff(position, append=position[-1]) < 0
    shorter = first_set_mm * np.log1p(cycle)
    force = (
        stiffness * np.maximum(position - shorter, 0) * (1 - 0.04 * np.log1p(cycle)) * np.where(going, 0.8, 1)
    )
    n = len(position)
    rows = np.arange(n, dtype=np.int64)
    return Samples(
        rows,
        (rows / RATE_HZ * 1e6).astype(np.int64),
        np.round((force + rng.normal(0, 0.005, n)) / 0.001) * 0.001,
        np.round((position + rng.normal(0, 0.001, n)) / 0.005) * 0.005,
        np.zeros(n, np.uint8),
        RawChannel("N", 0.001),
        RawChannel("mm", 0.005),
    )


def made_header(**fields):
    return CaptureHeader(specimen="F-90 no. 3", batch="spring", force=RawChannel("N", 0.001),
                         position=RawChannel("mm", 0.005), **fields)  # fmt: skip


def made_result(cycles=4, *, at=("20%", "5 mm"), height_mm=40.0, conditioning=0, **how):
    depths = tuple(Depth.of(text) for text in at)
    settings = AnalysisSettings(free_height_mm=height_mm, at=depths, conditioning=conditioning)
    analysis = CaptureAnalysis(Calibration(), settings)
    if cycles:
        analysis.push(made_samples(cycles, **how))
    return analysis.finish()
