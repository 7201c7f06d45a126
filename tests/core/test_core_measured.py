"""Measured values: combined as the GUM's own examples do it, and as another implementation does."""

from __future__ import annotations

from math import cos, hypot, inf, sin, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import linregress

from rig.core.measured import (
    CALIBRATION,
    Measured,
    combined,
    coverage_factor,
    effective_freedom,
    line_slope,
    propagate,
)
from rig.errors import InputError

OBSERVED = {
    "v": [5.007, 4.994, 5.005, 4.990, 4.999],
    "i_ma": [19.663, 19.639, 19.640, 19.685, 19.678],
    "phase": [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
}


def test_the_end_gauge_of_the_guide_has_its_length_uncertainty_and_degrees_of_freedom():
    # Source: JCGM 100:2008 (GUM), 2008, annex H.1, table H.1 and H.1.6; recalled, and recomputed here:
    # 50 000 838 nm, u 32 nm, 16 degrees of freedom, 93 nm with 99 %
    inputs = {
        "standard_nm": Measured(50_000_623.0, 25.0, 18),
        "difference_nm": Measured(215.0, 9.7, 25.6),
        "expansion": Measured(11.5e-6, 1.2e-6),
        "expansion_difference": Measured(0.0, 0.58e-6, 50),
        "from_20_c": Measured(-0.1, 0.41),
        "temperature_difference": Measured(0.0, 0.029, 2),
    }

    def length_nm(**at):
        own = 1 + (at["expansion"] + at["expansion_difference"]) * at["from_20_c"]
        standard = 1 + at["expansion"] * (at["from_20_c"] - at["temperature_difference"])
        return (at["standard_nm"] * standard + at["difference_nm"]) / own

    length = propagate(length_nm, inputs)
    assert length.value == pytest.approx(50_000_838, abs=0.5)
    assert length.u == pytest.approx(32, abs=0.5)
    assert int(length.effective_freedom) == 16
    low, high = length.interval(0.99)
    # the guide cuts the degrees of freedom to 16: t 2.92
    assert (high - low) / 2 == pytest.approx(93, abs=1.0)
    assert abs(length.parts["standard_nm"]) == pytest.approx(25, abs=0.5)
    assert abs(length.parts["temperature_difference"]) == pytest.approx(16.6, abs=0.1)


def impedance() -> dict[str, Measured]:
    """Means of readings that were taken together, as sums of independent sources, one per set of readings."""
    readings = np.array(list(OBSERVED.values()))
    scale = 1 / sqrt(readings.shape[1] * (readings.shape[1] - 1))
    off = (readings - readings.mean(axis=1, keepdims=True)) * scale
    inputs = {
        name: Measured(float(mean), parts={f"set {number}": float(part) for number, part in enumerate(row)})
        for name, mean, row in zip(OBSERVED, readings.mean(axis=1), off, strict=True)
    }
    formulas = {
        "r": lambda v, i_ma, phase: 1000 * v / i_ma * cos(phase),
        "x": lambda v, i_ma, phase: 1000 * v / i_ma * sin(phase),
        "z": lambda v, i_ma, phase: 1000 * v / i_ma,
    }
    return inputs | {name: propagate(formula, inputs) for name, formula in formulas.items()}


@pytest.mark.parametrize(
    ("name", "value", "u"), [("r", 127.732, 0.071), ("x", 219.847, 0.295), ("z", 254.260, 0.236)]
)
def test_the_impedance_of_the_guide_has_its_uncertainties_with_correlated_inputs(name, value, u):
    # Source: JCGM 100:2008 (GUM), 2008, annex H.2, tables H.2 to H.4; recalled, and recomputed from
    # its five sets of readings
    found = impedance()[name]
    assert found.value == pytest.approx(value, abs=6e-4)
    assert found.u == pytest.approx(u, abs=6e-4)


@pytest.mark.parametrize(("one", "other", "r"), [("r", "x", -0.588), ("r", "z", -0.485), ("x", "z", 0.993)])
def test_the_impedances_of_the_guide_are_correlated_as_it_says(one, other, r):
    # Source: JCGM 100:2008 (GUM), 2008, annex H.2, table H.4; recalled, and recomputed from its sets
    found = impedance()
    left, right = found[one], found[other]
    assert left.covariance(right) / (left.u * right.u) == pytest.approx(r, abs=6e-4)


def test_what_two_values_share_falls_out_of_their_difference():
    one = Measured(10.0, 0.3, parts={CALIBRATION: 0.5})
    other = Measured(12.0, 0.4, parts={CALIBRATION: 0.5})
    difference = propagate(lambda one, other: other - one, {"one": one, "other": other})
    # 0.3 and 0.4 are the values' own: a root of 0.25
    assert difference.u == pytest.approx(0.5)
    assert propagate(lambda one, other: other + one, {"one": one, "other": other}).u == pytest.approx(
        hypot(0.5, 1.0)
    )


def test_few_readings_widen_the_interval_by_students_factor():
    # Source: JCGM 100:2008 (GUM), 2008, table G.2: t95 of 4 degrees of freedom is 2.78; recalled
    low, high = Measured(5.0, 0.1, 4).interval()
    assert (high - low) / 2 == pytest.approx(0.278, abs=5e-4)
    assert coverage_factor(inf) == pytest.approx(1.959964, abs=1e-6)


def test_arrays_of_variances_have_degrees_of_freedom_each():
    found = effective_freedom(np.array([2.0, 1.0]), np.array([1.0, 0.0]))
    np.testing.assert_array_equal(found, [4.0, inf])


@given(st.lists(st.tuples(st.floats(1e-160, 1e150), st.floats(1, 1e6)), min_size=1, max_size=5))
def test_combined_degrees_of_freedom_lie_between_the_fewest_and_all(parts):
    u, freedom = combined(parts)
    assert u == pytest.approx(hypot(*(part for part, _ in parts)))
    assert min(each for _, each in parts) * (1 - 1e-9) <= freedom


@pytest.mark.parametrize("broken", [(float("nan"),), (1.0, -0.1), (1.0, inf)])
def test_what_is_no_number_is_refused(broken):
    with pytest.raises(InputError, match="finite"):
        Measured(*broken)


def test_another_implementation_of_the_guide_agrees():
    # Source: GTC, Measurement Standards Laboratory of New Zealand, 2024, an implementation of the guide;
    # recomputed with the package where it is installed
    gtc = pytest.importorskip("GTC")
    x, y = gtc.ureal(3.0, 0.02, 5), gtc.ureal(4.0, 0.03, 8)
    shared = gtc.ureal(0.0, 0.025, 3)
    # the other implementation wants finite degrees of freedom of independent inputs
    theirs = (x + shared) / (y + 2 * shared)
    ours = propagate(
        lambda x, y: x / y,
        {
            "x": Measured(3.0, 0.02, 5, {"common": 0.025}, {"common": 3}),
            "y": Measured(4.0, 0.03, 8, {"common": 0.05}, {"common": 3}),
        },
    )
    assert ours.value == pytest.approx(gtc.value(theirs))
    # theirs is of the first order, ours takes half the difference of both ways
    assert ours.u == pytest.approx(gtc.uncertainty(theirs), rel=1e-3)
    assert ours.effective_freedom == pytest.approx(gtc.dof(theirs), rel=1e-2)


def test_the_slope_of_a_line_and_its_uncertainty_are_those_of_another_implementation():
    x = np.array([0.0, 1.0, 2.5, 4.0, 7.0])
    y = np.array([1.0, 2.2, 2.9, 5.5, 8.1])
    ours, theirs = line_slope(x, y), linregress(x, y)
    assert (ours.value, ours.u, ours.freedom) == pytest.approx((theirs.slope, theirs.stderr, 3))


def test_two_parallel_lines_leave_one_degree_of_freedom_less_than_one():
    one, other = np.array([-1.0, 0.0, 1.0]), np.array([-0.5, 0.5])
    y = np.concatenate([[-2.0, 0.1, 1.9], [-1.1, 1.1]])
    x = np.concatenate([one, other])
    design = np.column_stack([x, [1, 1, 1, 0, 0], [0, 0, 0, 1, 1]])
    (slope, *_), left, *_ = np.linalg.lstsq(design, y)
    covariance = np.linalg.inv(design.T @ design) * left[0] / 2
    found = line_slope(x, y, lines=2)
    assert (found.value, found.u, found.freedom) == pytest.approx((slope, sqrt(covariance[0, 0]), 2))
