"""Arithmetic of published squeeze tests."""

import pytest

from rig.errors import InputError
from rig.methods import (
    BALL_AXES_APART_MM,
    BALL_CONTACT_N,
    BALL_LOAD_N,
    BallDeformation,
    compression_sets,
    compression_stress_kpa,
    hysteresis_return_pct,
    in_standard_air,
    loss_pct,
    mean_over_axes,
    set_of_deflection_pct,
    set_of_height_pct,
    support_factor,
)


def test_loads_and_limits_of_the_ball_rule_are_those_in_print():
    # Source: ITF Rules of Tennis, Appendix I (year not verified); recalled. 3.5 lbf (15.57 N), 18 lbf (80.07
    # N); axes within 0.08 cm.
    assert round(BALL_CONTACT_N, 2) == 15.57
    assert round(BALL_LOAD_N, 2) == 80.07
    assert round(BALL_AXES_APART_MM, 9) == 0.8


@pytest.mark.parametrize(("third_mm", "agree"), [(6.75, True), (6.85, False)])
def test_a_ball_is_the_mean_of_three_axes_within_0_08_cm(third_mm, agree):
    # Source: ITF Rules of Tennis, Appendix I (year not verified); recalled.
    axes = [BallDeformation(6.0, 9.0), BallDeformation(6.3, 9.3), BallDeformation(third_mm, 9.6)]
    mean, within = mean_over_axes(axes)
    assert (mean.forward_mm, mean.return_mm) == pytest.approx(((12.3 + third_mm) / 3, 9.3))
    assert within is agree
    with pytest.raises(InputError, match="found 2, expected three"):
        mean_over_axes(axes[:2])


def test_cv40_is_in_kilopascal_for_newtons_on_square_millimetres():
    # Source: ISO 3386-1:1986 (edition not verified); recalled.
    # CV40 = 1000 F40/A kPa. 35 N on 100 mm by 100 mm are 3500 Pa.
    assert compression_stress_kpa(35.0, 100.0 * 100.0) == pytest.approx(3.5)


def test_support_factor_and_hysteresis_return_are_ratios_of_indentation_forces():
    # Source: ISO 2439:2008 and ASTM D3574-17, test B1 (editions not verified); recalled.
    # F65/F25, and 100 F25 during unloading / F25 during loading.
    assert support_factor(force_25_n=120.0, force_65_n=300.0) == 2.5
    assert hysteresis_return_pct(force_25_in_n=120.0, force_25_out_n=90.0) == 75.0


def test_compression_set_differs_by_its_base():
    # Source: ISO 1856:2018, ASTM D3574-17 test D, ISO 815-1:2019 and ASTM D395-18 method B (recalled,
    # editions not verified); recomputed.
    # ISO 1856 and ASTM D3574 test D (of the original height); ISO 815-1 and ASTM D395 method B (of the
    # imposed deflection). With h0 = 50.00, hs = 25.00, hr = 47.50: 5.0 % and 10.0 %.
    assert set_of_height_pct(50.00, 47.50) == pytest.approx(5.0)
    assert set_of_deflection_pct(50.00, 25.00, 47.50) == pytest.approx(10.0)


def test_one_function_gives_compression_set_on_both_bases_and_names_them():
    # Source: ISO 1856:2018, ASTM D3574-17 test D, ISO 815-1:2019 and ASTM D395-18 method B (recalled,
    # editions not verified); recomputed.
    # As above: 100 (h0 - hr)/h0 = 5.0 % (ISO 1856, ASTM D3574 test D) and 100 (h0 - hr)/(h0 - hs) =
    # 10.0 % (ISO 815-1, ASTM D395 method B).
    found = compression_sets(free_height_mm=50.00, recovered_height_mm=47.50, spacer_height_mm=25.00)
    assert [(round(each.pct, 9), each.basis, each.follows) for each in found] == [
        (5.0, "of the free height", "ISO 1856 and ASTM D3574 test D"),
        (10.0, "of the imposed deflection", "ISO 815-1 and ASTM D395 method B"),
    ]
    (alone,) = compression_sets(50.00, 47.50)
    assert (alone.pct, alone.basis) == (pytest.approx(5.0), "of the free height")


def test_losses_are_in_per_cent_of_the_first_value():
    # Source: ISO 3385:2014 (edition not verified); recalled.
    # Loss of thickness and of 40 % hardness, per cent of the first value.
    assert loss_pct(50.0, 48.5) == pytest.approx(3.0)
    assert loss_pct(200.0, 150.0) == pytest.approx(25.0)


@pytest.mark.parametrize(
    ("temperature_c", "humidity_pct", "standard"),
    [
        (23.0, 50.0, True),
        (21.0, 60.0, True),
        (25.1, 50.0, False),
        (23.0, 39.0, False),
        (27.0, 65.0, True),
        (27.0, 50.0, False),
    ],
)
def test_standard_laboratory_air(temperature_c, humidity_pct, standard):
    # Source: ISO 23529:2016 (edition not verified); recalled.
    # 23 +- 2 C and 50 +- 10 % RH (or 27 C and 65 %).
    assert in_standard_air(temperature_c, humidity_pct) is standard
