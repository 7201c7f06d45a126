"""Work, forces at depths and knees of single strokes, against curves that are known in closed form."""

import numpy as np
import pytest
from scipy.integrate import quad

from rig.analyser.curves import force_at, knee
from rig.analyser.energy import work
from rig.analyser.peak import Side
from rig.analyser.ragged import Nodes
from rig.analyser.roughness import Roughness
from rig.analyser.settings import MeasuringNoise

DEPTH = 10.0


def foam_like(x):
    """Steep, then flat, then steep again."""
    return 20 * np.tanh(x / 1.5) + 0.02 * x**3


CURVES = {"sphere": lambda x: 0.4 * x**1.5, "cone": lambda x: 0.3 * x**2, "foam-like": foam_like}


def sampled(force, count, *, start=0.0, noise_n=0.0, seed=0):
    """A stroke whose samples lie evenly between contact and the deep end, neither of them a sample."""
    x = start + (np.arange(count) + 0.5) / count * (DEPTH - start)
    f = force(x) + np.random.default_rng(seed).normal(0, noise_n, count)
    return Nodes.of(x[None], f[None], np.ones((1, count)))


def averaged(force, nodes, per_node=50, *, noise_n=0.0, seed=0):
    """A stroke whose nodes are means over many samples."""
    x = (np.arange(nodes * per_node) + 0.5) / (nodes * per_node) * DEPTH
    f = force(x) + np.random.default_rng(seed).normal(0, noise_n, len(x))
    mean_x, mean_f = (each.reshape(nodes, per_node).mean(axis=1) for each in (x, f))
    return Nodes.of(mean_x[None], mean_f[None], np.full((1, nodes), float(per_node)))


def white(noise_n):
    """What a single force is worth where noise is white."""
    return Roughness.of_opening(MeasuringNoise(noise_n, 0.0), 1)


def read(nodes, depth_mm, noise_n):
    return force_at(nodes, depth_mm, white(noise_n).at, white(noise_n).correlated)


def work_of(nodes, force, *, from_contact=True, force_noise_n=0.0, position_noise_mm=0.0, contact_mm=0.0):
    return work(
        nodes,
        contact_mm=np.array([contact_mm]),
        from_contact=np.array([from_contact]),
        low=Side(nodes.x_mm[:, 0], nodes.force_n[:, 0], np.ones(1, np.int64)),
        end_mm=np.array([DEPTH]),
        end_n=np.array([force(DEPTH)]),
        crept=np.zeros(1, bool),
        rough=white(force_noise_n),
        position_noise_mm=position_noise_mm,
    )


@pytest.mark.parametrize("name", CURVES)
def test_the_work_of_a_dense_stroke_is_the_integral(name):
    force = CURVES[name]
    found = work_of(sampled(force, 2000), force)
    assert found.mj[0] == pytest.approx(quad(force, 0, DEPTH)[0], rel=2e-6)


@pytest.mark.parametrize("name", CURVES)
def test_what_chords_of_a_sparse_stroke_miss_is_within_the_stated_uncertainty(name):
    force = CURVES[name]
    found = work_of(sampled(force, 15), force)
    assert abs(found.mj[0] - quad(force, 0, DEPTH)[0]) <= 2 * found.chord_u[0]


@pytest.mark.parametrize("count", range(12, 40))
def test_bends_that_cancel_in_sum_leave_their_uncertainty(count):
    """A plateau that densifies: what chords miss before it has the other sign than what they miss behind."""

    def yielding(x):
        return 20 * np.tanh(10 * x / DEPTH) + 30 * (x / DEPTH) ** 6

    found = work_of(sampled(yielding, count), yielding)
    assert abs(found.mj[0] - quad(yielding, 0, DEPTH)[0]) <= 2 * found.chord_u[0]


@pytest.mark.parametrize("name", CURVES)
def test_the_work_of_an_averaged_stroke_is_the_integral(name):
    force = CURVES[name]
    truth = quad(force, 0, DEPTH)[0]
    found = work_of(averaged(force, 40), force)
    # means lie inside the curve and chords outside it: left alone, they would miss more
    plain = np.trapezoid(averaged(force, 40).force_n[0], averaged(force, 40).x_mm[0])
    assert abs(found.mj[0] - truth) <= 2 * found.chord_u[0]
    assert found.mj[0] == pytest.approx(truth, rel=1e-3)
    assert abs(found.mj[0] - truth) < abs(plain - truth)


