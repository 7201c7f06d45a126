"""A disk that is slow holds up nobody who drives a platen; one that stands still ends the run."""

import os
import threading
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the press needs pseudo-terminals", allow_module_level=True)

from delivering import delivery
from lies import METHOD, press, run

from rig.capture import open_capture
from rig.errors import RecorderError
from rig.jobs.disk_thread import DiskThread

SLOW_S = 1.0
"""Twice what the device waits for a heartbeat."""


@pytest.fixture
def slow_disk(monkeypatch):
    """Every sync of this process takes this long, in whichever thread it is asked for."""
    sync, never = os.fsync, threading.Event()
    took = []

    def slowly(handle):
        if threading.current_thread().name == "rig-disk":
            never.wait(SLOW_S)
            took.append(handle)
        else:
            assert threading.current_thread() is threading.main_thread()
        sync(handle)

    monkeypatch.setattr("rig.capture.writing.SYNC_AFTER_S", 2.0)
    monkeypatch.setattr(os, "fsync", slowly)
    return took


class _FullDisk:
    """Stands in for a writer whose disk is full: it has ended before it says why."""

    path, samples = Path("capture"), 0

    def __init__(self):
        self.failing, self.seen = threading.Event(), threading.Event()

    @property
    def ended(self):
        if self.failing.is_set() and threading.current_thread() is threading.main_thread():
            self.seen.set()
        return self.failing.is_set()

    def append(self, samples):
        self.failing.set()
        self.seen.wait(10.0)
        raise RecorderError("the disk is full")

    def __exit__(self, *error):
        pass


def test_why_a_disk_failed_is_said_however_soon_it_is_asked(monkeypatch):
    monkeypatch.setattr("rig.jobs.disk_thread.TICK_S", 10.0)
    writer = _FullDisk()
    with DiskThread(writer) as disk:
        disk.append(delivery(0, 5).samples)
        writer.failing.wait(10.0)
        with pytest.raises(RecorderError, match="the disk is full"):
            disk.tick()


def test_a_run_goes_on_while_the_disk_takes_longer_than_the_device_waits(tmp_path, slow_disk):
    assert "press" in METHOD
    with press(tmp_path) as (_, reader):
        result = run(reader, tmp_path)
    assert (result.reason, result.failed) == ("method finished", False)
    assert len(slow_disk) >= 2
    told = [event for event in open_capture(result.path).events() if event["kind"] == "slow disk"]
    assert told
    assert max(event["took_s"] for event in told) >= SLOW_S


def test_a_disk_that_takes_nothing_any_more_ends_the_run(tmp_path, slow_disk, monkeypatch):
    monkeypatch.setattr("rig.jobs.disk_thread.BACKLOG_S", 0.6)
    raises = pytest.raises(RecorderError, match="nothing could be written to disk")
    with press(tmp_path) as (device, reader), raises as raised:
        run(reader, tmp_path)
    assert raised.value.exit_code == 3
    assert not device.armed
    assert device.order is None
    names = {thread.name for thread in threading.enumerate()}
    assert not names & {"rig-disk", "rig-reader"}
