"""The host's own trips: what passes a limit halts once, and nothing else does."""

import re
from dataclasses import replace

import numpy as np
import pytest

from rig.calibration import Scale
from rig.jobs.motion_watch import IntendedMotion
from rig.jobs.tripwire import Tripwire
from rig.methods import RigLimits
from rig.samples import Samples, Status

LIMITS = RigLimits((1.0, 60.0), 20.0, (-5.0, 100.0), 200.0, 500.0, 0.0, 500.0)
"""100 N within 20 ms is the usual largest rise: 5000 N/s."""

STEP_US = 2000


class Halts:
    def __init__(self):
        self.count = 0

    def __call__(self):
        self.count += 1
        return True


def samples(force_n, position_mm=20.0, first=0):
    force = np.asarray(1000 * np.asarray(force_n, float)).astype(np.int32)
    seq = first + np.arange(len(force), dtype=np.int64)
    position = np.broadcast_to(np.asarray(200 * np.asarray(position_mm, float)), force.shape)
    return Samples(seq, seq * STEP_US, force, position.astype(np.int32), np.zeros(len(force), np.uint8))


def wire(limits=LIMITS):
    halts = Halts()
    return Tripwire(Scale(0.001), Scale(0.005), limits, halts), halts


def steady(rise_n_per_s, count=200):
    """A force that rises steadily from zero, sample for sample."""
    return rise_n_per_s * STEP_US / 1e6 * np.arange(count)


def test_a_force_within_the_limits_halts_nothing():
    tripwire, halts = wire()
    tripwire.arm()
    tripwire.look(samples(np.linspace(-4.9, 99.0, 500)))
    assert (halts.count, tripwire.why) == (0, None)


@pytest.mark.parametrize(
    ("force_n", "position_mm", "word"),
    [([0.0, 100.1], 20.0, "above"), ([0.0, -5.1], 20.0, "below"), ([0.0, 0.0], 60.6, "beyond")],
)
def test_a_passed_limit_halts_once_and_says_which(force_n, position_mm, word):
    tripwire, halts = wire()
    tripwire.arm()
    for first in (0, 2, 4):
        tripwire.look(samples(force_n, position_mm, first))
    assert halts.count == 1
    assert word in tripwire.why


def test_a_single_sample_beyond_the_limit_is_enough():
    tripwire, halts = wire()
    tripwire.arm()
    force_n = np.zeros(400)
    force_n[333] = 101.0
    tripwire.look(samples(force_n))
    assert halts.count == 1


def test_a_force_that_rises_faster_than_the_limit_trips_before_it_is_reached():
    tripwire, halts = wire()
    tripwire.arm()
    tripwire.look(samples(steady(5200.0, 8)))
    assert halts.count == 1
    assert "rose" in tripwire.why


def test_a_force_that_rises_a_little_slower_does_not():
    tripwire, halts = wire()
    tripwire.arm()
    tripwire.look(samples(steady(4800.0, 10)))
    assert halts.count == 0


@pytest.mark.parametrize("size", [1, 2, 3, 7])
def test_the_rise_is_seen_however_the_samples_are_cut(size):
    tripwire, halts = wire()
    tripwire.arm()
    force_n = np.concatenate([np.zeros(50), steady(5200.0, 8)])
    for first in range(0, len(force_n), size):
        tripwire.look(samples(force_n[first : first + size], first=first))
    assert halts.count == 1


def test_a_converter_ten_times_slower_than_the_stream_does_not_trip_by_its_steps():
    tripwire, halts = wire()
    tripwire.arm()
    # 300 N/s in steps of ten samples: 6 N at once
    tripwire.look(samples(np.repeat(np.arange(16) * 6.0, 10)))
    assert halts.count == 0


def test_a_stated_largest_rise_goes_before_the_usual_one():
    limits = RigLimits((1.0, 60.0), 20.0, (-5.0, 100.0), 200.0, 500.0, 0.0, 500.0, force_rise_n_per_s=200.0)
    tripwire, halts = wire(limits)
    tripwire.arm()
    tripwire.look(samples(steady(250.0, 30)))
    assert halts.count == 1


def test_before_homing_positions_trip_nothing():
    tripwire, halts = wire()
    tripwire.arm(travel=False)
    tripwire.look(samples([0.0, 0.0], 90.0))
    assert halts.count == 0


def test_while_nothing_may_move_nothing_trips():
    tripwire, halts = wire()
    tripwire.look(samples([500.0]))
    tripwire.arm()
    tripwire.disarm()
    tripwire.look(samples([500.0], first=1))
    assert halts.count == 0