def test_a_stroke_that_begins_in_contact_counts_from_its_first_sample():
    force = CURVES["cone"]
    nodes = sampled(force, 500, start=4.0)
    found = work_of(nodes, force, from_contact=False)
    assert found.mj[0] == pytest.approx(quad(force, nodes.x_mm[0, 0], DEPTH)[0], rel=1e-5)


def test_samples_before_contact_and_behind_the_turn_do_no_work():
    force = CURVES["cone"]
    x = np.linspace(-3, DEPTH + 1, 1401)
    nodes = Nodes.of(x[None], np.where(x > 0, force(np.abs(x)), 7.0)[None], np.ones((1, len(x))))
    assert work_of(nodes, force).mj[0] == pytest.approx(quad(force, 0, DEPTH)[0], rel=1e-4)


@pytest.mark.parametrize("make", [sampled, averaged])
def test_the_stated_noise_of_work_is_its_spread(make):
    force, noise_n = CURVES["sphere"], 0.05
    strokes = [make(force, 60, noise_n=noise_n, seed=k) for k in range(300)]
    found = [work_of(nodes, force, force_noise_n=noise_n) for nodes in strokes]
    spread = np.std([each.mj[0] for each in found])
    assert found[0].noise_u[0] == pytest.approx(spread, rel=0.15)


DEPTHS = np.array([[1.0, 2.5, 5.0, 9.9]])


@pytest.mark.parametrize("name", CURVES)
def test_a_force_at_a_depth_is_that_of_the_curve(name):
    force = CURVES[name]
    fit = read(sampled(force, 200), DEPTHS, 1e-3)
    np.testing.assert_allclose(fit.value, force(DEPTHS), rtol=2e-4)


def test_a_slope_at_a_depth_is_that_of_the_curve():
    fit = read(sampled(CURVES["cone"], 200), DEPTHS, 1e-3)
    np.testing.assert_allclose(fit.slope, 0.6 * DEPTHS, rtol=1e-6)


def test_few_samples_are_read_along_the_straight_line_between_two():
    x, f = np.array([[0.0, 4.0, 10.0]]), np.array([[0.0, 10.0, 16.0]])
    fit = read(Nodes.of(x, f, np.ones((1, 3))), np.array([[3.0, 7.0]]), 0.1)
    np.testing.assert_allclose(fit.value, [[7.5, 13.0]])
    # noise of both nodes, and half of what a curve may lie off the line that bends by the slopes' difference
    noise_u = 0.1 * np.hypot([0.25, 0.5], [0.75, 0.5])
    bent = (2.5 - 1.0) * np.array([4.0 * 0.75 * 0.25, 6.0 * 0.5 * 0.5]) / 4
    np.testing.assert_allclose(fit.value_u, [np.hypot(noise_u, bent)])


@pytest.mark.parametrize("depth", [DEPTH + 1.0, -2.0, np.inf])
def test_a_depth_that_the_stroke_does_not_reach_has_no_force(depth):
    fit = read(sampled(CURVES["cone"], 200), np.array([[depth, 5.0]]), 0.01)
    assert np.isnan(fit.value[0, 0])
    assert fit.value[0, 1] == pytest.approx(7.5, rel=1e-6)


def test_the_stated_uncertainty_of_a_reading_is_its_spread():
    noise_n = 0.05
    strokes = [sampled(CURVES["cone"], 200, noise_n=noise_n, seed=seed) for seed in range(300)]
    readings = [read(stroke, np.array([[5.0]]), noise_n) for stroke in strokes]
    values = np.array([each.value[0, 0] for each in readings])
    assert np.mean(np.abs(values - 7.5) <= 2 * readings[0].value_u[0, 0]) >= 0.93
    assert readings[0].value_u[0, 0] < 1.5 * values.std()


KNEE_MM = 4.0


def kneed(x, after):
    """Stiffness 3 N/mm up to the knee, another one behind it."""
    return 3 * np.minimum(x, KNEE_MM) + after * np.maximum(x - KNEE_MM, 0)


