"""Design aids against published shapes and published examples of uncertainty."""

from __future__ import annotations

from math import cos, pi, sqrt

import numpy as np
import pytest

from rig.aids import Nip, NipPiece, answer_nip, patch_length_mm
from rig.core.measured import Measured, propagate
from rig.population import Curve, PieceResult

MODULUS_MPA, RADIUS_MM = 0.1, 45.0


def hertz_piece() -> NipPiece:
    # K. L. Johnson, Contact Mechanics, 1985, ch. 4 (recalled), two contacts: F = (4/3) E* R^0.5 (d/2)^1.5.
    x = np.linspace(0.0, 30.0, 3001)
    force_n = 4 / 3 * MODULUS_MPA * sqrt(RADIUS_MM) * (x / 2) ** 1.5
    result = PieceResult(
        "ball", None, "new", "formula", {}, {}, {}, {}, Curve(x, force_n, force_n)
    )  # an elastic body gives all of the work back
    return NipPiece(result, Measured(2 * RADIUS_MM))


def test_a_sphere_in_a_nip_has_the_gap_that_hertz_gives_for_the_force() -> None:
    # Source: K. L. Johnson, Contact Mechanics, 1985, ch. 4 (Hertz); recalled.
    force_n = 10.0
    squeeze_mm = 2 * (force_n / (4 / 3 * MODULUS_MPA * sqrt(RADIUS_MM))) ** (2 / 3)
    answer = answer_nip([hertz_piece()], Nip(force_n=force_n, wheels_mm=(100.0,), friction=Measured(0.6)))
    assert answer.figures["gap_mm"].mean == pytest.approx(2 * RADIUS_MM - squeeze_mm, abs=1e-4)


def test_a_sphere_in_a_nip_is_as_sensitive_as_its_tangent_and_loses_nothing() -> None:
    # Source: K. L. Johnson, Contact Mechanics, 1985, ch. 4 (Hertz); recalled.
    # The tangent is 1.5 F/d. The slope is a secant over 5 % to either side, which the third derivative of
    # d^1.5 changes by 0.01 %.
    force_n = 10.0
    answer = answer_nip([hertz_piece()], Nip(force_n=force_n, wheels_mm=(100.0,), friction=Measured(0.6)))
    tangent = 1.5 * force_n / answer.figures["deflection_mm"].mean
    assert answer.figures["sensitivity_n_per_mm"].mean == pytest.approx(tangent, rel=3e-4)
    assert answer.figures["loss_mj"].mean == pytest.approx(0.0, abs=1e-9)


def test_a_chord_is_longer_than_an_elastic_contact_by_the_root_of_two() -> None:
    # Source: K. L. Johnson, Contact Mechanics, 1985, ch. 4 (Hertz); recalled. Contact radius a^2 = R d of one
    # contact, 1/R = 1/R1 + 1/R2. The nip's formula states that its chord is an upper bound by that much for
    # small dents.
    dent_mm = 1e-3
    elastic_mm = 2 * sqrt(dent_mm / (1 / 100.0 + 1 / RADIUS_MM))
    assert patch_length_mm(100.0, RADIUS_MM, dent_mm) / elastic_mm == pytest.approx(sqrt(2), rel=1e-4)


def test_the_end_gauge_example_of_two_influences_comes_out() -> None:
    # Source: JCGM 100:2008 (GUM), example H.1, H.1.3.2; recalled.
    # The difference of the comparator: 5.8, 3.9 and 6.7 nm combine to 9.7 nm.
    found = propagate(
        lambda mean, random, systematic: mean + random + systematic,
        {"mean": Measured(215.0, 5.8), "random": Measured(0.0, 3.9), "systematic": Measured(0.0, 6.7)},
    )
    assert found.u == pytest.approx(9.7, abs=0.05)


def test_resistance_and_reactance_of_the_guide_have_their_contributions() -> None:
    # Source: JCGM 100:2008 (GUM), example H.2, table H.2; recalled. V = 4.9990 V, I = 19.6610 mA, phase
    # 1.04446 rad, so that R = V cos(phase) / I = 127.732 ohm. The inputs' correlations are left out on both
    # sides: u by the partial derivatives that the guide gives for this model.
    v, i, phase = 4.9990, 19.6610e-3, 1.04446
    u_v, u_i, u_phase = 0.0032, 0.0095e-3, 0.00075
    found = propagate(
        lambda v, i, phase: v * cos(phase) / i,
        {"v": Measured(v, u_v), "i": Measured(i, u_i), "phase": Measured(phase, u_phase)},
    )
    assert found.value == pytest.approx(127.732, abs=0.002)
    by_derivatives = sqrt(
        (127.732 * u_v / v) ** 2 + (127.732 * u_i / i) ** 2 + (v * cos(phase - pi / 2) / i * u_phase) ** 2
    )
    assert found.u == pytest.approx(by_derivatives, rel=1e-4)
