"""After a trip a person has the platen taken away: slowly, away, and with the rig disarmed behind it."""

import os
import threading
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the virtual rig needs pseudo-terminals", allow_module_level=True)

from attended import wait_until
from delivering import CALIBRATION

from rig.errors import DeviceError
from rig.jobs import Bench, Watch
from rig.jobs.driving import Driver, MethodStoppedError
from rig.jobs.releasing import perform_release
from rig.methods import RigLimits
from rig.reader import PortAddress, Reader
from rig.rigfile import RigFile
from rig.virtual import LinearSpring, VirtualPort, VirtualRig
from rig.wire import EventCode, StateFlag

LIMITS = RigLimits((1.0, 60.0), 20.0, (-5.0, 30.0), 200.0, 500.0, 0.0, 500.0)
"""30 N are reached 10 mm past the contact at 20 mm."""


def watch(stopped=None):
    return Watch(stopped or threading.Event(), lambda text: None, lambda step, done: None)


def bench_of(reader):
    """A release makes no capture, so the folder is none."""
    return Bench(reader, RigFile("test rig", calibration=CALIBRATION), Path(os.devnull), watch())


@pytest.fixture
def tripped(tmp_path):
    """A rig that has stopped by its own force limit, and a reader of it."""
    rig = VirtualRig(LinearSpring(3.0, 60.0), scripted=False, rate_hz=500.0)
    (tmp_path / "locks").mkdir()
    address = PortAddress(path=str(tmp_path / "rig"))
    with (
        VirtualPort(rig, tmp_path / "rig", 10.0),
        Reader(address, "framed", rate_hz=500.0, lock_places=[tmp_path / "locks"]) as reader,
    ):
        driver = Driver(reader, CALIBRATION, LIMITS, watch())
        driver.make_ready()
        driver.arm()
        with pytest.raises(MethodStoppedError):
            driver.move_to(40.0, 10.0, "press")
        driver.leave()
        if not rig.device.drive.stop_cause:
            # the host was quicker than the device; a stop is needed all the same
            rig.device.fail(EventCode.FORCE_TRIP)
        # a stop is told before the platen has braked
        wait_until(lambda: StateFlag.MOVING not in rig.device.state().flags)
        yield rig, reader


def test_the_platen_is_taken_away_and_the_rig_is_disarmed(tripped):
    rig, reader = tripped
    before_mm = rig.device.machine.position_mm
    said = perform_release(bench_of(reader), LIMITS, away_mm=8.0)
    assert "8.0 mm further away" in said
    assert rig.device.machine.position_mm == pytest.approx(before_mm - 8.0, abs=0.1)
    assert rig.device.drive.stop_cause is None
    assert StateFlag.ARMED not in rig.device.state().flags


def test_it_goes_no_further_than_the_travel_allows(tripped):
    rig, reader = tripped
    perform_release(bench_of(reader), LIMITS, away_mm=500.0)
    assert rig.device.machine.position_mm == pytest.approx(LIMITS.travel_mm[0], abs=0.1)


def test_without_a_latched_stop_nothing_moves(tripped):
    rig, reader = tripped
    perform_release(bench_of(reader), LIMITS)
    before_mm = rig.device.machine.position_mm
    assert "nothing moved" in perform_release(bench_of(reader), LIMITS)
    assert rig.device.machine.position_mm == before_mm


def test_while_the_emergency_stop_is_open_nothing_is_released(tripped):
    rig, reader = tripped
    rig.device.drive.emergency_stop_open = True
    before_mm = rig.device.machine.position_mm
    with pytest.raises(DeviceError):
        perform_release(bench_of(reader), LIMITS)
    assert rig.device.machine.position_mm == before_mm


def test_a_part_that_presses_beyond_the_limits_is_released_although_no_stop_is_latched(tripped):
    """The host has halted it and the device latched nothing: no other command takes such a platen away."""
    rig, reader = tripped
    rig.device.drive.stop_cause = None
    before_mm = rig.device.machine.position_mm
    rig.device.machine._contact_mm -= 4.0
    said = perform_release(bench_of(reader), LIMITS, away_mm=8.0)
    assert "8.0 mm further away" in said
    assert rig.device.machine.position_mm == pytest.approx(before_mm - 8.0, abs=0.1)
    assert StateFlag.ARMED not in rig.device.state().flags
