"""Lengths of a nip against circles that are laid out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from rig.aids import half_travel_mm, overlap_along_mm, patch_length_mm, plate_patch_mm
from rig.errors import InputError


def test_wheel_and_piece_first_meet_where_their_centres_are_both_radii_apart():
    way_mm = half_travel_mm(100.0, 45.0, 10.0)
    # centre of the wheel 135 mm above that of the piece, 145 mm when they meet
    assert np.hypot(way_mm, 135.0) == pytest.approx(145.0)


def test_the_squeeze_along_the_way_is_nothing_at_first_contact_and_whole_at_the_closest_point():
    found = overlap_along_mm(100.0, 45.0, 10.0, np.array([0.0, half_travel_mm(100.0, 45.0, 10.0), 80.0]))
    assert found == pytest.approx([10.0, 0.0, 0.0], abs=1e-12)


def test_the_contact_length_is_the_common_chord_of_two_circles():
    # radii 30 and 40 with centres 50 apart make a right angle: the chord is 2 x 30 x 40 / 50 = 48
    assert patch_length_mm(40.0, 30.0, 20.0) == pytest.approx(48.0)


def test_a_wheel_of_endless_radius_is_a_plate():
    assert patch_length_mm(1e7, 45.0, 5.0) == pytest.approx(plate_patch_mm(45.0, 5.0), rel=1e-5)


def test_the_flat_on_a_plate_is_a_chord():
    # 9 mm below the top of a circle of radius 45: half of the chord is sqrt(45^2 - 36^2) = 27
    assert plate_patch_mm(45.0, 9.0) == pytest.approx(54.0)


@pytest.mark.parametrize(
    ("wheel", "piece", "overlap"), [(0.0, 45.0, 1.0), (100.0, 45.0, 90.0), (100.0, 45.0, -1.0)]
)
def test_lengths_of_what_cannot_be_are_refused(wheel, piece, overlap):
    with pytest.raises(InputError, match="expected"):
        half_travel_mm(wheel, piece, overlap)
