"""Turns and holds of presses so long that they are looked at by the extremes of many samples first."""

import numpy as np
import pytest

from rig.segmenter.turns import LONG_SAMPLES, NODE_SAMPLES, peaks_and_holds

DEADBAND_MM = 0.01
SHORTEST = 100


def _presses(shapes):
    starts = np.cumsum([0, *map(len, shapes[:-1])])
    return np.concatenate(shapes), starts, starts + np.array([len(shape) for shape in shapes])


def test_a_long_press_turns_at_the_first_of_its_deepest_samples():
    rng = np.random.default_rng(5)
    shapes, deepest = [], []
    for _ in range(40):
        up, down = rng.integers(LONG_SAMPLES, LONG_SAMPLES + 3 * NODE_SAMPLES, 2)
        # to steps of a micrometre, so that equal samples lie side by side
        press = np.concatenate([np.linspace(0, 8, up), np.linspace(8, 0, down)]).round(3)
        at = int(rng.integers(up - 5, up + 5))
        press[at : at + 3] = 9.0
        shapes.append(press)
        deepest.append(at)
    position_mm, starts, ends = _presses(shapes)
    load_end, unload_start = peaks_and_holds(position_mm, starts, ends, DEADBAND_MM, SHORTEST)
    assert (load_end - starts).tolist() == deepest
    assert (unload_start - starts).tolist() == deepest


@pytest.mark.parametrize("held", [LONG_SAMPLES + 1, 3 * LONG_SAMPLES + NODE_SAMPLES // 2])
def test_a_long_hold_begins_and_ends_with_the_platens_rest(held):
    ramp = np.linspace(0, 10, LONG_SAMPLES)
    press = np.concatenate([ramp, np.full(held, 10.0), ramp[::-1]])
    position_mm, starts, ends = _presses([press, press[: LONG_SAMPLES + held], press])
    load_end, unload_start = peaks_and_holds(position_mm, starts, ends, DEADBAND_MM, SHORTEST)
    # where the ramp comes within half the deadband of the rest, it cannot be told from it
    slack = np.ceil(DEADBAND_MM / (ramp[1] - ramp[0]))
    assert np.abs(load_end - starts - LONG_SAMPLES).max() <= slack
    assert np.abs(unload_start - starts - LONG_SAMPLES - held + 1).max() <= slack
