"""A recording stops when it should, keeps what was delivered, and leaves nothing behind."""

import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from delivering import CALIBRATION, HandedOver, delivery, header_of, virtual_rig

from rig.calibration import Calibration
from rig.capture import open_capture, writing
from rig.errors import DeviceError, RecorderError
from rig.jobs import Bench, StopRule, Watch, record, recording
from rig.reader import PortAddress, Reader
from rig.rigfile import RigFile

PATIENCE_S = 10.0
"""Far longer than anything here takes; a test that waits this long has failed."""

on_posix = pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")


def recorded(reader, parent, *, stop=None, stopped=None, calibration=CALIBRATION, tell=lambda done: None):
    watch = Watch(stopped or threading.Event(), ask=str, tell=lambda step, done: tell(done))
    bench = Bench(reader, RigFile("test rig", calibration=calibration), parent / "captures", watch)
    return record(bench, header_of, stop or StopRule())


def told_to_stop():
    stopped = threading.Event()
    stopped.set()
    return stopped


@on_posix
def test_it_stops_after_so_many_seconds_of_device_time(tmp_path):
    with virtual_rig(tmp_path) as (_, reader):
        result = recorded(reader, tmp_path, stop=StopRule(seconds=3.0))
    assert (result.reason, result.failed) == ("3 s", False)
    samples = open_capture(result.path).samples()
    assert (samples.time_us[-1] - samples.time_us[0]) / 1e6 >= 3.0
    assert result.progress.seconds == pytest.approx(
        (samples.time_us[-1] - samples.time_us[0]) / 1e6, abs=1e-9
    )


@on_posix
@pytest.mark.parametrize("calibration", [CALIBRATION, Calibration()], ids=["calibrated", "in counts"])
def test_it_stops_after_so_many_cycles(tmp_path, calibration):
    with virtual_rig(tmp_path, cycles=5, speed_up=20.0) as (_, reader):
        result = recorded(reader, tmp_path, stop=StopRule(cycles=2), calibration=calibration)
    assert (result.reason, result.failed) == ("2 cycles", False)
    # one more may close while the reader is being stopped
    assert result.progress.cycles in (2, 3)


@on_posix
def test_it_stops_when_it_is_told_to(tmp_path):
    stopped = threading.Event()
    with virtual_rig(tmp_path, speed_up=50.0) as (_, reader):
        result = recorded(reader, tmp_path, stopped=stopped, tell=lambda done: done.samples and stopped.set())
    assert (result.reason, result.failed) == ("stopped", False)
    assert open_capture(result.path).how_it_ended == "stopped"


@on_posix
def test_what_was_sent_is_in_the_capture_sample_for_sample(tmp_path):
    with virtual_rig(tmp_path) as (rig, reader):
        result = recorded(reader, tmp_path, stop=StopRule(seconds=2.0))
    samples = open_capture(result.path).samples()
    assert result.progress.samples == len(samples) > 1000
    for name in ("seq", "time_us", "force", "position"):
        sent = np.concatenate([getattr(block, name) for block in rig.sent])
        np.testing.assert_array_equal(getattr(samples, name), sent[: len(samples)], err_msg=name)


@on_posix
def test_what_happened_on_the_link_is_among_the_events(tmp_path):
    with virtual_rig(tmp_path) as (_, reader):
        result = recorded(reader, tmp_path, stop=StopRule(seconds=1.0))
    kinds = [json.loads(line)["kind"] for line in (result.path / "events.jsonl").read_text().splitlines()]
    assert kinds[0] == "started"
    assert kinds[-1] == "ended"
    assert {"opened", "identified", "streaming"} <= set(kinds)


@on_posix
def test_the_captures_end_holds_the_decoders_account(tmp_path):
    with virtual_rig(tmp_path) as (_, reader):
        result = recorded(reader, tmp_path, stop=StopRule(seconds=1.0))
    tallies = open_capture(result.path).ending.tallies
    assert tallies["wire"]["bad_crc"] == 0
    assert "clock" in tallies


@on_posix
def test_afterwards_the_readers_thread_has_ended_and_the_port_is_free(tmp_path):
    with virtual_rig(tmp_path) as (_, reader):
        recorded(reader, tmp_path, stop=StopRule(seconds=1.0))
        assert [each.name for each in threading.enumerate() if each.name == "rig-reader"] == []
        assert list((tmp_path / "locks").iterdir()) == []


def test_a_rig_that_cannot_be_opened_leaves_no_capture(tmp_path):
    absent = Reader(PortAddress(path=str(tmp_path / "absent")), "framed", lock_places=[tmp_path])
    with pytest.raises(DeviceError, match="there is no such port"):
        recorded(absent, tmp_path)
    assert not (tmp_path / "captures").exists()


def test_a_capture_that_cannot_be_begun_closes_the_reader(tmp_path):
    (tmp_path / "captures").write_text("a file stands where the folder should be")
    reader = HandedOver([])
    with pytest.raises(RecorderError, match="no capture can be started here"):
        recorded(reader, tmp_path)
    assert (reader.entered, reader.left) == (1, 1)


def test_what_the_reader_had_received_when_it_was_stopped_is_written_too(tmp_path):
    reader = HandedOver([], [delivery(0, 600), delivery(600, 50), delivery(650, 7)])
    result = recorded(reader, tmp_path, stopped=told_to_stop())
    np.testing.assert_array_equal(open_capture(result.path).samples().seq, np.arange(657))
    assert result.progress.seconds == pytest.approx(0.656)


