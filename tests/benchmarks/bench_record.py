"""`pressrig record` at a high rate through a pseudo-terminal: its losses, and its share of a core.

Run by hand: `python tests/benchmarks/bench_record.py [RATE_HZ] [SECONDS]`. A device that talks and never
listens sends presses at its rate, made before; cycles are counted while recording. Beside it stands a plain
way: decoding the same samples from memory and writing them as one Arrow file.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
import tty
from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import feather

from rig.capture import open_capture
from rig.wire import FrameDecoder, SampleBlock, encode_samples

PRESSRIG = Path(sys.executable).with_name("pressrig")
RIG = """
name: bench
wire: {format: framed}
force: {per_count: "1 mN"}
position: {per_count: "5 um"}
"""
CYCLE_S = 2.0
WRITES_PER_S = 100
MOST_LATE_S = 0.1
"""A sender that waited longer, for the port to be opened or for the machine, does not make up for it."""

SPARE_S = 20.0
"""Sent beyond the seconds that are recorded."""


def presses(rate_hz: float, seconds: float) -> bytes:
    """A spring pressed every two seconds, as frames."""
    rng = np.random.default_rng(90)
    rows = np.arange(int(rate_hz * seconds))
    position_mm = 24.0 * np.abs((rows / rate_hz / CYCLE_S) % 1.0 - 0.5) * -2.0 + 20.0
    force_n = 2.0 * np.maximum(position_mm, 0.0) + rng.normal(0, 0.01, len(rows))
    return encode_samples(
        SampleBlock(
            seq=rows & 0xFFFF,
            time_us=np.rint(rows * 1e6 / rate_hz).astype(np.int64) & 0xFFFFFFFF,
            force=np.rint(force_n / 0.001).astype(np.int32),
            position=np.rint((position_mm + 20.0) / 0.005).astype(np.int32),
            status=np.full(len(rows), 1 << 6, np.uint8),
        )
    )


def send(stream: bytes, port: int, seconds: float, stop: threading.Event) -> None:
    """Write a stream at its rate, never faster: what a late reader delays stays late."""
    size = len(stream) // int(seconds * WRITES_PER_S)
    due = time.monotonic()
    for start in range(0, len(stream), size):
        stop.wait(max(due - time.monotonic(), 0.0))
        due = max(due, time.monotonic() - MOST_LATE_S) + 1 / WRITES_PER_S
        part = memoryview(stream)[start : start + size]
        while part and not stop.is_set():
            try:
                part = part[os.write(port, part) :]
            except BlockingIOError:
                stop.wait(0.001)
        if stop.is_set():
            return


def recorded(home: Path, stream: bytes, seconds: float, sent_s: float) -> tuple[Path, float]:
    """Record so many seconds; return the capture, and the CPU time in s that it took."""
    ours, device = os.openpty()
    tty.setraw(device)
    os.set_blocking(ours, False)
    stop = threading.Event()
    sender = threading.Thread(target=send, args=(stream, ours, sent_s, stop))
    words = [PRESSRIG, "record", "--rig", home / "rig.yaml", "--port", os.ttyname(device)]
    words += ["--specimen", "F-90", "--out", home / "captures", "--seconds", seconds]
    sender.start()
    process = subprocess.Popen(
        [str(word) for word in words], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    assert process.stdout is not None
    told = process.stdout.read().decode()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    stop.set()
    sender.join()
    os.close(ours)
    os.close(device)
    assert process.returncode == 0, told
    return Path(told.splitlines()[-1]), used.ru_utime + used.ru_stime


def plain_s(stream: bytes, path: Path) -> float:
    """CPU time in s of decoding a stream from memory and writing it."""
    begun, decoder = time.process_time(), FrameDecoder()
    blocks = [decoder.feed(stream[at : at + 4096]).samples for at in range(0, len(stream), 4096)]
    names = ("seq", "time_us", "force", "position", "status")
    columns = {name: np.concatenate([getattr(block, name) for block in blocks]) for name in names}
    feather.write_feather(pa.table(columns), path, compression="uncompressed")
    return time.process_time() - begun


def main() -> None:
    rate_hz, seconds = (float(word) for word in (*sys.argv[1:], *("50000", "20")[len(sys.argv) - 1 :]))
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        (home / "rig.yaml").write_text(RIG, encoding="utf-8")
        sent_s = seconds + SPARE_S
        stream = presses(rate_hz, sent_s)
        _, first_s = recorded(home, stream, 1.0, sent_s)
        begun = time.perf_counter()
        path, whole_s = recorded(home, stream, seconds, sent_s)
        wall_s = time.perf_counter() - begun
        capture = open_capture(path)
        samples = capture.samples()
        lost = int(samples.seq[-1] - samples.seq[0]) + 1 - len(samples)
        length_s = len(samples) / rate_hz
        print(f"{len(samples)} samples at {rate_hz:.0f}/s, {wall_s:.1f} s by the wall: {lost} lost")
        print(
            f"share of a core, without the first second: {100 * (whole_s - first_s) / (length_s - 1):.1f} %"
        )
        print(f"CPU time: {whole_s:.2f} s, of which start-up and the first second {first_s:.2f} s")
        plain = plain_s(stream, home / "plain.arrow") * length_s / sent_s
        print(f"plain way: {100 * plain / length_s:.1f} %")


if __name__ == "__main__":
    main()
