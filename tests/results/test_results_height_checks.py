"""Contact checks read from a recording: the clock is no matter of where platens meet."""

import numpy as np
import pytest

from rig.capture import CaptureHeader
from rig.errors import InputError
from rig.results import checked_surface
from rig.samples import RawChannel, Samples

CONTACT_N, TOP_N = 0.05, 3.0
MET_MM, STIFFNESS_N_PER_MM = 8.0, 3.0
NOISE_N = 0.002


def recording(ways_mm, clock):
    """Slow contact checks of a spring from several distances, while the force zero drifts by 0.02 N."""
    ways = []
    for way_mm in ways_mm:
        inward = np.linspace(MET_MM - way_mm, MET_MM + 1.6, round((way_mm + 1.6) / 0.002))
        ways += [np.full(300, MET_MM - way_mm), inward, inward[::-1]]
    x_mm = np.concatenate(ways)
    number = np.arange(len(x_mm), dtype=np.int64)
    noise_n = np.random.default_rng(3).normal(0.0, NOISE_N, len(x_mm))
    force_n = np.maximum(STIFFNESS_N_PER_MM * (x_mm - MET_MM), 0.0) + noise_n + 0.02 * number / len(x_mm)
    time_us = number if clock == "none" else 2000 * number
    channels = RawChannel("N", 0.0), RawChannel("mm", 0.0)
    return Samples(number, time_us, force_n, x_mm, np.zeros(len(x_mm), np.uint8), *channels, clock)


def checks_of(samples, contact_n=CONTACT_N):
    header = CaptureHeader(
        specimen="F-90-007",
        force=samples.force_channel,
        position=samples.position_channel,
        clock=samples.clock,
    )
    return checked_surface("here", header, [], [samples], surface="piece", forces_n=(contact_n, TOP_N))


@pytest.mark.parametrize("clock", ["device", "none"])
@pytest.mark.parametrize("ways_mm", [(2.0, 2.0, 2.0, 2.0), (2.0, 3.0, 2.5, 2.0)])
def test_contact_checks_are_read_where_the_spring_has_both_forces_with_a_clock_and_without(clock, ways_mm):
    found = checks_of(recording(ways_mm, clock))
    assert found.left_out == ()
    for top, force_n in ((False, CONTACT_N), (True, TOP_N)):
        checks = found.contact_checks(top=top)
        assert len(checks) == len(ways_mm)
        for check in checks:
            assert check.u_mm < 0.001
            assert check.position_mm == pytest.approx(
                MET_MM + force_n / STIFFNESS_N_PER_MM, abs=4 * max(check.u_mm, 0.0002)
            )


def test_a_recording_without_a_readable_contact_check_is_refused_with_the_reason():
    with pytest.raises(
        InputError, match=r"check of the piece \(contact check 1 \(contact force: found 0.001 N"
    ):
        checks_of(recording((2.0, 2.0), "device"), contact_n=0.001)
