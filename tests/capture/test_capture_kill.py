"""A recorder that is killed, or whose disk is full, keeps all that it had handed over."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from capture_makers import assert_same, made_header, made_samples

from rig.capture import CaptureWriter, open_capture
from rig.errors import RecorderError

posix_only = pytest.mark.skipif(os.name != "posix", reason="signals and limits of a POSIX system")

HERE = str(Path(__file__).parent)

# Writes batches of changing size without an end, and says after each flush how many samples are safe.
ENDLESS_WRITER = """
import sys
from pathlib import Path
from capture_makers import made_header, made_samples
from rig.capture import CaptureWriter
writer = CaptureWriter.create(Path(sys.argv[1]), made_header())
first = 0
while True:
    size = 1 + (first * 7919) % 3000
    writer.append(made_samples(size, first=first))
    first += size
    if first % 3:
        writer.flush()
        print(first, flush=True)
"""

# Writes until a limit on the size of files stands in for a full disk.
LIMITED_WRITER = """
import resource, sys
from pathlib import Path
from capture_makers import made_header, made_samples
from rig.capture import CaptureWriter
from rig.errors import RecorderError
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]), int(sys.argv[2])))
writer = CaptureWriter.create(Path(sys.argv[1]), made_header())
try:
    for first in range(0, 1_000_000, 500):
        writer.append(made_samples(500, first=first))
except RecorderError as refusal:
    print(refusal)
    sys.exit(3)
"""


def python(code: str, *arguments: str) -> subprocess.Popen[str]:
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([HERE, str(Path(HERE).parents[1])])}
    command = [sys.executable, "-c", code, *arguments]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)


@posix_only
@pytest.mark.parametrize("seed", range(5))
def test_a_killed_recorder_loses_nothing_that_was_flushed(tmp_path: Path, seed: int) -> None:
    reports = random.Random(seed).randint(1, 40)
    with python(ENDLESS_WRITER, str(tmp_path)) as process:
        assert process.stdout is not None
        safe = [int(process.stdout.readline()) for _ in range(reports)][-1]
        (path,) = tmp_path.iterdir()
        assert open_capture(path).how_it_ended == "still recording"
        process.send_signal(signal.SIGKILL)
        rest = process.stdout.read().split("\n")[:-1]
    safe = int(rest[-1]) if rest else safe
    capture = open_capture(path)
    assert capture.how_it_ended.startswith("killed")
    samples = capture.samples()
    assert len(samples) >= safe
    np.testing.assert_array_equal(samples.seq, np.arange(len(samples)))
    np.testing.assert_array_equal(samples.position, np.arange(len(samples)))
    assert all("unfinished" in damage.lost for damage in capture.damage)


def assert_ended_by_a_full_disk(path: Path) -> None:
    capture = open_capture(path)
    assert capture.how_it_ended == "disk full"
    assert capture.ending is not None
    samples = capture.samples()
    assert len(samples) == capture.ending.samples > 0
    np.testing.assert_array_equal(samples.position, np.arange(len(samples)))
    assert capture.ending.unwritten_samples > 0
    assert capture.damage == ()
    assert capture.events()[-1]["reason"] == "disk full"
    assert not (path / "reserve").exists()


@posix_only
@pytest.mark.parametrize("limit", [150_000, 333_333])
def test_a_file_that_may_not_grow_ends_the_capture_in_words(tmp_path: Path, limit: int) -> None:
    with python(LIMITED_WRITER, str(tmp_path), str(limit)) as process:
        assert process.stdout is not None
        said = process.stdout.read()
        assert process.wait() == 3
    assert "disk full" in said
    (path,) = tmp_path.iterdir()
    assert_ended_by_a_full_disk(path)


# As above for the file of events, whose last line the limit cuts.
LIMITED_EVENTS = """
import resource, sys
from pathlib import Path
from capture_makers import made_header
from rig.capture import CaptureWriter
from rig.errors import RecorderError
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]), int(sys.argv[2])))
writer = CaptureWriter.create(Path(sys.argv[1]), made_header())
try:
    while True:
        writer.event("warning", text=1000 * "x")
except RecorderError:
    sys.exit(3)
