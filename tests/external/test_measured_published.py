"""Published shapes, pressed on paper and measured by the analyser."""

import numpy as np
import pytest
from published_presses import CONTACT_MM, RATE_HZ, measured, triangle

from rig.analyser import AnalysisSettings, Depth, fit_prony
from rig.units import factor, parse


def column(result, name):
    """Mean of a quantity and the uncertainty of one cycle."""
    return result.summary[name]["mean"], float(np.median(result.columns[f"{name}_u"]))


def test_a_music_wire_spring_measures_the_rate_of_the_worked_example():
    # Source: Budynas and Nisbett, Shigley's Mechanical Engineering Design, example 10-1 (place
    # recalled, edition not verified); recomputed.
    # d = 0.037 in, D = 0.400 in, 10.5 active coils, G = 11.85 Mpsi, k = G d^4 / (8 D^3 N) = 4.13 lbf/in.
    wire, coil = parse("0.037 in", "mm"), parse("0.400 in", "mm")
    shear_mpa = 11.85e6 * factor("lbf/in^2", "N/mm^2")
    rate = shear_mpa * wire**4 / (8 * coil**3 * 10.5)
    deflection = triangle(8.0, 10.0)
    result = measured(deflection, rate * np.maximum(deflection, 0))
    for name in ("secant_n_per_mm", "chord_n_per_mm", "tangent_n_per_mm", "initial_n_per_mm"):
        mean, u = column(result, name)
        assert mean == pytest.approx(rate, abs=2 * u), name
        assert mean / factor("lbf/in", "N/mm") == pytest.approx(4.13, abs=0.02), name


def test_a_thin_ring_loses_the_diameter_of_the_table():
    # Source: Roark's Formulas for Stress and Strain, circular rings, case 1 (edition not verified);
    # recalled.
    # The diameter lost under load W is 0.1488 W R^3/(E I).
    modulus_mpa, radius, second_moment = 200.0, 30.0, 20.0 * 3.0**3 / 12
    stiffness = modulus_mpa * second_moment / (0.1488 * radius**3)
    deflection = triangle(6.0, 8.0)
    result = measured(deflection, stiffness * np.maximum(deflection, 0))
    force, force_u = column(result, "peak_force_n")
    lost, lost_u = column(result, "peak_deflection_mm")
    assert lost == pytest.approx(
        0.1488 * force * radius**3 / (modulus_mpa * second_moment), abs=2 * lost_u + force_u
    )


@pytest.fixture(scope="module")
def sphere():
    """Hertz; Johnson, Contact Mechanics (1985), ch. 4: between two platens F = (4/3) E* R^0.5
    (d/2)^1.5."""
    deflection = triangle(8.0, 6.0)
    force = 4 / 3 * 0.1 * 45.0**0.5 * (np.maximum(deflection, 0) / 2) ** 1.5
    depths = tuple(Depth.of(text) for text in ("2 mm", "3 mm", "4 mm", "5 mm", "6 mm", "7 mm"))
    return measured(deflection, force, AnalysisSettings(contact_force_n=0.05, at=depths))


def test_a_sphere_is_found_in_contact_well_before_it_pushes(sphere):
    # Source: K. L. Johnson, Contact Mechanics, 1985, ch. 4 (Hertz); recalled.
    # With E* 0.1 MPa and R 45 mm, 0.05 N is reached 0.15 mm after contact at one contact, 0.30 mm between two
    # platens.
    contact, contact_u = column(sphere, "contact_mm")
    pushes, pushes_u = column(sphere, "contact_at_force_mm")
    assert contact == pytest.approx(CONTACT_MM, abs=2 * contact_u)
    assert pushes - contact == pytest.approx(2 * 0.15, abs=0.01 + contact_u + pushes_u)


def test_a_spheres_tangent_is_one_and_a_half_times_its_secant(sphere):
    # Source: K. L. Johnson, Contact Mechanics, 1985, ch. 4 (Hertz); recalled.
    tangent, tangent_u = column(sphere, "tangent_n_per_mm")
    secant, secant_u = column(sphere, "secant_n_per_mm")
    assert tangent == pytest.approx(1.5 * secant, abs=2 * (tangent_u + 1.5 * secant_u))


