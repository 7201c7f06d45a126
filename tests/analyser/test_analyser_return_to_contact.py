"""A platen that goes back no further than to the contact, over a specimen that has taken a set."""

from itertools import pairwise

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


@pytest.mark.parametrize("back_mm", [-1.5, -0.05])
def test_presses_in_quick_succession_touch_where_the_first_one_did(back_mm):
    """A triangular wave on a sphere: the force fades long before the platen is off."""
    step = 4.0 / 100
    stops = [-1.5, *[8.0, back_mm] * 8, -1.6]
    ways = [np.arange(begin, end, np.sign(end - begin) * step) for begin, end in pairwise(stops)]
    position = np.concatenate([np.full(150, -1.5), *ways, np.full(150, -1.6)])
    force = 2.0 * np.maximum(position, 0.0) ** 1.5
    rng = np.random.default_rng(8)
    n = len(position)
    samples = Samples(
        np.arange(n),
        np.arange(n) * 10_000,
        np.round((force + rng.normal(0, 0.01, n)) * 10_000).astype(np.int32),
        np.round((position + 20.0 + rng.normal(0, 0.0005, n)) * 10_000).astype(np.int32),
        np.zeros(n, np.uint8),
    )
    analysis = CaptureAnalysis(Calibration(Scale(1e-4), Scale(1e-4)), AnalysisSettings())
    analysis.push(samples)
    columns = analysis.finish().columns
    assert len(columns["contact_mm"]) == 8
    off = (columns["contact_mm"] - 20.0) / columns["contact_mm_u"]
    assert np.abs(off).max() < 3
    assert np.abs(columns["contact_mm"] - 20.0).max() < 0.05
