"""A contact check on the virtual rig, over a real pseudo-terminal: where the force was felt, however late."""

import os
import threading

import pytest

if os.name != "posix":
    pytest.skip("the virtual rig needs pseudo-terminals", allow_module_level=True)

from delivering import CALIBRATION
from height_runs import LIMITS, SILENCE_S, driven

from rig.jobs import Watch
from rig.jobs.driving import Driver
from rig.reader import PortAddress, Reader
from rig.virtual import Chain, LinearSpring

STIFFNESS_N_PER_MM = 3.0
MET_MM = 12.0
SPEED_MM_PER_S = 2.0
CONVERSIONS_PER_S = 20.0
LATE_S = 0.05
CONTACT_CHECKS = 12


def test_a_contact_check_told_of_before_its_sample_is_found_each_time(tmp_path, monkeypatch):
    """20 conversions a second that come 50 ms late: the end of the motion often comes before its sample."""
    monkeypatch.setattr("rig.jobs.driving.QUIET_S", SILENCE_S)
    slow = Chain(conversions_per_s=CONVERSIONS_PER_S, force_delay_s=LATE_S)
    watch = Watch(threading.Event(), lambda text: None, lambda step, done: None)
    with (
        driven(tmp_path, LinearSpring(STIFFNESS_N_PER_MM, 30.0), MET_MM, chain=slow) as (_, port),
        Reader(PortAddress(path=port.path), "framed", rate_hz=500.0, lock_places=[tmp_path]) as reader,
    ):
        driver = Driver(reader, CALIBRATION, LIMITS, watch)
        driver.make_ready()
        driver.arm()
        felt_mm = []
        for number in range(CONTACT_CHECKS):
            # each gap lets the platen meet the piece at another moment between two conversions
            driver.move_to(MET_MM - 1.0 - 0.037 * number, 10.0, "away")
            felt_mm.append(driver.check_contact(1.0, SPEED_MM_PER_S, "contact check"))
        driver.leave()
    true_mm = MET_MM + 1.0 / STIFFNESS_N_PER_MM
    # the platen goes on while a conversion is made, is late, and is told of
    latest_mm = true_mm + SPEED_MM_PER_S * (2 / CONVERSIONS_PER_S + LATE_S + 0.05)
    assert all(true_mm - 0.01 < each < latest_mm for each in felt_mm), felt_mm
