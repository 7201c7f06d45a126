"""Rainflow, ASTM E1049. The PyPI package rainflow counts cycles on its own: over the same position
signal its count of full-depth cycles (halves summed) is an independent check on the stroke finder."""

import numpy as np
import pytest
import rainflow

from rig.calibration import Signals
from rig.segmenter import Segmenter

CYCLES = 1000
DEPTH_MM = 10.0
GAP_MM = 1.5


def driven(rng):
    phase = np.arange(CYCLES * 60) / 60 % 1
    return (DEPTH_MM + GAP_MM) * (1 - np.abs(2 * phase - 1)) - GAP_MM


def sinusoidal(rng):
    return (
        DEPTH_MM / 2 - GAP_MM / 2 - (DEPTH_MM + GAP_MM) / 2 * np.cos(2 * np.pi * np.arange(CYCLES * 50) / 50)
    )


def hand_pushed(rng):
    parts = []
    for _ in range(CYCLES):
        depth = DEPTH_MM * rng.uniform(0.85, 1.1)
        for start, stop in ((-GAP_MM, depth), (depth, -GAP_MM)):
            steps = int(rng.integers(20, 60))
            share = np.sort(rng.beta(1.5, 1.5, steps))
            parts.append(start + (stop - start) * share)
        parts.append(np.full(int(rng.integers(3, 12)), -GAP_MM))
    return np.concatenate(parts)


@pytest.mark.parametrize("motion", [driven, sinusoidal, hand_pushed])
def test_rainflow_and_the_segmenter_count_the_same_full_depth_cycles(motion):
    # Source: ASTM E1049-85 (1985; reapproval not verified), rainflow counting by the package rainflow; read
    # from the package.
    rng = np.random.default_rng(16)
    position = np.concatenate([np.full(60, -GAP_MM), motion(rng), np.full(60, -GAP_MM)])
    force = 2.5 * np.maximum(position, 0) + rng.normal(0, 0.01, len(position))
    read = position + rng.normal(0, 0.02, len(position))
    n = len(position)
    signals = Signals(np.arange(n) / 100, force, read, np.zeros(n, np.uint8), np.zeros(n, np.int64), 0.0, 0.0)
    counted = sum(count for depth, count in rainflow.count_cycles(read) if depth > 0.6 * (DEPTH_MM + GAP_MM))
    segmenter = Segmenter()
    found = [part for part in (segmenter.push(signals), segmenter.finish()) if part]
    assert sum(len(part.cycles) for part in found) == CYCLES
    assert counted == pytest.approx(CYCLES, abs=0.5)