def test_a_capture_goes_no_further_than_the_seconds_asked_for(tmp_path):
    reader = HandedOver([delivery(0, 300), delivery(300, 300)], [delivery(600, 50)])
    result = recorded(reader, tmp_path, stop=StopRule(seconds=0.5))
    np.testing.assert_array_equal(open_capture(result.path).samples().seq, np.arange(501))
    assert result.progress.seconds == pytest.approx(0.5)


def test_events_without_samples_are_recorded_with_their_fields(tmp_path):
    gap = ("gap", {"after_seq": 9, "missing": 3})
    result = recorded(HandedOver([], [delivery(0, 0, gap)]), tmp_path, stopped=told_to_stop())
    (event,) = [each for each in open_capture(result.path).events() if each["kind"] == "gap"]
    assert (event["after_seq"], event["missing"]) == (9, 3)


def test_silence_ends_the_capture_as_a_failure_and_keeps_what_came(tmp_path, monkeypatch):
    monkeypatch.setattr(recording, "SILENCE_S", 0.05)
    result = recorded(HandedOver([delivery(0, 100)]), tmp_path)
    assert result.failed
    assert result.reason.startswith("no sample for")
    assert len(open_capture(result.path).samples()) == 100


def test_events_alone_do_not_break_the_silence(tmp_path, monkeypatch):
    monkeypatch.setattr(recording, "SILENCE_S", 0.05)
    reader = HandedOver([delivery(0, 10)])
    chatter = delivery(0, 0, ("note", {"text": "still here"}))
    deadline_s = time.monotonic() + PATIENCE_S

    def still_here(timeout_s):
        assert time.monotonic() < deadline_s, "the recording went on"
        return None if reader.left else chatter

    monkeypatch.setattr(reader, "get", still_here)
    assert recorded(reader, tmp_path).failed


def test_the_reading_threads_failure_ends_the_capture_and_is_told(tmp_path, monkeypatch):
    reader = HandedOver([])

    def broken(timeout_s):
        raise DeviceError("port: it broke")

    monkeypatch.setattr(reader, "get", broken)
    with pytest.raises(DeviceError, match="it broke"):
        recorded(reader, tmp_path)
    (path,) = (tmp_path / "captures").iterdir()
    assert "it broke" in open_capture(path).how_it_ended


class _FullDisk:
    """Refuses samples files from some length on, as a full disk does."""

    def __init__(self, monkeypatch, length):
        whole = writing.append_whole

        def put(file, data):
            if file.name.endswith(".arrow") and file.tell() + len(data) > length and len(data) > 100:
                raise OSError(28, "No space left on device")
            whole(file, data)

        monkeypatch.setattr(writing, "append_whole", put)


def test_a_disk_that_fills_up_ends_the_capture_as_a_failure(tmp_path, monkeypatch):
    _FullDisk(monkeypatch, 120_000)
    result = recorded(HandedOver([delivery(500 * k, 500) for k in range(100)]), tmp_path)
    assert result.failed
    assert "disk full" in result.reason
    kept = open_capture(result.path)
    assert kept.how_it_ended == "disk full"
    assert len(kept.samples()) == result.progress.samples > 0


def test_a_disk_that_is_full_at_the_last_moment_is_a_failure_too(tmp_path, monkeypatch):
    _FullDisk(monkeypatch, 20_000)
    late = [delivery(3000 * k, 3000) for k in range(10)]
    result = recorded(HandedOver([], late), tmp_path, stopped=told_to_stop())
    assert result.failed
    assert "disk full" in result.reason
    assert open_capture(result.path).how_it_ended == "disk full"


FULL = """
import resource, sys, threading
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from delivering import CALIBRATION, header_of, virtual_rig
from rig.jobs import Bench, StopRule, Watch, record
from rig.rigfile import RigFile
folder = Path(sys.argv[2])
with virtual_rig(folder, cycles=40, rate_hz=2000.0) as (_, reader):
    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))
    watch = Watch(threading.Event(), ask=str, tell=lambda step, done: None)
    bench = Bench(reader, RigFile("test rig", calibration=CALIBRATION), folder / "captures", watch)
    result = record(bench, header_of, StopRule(seconds=60.0))
assert not [each for each in threading.enumerate() if each.name == "rig-reader"]
print(result.failed, result.progress.samples, result.path, sep="\\n")
"""


@on_posix
def test_a_rig_whose_files_may_not_grow_is_stopped_and_what_came_before_is_kept(tmp_path):
    run = subprocess.run(
        [sys.executable, "-c", FULL, str(Path(__file__).parent), str(tmp_path)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    failed, count, path = run.stdout.splitlines()
    assert failed == "True"
    assert len(open_capture(path).samples()) == int(count) > 1000
    assert open_capture(path).ending.reason.startswith("disk")


def test_progress_is_told_while_it_lasts(tmp_path, monkeypatch):
    monkeypatch.setattr(recording, "PROGRESS_S", 0.0)
    told = []
    recorded(
        HandedOver([delivery(100 * k, 100) for k in range(5)]), tmp_path, stop=StopRule(seconds=0.45),
        tell=told.append,
    )  # fmt: skip
    seconds = [each.seconds for each in told]
    np.testing.assert_allclose(seconds, [0.099, 0.199, 0.299, 0.399, 0.45])
