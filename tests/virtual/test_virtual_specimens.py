"""Each specimen answers as its closed form says."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from rig.errors import InputError
from rig.virtual import (
    SPECIMEN_NAMES,
    ElasticSpecimen,
    Foam,
    FoamCurve,
    HertzSphere,
    LinearSpring,
    Prony,
    StandardLinearSolid,
    ThinRing,
    specimen_named,
)
from rig.virtual.press import squeeze

ELASTIC = (LinearSpring(), HertzSphere(), ThinRing())
CURVES = (FoamCurve(), FoamCurve(bends_at_mm=12.0))


def _respond_whole(specimen, deflection_mm, step_s):
    return specimen.respond(specimen.fresh(), deflection_mm, step_s)[0]


@pytest.mark.parametrize("specimen", ELASTIC, ids=repr)
def test_work_is_the_integral_of_force(specimen: ElasticSpecimen) -> None:
    area, _ = quad(lambda d: float(specimen.force_n(np.array([d]))[0]), 0, 8.0, epsabs=1e-10)
    assert specimen.work_mj(8.0) == pytest.approx(area, rel=1e-8)


@pytest.mark.parametrize("curve", CURVES, ids=["upright", "bending"])
@pytest.mark.parametrize("depth_mm", [3.0, 12.0, 20.0])
def test_work_of_the_foam_curve_is_the_integral_of_force(curve: FoamCurve, depth_mm: float) -> None:
    area, _ = quad(lambda d: float(curve.force_n(np.array([d]))[0]), 0, depth_mm, epsabs=1e-10, points=[12.0])
    assert curve.work_mj(depth_mm) == pytest.approx(area, rel=1e-8)


@pytest.mark.parametrize("answer", [*ELASTIC, *CURVES], ids=repr)
def test_tangent_is_the_slope_of_force(answer: ElasticSpecimen | FoamCurve) -> None:
    at_mm, half_mm = np.array([0.5, 4.0, 11.0, 18.0]), 1e-5
    slope = (answer.force_n(at_mm + half_mm) - answer.force_n(at_mm - half_mm)) / (2 * half_mm)
    np.testing.assert_allclose(answer.tangent_n_per_mm(at_mm), slope, rtol=1e-6)


@pytest.mark.parametrize("specimen", ELASTIC, ids=repr)
def test_force_is_zero_in_the_gap_and_found_again_from_its_deflection(specimen: ElasticSpecimen) -> None:
    assert not specimen.force_n(np.array([-3.0, 0.0])).any()
    force_n = float(specimen.force_n(np.array([6.25]))[0])
    assert specimen.deflection_at_mm(force_n) == pytest.approx(6.25, abs=1e-9)


def test_a_force_beyond_the_specimen_is_refused_in_words() -> None:
    with pytest.raises(InputError, match="does not reach 1000000"):
        LinearSpring().deflection_at_mm(1e6)


def test_a_tall_foam_bends_with_a_negative_slope_and_a_short_one_does_not() -> None:
    depths_mm = np.linspace(0.1, 60.0, 500)
    tall, short = specimen_named("tall-foam"), specimen_named("foam")
    assert isinstance(tall, Foam) and isinstance(short, Foam)
    assert (tall.curve.tangent_n_per_mm(depths_mm) < 0).any()
    assert (short.curve.tangent_n_per_mm(depths_mm) > 0).all()


def test_the_net_float_carries_some_60_to_150_newtons_at_a_quarter_of_its_height() -> None:
    foam = specimen_named("foam")
    deflection_mm = np.concatenate([np.linspace(0, 22.5, 5000)])
    assert 60 < _respond_whole(foam, deflection_mm, 0.0005)[-1] < 150


def test_foam_without_time_or_memory_follows_its_curve() -> None:
    curve = FoamCurve()
    foam = Foam(curve=curve, prony=Prony(), softening_floor=1.0, set_share=0.0)
    deflection_mm = np.concatenate([np.linspace(-1, 20, 700), np.linspace(20, -1, 700)])
    np.testing.assert_allclose(
        _respond_whole(foam, deflection_mm, 0.001), curve.force_n(deflection_mm), atol=1e-9
    )


def test_a_prony_series_relaxes_by_its_closed_form_after_a_ramp() -> None:
    # Exact response of one term to a ramp of T seconds, then a hold: superposition of two ramps.
    share, time_s, ramp_s, step_s = 0.3, 0.7, 0.5, 0.01
    times_s = step_s * np.arange(1, 301)
    driving_n = 40.0 * np.minimum(times_s / ramp_s, 1.0)
    force_n, _ = Prony((share,), (time_s,)).respond(Prony((share,), (time_s,)).fresh(), driving_n, step_s)

    def term(since_s):
        return np.where(since_s > 0, 1 - np.exp(-np.maximum(since_s, 0) / time_s), 0.0)

    expected = 0.7 * driving_n + share * 40.0 / ramp_s * time_s * (term(times_s) - term(times_s - ramp_s))
    np.testing.assert_allclose(force_n, expected, rtol=1e-12)


def _squeezes(depth_mm: float, times: int, rest_points: int = 400):
    one = np.concatenate(
        [np.linspace(-1, depth_mm, 300), np.linspace(depth_mm, -1, 300), np.full(rest_points, -1.0)]
    )
    return np.tile(one, times)


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(SPECIMEN_NAMES), st.lists(st.integers(1, 900), min_size=1, max_size=12))
def test_forces_do_not_depend_on_how_a_stretch_is_cut(name: str, cuts: list[int]) -> None:
    specimen = specimen_named(name)
    deflection_mm = _squeezes(15.0, 3)
    memory, parts, at = specimen.fresh(), [], 0
    turn = 0
    while at < len(deflection_mm):
        size = cuts[turn % len(cuts)]
        force_n, memory = specimen.respond(memory, deflection_mm[at : at + size], 0.002)
        parts.append(force_n)
        at, turn = at + size, turn + 1
    np.testing.assert_array_equal(np.concatenate(parts), _respond_whole(specimen, deflection_mm, 0.002))


@pytest.mark.parametrize("name", [name for name in SPECIMEN_NAMES if name != "cap"])
def test_nothing_but_a_held_cap_ever_pulls(name: str) -> None:
    assert (_respond_whole(specimen_named(name), _squeezes(20.0, 2), 0.002) >= 0).all()


def test_foam_softens_towards_its_floor_and_no_further() -> None:
    foam = Foam(prony=Prony(), set_share=0.0, softening_floor=0.8)
    force_n = _respond_whole(foam, _squeezes(22.5, 12), 0.002).reshape(12, -1).max(axis=1)
    assert (np.diff(force_n) < 0).all()
    assert force_n[-1] / force_n[0] == pytest.approx(0.8, abs=1e-4)


def _after(foam: Foam, depth_mm: float, times: int, rest_s: float):
    memory = foam.fresh()
    _, memory = foam.respond(memory, _squeezes(depth_mm, times, 1), 0.002)
    _, memory = foam.respond(memory, np.full(1000, -5.0), rest_s / 1000)
    return foam.lost_height_mm(memory)


def test_set_grows_with_depth_and_with_squeezes() -> None:
    foam = Foam()
    assert _after(foam, 10, 1, 1.0) < _after(foam, 20, 1, 1.0) < _after(foam, 20, 5, 1.0)


def test_set_recovers_with_time_but_not_all_of_it() -> None:
    foam = Foam()
    soon, later, last = (_after(foam, 20, 1, rest_s) for rest_s in (0.1, 60.0, 1e6))
    growth_mm = foam.set_share * 90 * (20 / 90) ** foam.set_exponent
    assert soon > later > last
    assert last == pytest.approx(foam.set_stays * growth_mm, rel=1e-4)


def test_a_standard_linear_solid_holds_its_lasting_stiffness_in_the_end() -> None:
    solid = StandardLinearSolid(lasting_n_per_mm=2.0, relaxing_n_per_mm=1.0, time_s=0.5)
    force_n = _respond_whole(solid, np.concatenate([np.linspace(0, 5, 10), np.full(10_000, 5.0)]), 0.001)
    assert force_n[-1] == pytest.approx(10.0, abs=1e-6)


@pytest.mark.parametrize("name", ["spring", "sphere", "foam"])
def test_travel_is_deflection_plus_what_the_frame_gives(name: str) -> None:
    specimen, compliance = specimen_named(name), 0.01
    travel_mm = _squeezes(15.0, 2)
    answer = squeeze(specimen, specimen.fresh(), travel_mm, 0.002, compliance)
    np.testing.assert_allclose(answer.deflection_mm + compliance * answer.force_n, travel_mm, atol=1e-10)
    assert answer.force_n.max() < _respond_whole(specimen, travel_mm, 0.002).max()


def test_a_spring_in_a_soft_frame_acts_as_two_springs_in_series() -> None:
    answer = squeeze(LinearSpring(4.0), None, np.array([10.0]), 0.001, 0.05)
    assert answer.force_n[0] == pytest.approx(10.0 / (1 / 4.0 + 0.05), rel=1e-12)


def test_a_soft_frame_is_refused_for_a_specimen_that_follows_speed() -> None:
    dashpot = specimen_named("spring-dashpot")
    with pytest.raises(InputError, match="force follows speed"):
        squeeze(dashpot, dashpot.fresh(), np.zeros(1), 0.001, 0.01)


def test_an_unknown_name_is_refused_with_those_that_are_known() -> None:
    with pytest.raises(InputError, match=r"'brick'.*spring, sphere, ring, foam"):
        specimen_named("brick")


def test_sphere_and_ring_take_5_to_50_newtons_at_10_mm() -> None:
    for name in ("sphere", "ring"):
        force_n = _respond_whole(specimen_named(name), np.array([10.0]), 0.001)[0]
        assert math.isfinite(force_n) and 5 <= force_n <= 50
