"""Sizes from readings in several directions, and against the drawing."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from rig.errors import InputError
from rig.population import SizeReading, size_up


def test_roundness_is_half_the_difference_of_diameters_and_says_that_it_is():
    sizing = size_up([SizeReading(f"diameter {n}", mm) for n, mm in enumerate((90.4, 89.8, 90.1))])
    assert sizing.roundness_mm == pytest.approx(0.3)
    assert sizing.diameter_mm == pytest.approx(90.1)
    assert any("ISO 1101" in note and "three lobes" in note for note in sizing.notes)


def test_one_diameter_says_nothing_of_roundness():
    sizing = size_up([SizeReading("diameter A", 90.4), SizeReading("length", 62.0)])
    assert sizing.roundness_mm is None
    assert any("does not show roundness" in note for note in sizing.notes)


def test_repeats_are_averaged_and_share_the_instruments_part():
    readings = [SizeReading("length", mm, 0.03) for mm in (62.0, 62.1, 62.2)]
    found = size_up(readings).directions["length"]
    assert found.mm == pytest.approx(62.1)
    # 0.1 / sqrt(3) of the repeats, and 0.03 of the caliper which no repeat makes smaller
    own = 0.1 / math.sqrt(3)
    assert found.u_mm == pytest.approx(math.hypot(own, 0.03))
    freedom = 2 * (found.u_mm / own) ** 4
    assert found.half_mm == pytest.approx(stats.t.ppf(0.975, freedom) * found.u_mm)


def test_what_the_caliper_adds_to_all_diameters_does_not_make_them_unround():
    readings = [
        SizeReading(f"diameter {name}", mm, 0.5)
        for name, values in (("A", (90.3, 90.5)), ("B", (89.7, 89.9)))
        for mm in values
    ]
    sizing = size_up(readings)
    # means of two readings 0.2 apart: 0.1 each; half their difference: sqrt(2) 0.1 / 2
    assert sizing.roundness_u_mm == pytest.approx(math.sqrt(2) * 0.1 / 2)
    assert sizing.diameter_u_mm == pytest.approx(math.hypot(math.sqrt(2) * 0.1 / 2, 0.5))


def test_the_difference_from_the_drawing_has_an_interval():
    sizing = size_up([SizeReading("diameter A", 90.4, 0.05), SizeReading("diameter B", 90.2, 0.05)], 90.0)
    assert sizing.off_drawing_mm == pytest.approx(0.3)
    assert sizing.off_drawing_half_mm == pytest.approx(1.959964 * 0.05, rel=1e-5)


def test_a_height_stands_for_a_diameter_that_was_not_read():
    sizing = size_up([SizeReading("height", 89.5, 0.1, 0.05)], 90.0)
    assert sizing.off_drawing_mm == pytest.approx(-0.5)
    assert any("0.05 N and not corrected" in note for note in sizing.notes)


def test_readings_that_pressed_harder_are_left_out_and_told():
    readings = [SizeReading("diameter A", 89.0, 0.03, 10.0), SizeReading("diameter A", 90.2, 0.03, 2.0)]
    sizing = size_up(readings)
    assert sizing.directions["diameter A"].mm == 90.2
    assert any("1 readings at larger forces" in note for note in sizing.notes)


def test_a_missing_force_drawing_or_uncertainty_is_told():
    notes = " ".join(size_up([SizeReading("length", 62.0)]).notes)
    assert "unstated jaw force" in notes
    assert "drawing is missing" in notes
    assert "no uncertainty" in notes


def test_an_uncertainty_that_nobody_knows_is_not_zero():
    sizing = size_up([SizeReading("diameter A", 90.2), SizeReading("diameter B", 90.0, 0.03)], 90.0)
    unknown = (sizing.directions["diameter A"].u_mm, sizing.diameter_u_mm, sizing.off_drawing_half_mm)
    assert all(math.isnan(each) for each in unknown)


def test_what_is_no_size_is_refused():
    with pytest.raises(InputError, match="found none"):
        size_up([])
    with pytest.raises(InputError, match="more than zero"):
        size_up([SizeReading("length", 0.0)])
