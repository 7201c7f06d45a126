"""A cycle kept for drawing shows both strokes, however long the piece was held between them."""

from __future__ import annotations

import numpy as np
import pytest

from rig.analyser import AnalysisSettings, CaptureAnalysis, Loop
from rig.calibration import Calibration, Scale
from rig.samples import Samples

STIFFNESS_N_PER_MM, DEPTH_MM, LEFT = 2.0, 20.0, 0.8
RATE_HZ, STROKE = 200.0, 300


@pytest.fixture(scope="module", params=[0, 60 * 200], ids=["no dwell", "a minute's dwell"])
def loop(request) -> Loop:
    """A spring that loses a fifth of its force while it is held."""
    way = np.linspace(-2.0, DEPTH_MM, STROKE)
    held = np.full(request.param, DEPTH_MM)
    away = np.full(200, -2.0)
    position = np.concatenate([away, way, held, way[::-1], away])
    force = STIFFNESS_N_PER_MM * np.maximum(position, 0)
    turned = len(away) + len(way)
    force[turned:] *= LEFT
    rng, rows = np.random.default_rng(4), np.arange(len(position), dtype=np.int64)
    samples = Samples(
        rows,
        (rows / RATE_HZ * 1e6).astype(np.int64),
        np.rint((force + rng.normal(0, 0.003, len(rows))) / 0.001).astype(np.int32),
        np.rint((position + 30) / 0.005).astype(np.int32),
        np.zeros(len(rows), np.uint8),
    )
    calibration = Calibration(Scale(0.001), Scale(0.005))
    analysis = CaptureAnalysis(calibration, AnalysisSettings(contact_force_n=0.1))
    analysis.push(samples)
    (found,) = analysis.finish().loops
    return found


def test_the_strokes_keep_their_points(loop):
    # two strokes of 300 samples into 400 points, of which a dwell takes an eighth at most
    assert loop.load_end >= 0.4 * STROKE
    assert len(loop.force_n) - loop.unload_start >= 0.4 * STROKE
    assert len(loop.force_n) <= 400


def test_loading_ends_before_the_force_falls_in_a_dwell(loop):
    end = slice(None, loop.load_end + 1)
    assert loop.force_n[end] == pytest.approx(
        STIFFNESS_N_PER_MM * np.maximum(loop.deflection_mm[end], 0), abs=0.1
    )
    assert loop.deflection_mm[loop.load_end] == pytest.approx(DEPTH_MM, abs=0.1)


def test_unloading_begins_with_what_the_dwell_has_left(loop):
    back = slice(loop.unload_start + 1, None)
    assert loop.force_n[back] == pytest.approx(
        LEFT * STIFFNESS_N_PER_MM * np.maximum(loop.deflection_mm[back], 0), abs=0.1
    )
