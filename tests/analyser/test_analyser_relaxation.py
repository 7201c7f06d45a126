"""Relaxation and softening that were planted in closed form are found again."""

import numpy as np
import pytest
from press_recordings import analysed, counts, path, power

from rig.analyser import MeasuringNoise, branch_response, fit_prony, softening
from rig.analyser.relaxation import force_retention_pct

K_INF, K_1, TAU_S = 2.0, 1.0, 3.0
RATE_MM_PER_S, RAMP_S, DEPTH_MM = 5.0, 2.0, 10.0


def ramp_and_hold(hold_s=40.0, step_s=0.02):
    time_s = np.arange(0, RAMP_S + hold_s, step_s)
    return time_s, RATE_MM_PER_S * np.minimum(time_s, RAMP_S)


def solid(time_s, k_inf=K_INF, branches=((K_1, TAU_S),)):
    """Force of standard linear solids side by side: during a ramp of rate r it is k_inf r t + k r tau
    (1 - exp(-t/tau)), and in the hold each branch falls off as exp(-t/tau)."""
    ramp_s, after_s = np.minimum(time_s, RAMP_S), np.maximum(time_s - RAMP_S, 0)
    force = k_inf * RATE_MM_PER_S * ramp_s
    for k, tau_s in branches:
        force = force + k * RATE_MM_PER_S * tau_s * -np.expm1(-ramp_s / tau_s) * np.exp(-after_s / tau_s)
    return force


@pytest.mark.parametrize("step_s", [0.02, 0.5])
def test_a_branch_follows_the_closed_form_of_ramp_and_hold_at_any_step(step_s):
    time_s, deflection = ramp_and_hold(step_s=step_s)
    expected = solid(time_s, k_inf=0.0)
    np.testing.assert_allclose(K_1 * branch_response(time_s, deflection, TAU_S), expected, atol=1e-11)


def test_a_branch_on_uneven_times_agrees_with_the_closed_form():
    uneven = np.sort(np.random.default_rng(0).uniform(0, 40, 300))
    time_s = np.unique(np.concatenate([[0.0, RAMP_S], uneven]))
    deflection = RATE_MM_PER_S * np.minimum(time_s, RAMP_S)
    expected = solid(time_s, 0.0, ((1.0, TAU_S),))
    np.testing.assert_allclose(branch_response(time_s, deflection, TAU_S), expected, atol=1e-11)


def test_a_step_at_the_start_is_answered_at_once():
    time_s = np.linspace(0, 5, 50)
    np.testing.assert_allclose(branch_response(time_s, np.ones(50), 2.0), np.exp(-time_s / 2.0), atol=1e-12)


def noisy(force, seed=0, noise_n=0.005):
    return force + np.random.default_rng(seed).normal(0, noise_n, len(force))


def test_one_planted_branch_is_found_again():
    time_s, deflection = ramp_and_hold()
    series = fit_prony(time_s, deflection, noisy(solid(time_s)))
    ((k, tau_s),) = series.branches
    assert series.long_term == pytest.approx(K_INF, rel=0.01)
    assert k == pytest.approx(K_1, rel=0.02)
    assert tau_s == pytest.approx(TAU_S, rel=0.02)
    assert series.exponent == pytest.approx(1.0, abs=0.005)
    assert series.instantaneous == pytest.approx(K_INF + K_1, rel=0.01)


def test_two_planted_branches_are_found_again():
    time_s, deflection = ramp_and_hold(hold_s=80.0)
    series = fit_prony(time_s, deflection, noisy(solid(time_s, branches=((0.8, 0.5), (0.6, 12.0)))))
    assert len(series.branches) == 2
    np.testing.assert_allclose(series.branches, ((0.8, 0.5), (0.6, 12.0)), rtol=0.05)


def test_the_ramp_is_not_blamed_on_the_material():
    time_s, deflection = ramp_and_hold()
    series = fit_prony(time_s, deflection, noisy(solid(time_s, branches=((K_1, 0.8),))))
    # a step of the same depth would show only tau/ramp (1 - exp(-ramp/tau)) = 0.37 of the branch
    assert series.branches[0][0] == pytest.approx(K_1, rel=0.03)


def test_an_elastic_specimen_gets_no_branch():
    time_s, deflection = ramp_and_hold()
    series = fit_prony(time_s, deflection, noisy(K_INF * deflection))
    assert series.branches == ()
    assert series.long_term == pytest.approx(K_INF, rel=1e-3)


def test_the_exponent_of_an_elastic_curve_is_found():
    time_s, deflection = ramp_and_hold()
    series = fit_prony(time_s, deflection, noisy(0.4 * deflection**1.5))
    assert series.exponent == pytest.approx(1.5, abs=0.01)


def test_what_the_series_leaves_over_is_the_noise():
    time_s, deflection = ramp_and_hold()
    series = fit_prony(time_s, deflection, noisy(solid(time_s), noise_n=0.02))
    assert series.residual_n == pytest.approx(0.02, rel=0.2)


@pytest.mark.parametrize("count", [0, 5, 19])
def test_too_few_samples_give_no_series(count):
    time_s, deflection = ramp_and_hold()
    assert fit_prony(time_s[:count], deflection[:count], deflection[:count]) is None