def test_a_spheres_work_is_two_fifths_of_force_times_deflection(sphere):
    # Source: K. L. Johnson, Contact Mechanics, 1985, ch. 4 (Hertz); recalled.
    work, work_u = column(sphere, "energy_absorbed_mj")
    force, depth = column(sphere, "peak_force_n")[0], column(sphere, "peak_deflection_mm")[0]
    assert work == pytest.approx(0.4 * force * depth, abs=2 * work_u)


def test_a_log_log_fit_to_a_sphere_gives_three_halves(sphere):
    # Source: K. L. Johnson, Contact Mechanics, 1985, ch. 4 (Hertz); recalled.
    depths = np.array([2.0, 3.0, 4.0, 5.0, 6.0, 7.0])
    forces = [column(sphere, f"at {depth:g} mm.loading_n")[0] for depth in depths]
    exponent = np.polyfit(np.log(depths), np.log(forces), 1)[0]
    assert exponent == pytest.approx(1.5, abs=0.005)
    toe, foot_u = column(sphere, "toe_exponent")
    assert toe == pytest.approx(1.5, abs=2 * foot_u)


def test_a_spring_and_dashpot_kept_in_contact_lose_pi_c_w_x_squared():
    # Source: S. S. Rao, Mechanical Vibrations (recalled; edition and place not verified); recomputed: over a
    # period the force c x' of x = X sin wt does the work pi c w X^2, the integral of c (w X cos wt)^2. The
    # loss factor is c w/k.
    stiffness, damping, amplitude, mean = 3.0, 0.05, 2.0, 5.0
    angular = 2 * np.pi * 0.8
    time = np.arange(0, 12 * 2 * np.pi / angular, 1 / RATE_HZ)
    lead = np.linspace(-2.0, mean - amplitude, 900)
    swing = mean - amplitude * np.cos(angular * time)
    out = np.linspace(mean - amplitude, -2.0, 900)
    rest = np.full(RATE_HZ, -2.0)
    deflection = np.concatenate([rest, lead, swing, out, rest])
    speed = np.gradient(deflection, 1 / RATE_HZ)
    force = np.where(deflection > 0, stiffness * deflection + damping * speed, 0.0)
    result = measured(deflection, np.maximum(force, 0))
    inner = np.isfinite(result.columns["loss_factor"])
    assert inner.sum() >= 9
    expected = np.pi * damping * angular * amplitude**2
    loss, loss_u = result.columns["loss_mj"][inner], result.columns["loss_mj_u"][inner]
    assert np.mean(np.abs(loss - expected) <= 2 * np.hypot(loss_u, 0.002 * expected)) >= 0.9
    np.testing.assert_allclose(result.columns["loss_factor"][inner], damping * angular / stiffness, rtol=0.01)


def test_a_standard_linear_solid_is_recovered_from_its_ramp_and_hold():
    # Source: W. N. Findley, J. S. Lai, K. Onaran, Creep and Relaxation of Nonlinear Viscoelastic Materials,
    # 1976, ch. 5 (recalled, place not verified); recomputed: superposition of k_inf + k_1 exp(-t/tau) over
    # the ramp. During a ramp of rate r: F = k_inf r t + k_1 r tau (1 - exp(-t/tau)); after it the branch dies
    # away by exp(-t/tau).
    lasting, relaxing, tau, rate, ramp_s = 2.0, 1.2, 0.8, 5.0, 1.6
    time = np.arange(0, 12.0, 1 / RATE_HZ)
    on_ramp = np.minimum(time, ramp_s)
    branch = relaxing * rate * tau * -np.expm1(-on_ramp / tau) * np.exp(-(time - on_ramp) / tau)
    noise = np.random.default_rng(9).normal(0, 0.005, len(time))
    series = fit_prony(time, rate * on_ramp, lasting * rate * on_ramp + branch + noise)
    assert series is not None
    assert series.exponent == pytest.approx(1.0, abs=0.01)
    assert len(series.branches) == 1
    assert series.long_term == pytest.approx(lasting, rel=0.02)
    assert series.branches[0][0] == pytest.approx(relaxing, rel=0.03)
    assert series.branches[0][1] == pytest.approx(tau, rel=0.03)
    step_left = (
        series.long_term + series.branches[0][0] * np.exp(-1.0 / series.branches[0][1])
    ) / series.instantaneous
    assert step_left == pytest.approx(
        (lasting + relaxing * np.exp(-1.0 / tau)) / (lasting + relaxing), rel=0.01
    )
