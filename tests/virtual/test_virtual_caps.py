"""A virtual cap slides on, sits, and comes off as the straight lines that it is made of say."""

from itertools import pairwise

import numpy as np
import pytest

from rig.errors import InputError
from rig.virtual import PressedCap

CAP = PressedCap()
"""Grip 40 N/mm; 18 N where it sits, 24 N over a bead 0.5 mm on, 12 N from 1.3 mm on, nothing after 8 mm."""

FINE_MM = 1e-3


def driven(cap, *ends_mm, memory=None):
    """Platen from the first place to the next ones and what the cap answers on each leg."""
    memory = cap.fresh() if memory is None else memory
    legs = []
    for begin, end in pairwise(ends_mm):
        way = np.linspace(begin, end, round(abs(end - begin) / FINE_MM) + 1)
        force_n, memory = cap.respond(memory, way, 0.001)
        legs.append((way, force_n))
    return legs, memory


def test_nothing_is_felt_before_the_cap_and_nothing_pulls_while_it_goes_on():
    ((way, force_n),), _ = driven(CAP, -3.0, 8.25)
    assert (force_n[way <= 0] == 0).all()
    assert force_n.min() == 0


def test_a_seated_cap_pushes_back_with_grip_and_seat():
    ((_, force_n),), _ = driven(CAP, -3.0, 9.0)
    # a millimetre past the seat: 40 + 200 N/mm
    assert force_n[-1] == pytest.approx(240.0)


def test_a_pull_peaks_over_the_bead_and_ends_where_the_cap_comes_off():
    (_, (way, force_n)), memory = driven(CAP, -3.0, 8.25, -3.0)
    assert force_n.min() == pytest.approx(-24.0, abs=1e-2)
    # the cap 0.5 mm off its seat, and the grip stretched by 24/40 mm
    assert way[np.argmin(force_n)] == pytest.approx(8.0 - 0.5 - 0.6, abs=2 * FINE_MM)
    assert (force_n[way < 0] == 0).all()
    assert memory.pulls == 1


def test_the_first_give_is_the_grip_alone():
    (_, (way, force_n)), _ = driven(CAP, -3.0, 8.25, -3.0)
    held = (force_n < -1) & (force_n > -17) & (way > 7.5)
    slope, _ = np.polyfit(way[held], force_n[held], 1)
    assert slope == pytest.approx(40.0, rel=1e-6)


def test_a_worn_cap_pressed_on_harder_sits_where_a_new_one_does():
    memory = CAP.fresh()
    places = []
    for _ in range(4):
        (_, (way, force_n)), memory = driven(CAP, -3.0, 8.4, -3.0, memory=memory)
        places.append(way[np.argmin(force_n)] - force_n.min() / 40.0)
    # the cap's own place at the peak, without the grip's stretch
    assert places == pytest.approx([7.5] * 4, abs=3 * FINE_MM)


def test_each_pull_takes_its_share_of_the_hold():
    memory, peaks = CAP.fresh(), []
    for _ in range(3):
        (_, (_, force_n)), memory = driven(CAP, -3.0, 8.25, -3.0, memory=memory)
        peaks.append(-force_n.min())
    assert peaks == pytest.approx([24.0, 24.0 * 0.96, 24.0 * 0.96**2], abs=0.02)
    assert [CAP.peak_of_pull_n(pull) for pull in (1, 2, 3)] == pytest.approx([24.0, 23.04, 22.1184])


def test_the_work_of_a_slow_pull_is_the_area_below_the_hold():
    (_, (way, force_n)), _ = driven(CAP, -3.0, 8.25, -3.0)
    pulling = force_n < 0
    # (18 + 24)/2 x 0.5 + (24 + 12)/2 x 0.8 + 12/2 x 6.7 mJ
    assert CAP.pull_work_mj(1) == pytest.approx(65.1)
    assert np.trapezoid(force_n[pulling], way[pulling]) == pytest.approx(65.1, rel=1e-3)


def test_the_hold_at_a_place_is_its_straight_lines():
    assert [CAP.hold_n(off) for off in (0.0, 0.25, 0.5, 0.9, 1.3, 8.0)] == pytest.approx(
        [18.0, 21.0, 24.0, 18.0, 12.0, 0.0]
    )


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"bead_mm": 2.0}, "a bead from 2.0 to 1.3 mm"),
        ({"grip_n_per_mm": 14.0}, "falls by 15 N/mm, expected less than the grip's 14"),
    ],
)
def test_a_cap_that_would_jump_or_has_no_bead_is_refused(changes, words):
    with pytest.raises(InputError, match=words):
        PressedCap(**changes)