def test_without_deflection_there_is_no_series():
    time_s, _ = ramp_and_hold()
    assert fit_prony(time_s, np.zeros_like(time_s), np.ones_like(time_s)) is None


def test_the_force_left_is_read_off_the_exponential():
    time_s = np.arange(0, 30, 0.002)
    left = force_retention_pct(
        time_s + 100.0,
        20 * (0.6 + 0.4 * np.exp(-time_s / TAU_S)),
        20.0,
        MeasuringNoise(0.01, 0.001),
        arrived_s=100.0,
    )
    for after_s in (1.0, 10.0):
        expected = 60 + 40 * np.exp(-after_s / TAU_S)
        assert left[f"force_retention_{after_s:.0f}s_pct"] == pytest.approx(expected, abs=0.02)
    assert np.isnan(left["force_retention_60s_pct"])
    assert np.isnan(left["force_retention_60s_pct_u"])


def test_a_hold_of_few_rows_is_read_between_two_of_them():
    """A row every half a second from 0.3 s after the arrival: the exponential lies within what is stated."""
    since_s = np.arange(0.3, 12.0, 0.5)
    left = force_retention_pct(
        since_s + 7.0,
        20 * (0.6 + 0.4 * np.exp(-since_s / TAU_S)),
        20.0,
        MeasuringNoise(0.01, 0.001),
        arrived_s=7.0,
    )
    for after_s in (1.0, 10.0):
        name = f"force_retention_{after_s:.0f}s_pct"
        assert abs(left[name] - (60 + 40 * np.exp(-after_s / TAU_S))) <= 2 * left[f"{name}_u"]


def test_the_uncertainty_of_the_force_left_falls_with_the_samples_behind_it():
    time_s = np.arange(0, 12, 0.01)
    left = force_retention_pct(
        time_s, np.full_like(time_s, 20.0), 20.0, MeasuringNoise(0.1, 0.001), arrived_s=0.0
    )
    # 5 % of 10 s to either side are 101 samples
    assert left["force_retention_10s_pct_u"] == pytest.approx(100 * 0.1 / 20 / np.sqrt(101), rel=0.01)


def test_nothing_is_retained_of_no_force():
    time_s = np.arange(0.0, 12.0, 0.01)
    left = force_retention_pct(time_s, np.zeros_like(time_s), 0.0, MeasuringNoise(0.1, 0.001), arrived_s=0.0)
    assert len(left) == 6
    assert np.isnan([*left.values()]).all()


def test_a_planted_softening_is_found_again():
    cycle = np.arange(1.0, 201.0)
    force = 30 * (1 - 0.08 * np.log10(cycle)) + np.random.default_rng(1).normal(0, 0.01, 200)
    found = softening(cycle, force, 5.0)
    assert abs(found.pct_per_decade + 8.0) <= 3 * found.pct_per_decade_u
    assert found.pct_per_decade_u < 0.05
    assert found.lost_pct == pytest.approx(8 * np.log10(200), abs=0.2)
    assert (found.n, found.at_mm) == (200, 5.0)


@pytest.mark.parametrize("cycles", [3, 5, 30])
def test_95_of_100_intervals_of_softening_hold_also_from_three_cycles(cycles):
    cycle, held = np.arange(1.0, cycles + 1), 0
    for seed in range(400):
        noise = np.random.default_rng(seed).normal(0, 0.05, cycles)
        low, high = softening(cycle, 30 * (1 - 0.08 * np.log10(cycle)) + noise, 5.0).interval_pct()
        held += low <= -8.0 <= high
    # three standard deviations of a binomial count
    assert 0.95 - 0.033 <= held / 400 <= 0.95 + 0.033


def test_cycles_without_a_reading_are_left_out_of_softening():
    cycle = np.arange(1.0, 11.0)
    force = np.where(cycle == 5, np.nan, 30 * (1 - 0.08 * np.log10(cycle)))
    found = softening(cycle, force, 5.0)
    assert (found.n, found.pct_per_decade) == (9, pytest.approx(-8.0))


@pytest.mark.parametrize("force", [[30.0, 29.0], [np.nan, 30.0, 29.0], []])
def test_fewer_than_three_cycles_give_no_softening(force):
    assert softening(np.arange(1.0, len(force) + 1), np.array(force), 5.0) is None


@pytest.mark.parametrize("drift_n_per_s", [0.003, -0.003])
def test_a_drifting_zero_is_taken_off_through_a_hold(drift_n_per_s):
    # a spring keeps all of its force, whatever the amplifier does in the meantime
    position = path((-2.5, 1.0), (10.0, 12.0), (-2.5, 1.0))
    result = analysed(counts(position, power(2.5)(position), drift_n_per_s=drift_n_per_s, seed=4))
    left, u = (result.columns[f"force_retention_10s_pct{end}"][0] for end in ("", "_u"))
    assert abs(left - 100.0) <= 2 * u
    # left in, the drift of ten seconds is 0.12 % of 25 N
    assert abs(left - 100.0) < 0.06
