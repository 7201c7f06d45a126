"""Published calibrations, fitted anew, and published gravity."""

import math
from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from rig.calibration import fit_polynomial, gravity_m_per_s2, lack_of_fit, recommend_degree

# NIST Statistical Reference Datasets, "Pontius" (P. Pontius, NIST, load cell calibration): loads of
# 150000 to 3000000, run twice, and the certified values of the quadratic. Recomputed.
LOADS = np.tile(np.arange(1, 21) * 150_000.0, 2)
# fmt: off
DEFLECTIONS = np.array([
    0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146,
    1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
    0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.98300, 1.09150,
    1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
])
# fmt: on
PONTIUS = (0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14)
PONTIUS_SD = (0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16)

# JCGM 100:2008 (GUM), example H.3. Recomputed.
TEMPERATURES = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
CORRECTIONS = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def digits(found, certified):
    """Decimal digits in which a value agrees, the log relative error of the reference data sets."""
    return -math.log10(max(abs(found - certified) / abs(certified), 1e-17))


@pytest.fixture(scope="module")
def load_cell():
    return fit_polynomial(LOADS, DEFLECTIONS, 2)


def test_the_terms_of_the_load_cell_agree_to_nine_digits(load_cell):
    # Source: NIST Statistical Reference Datasets, linear regression, "Pontius", 1998 (year
    # recalled); recomputed.
    assert min(map(digits, load_cell.coefficients, PONTIUS)) > 9


def test_the_uncertainties_of_the_load_cell_agree_to_nine_digits(load_cell):
    # Source: NIST Statistical Reference Datasets, linear regression, "Pontius", 1998 (year
    # recalled); recomputed.
    assert min(map(digits, load_cell.standard_uncertainties, PONTIUS_SD)) > 9
    assert digits(load_cell.residual_sd, 0.205177424076185e-03) > 9


def test_the_load_cell_needs_its_quadratic_and_no_cubic():
    # Source: NIST Statistical Reference Datasets, linear regression, "Pontius", 1998 (year
    # recalled); recomputed.
    assert recommend_degree(LOADS, DEFLECTIONS).degree == 2


def test_repeats_of_the_load_cell_find_no_lack_of_fit_but_in_a_straight_line(load_cell):
    # Source: NIST Statistical Reference Datasets, linear regression, "Pontius", 1998 (year
    # recalled); recomputed.
    # the pure error needs no model: half the squared differences of the two runs, over 20 degrees of freedom
    repeats = math.sqrt(float(np.sum((DEFLECTIONS[:20] - DEFLECTIONS[20:]) ** 2)) / 2 / 20)
    misfit = lack_of_fit(load_cell, LOADS)
    assert misfit.repeat_sd == pytest.approx(repeats, rel=1e-9)
    assert (misfit.fit_degrees, misfit.repeat_degrees) == (17, 20)
    assert misfit.p > 0.05
    assert lack_of_fit(fit_polynomial(LOADS, DEFLECTIONS, 1), LOADS).p < 1e-6


def norris():
    """Data and certified values from the file that SciPy installs with its tests."""
    path = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_linregress" / "Norris.dat"
    if not path.exists():
        pytest.skip("this SciPy was installed without its tests' data")
    lines = path.read_text().splitlines()
    certified = {line.split()[0]: [float(each) for each in line.split()[1:]] for line in lines if
                 line.split()[:1] in (["B0"], ["B1"])}  # fmt: skip
    return np.array([[float(each) for each in line.split()] for line in lines[60:96]]), certified


def test_the_straight_line_agrees_with_the_certified_values_to_nine_digits():
    # Source: NIST Statistical Reference Datasets, linear regression, "Norris", 1998 (year
    # recalled); read from the package.
    data, certified = norris()
    fit = fit_polynomial(data[:, 1], data[:, 0], 1)
    for name, found, found_u in zip(("B0", "B1"), fit.coefficients, fit.standard_uncertainties, strict=True):
        assert digits(found, certified[name][0]) > 9
        assert digits(found_u, certified[name][1]) > 9
    assert digits(fit.residual_sd, 0.884796396144373) > 9


@pytest.fixture(scope="module")
def thermometer():
    return fit_polynomial(TEMPERATURES, CORRECTIONS, 1)


def test_the_line_of_the_thermometer_about_20_degrees_is_that_of_the_guide(thermometer):
    # Source: JCGM 100:2008 (GUM), example H.3 (recalled); recomputed.
    terms, covariance = thermometer.about(20.0)
    u = np.sqrt(np.diag(covariance))
    assert (round(terms[0], 4), round(u[0], 4)) == (-0.1712, 0.0029)
    assert (round(terms[1], 5), round(u[1], 5)) == (0.00218, 0.00067)
    assert round(covariance[0, 1] / (u[0] * u[1]), 3) == -0.930
    assert round(thermometer.residual_sd, 4) == 0.0035
    assert thermometer.degrees_of_freedom == 9


def test_the_correction_at_30_degrees_is_that_of_the_guide(thermometer):
    # Source: JCGM 100:2008 (GUM), example H.3 (recalled); recomputed.
    assert round(float(thermometer.value(30.0)), 4) == -0.1494
    assert round(float(thermometer.value_u(30.0)), 4) == 0.0041


@pytest.mark.parametrize("latitude_deg", [0.0, 30.0, 45.0, 54.3, 90.0])
def test_gravity_is_that_of_the_closed_formula_of_the_reference_ellipsoid(latitude_deg):
    # Source: H. Moritz, Geodetic Reference System 1980, Bulletin geodesique, 1984; recalled.
    # Somigliana's closed formula with equatorial gravity 9.7803267715 m/s^2, k = 0.001931851353,
    # e^2 = 0.00669438002290. The series that is used instead is right to a millionth.
    sine2 = math.sin(math.radians(latitude_deg)) ** 2
    closed = 9.7803267715 * (1 + 0.001931851353 * sine2) / math.sqrt(1 - 0.00669438002290 * sine2)
    assert gravity_m_per_s2(latitude_deg) == pytest.approx(closed, rel=1e-6)