def test_arming_anew_forgets_what_tripped():
    tripwire, halts = wire()
    tripwire.arm()
    tripwire.look(samples([500.0]))
    tripwire.arm()
    assert tripwire.why is None
    tripwire.look(samples([500.0], first=1))
    assert halts.count == 2


STOP, LATCH = int(Status.EMERGENCY_STOP), int(Status.FORCE_TRIP)


def flagged(status, first=0, step_us=STEP_US):
    plain = samples(np.zeros(len(status)), first=first)
    status = np.asarray(status, np.uint8) | np.uint8(Status.FRESH_FORCE)
    return replace(plain, time_us=plain.seq * step_us, status=status)


def standing(*, release=False):
    tripwire, halts = wire()
    tripwire.arm(travel=False, limits=not release)
    tripwire.expect(
        IntendedMotion("release", "release", 2.0, 10.0) if release else IntendedMotion("rest", "stand", 0.0),
        bool,
    )
    return tripwire, halts


def test_a_bit_that_flickers_like_a_loose_contact_halts():
    tripwire, halts = standing()
    tripwire.look(flagged([STOP, 0] * 10))
    assert halts.count == 1
    assert "emergency stop is pressed" in tripwire.why


def test_two_damaged_status_bytes_halt_nothing():
    tripwire, halts = standing()
    tripwire.look(flagged([0] * 10 + [STOP] + [0] * 30 + [STOP] + [0] * 100))
    assert halts.count == 0


def test_a_bit_counts_in_single_samples_of_a_slow_device_too():
    tripwire, halts = standing()
    for number in range(4):
        tripwire.look(flagged([STOP], first=number, step_us=100_000))
    assert halts.count == 1


@pytest.mark.parametrize("bit", [STOP, LATCH])
def test_a_release_bears_with_a_latch_until_its_motion_is_accepted_and_no_longer(bit):
    tripwire, halts = standing(release=True)
    tripwire.look(flagged([bit] * 50))
    assert halts.count == 0
    tripwire.accepted()
    tripwire.look(flagged([bit] * 50, first=50))
    assert halts.count == 1


def held_after(motion_mm, motion_n, then_n):
    """What is said of a part that was met with 1 N at 10 mm, moved to 15 mm, and held there."""
    tripwire, halts = wire()
    tripwire.arm()
    course = IntendedMotion("press", "move", 10.0, 15.0, contact_mm=10.0, contact_n=1.0)
    ended = []
    tripwire.expect(course, lambda: bool(ended))
    tripwire.accepted()
    fresh = np.uint8(Status.FRESH_FORCE)
    noise_n = np.random.default_rng(4).normal(0.0, 0.005, len(motion_n) + len(then_n))
    both = samples(
        np.concatenate([motion_n, then_n]) + noise_n,
        np.concatenate([motion_mm, 15.0 + 0.0 * np.asarray(then_n)]),
    )
    both = replace(both, status=both.status | fresh)
    tripwire.look(both[: len(motion_n)])
    ended.append(True)
    tripwire.look(both[len(motion_n) :])
    return halts.count, tripwire.why


APPROACH_MM, APPROACH_N = np.linspace(9.0, 15.0, 400), np.clip(np.linspace(-5.0, 25.0, 400), 0.0, None)


def test_a_held_part_whose_force_falls_to_nothing_is_gone():
    halts, why = held_after(APPROACH_MM, APPROACH_N, [25.0] * 100 + [0.1] * 2000)
    assert halts == 1
    assert re.search(r"specimen or force lost: 0\.(09|1)", why)
    assert "5.0 mm past the contact" in why


@pytest.mark.parametrize(
    ("motion_mm", "motion_n", "then_n"),
    [
        # a slow foam that keeps a seventh, and a contact check that relaxes below half of its own force
        (APPROACH_MM, APPROACH_N, np.geomspace(25.0, 25.0 / 7, 2000)),
        (APPROACH_MM, APPROACH_N / 20, np.geomspace(1.25, 0.3, 2000)),
        # it goes on falling behind a way out of the part
        (np.linspace(21.0, 15.0, 400), np.linspace(60.0, 25.0, 400), np.geomspace(25.0, 0.01, 2000)),
        # one damaged sample, and one damaged conversion of a slow converter
        (APPROACH_MM, APPROACH_N, [25.0] * 50 + [0.0] + [25.0] * 50),
        (APPROACH_MM, APPROACH_N, [25.0] * 50 + [0.0] * 100 + [25.0] * 50),
    ],
)
def test_a_held_part_that_relaxes_is_there(motion_mm, motion_n, then_n):
    assert held_after(motion_mm, motion_n, then_n) == (0, None)
