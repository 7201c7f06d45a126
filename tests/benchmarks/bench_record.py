"""`pressrig record` at a high rate through a pseudo-terminal: its losses, and its share of a core.

Run by hand on a quiet machine: `python tests/benchmarks/bench_record.py [RATE_HZ] [SECONDS]`. A device of
version 1.1 is asked who it is and for blocks, and sends presses made before, at its rate by the wall's clock.
It waits for nobody: what does not fit into its buffer is dropped, as on hardware. Cycles are counted while
recording. Beside it stands a plain way: decoding the same bytes from memory and writing one Arrow file.
"""

from __future__ import annotations

import os
import select
import subprocess
import sys
import tempfile
import threading
import time
import tty
from contextlib import suppress
from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import feather

from rig.capture import open_capture
from rig.wire import (
    Accepts,
    Capability,
    FrameDecoder,
    Identify,
    Identity,
    Reply,
    SampleBlock,
    StreamAt,
    encode_blocks,
    encode_frame,
)

PRESSRIG = Path(sys.executable).with_name("pressrig")
RIG = """
name: bench
wire: {format: framed}
force: {per_count: "1 mN"}
position: {per_count: "5 um"}
"""
CYCLE_S = 2.0
TURN_S = 0.002
BUFFER_BYTES = 64 * 1024
"""Held for the host, as by a chip of some size: 0.19 s of 50 000 samples/s."""

FRAME_END = b"\x00"

SPARE_S = 20.0
"""Sent beyond the seconds that are recorded."""


def presses(rate_hz: float, seconds: float) -> bytes:
    """A spring pressed every two seconds, as blocks in frames."""
    rng = np.random.default_rng(90)
    rows = np.arange(int(rate_hz * seconds))
    position_mm = 24.0 * np.abs((rows / rate_hz / CYCLE_S) % 1.0 - 0.5) * -2.0 + 20.0
    force_n = 2.0 * np.maximum(position_mm, 0.0) + rng.normal(0, 0.01, len(rows))
    frames, _ = encode_blocks(
        SampleBlock(
            seq=rows & 0xFFFF,
            time_us=np.rint(rows * 1e6 / rate_hz).astype(np.int64) & 0xFFFFFFFF,
            force=np.rint(force_n / 0.001).astype(np.int32),
            position=np.rint((position_mm + 20.0) / 0.005).astype(np.int32),
            status=np.full(len(rows), 1 << 6, np.uint8),
        )
    )
    return frames


class Device:
    """Answers the host, and sends a stream by the wall's clock once it is asked for.

    Parameters
    ----------
    stream
        Frames of `seconds`.
    port
        The terminal's other end, not blocking.

    Attributes
    ----------
    dropped_bytes
        What found no room.
    """

    def __init__(self, stream: bytes, seconds: float, rate_hz: float, port: int) -> None:
        self.dropped_bytes = 0
        self._stream, self._bytes_per_s = stream, len(stream) / seconds
        self._rate_mhz = round(1000 * rate_hz)
        self._port, self._pending = port, bytearray()
        self._decoder = FrameDecoder()
        self._sent, self._begun_s = 0, 0.0
        self._streams = False

    def serve(self, stop: threading.Event) -> None:
        while not stop.is_set():
            # the terminal takes 4096 bytes at once: more go as soon as the host has read them
            wanted = [self._port] if self._pending else []
            if not any(select.select([self._port], wanted, [], TURN_S)[:2]):
                stop.wait(TURN_S)
            self._hear()
            if self._streams:
                self._take(time.monotonic() - self._begun_s)
            with suppress(BlockingIOError):
                del self._pending[: os.write(self._port, self._pending)]

    def _hear(self) -> None:
        try:
            heard = os.read(self._port, 4096)
        except (BlockingIOError, OSError):
            return
        for placed in self._decoder.feed(heard).messages:
            command = placed.message
            if isinstance(command, Identify):
                identity = Identity(1, 1, 1, Capability.BLOCKS, 1, self._rate_mhz, b"bench".ljust(8), "bench")
                self._pending += encode_frame(identity) + encode_frame(Reply(0, command.request, 0))
            elif isinstance(command, StreamAt):
                assert not command.rate_mhz or Accepts.BLOCKS in command.accepts
                begins = bool(command.rate_mhz) and not self._streams
                self._begun_s = time.monotonic() if begins else self._begun_s
                self._streams = bool(command.rate_mhz)
                self._pending += encode_frame(Reply(0, command.request, command.rate_mhz))

    def _take(self, since_s: float) -> None:
        """What is due by the clock, in whole frames; it is dropped where it finds no room."""
        due = min(int(since_s * self._bytes_per_s), len(self._stream))
        end = self._stream.rfind(FRAME_END, self._sent, due) + 1
        if end <= self._sent:
            return
        part, self._sent = self._stream[self._sent : end], end
        if len(self._pending) + len(part) > BUFFER_BYTES:
            self.dropped_bytes += len(part)
        else:
            self._pending += part


