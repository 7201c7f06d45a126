"""Height from contact checks: the arithmetic against sums done by hand, and intervals against the truth of
draws."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from rig.calibration import (
    Calibration,
    Delay,
    Frame,
    PlatenContact,
    Scale,
    ScaleUncertainty,
    Share,
    height_at,
)
from rig.errors import InputError

PLAIN = Calibration(Scale(0.001), Scale(0.005))


def contacts(
    *positions_mm: float, u_mm: float = 1e-6, rounding_mm: float = 0.0, **how
) -> list[PlatenContact]:
    known = {"zero_u_mm": 0.0, "per_newton_mm": 0.0, "speed_mm_per_s": 0.2} | how
    return [PlatenContact(at_mm, u_mm, rounding_mm, **known) for at_mm in positions_mm]


def part(height, source: str):
    (found,) = [each for each in height.parts if each.source == source]
    return found


def test_the_height_is_the_bare_mean_less_the_pieces_and_its_interval_is_students() -> None:
    bare, piece = contacts(100.002, 100.000, 99.998), contacts(40.010, 40.000, 39.990)
    height = height_at(0.05, [bare], piece, calibration=PLAIN)
    assert height.mm == pytest.approx(60.0)
    # sd 0.002 and 0.010 of three each: variances 4e-6/3 and 1e-4/3, two degrees of freedom each
    bare_2, piece_2 = 4e-6 / 3, 1e-4 / 3
    assert height.u_mm == pytest.approx(math.sqrt(bare_2 + piece_2))
    freedom = (bare_2 + piece_2) ** 2 / (bare_2**2 / 2 + piece_2**2 / 2)
    assert height.degrees_of_freedom == pytest.approx(freedom)
    # Student's t for 2.16 degrees of freedom lies between the tables' 4.303 (2) and 3.182 (3)
    reach = (height.high_mm - height.low_mm) / 2 / height.u_mm
    assert 3.182 < reach < 4.303
    assert (height.sd_bare_mm, height.sd_piece_mm) == (pytest.approx(0.002), pytest.approx(0.010))


def test_readings_that_agree_better_than_their_noise_count_with_the_noise() -> None:
    height = height_at(
        0.05, [contacts(100.0, 100.0, u_mm=0.003)], contacts(40.0, 40.0, u_mm=0.004), calibration=PLAIN
    )
    assert height.u_mm == pytest.approx(math.sqrt((0.003**2 + 0.004**2) / 2))


def test_repeats_do_not_take_the_smallest_step_off() -> None:
    bare, piece = contacts(100.0, 100.0, 100.0, rounding_mm=0.003), contacts(40.0, 40.0, rounding_mm=0.004)
    height = height_at(0.05, [bare], piece, calibration=PLAIN)
    assert part(height, "smallest step").u_mm == pytest.approx(0.005)


def test_a_position_scale_counts_over_the_way_between_both_contact_checks_only() -> None:
    scale = Scale(0.005, 100.0, uncertainty=ScaleUncertainty(20_000.0, ((0.01**2,),), 6.0))
    height = height_at(
        0.05, [contacts(100.0, 100.0)], contacts(40.0, 40.0), calibration=replace(PLAIN, position=scale)
    )
    fit = part(height, "position calibration, fit")
    # 0.01 mm at 100 mm, of which the way of 60 mm has 0.6
    assert fit.u_mm == pytest.approx(0.006)
    assert fit.degrees_of_freedom == 6.0


def test_shares_of_a_position_scale_are_in_proportion_to_the_height() -> None:
    known = ScaleUncertainty(20_000.0, ((0.0,),), shares=(Share("gauge blocks", 1e-4),))
    calibration = replace(PLAIN, position=Scale(0.005, uncertainty=known))
    height = height_at(0.05, [contacts(100.0, 100.0)], contacts(40.0, 40.0), calibration=calibration)
    assert part(height, "position calibration, gauge blocks").u_mm == pytest.approx(0.006)


def test_a_force_off_by_a_share_moves_the_height_by_the_difference_of_both_slopes() -> None:
    known = ScaleUncertainty(5000.0, ((0.0,),), shares=(Share("masses", 0.02),))
    calibration = replace(PLAIN, force=Scale(0.001, uncertainty=known))
    bare = contacts(100.0, 100.0, per_newton_mm=0.0005)
    piece = contacts(40.0, 40.0, per_newton_mm=0.5005)
    height = height_at(0.05, [bare], piece, calibration=calibration)
    # 2 % of 0.05 N through 0.5 mm/N
    assert part(height, "force calibration, masses").u_mm == pytest.approx(0.0005)


def test_a_delay_goes_out_at_equal_speeds_and_counts_at_unequal_ones() -> None:
    calibration = replace(PLAIN, delay=Delay(0.02, 0.005, 8.0))
    same = height_at(0.05, [contacts(100.0, 100.0)], contacts(40.0, 40.0), calibration=calibration)
    assert part(same, "delay").u_mm == 0.0
    slower = contacts(40.0, 40.0, speed_mm_per_s=0.1)
    other = height_at(0.05, [contacts(100.0, 100.0)], slower, calibration=calibration)
    assert part(other, "delay").u_mm == pytest.approx(0.1 * 0.005)


def test_what_nobody_measured_is_empty_with_a_reason_and_the_frame_goes_out() -> None:
    calibration = replace(PLAIN, frame=Frame.straight(0.02))
    height = height_at(5.0, [contacts(100.0, 100.0)], contacts(40.0, 40.0), calibration=calibration)
    for source in ("position calibration", "force calibration"):
        assert part(height, source).u_mm is None
        assert "not calibrated" in part(height, source).why
    frame = part(height, "frame compliance")
    assert (frame.u_mm, frame.counts) == (None, False)
    assert "100 um at 5 N" in frame.why


def test_a_single_contact_check_has_a_height_and_no_uncertainty() -> None:
    height = height_at(0.05, [contacts(100.0, 100.0)], contacts(40.0), calibration=PLAIN)
    assert height.mm == pytest.approx(60.0)
    assert (height.u_mm, height.low_mm) == (None, None)
    assert "one contact check" in part(height, "repeats of the piece's contact check").why


def test_a_first_contact_check_far_from_the_later_ones_is_told_apart() -> None:
    piece = contacts(39.90, 40.001, 40.000, 39.999, 40.000)
    height = height_at(0.05, [contacts(100.0, 100.0)], piece, calibration=PLAIN)
    assert height.first_mm == pytest.approx(60.1)
    assert height.mm == pytest.approx(60.0)
    assert len(height.contact_checks_mm) == 5
    usual = height_at(
        0.05, [contacts(100.0, 100.0)], contacts(40.002, 40.0, 39.998, 40.001), calibration=PLAIN
    )
    assert usual.first_mm is None


def test_a_piece_that_goes_down_with_each_contact_check_has_a_trend() -> None:
    piece = contacts(40.000, 40.011, 40.020, 40.029, 40.041)
    height = height_at(0.05, [contacts(100.0, 100.0)], piece, calibration=PLAIN)
    assert height.trend_mm is not None
    # least squares by hand over -2 .. 2: (2 x 0.041 + 0.029 - 0.011)/10
    assert height.trend_mm == pytest.approx(-0.0100)
    scattered = contacts(40.00, 40.02, 39.99, 40.01, 40.00)
    assert height_at(0.05, [contacts(100.0, 100.0)], scattered, calibration=PLAIN).trend_mm is None


def test_a_homing_in_between_is_a_row_without_a_number() -> None:
    known = {"calibration": PLAIN, "homed_between": True}
    height = height_at(0.05, [contacts(100.0, 100.0)], contacts(40.0, 40.0), **known)
    assert part(height, "homing in between").u_mm is None
    assert not part(height, "homing in between").counts


def test_bare_series_of_several_homings_bring_the_spread_of_their_means() -> None:
    bare = [contacts(at_mm, at_mm) for at_mm in (99.99, 100.0, 100.01)]
    height = height_at(0.05, bare, contacts(40.0, 40.0), calibration=PLAIN, homed_between=True)
    homing = part(height, "homing in between")
    # one more draw for the piece's own homing, and the mean of three
    assert homing.u_mm == pytest.approx(0.01 * math.sqrt(1 + 1 / 3))
    assert homing.degrees_of_freedom == 2.0


def test_bare_platens_that_meet_before_the_piece_is_met_are_refused() -> None:
    with pytest.raises(InputError, match="before the piece is met"):
        height_at(0.05, [contacts(40.0, 40.0)], contacts(100.0, 100.0), calibration=PLAIN)


def test_the_interval_holds_the_truth_in_95_of_100_draws() -> None:
    random = np.random.default_rng(20)
    runs, held = 2000, 0
    for _ in range(runs):
        gain = 1 + 1e-4 * random.standard_normal()
        bare = contacts(*(100.0 * gain + 0.002 * random.standard_normal(4)))
        piece = contacts(*(40.0 * gain + 0.006 * random.standard_normal(5)))
        known = ScaleUncertainty(20_000.0, ((0.0,),), shares=(Share("gauge blocks", 1e-4),))
        calibration = Calibration(Scale(0.001), Scale(0.005, uncertainty=known))
        height = height_at(0.05, [bare], piece, calibration=calibration)
        held += height.low_mm <= 60.0 <= height.high_mm
    assert 0.93 <= held / runs <= 0.97
