"""Specimens of the virtual rig against published shapes of known stiffness."""

import math

import numpy as np
import pytest

from rig.units import factor, parse
from rig.virtual import (
    Chain,
    HertzSphere,
    LinearSpring,
    SpringDashpot,
    StandardLinearSolid,
    ThinRing,
    VirtualRig,
)


def test_a_music_wire_spring_has_the_stiffness_of_the_worked_example() -> None:
    # Source: Budynas and Nisbett, Shigley's Mechanical Engineering Design, example 10-1 (place
    # recalled, edition not verified); recomputed.
    spring = LinearSpring.helical(
        wire_mm=parse("0.037 in", "mm"),
        coil_mm=parse("0.400 in", "mm"),
        active_coils=10.5,
        shear_modulus_mpa=11.85e6 * factor("lbf/in^2", "N/mm^2"),
    )
    assert spring.stiffness_n_per_mm / factor("lbf/in", "N/mm") == pytest.approx(4.13, abs=0.005)


def test_a_thin_ring_loses_the_diameter_that_the_table_says() -> None:
    # Source: Roark's Formulas for Stress and Strain, circular rings, case 1 (edition not verified);
    # recalled.
    # The diameter lost is 0.1488 W R^3 / (E I).
    ring = ThinRing(modulus_mpa=200.0, radius_mm=30.0, wall_mm=3.0, width_mm=20.0)
    second_moment_mm4 = 20.0 * 3.0**3 / 12
    lost_mm = 0.1488 * 7.0 * 30.0**3 / (200.0 * second_moment_mm4)
    assert ring.deflection_at_mm(7.0) == pytest.approx(lost_mm, rel=5e-4)


def test_a_sphere_is_met_well_before_it_pushes() -> None:
    # Source: K. L. Johnson, Contact Mechanics, 1985, ch. 4 (Hertz); recalled.
    # One contact reaches 0.05 N 0.15 mm after contact.
    sphere = HertzSphere(modulus_mpa=0.1, radius_mm=45.0)
    assert sphere.deflection_at_mm(0.05) / 2 == pytest.approx(0.15, abs=0.005)


def test_a_sphere_has_exponent_one_and_a_half_and_its_tangent_and_work() -> None:
    # Source: K. L. Johnson, Contact Mechanics, 1985, ch. 4 (Hertz); recalled.
    # Tangent 1.5 F/d, work 0.4 F d, exponent 1.5.
    sphere = HertzSphere()
    depths_mm = np.array([1.0, 2.0, 5.0, 10.0])
    force_n = sphere.force_n(depths_mm)
    exponent = np.polyfit(np.log(depths_mm), np.log(force_n), 1)[0]
    assert exponent == pytest.approx(1.5, abs=1e-12)
    np.testing.assert_allclose(sphere.tangent_n_per_mm(depths_mm), 1.5 * force_n / depths_mm, rtol=1e-12)
    assert sphere.work_mj(10.0) == pytest.approx(0.4 * force_n[-1] * 10.0, rel=1e-12)


def test_a_spring_and_dashpot_lose_pi_c_w_x_squared_per_cycle() -> None:
    # Source: S. S. Rao, Mechanical Vibrations (recalled; edition and place not verified); recomputed: over a
    # period the force c x' of x = X sin wt does the work pi c w X^2, the integral of c (w X cos wt)^2.
    damping, amplitude_mm, speed_mm_per_s = 0.05, 2.5, 20.0
    specimen = SpringDashpot(stiffness_n_per_mm=3.0, damping_n_s_per_mm=damping)
    rig = VirtualRig(
        specimen, cycles=4, motion="sine", depth_mm=10.0, gap_mm=-5.0, speed_mm_per_s=speed_mm_per_s
    )
    angular = speed_mm_per_s / amplitude_mm
    for cycle in rig.truth.cycles:
        assert cycle.loss_mj == pytest.approx(math.pi * damping * angular * amplitude_mm**2, rel=1e-3)


def test_a_standard_linear_solid_answers_a_ramp_by_its_formula() -> None:
    # Source: W. N. Findley, J. S. Lai, K. Onaran, Creep and Relaxation of Nonlinear Viscoelastic Materials,
    # 1976, ch. 5 (recalled, place not verified); recomputed: superposition of k_inf + k_1 exp(-t/tau) over
    # the ramp. Stress relaxation of a standard linear solid: F = k_inf r t + k_1 r tau (1 - exp(-t/tau)).
    solid = StandardLinearSolid(lasting_n_per_mm=2.0, relaxing_n_per_mm=1.0, time_s=0.8)
    time_s = 0.01 * np.arange(1, 201)
    force_n, _ = solid.respond(solid.fresh(), 4.0 * time_s, 0.01)
    expected = 2.0 * 4.0 * time_s + 1.0 * 4.0 * 0.8 * (1 - np.exp(-time_s / 0.8))
    np.testing.assert_allclose(force_n, expected, rtol=1e-12)


def test_a_standard_linear_solid_relaxes_by_its_formula_after_a_step() -> None:
    # Source: W. N. Findley, J. S. Lai, K. Onaran, Creep and Relaxation of Nonlinear Viscoelastic Materials,
    # 1976, ch. 5 (recalled, place not verified); recomputed: superposition of k_inf + k_1 exp(-t/tau) over
    # the ramp. After a step: F(t) = F_inf + (F_0 - F_inf) exp(-t/tau).
    solid = StandardLinearSolid(lasting_n_per_mm=2.0, relaxing_n_per_mm=1.0, time_s=0.8)
    _, memory = solid.respond(solid.fresh(), np.array([5.0]), 1e-7)
    force_n, _ = solid.respond(memory, np.full(300, 5.0), 0.01)
    expected = 10.0 + 5.0 * np.exp(-0.01 * np.arange(1, 301) / 0.8)
    np.testing.assert_allclose(force_n, expected, rtol=1e-6)


def test_a_rig_reads_a_ring_as_stiff_as_the_table_says() -> None:
    # Source: Roark's Formulas for Stress and Strain, circular rings, case 1 (edition not verified);
    # recalled.
    # Through the whole chain without noise: the slope of counts against counts.
    chain = Chain(force_noise_n=0.0, position_noise_mm=0.0)
    truth = VirtualRig(ThinRing(), cycles=1, chain=chain).truth.cycles[0]
    second_moment_mm4 = 20.0 * 3.0**3 / 12
    stiffness = 200.0 * second_moment_mm4 / (0.1488 * 30.0**3)
    assert truth.secant_n_per_mm == pytest.approx(stiffness, rel=5e-4)
