"""A platen that goes back no further than to the contact, over a specimen that has taken a set."""

import numpy as np
import pytest

from rig.analyser import AnalysisSettings, CaptureAnalysis
from rig.calibration import Calibration, Scale
from rig.samples import Samples

RATE_HZ, STIFFNESS, SET_MM = 500, 5.0, 2.0


def test_its_force_zero_is_taken_from_where_the_specimen_let_go():
    step = 10.0 / RATE_HZ
    approach, press = np.arange(-3.0, 0.0, step), np.arange(0.0, 10.0, step)
    rest = np.full(RATE_HZ, -3.0)
    position = np.concatenate([rest, approach, press, press[::-1], press, press[::-1]])
    first = len(rest) + len(approach) + len(press)
    softened = np.arange(len(position)) >= first
    force = STIFFNESS * np.maximum(position - SET_MM * softened, 0.0)
    rng = np.random.default_rng(7)
    n = len(position)
    samples = Samples(
        np.arange(n),
        np.arange(n) * 2000,
        np.round((force + rng.normal(0, 0.005, n)) * 1000).astype(np.int32),
        np.round((position + 20.0) * 200).astype(np.int32),
        np.zeros(n, np.uint8),
    )
    analysis = CaptureAnalysis(Calibration(Scale(1e-3), Scale(5e-3)), AnalysisSettings())
    analysis.push(samples)
    result = analysis.finish()
    assert result.flags == [[], []]
    assert result.columns["set_mm"][1] == pytest.approx(SET_MM, abs=2 * result.columns["set_mm_u"][1])
    assert result.columns["energy_absorbed_mj"][0] == pytest.approx(
        0.5 * STIFFNESS * press[-1] ** 2, rel=3e-3
    )
    assert result.columns["energy_returned_mj"][0] == pytest.approx(
        0.5 * STIFFNESS * (press[-1] - SET_MM) ** 2, rel=3e-3
    )