def recorded(
    home: Path, stream: bytes, rate_hz: float, seconds: float, sent_s: float
) -> tuple[Path, float, int]:
    """Record so many seconds; return the capture, the CPU time in s that it took, and bytes dropped."""
    ours, device = os.openpty()
    tty.setraw(device)
    os.set_blocking(ours, False)
    stop = threading.Event()
    sending = Device(stream, sent_s, rate_hz, ours)
    sender = threading.Thread(target=sending.serve, args=(stop,))
    words = [PRESSRIG, "record", "--rig", home / "rig.yaml", "--port", os.ttyname(device)]
    words += ["--specimen", "F-90", "--out", home / "captures", "--seconds", seconds]
    sender.start()
    process = subprocess.Popen(
        [str(word) for word in words], stdout=subprocess.PIPE, stderr=(home / "said").open("wb")
    )
    assert process.stdout is not None
    told = process.stdout.read().decode()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    stop.set()
    sender.join()
    os.close(ours)
    os.close(device)
    assert process.returncode == 0, (home / "said").read_text()
    return Path(told.splitlines()[-1]), used.ru_utime + used.ru_stime, sending.dropped_bytes


def plain_s(stream: bytes, path: Path) -> float:
    """CPU time in s of decoding a stream from memory and writing it."""
    begun, decoder = time.process_time(), FrameDecoder()
    blocks = [decoder.feed(stream[at : at + 4096]).samples for at in range(0, len(stream), 4096)]
    names = ("seq", "time_us", "force", "position", "status")
    columns = {name: np.concatenate([getattr(block, name) for block in blocks]) for name in names}
    feather.write_feather(pa.table(columns), path, compression="uncompressed")
    return time.process_time() - begun


def main() -> None:
    rate_hz, seconds = (float(word) for word in (*sys.argv[1:], *("50000", "60")[len(sys.argv) - 1 :]))
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        (home / "rig.yaml").write_text(RIG, encoding="utf-8")
        sent_s = seconds + SPARE_S
        stream = presses(rate_hz, sent_s)
        _, first_s, _ = recorded(home, stream, rate_hz, 1.0, sent_s)
        begun = time.perf_counter()
        path, whole_s, dropped = recorded(home, stream, rate_hz, seconds, sent_s)
        wall_s = time.perf_counter() - begun
        capture = open_capture(path)
        samples = capture.samples()
        lost = int(samples.seq[-1] - samples.seq[0]) + 1 - len(samples)
        length_s = len(samples) / rate_hz
        print(f"{len(samples)} samples at {rate_hz:.0f}/s, {wall_s:.1f} s by the wall: {lost} lost")
        pace, load = len(stream) / sent_s / 1000, os.getloadavg()[0]
        print(f"{pace:.0f} kB/s, {dropped} bytes dropped for want of room; load of the machine {load:.1f}")
        print(
            f"share of a core, without the first second: {100 * (whole_s - first_s) / (length_s - 1):.1f} %"
        )
        print(f"CPU time: {whole_s:.2f} s, of which start-up and the first second {first_s:.2f} s")
        plain = plain_s(stream, home / "plain.arrow") * length_s / sent_s
        print(f"plain way: {100 * plain / length_s:.1f} %")


if __name__ == "__main__":
    main()
