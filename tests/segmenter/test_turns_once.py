"""Long presses are judged by their nodes; the answer is the one that every sample gives."""

import numpy as np
import pytest

from rig.segmenter.turns import NODE_SAMPLES, next_kept_turn, turns_once


@pytest.mark.parametrize("deadband_mm", [0.004, 0.05, 0.3])
def test_a_long_press_turns_once_exactly_where_no_kept_turn_is_found(deadband_mm):
    rng = np.random.default_rng(5)
    presses, expected = [], []
    for number in range(160):
        count = int(rng.integers(33 * NODE_SAMPLES, 90 * NODE_SAMPLES))
        phase = np.linspace(0.0, 1.0, count)
        # a press, with a second rise of nothing to a third of it anywhere in the unloading
        second = rng.uniform(0, 0.3) * rng.integers(0, 2)
        way = np.sin(np.pi * phase) + second * np.maximum(0, 1 - np.abs(phase - rng.uniform(0.5, 1)) * 12)
        presses.append(rng.uniform(0.1, 20) * way + rng.normal(0, 10.0 ** rng.uniform(-5, -2), count))
        if number % 4 == 0:
            presses[-1] = np.cumsum(rng.normal(0, 0.01, count))
        expected.append(next_kept_turn(presses[-1], deadband_mm) is None)
    ends = np.cumsum([len(press) for press in presses])
    starts = ends - [len(press) for press in presses]
    found = turns_once(np.concatenate(presses), starts, ends, deadband_mm)
    assert found.tolist() == expected
    assert 10 < sum(expected) < 150
