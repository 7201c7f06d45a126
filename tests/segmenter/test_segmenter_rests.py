"""A rest without load, however long, leaves nothing behind in the segmenter."""

import numpy as np
import pytest

from rig.calibration import Signals
from rig.segmenter import Segmenter

RATE_HZ = 500
PART = 30 * RATE_HZ
TRAVEL_MM = np.concatenate([np.linspace(-2.0, 8.0, 2500), np.linspace(8.0, -2.0, 2500)])


def part_of_a_rest(number, *, pressed):
    rng = np.random.default_rng(number)
    position_mm = np.full(PART, -2.0)
    if pressed:
        position_mm[5000 : 5000 + len(TRAVEL_MM)] = TRAVEL_MM
    return Signals(
        (np.arange(PART) + number * PART) / RATE_HZ,
        2.5 * np.maximum(position_mm, 0) + rng.normal(0, 0.005, PART),
        position_mm,
        np.zeros(PART, np.uint8),
        np.zeros(PART, np.int64),
        0.001,
        0.005,
    )


@pytest.mark.parametrize("pressed", [True, False], ids=["after a press", "from the start"])
def test_an_hour_of_rest_is_not_kept(pressed):
    segmenter = Segmenter()
    closed = 0
    held = []
    for number in range(120):
        segment = segmenter.push(part_of_a_rest(number, pressed=pressed and number == 1))
        closed += 0 if segment is None else len(segment.cycles)
        buffer = segmenter._buffer
        # what a view is cut from is held with it
        held.append(len(buffer.force_n) if buffer.force_n.base is None else buffer.force_n.base.size)
    assert closed == int(pressed)
    assert max(held[3:]) == held[3]
    assert held[-1] < 3 * PART
