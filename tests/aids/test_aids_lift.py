"""Balance, torques and margins of a lift against moments worked out by hand and a Monte Carlo."""

from __future__ import annotations

import json
from math import sqrt

import numpy as np
import pytest

from rig.aids import LiftArm, Weighed, answer_lift
from rig.core.measured import Measured, propagate
from rig.errors import InputError

G = Measured(9.80665)


def pole(**changes: Measured) -> Weighed:
    """A string of floats on its pole: 600 g under the near end, 400 g under the far one, 1200 mm apart."""
    about = {"near_g": Measured(600.0), "far_g": Measured(400.0), "span_mm": Measured(1200.0)}
    return Weighed(**(about | changes))


def test_a_pole_balances_nearer_to_its_heavier_end():
    # moments about the near rest: 1200 x 400 / 1000 = 480 mm
    answer = answer_lift(pole())
    assert answer.mass_g.value == pytest.approx(1000.0)
    assert answer.centre_mm.value == pytest.approx(480.0)


def test_a_rest_set_in_from_the_end_moves_the_centre_with_it():
    assert answer_lift(pole(offset_mm=Measured(25.0))).centre_mm.value == pytest.approx(505.0)


@pytest.mark.parametrize("missing", ["near_g", "far_g"])
def test_the_mass_stands_in_for_either_reading(missing):
    readings = {"near_g": Measured(600.0), "far_g": Measured(400.0)}
    readings.pop(missing)
    answer = answer_lift(Weighed(span_mm=Measured(1200.0), mass_g=Measured(1000.0), **readings))
    assert answer.centre_mm.value == pytest.approx(480.0)


def test_torque_in_the_grip_is_weight_times_distance():
    # 1 kg x 9.80665 m/s^2 x 180 mm = 1765.197 N mm
    answer = answer_lift(pole(), LiftArm(grip_at_mm=Measured(300.0)), G)
    assert answer.torque_n_mm.value == pytest.approx(1765.197)
    other_side = answer_lift(pole(), LiftArm(grip_at_mm=Measured(660.0)), G)
    assert other_side.torque_n_mm.value == pytest.approx(1765.197)


def test_the_joint_carries_the_piece_its_distance_and_the_arm():
    # 9.80665 x (1.0 x (500 + 180) + 0.8 x 220) = 9.80665 x 856 = 8394.492 N mm
    arm = LiftArm(
        grip_at_mm=Measured(300.0),
        length_mm=Measured(500.0),
        mass_g=Measured(800.0),
        centre_mm=Measured(220.0),
    )
    answer = answer_lift(pole(), arm, G)
    assert answer.joint_torque_n_mm.value == pytest.approx(8394.492, abs=0.001)


def test_a_raised_arm_carries_by_the_cosine():
    arm = LiftArm(grip_at_mm=Measured(300.0), length_mm=Measured(500.0), angle_deg=-60.0)
    answer = answer_lift(pole(), arm, G)
    assert answer.torque_n_mm.value == pytest.approx(1765.197 / 2)
    assert answer.joint_torque_n_mm.value == pytest.approx(9.80665 * 680 / 2)


def test_uncertainties_agree_with_a_monte_carlo():
    rng = np.random.default_rng(3)
    stated = {
        "near": (600.0, 2.0), "far": (400.0, 2.0), "span": (1200.0, 3.0), "grip": (300.0, 4.0),
        "length": (500.0, 2.0), "arm": (800.0, 5.0), "arm_at": (220.0, 3.0), "g": (9.81, 0.01),
    }  # fmt: skip
    known = {name: Measured(*pair) for name, pair in stated.items()}
    arm = LiftArm(
        grip_at_mm=known["grip"], length_mm=known["length"], mass_g=known["arm"], centre_mm=known["arm_at"]
    )
    answer = answer_lift(
        pole(near_g=known["near"], far_g=known["far"], span_mm=known["span"]), arm, known["g"]
    )
    d = {name: rng.normal(*pair, 200_000) for name, pair in stated.items()}
    mass = d["near"] + d["far"]
    centre = d["span"] * d["far"] / mass
    grip = mass * d["g"] * np.abs(centre - d["grip"]) / 1000
    joint = grip + d["g"] * (mass * d["length"] + d["arm"] * d["arm_at"]) / 1000
    for found, drawn in (
        (answer.centre_mm, centre), (answer.torque_n_mm, grip), (answer.joint_torque_n_mm, joint),
    ):  # fmt: skip
        assert found.u == pytest.approx(drawn.std(), rel=0.01)
        assert found.value == pytest.approx(drawn.mean(), rel=0.001)


def test_a_piece_held_where_it_balances_keeps_the_uncertainty_of_its_torque():
    # 1 kg x 9.80665 x 5 mm = 49.03 N mm, though |x - p| has no slope there
    answer = answer_lift(pole(), LiftArm(grip_at_mm=Measured(480.0, 5.0), grip_torque_n_mm=Measured(10.0)), G)
    assert answer.torque_n_mm.value == pytest.approx(0.0, abs=1e-9)
    assert answer.torque_n_mm.u == pytest.approx(49.03, rel=1e-3)
    assert answer.grip_margin is None
    assert any("held at its balance point" in each for each in answer.notes)