"""


@posix_only
def test_an_event_that_no_longer_fits_takes_no_other_with_it(tmp_path: Path) -> None:
    # After the first line, lines of some 1090 bytes: of 100 000 bytes the last one gets about half.
    with python(LIMITED_EVENTS, str(tmp_path), "100000") as process:
        assert process.wait() == 3
    (path,) = tmp_path.iterdir()
    capture = open_capture(path)
    assert capture.damage == ()
    kinds = [event["kind"] for event in capture.events()]
    assert kinds[-2:] == ["warning", "ended"]


def test_a_line_that_a_power_cut_tore_takes_no_later_one_with_it(tmp_path: Path) -> None:
    writer = CaptureWriter.create(tmp_path, made_header())
    writer.rows([{"cycle": 1}])
    writer._opened.close()  # the recorder is gone, without an end
    for name in ("events.jsonl", "summary.jsonl"):
        whole = (writer.path / name).read_bytes()
        (writer.path / name).write_bytes(whole[:-5])
    resumed = CaptureWriter.resume(writer.path)
    resumed.rows([{"cycle": 2}])
    resumed.end("done")
    capture = open_capture(writer.path)
    assert [event["kind"] for event in capture.events()] == ["resumed", "ended"]
    assert list(capture.summary_rows()) == [{"cycle": 2}]
    assert [damage.lost for damage in capture.damage] == [
        "1 damaged lines of events",
        "1 damaged rows of the summary",
    ]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 1 MiB in memory, for those who may mount one."""
    if not sys.platform.startswith("linux") or os.geteuid() != 0:
        pytest.skip("mounting a small disk needs Linux and root")
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)], check=False)
    if mounted.returncode != 0:
        pytest.skip("this system does not let a small disk be mounted")
    yield disk
    subprocess.run(["umount", str(disk)], check=True)


def test_a_disk_that_is_really_full_keeps_what_was_written_and_its_end(small_disk: Path) -> None:
    writer = CaptureWriter.create(small_disk, made_header())
    with pytest.raises(RecorderError, match="disk full after"), writer:
        for first in range(0, 1_000_000, 4096):
            writer.append(made_samples(4096, first=first))
    assert_ended_by_a_full_disk(writer.path)
    with pytest.raises(RecorderError, match=r"cannot be begun|disk full"):
        for _ in range(100):
            CaptureWriter.create(small_disk, made_header()).end("done")


class _FailingFile:
    """A file whose disk fails half-way through a write."""

    def __init__(self, file: object) -> None:
        self._file = file

    def __getattr__(self, name: str) -> object:
        return getattr(self._file, name)

    def write(self, data: memoryview) -> int:
        if len(data) > 1000:
            return int(self._file.write(data[: len(data) // 2]))  # type: ignore[attr-defined]
        raise OSError(5, "Input/output error")


def test_a_failing_disk_leaves_whole_batches_only(tmp_path: Path) -> None:
    writer = CaptureWriter.create(tmp_path, made_header())
    writer.append(made_samples(4096))
    writer._file = _FailingFile(writer._file)  # type: ignore[assignment]
    with pytest.raises(RecorderError, match="Input/output error"):
        writer.append(made_samples(4096, first=4096))
    capture = open_capture(writer.path)
    assert_same(capture.samples(), made_samples(4096))
    assert capture.damage == ()


def test_a_disk_that_refuses_the_end_leaves_a_file_that_reads_whole(tmp_path: Path) -> None:
    writer = CaptureWriter.create(tmp_path, made_header())
    writer.append(made_samples(4096))
    # A folder in the way of the temporary name makes each attempt at the end fail.
    (writer.path / "end.yaml.tmp").mkdir()
    with pytest.raises(RecorderError, match="disk failed"):
        writer.end("done")
    capture = open_capture(writer.path)
    assert_same(capture.samples(), made_samples(4096))
    assert capture.damage == ()


@posix_only
@pytest.mark.parametrize("what", ["deleted", "moved", "replaced"])
def test_a_capture_that_is_deleted_or_moved_while_it_is_recorded_is_no_recording(
    tmp_path: Path, what: str
) -> None:
    writer = CaptureWriter.create(tmp_path, made_header())
    writer.append(made_samples(4096))
    if what == "deleted":
        shutil.rmtree(writer.path)
    else:
        writer.path.rename(tmp_path / "elsewhere")
    if what == "replaced":
        shutil.copytree(tmp_path / "elsewhere", writer.path)
    with pytest.raises(RecorderError, match="deleted or moved while it was recorded, after 4096 samples"):
        writer.sync()
    assert writer.ended
