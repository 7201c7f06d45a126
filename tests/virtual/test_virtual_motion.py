"""The platen goes where the plan says, and motion is continuous."""

import numpy as np
import pytest

from rig.errors import InputError
from rig.virtual import Plan, make_script
from rig.virtual.trajectory import braking, driven

KINDS = ("driven", "hand", "sine")


@pytest.mark.parametrize("motion", KINDS)
@pytest.mark.parametrize("gap_mm", [2.0, -3.0])
def test_position_is_the_integral_of_speed(motion, gap_mm) -> None:
    script = make_script(Plan(motion=motion, gap_mm=gap_mm, hold_s=0.3), 20.0, seed=4)
    time_s = np.arange(0.0, script.end_s + 0.5, 1e-4)
    position, speed = script.trajectory.positions_mm(time_s), script.trajectory.speeds_mm_per_s(time_s)
    travelled = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * 1e-4)])
    np.testing.assert_allclose(position, position[0] + travelled, atol=0.002)


@pytest.mark.parametrize("motion", KINDS)
def test_a_script_begins_and_ends_at_rest_in_the_gap(motion) -> None:
    script = make_script(Plan(motion=motion), 20.0, seed=1)
    ends = np.array([0.0, 0.99, script.end_s + 1])
    np.testing.assert_allclose(script.trajectory.positions_mm(ends), 18.0, atol=1e-9)
    assert not script.trajectory.speeds_mm_per_s(ends).any()


@pytest.mark.parametrize("motion", ["driven", "sine"])
@pytest.mark.parametrize("gap_mm", [2.0, -3.0])
def test_squeezes_reach_the_depth_and_come_back_to_the_gap(motion, gap_mm) -> None:
    script = make_script(Plan(cycles=4, motion=motion, gap_mm=gap_mm, hold_s=0.2), 20.0, seed=1)
    np.testing.assert_allclose(script.trajectory.positions_mm(script.deepest_s), 30.0, atol=1e-6)
    np.testing.assert_allclose(script.trajectory.positions_mm(script.returns_s), 30.0, atol=1e-6)
    np.testing.assert_allclose(script.trajectory.positions_mm(script.ends_s), 20.0 - gap_mm, atol=1e-6)
    assert len(script.full) == 4


def test_a_dwell_stands_still_for_its_time() -> None:
    script = make_script(Plan(hold_s=0.7), 20.0, seed=1)
    np.testing.assert_allclose(script.returns_s - script.deepest_s, 0.7, atol=1e-9)
    inside_s = np.linspace(script.deepest_s[2], script.returns_s[2], 50)
    np.testing.assert_allclose(script.trajectory.positions_mm(inside_s), 30.0, atol=1e-9)


def test_a_driven_stroke_holds_its_speed_and_acceleration() -> None:
    path = driven(0.0, [(10.0, 0.0)], speed_mm_per_s=5.0, acceleration_mm_per_s2=50.0)
    time_s = np.linspace(0, path.end_s, 10_001)
    speed = path.speeds_mm_per_s(time_s)
    assert speed.max() == pytest.approx(5.0)
    assert path.end_s == pytest.approx(10.0 / 5.0 + 5.0 / 50.0)
    assert np.abs(np.diff(speed)).max() / (time_s[1] - time_s[0]) < 50.1


def test_a_short_stroke_never_reaches_full_speed() -> None:
    path = driven(3.0, [(2.9, 0.0)], speed_mm_per_s=50.0, acceleration_mm_per_s2=100.0)
    assert path.end_s == pytest.approx(2 * np.sqrt(0.1 / 100.0))
    assert path.positions_mm(np.array([path.end_s]))[0] == pytest.approx(2.9)


@pytest.mark.parametrize("speed", [8.0, -8.0])
def test_braking_stops_within_speed_over_deceleration(speed) -> None:
    path = braking(1.0, 5.0, speed, 100.0)
    assert path.end_s == pytest.approx(1.08)
    assert path.positions_mm(np.array([9.0]))[0] == pytest.approx(5.0 + speed * 0.08 / 2)


def test_a_hand_presses_unevenly_and_sometimes_half() -> None:
    script = make_script(Plan(cycles=60, motion="hand"), 20.0, seed=2)
    depth_mm = script.trajectory.positions_mm(script.deepest_s) - 20.0
    assert (depth_mm[script.full] > 8.9).all()
    assert (depth_mm[~script.full] < 6.1).all()
    assert 2 < np.count_nonzero(~script.full) < 25
    speed = script.trajectory.speeds_mm_per_s(np.arange(script.begins_s[0], script.deepest_s[0], 0.005))
    assert np.std(speed) > 1.0


def test_a_hand_repeats_with_its_seed_and_differs_with_another() -> None:
    time_s = np.linspace(0, 10, 1000)
    paths = [
        make_script(Plan(motion="hand"), 20.0, seed).trajectory.positions_mm(time_s) for seed in (1, 1, 2)
    ]
    np.testing.assert_array_equal(paths[0], paths[1])
    assert np.abs(paths[0] - paths[2]).max() > 0.1


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ({"cycles": 0}, "cycles: found 0"),
        ({"depth_mm": -1.0}, "depth_mm: found -1.0"),
        ({"speed_mm_per_s": 0.0}, "speed_mm_per_s"),
        ({"gap_mm": -10.0}, "gap_mm"),
        ({"rest_s": float("nan")}, "rest_s"),
        ({"motion": "robot"}, "driven, hand or sine"),
        ({"motion": "hand", "cycles": 6000}, "at most 5000"),
    ],
)
def test_a_plan_that_makes_no_sense_is_refused_in_words(setting, words) -> None:
    with pytest.raises(InputError, match=words):
        Plan(**setting)