def test_a_margin_is_what_can_be_held_over_what_must():
    # 3530.394 / 1765.197 = 2; relative uncertainties 0.05 and 20/180 of the distance: 2 x 0.12184
    arm = LiftArm(grip_at_mm=Measured(300.0, 20.0), grip_torque_n_mm=Measured(3530.394, 176.5197))
    answer = answer_lift(pole(), arm, G)
    assert answer.grip_margin.value == pytest.approx(2.0)
    assert answer.grip_margin.u == pytest.approx(2 * sqrt(0.05**2 + (20 / 180) ** 2), rel=1e-6)
    assert answer.enough


def test_a_torque_that_falls_short_is_not_enough():
    arm = LiftArm(grip_at_mm=Measured(300.0), length_mm=Measured(500.0), joint_torque_n_mm=Measured(6000.0))
    answer = answer_lift(pole(), arm, G)
    # 9.80665 x 680 = 6668.5 N mm
    assert answer.joint_margin.value == pytest.approx(6000 / 6668.522, rel=1e-6)
    assert not answer.enough


def test_a_poorly_known_torque_that_falls_short_is_not_passed_over():
    # 9.80665 x 1 mm = 9.8 N mm give or take 49; the grip holds 5
    arm = LiftArm(grip_at_mm=Measured(479.0, 5.0), grip_torque_n_mm=Measured(5.0))
    assert not answer_lift(pole(), arm, G).enough


def test_a_margin_that_may_be_less_than_one_says_so_and_a_sure_one_does_not():
    close = LiftArm(grip_at_mm=Measured(300.0, 20.0), grip_torque_n_mm=Measured(1900.0))
    assert any("two intervals overlap" in each for each in answer_lift(pole(), close, G).notes)
    # 10 +- 49 N mm needed at two standard uncertainties: 108 at most, against 200
    sure = LiftArm(grip_at_mm=Measured(479.0, 5.0), grip_torque_n_mm=Measured(200.0))
    assert not any("two intervals overlap" in each for each in answer_lift(pole(), sure, G).notes)


def test_readings_that_do_not_add_up_to_the_mass_are_told():
    answer = answer_lift(pole(mass_g=Measured(1010.0, 1.0)))
    assert answer.misfit_g.value == pytest.approx(-10.0)
    assert any("add up" in each for each in answer.notes)
    assert not any("add up" in each for each in answer_lift(pole(mass_g=Measured(1001.0, 1.0))).notes)


def test_a_centre_outside_the_rests_is_told():
    answer = answer_lift(Weighed(span_mm=Measured(1200.0), far_g=Measured(1100.0), mass_g=Measured(1000.0)))
    assert any("outside the two supports" in each for each in answer.notes)


@pytest.mark.parametrize(
    ("make", "named"),
    [
        (lambda: Weighed(span_mm=Measured(1200.0), near_g=Measured(600.0)), "two or three"),
        (lambda: pole(span_mm=Measured(0.0)), "span"),
        (lambda: pole(near_g=Measured(-1.0)), "below zero"),
        (lambda: LiftArm(grip_at_mm=Measured(1.0), angle_deg=120.0), "angle"),
        (lambda: LiftArm(grip_at_mm=Measured(1.0), joint_torque_n_mm=Measured(1.0)), "arm's length"),
        (lambda: answer_lift(pole(near_g=Measured(0.0), far_g=Measured(0.0))), "mass of 0 g"),
        (lambda: Measured(float("nan")), "finite"),
        (lambda: Measured(1.0, -1.0), "below zero"),
    ],
)
def test_what_cannot_be_lifted_is_refused_by_name(make, named):
    with pytest.raises(InputError, match=named):
        make()


def test_the_document_is_plain_json_with_formulas_sources_and_limits():
    arm = LiftArm(grip_at_mm=Measured(300.0), length_mm=Measured(500.0), joint_torque_n_mm=Measured(9000.0))
    document = json.loads(json.dumps(answer_lift(pole(), arm).as_dict(), allow_nan=False))
    assert document["enough"] is True
    assert all(each["source"] and each["limits"] for each in document["formulas"])


def test_propagation_adds_independent_parts_in_squares():
    # y = a b: u^2 = (4 x 0.3)^2 + (3 x 0.2)^2 = 1.8
    found = propagate(lambda a, b: a * b, {"a": Measured(3.0, 0.3), "b": Measured(4.0, 0.2)})
    assert (found.value, found.u) == pytest.approx((12.0, sqrt(1.8)))
    assert found.interval() == pytest.approx((12 - 1.959964 * sqrt(1.8), 12 + 1.959964 * sqrt(1.8)))


def test_a_grip_that_can_hold_nothing_has_no_margin():
    weighed = Weighed(span_mm=Measured(400.0), near_g=Measured(600.0), far_g=Measured(400.0))
    arm = LiftArm(grip_at_mm=Measured(100.0), grip_torque_n_mm=Measured(0.0, 1.0))
    found = answer_lift(weighed, arm)
    # the centre lies 160 mm from the near end: 1000 g and 60 mm are 588 N mm
    assert found.grip_margin.value == 0.0
    assert found.grip_margin.u == pytest.approx(1.0 / 588.4, rel=1e-3)
    assert not found.enough
