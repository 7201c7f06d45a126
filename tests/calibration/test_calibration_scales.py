"""Counts become newtons and millimetres by the scale that was stated, or are refused in words."""

import numpy as np
import pytest
from raw_tables import counted, scaled

from rig.calibration import Calibration, Delay, Frame, Scale
from rig.errors import InputError
from rig.samples import RawChannel

BOTH = Calibration(Scale(0.001, 200.0), Scale(-0.005, -40.0))


def test_counts_are_taken_from_their_zero_and_multiplied_by_the_size_of_a_count():
    np.testing.assert_allclose(BOTH.force_n(counted([200, 1200, -800], [0, 0, 0])), [0.0, 1.0, -1.0])


def test_a_negative_size_turns_the_sensor_round():
    np.testing.assert_allclose(BOTH.position_mm(counted([0, 0], [-40, -240])), [0.0, 1.0])


def test_the_largest_counts_do_not_overflow():
    ends = [-(2**31), 2**31 - 1]
    force_n = Calibration(Scale(1.0, -1.0), Scale(1.0)).force_n(counted(ends, [0, 0]))
    np.testing.assert_array_equal(force_n, [1.0 - 2.0**31, 2.0**31])


@pytest.mark.parametrize(
    ("unit", "newtons"), [("lbf", 4.4482216152605), ("kgf", 9.80665), ("g", 0.00980665), ("N", 1.0)]
)
def test_a_scaled_force_is_multiplied_by_the_exact_factor(unit, newtons):
    samples = scaled([2.0], [0.0], force_channel=RawChannel(unit, 0.1))
    assert Calibration().force_n(samples)[0] == 2 * newtons


@pytest.mark.parametrize(("unit", "mm"), [("in", 25.4), ("um", 0.001), ("m", 1000.0)])
def test_a_scaled_position_is_multiplied_by_the_exact_factor(unit, mm):
    samples = scaled([0.0], [3.0], position_channel=RawChannel(unit, 0.1))
    assert Calibration().position_mm(samples)[0] == pytest.approx(3 * mm, rel=1e-15)


def test_a_scale_for_counts_leaves_a_scaled_channel_alone():
    samples = scaled([2.0], [3.0])
    assert (BOTH.force_n(samples)[0], BOTH.position_mm(samples)[0]) == (2.0, 3.0)


@pytest.mark.parametrize("channel", ["force", "position"])
def test_counts_without_a_scale_are_refused_with_the_key_that_is_missing(channel):
    convert = getattr(Calibration(), {"force": "force_n", "position": "position_mm"}[channel])
    with pytest.raises(InputError, match=rf"{channel}: recorded in counts.*{channel}: {{per_count: "):
        convert(counted([1], [1]))


def test_resolution_is_that_of_a_count_whichever_way_the_sensor_is_mounted():
    assert BOTH.force_resolution_n(RawChannel()) == 0.001
    assert BOTH.position_resolution_mm(RawChannel()) == 0.005


def test_resolution_of_a_scaled_source_is_converted_with_it():
    assert BOTH.position_resolution_mm(RawChannel("in", 0.001)) == pytest.approx(0.0254, rel=1e-15)


@pytest.mark.parametrize(
    ("calibration", "force_unit", "position_unit", "covered"),
    [
        (Calibration(), "counts", "counts", (False, False)),
        (Calibration(force=Scale(1.0)), "counts", "counts", (True, False)),
        (Calibration(position=Scale(1.0)), "counts", "counts", (False, True)),
        (Calibration(), "lbf", "in", (True, True)),
    ],
)
def test_covers_says_which_channels_can_be_had(calibration, force_unit, position_unit, covered):
    assert calibration.covers(RawChannel(force_unit), RawChannel(position_unit)) == covered


@pytest.mark.parametrize(
    "calibration",
    [Calibration(), BOTH, Calibration(Scale(2.0, 1.0), None, Delay(0.025), Frame.straight(2e-5))],
)
def test_a_calibration_comes_back_from_its_mapping(calibration):
    assert Calibration.from_dict(calibration.as_dict()) == calibration


@pytest.mark.parametrize("nothing", [None, {}])
def test_no_mapping_is_no_calibration(nothing):
    assert Calibration.from_dict(nothing) == Calibration()


@pytest.mark.parametrize(
    "mapping",
    [
        {"force": {"per_count_n": "much"}},
        {"force": {"zero_counts": 3}},
        {"position": 5},
        {"compliance_mm_per_n": [1]},
        {"force": {"per_count_n": float("nan")}},
        {"force": {"per_count_n": 0}},
        {"force": {"per_count_n": 0.001, "range_counts": [1]}},
        {"force_delay_s": float("inf")},
    ],
)
def test_a_mapping_that_is_no_calibration_is_refused_with_its_place(mapping):
    with pytest.raises(InputError, match=r"^capture\.yaml: .*(not a calibration|expected force)"):
        Calibration.from_dict(mapping, where="capture.yaml")


def test_time_is_in_seconds_or_not_a_number_where_there_is_no_clock():
    np.testing.assert_array_equal(BOTH.time_s(counted([0, 0], [0, 0])), [0.0, 0.001])
    assert np.isnan(BOTH.time_s(counted([0, 0], [0, 0], clock="none"))).all()