def knee_of(force, *, count=112, noise_n=0.01, drop=0.5):
    nodes = sampled(force, count, noise_n=noise_n)
    return knee_in(nodes, noise_n, drop)


def knee_in(nodes, noise_n, drop=0.5):
    return knee(
        nodes,
        np.zeros(1),
        np.zeros(1),
        np.array([DEPTH]),
        rough=Roughness(np.array([noise_n]), np.zeros(1), np.ones(1)),
        place_noise_n=np.zeros(1),
        drop=drop,
    )


def test_the_knee_of_a_plateau_is_found_where_it_was_put():
    found = knee_of(lambda x: kneed(x, 0.6))
    assert abs(found.deflection_mm[0] - KNEE_MM) <= 2 * found.deflection_u_mm[0]
    assert abs(found.force_n[0] - 12.0) <= 2 * found.force_u_n[0]


def test_a_plateau_has_no_negative_stiffness():
    assert np.isnan(knee_of(lambda x: kneed(x, 0.6)).negative_mm[0])


def test_a_tangent_that_falls_to_more_than_the_stated_share_is_no_knee():
    assert np.isnan(knee_of(lambda x: kneed(x, 2.0)).deflection_mm[0])
    assert np.isfinite(knee_of(lambda x: kneed(x, 2.0), drop=0.8).deflection_mm[0])


def test_a_spring_has_no_knee_whatever_its_noise():
    for noise_n in (0.01, 0.1, 1.0):
        found = knee_of(lambda x: 3 * x, noise_n=noise_n)
        assert np.isnan(found.deflection_mm[0])
        assert np.isnan(found.negative_mm[0])


def test_a_snapping_piece_turns_negative_where_its_force_falls():
    found = knee_of(lambda x: kneed(x, -1.5))
    assert abs(found.negative_mm[0] - KNEE_MM) <= 2 * found.negative_u_mm[0]


def test_strokes_of_few_samples_have_no_knee_and_say_so():
    found = knee_of(lambda x: kneed(x, 0.6), count=8)
    assert not found.resolved[0]
    assert np.isnan(found.deflection_mm[0])


def test_a_knee_is_found_in_a_stroke_of_twenty_rows():
    found = knee_of(lambda x: kneed(x, 0.6), count=20)
    assert abs(found.deflection_mm[0] - KNEE_MM) <= 2 * found.deflection_u_mm[0]


def with_pauses(force, places_mm, *, noise_n=0.01, falls=0.0):
    """A stroke of 60 rows that rests for 50 rows at some places, where its force falls by a share."""
    random = np.random.default_rng(3)
    x_mm = np.linspace(0.0, DEPTH, 60)
    here = np.searchsorted(x_mm, places_mm)
    rests = np.zeros(60, int)
    rests[here] = 50
    row_mm = np.repeat(x_mm, 1 + rests)
    left = np.ones(len(row_mm))
    for last in np.cumsum(1 + rests)[here]:
        relaxes = 1 - falls * (1 - np.exp(-np.arange(50) / 15))
        # on the way on the force comes back to the curve within a millimetre
        after = last + np.arange(6)
        left[last - 50 : last] = relaxes
        left[after] = 1 - (1 - relaxes[-1]) * np.exp(-(row_mm[after] - row_mm[last - 1]) / 0.3)
    row_n = force(row_mm) * left + noise_n * random.normal(size=len(row_mm))
    row_mm = row_mm + 0.001 * random.normal(size=len(row_mm))
    return Nodes.of(row_mm[None], row_n[None], np.ones((1, len(row_mm))))


@pytest.mark.parametrize("falls", [0.0, 0.1], ids=["holds its force", "relaxes"])
def test_a_platen_that_rests_on_its_way_makes_no_knee(falls):
    nodes = with_pauses(lambda x: 3 * x, [2.5, 5.0, 7.0], falls=falls)
    assert np.isnan(knee_in(nodes, 0.01).deflection_mm[0])


@pytest.mark.parametrize("falls", [0.0, 0.1], ids=["holds its force", "relaxes"])
def test_a_knee_is_found_between_pauses(falls):
    found = knee_in(with_pauses(lambda x: kneed(x, 0.3), [2.0, 6.5], falls=falls), 0.01)
    assert abs(found.deflection_mm[0] - KNEE_MM) <= 2 * found.deflection_u_mm[0]
