"""How fast framed samples are decoded, beside how fast pyserial alone reads them from a pseudo-terminal.

Run: python tests/benchmarks/bench_framed_decoding.py
"""

import os
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import serial

from rig.wire import FrameDecoder, SampleBlock, encode_samples

SAMPLES = 1_000_000
REPEATS = 5
READS = (65_536, 4_096)
QUIET_S = 5.0


def made_up_samples(count: int) -> SampleBlock:
    """A squeeze repeated: small and large counts, so that zeros stand everywhere in the payload."""
    rng = np.random.default_rng(90)
    phase = np.arange(count) / 1000.0
    return SampleBlock(
        seq=np.arange(count) & 0xFFFF,
        time_us=(np.arange(count) * 1000) & 0xFFFFFFFF,
        force=(40_000 * np.sin(phase) ** 2 + rng.normal(0, 20, count)).astype(np.int32),
        position=(9_000 * np.sin(phase)).astype(np.int32),
        status=np.full(count, 1 << 6, np.uint8),
    )


def decode(stream: bytes, read_size: int) -> int:
    decoder = FrameDecoder()
    views = range(0, len(stream), read_size)
    return sum(len(decoder.feed(stream[at : at + read_size]).samples) for at in views)


def read_through_terminal(path: Path, size_bytes: int) -> int:
    """Bytes that pyserial reads while another process fills the pseudo-terminal."""
    writing_end, device_end = os.openpty()
    with serial.Serial(os.ttyname(device_end), timeout=QUIET_S) as port:
        os.close(device_end)
        with path.open("rb") as source:
            writer = subprocess.Popen(["cat"], stdin=source, stdout=writing_end)
            got = 0
            while got < size_bytes:
                data = port.read(max(1, port.in_waiting))
                if not data:
                    break
                got += len(data)
            writer.wait(QUIET_S)
    os.close(writing_end)
    return got


def best_seconds(work: Callable[[], int], expected: int) -> float:
    """Shortest of a few runs, since others' load only ever adds time."""
    seconds = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        done = work()
        seconds.append(time.perf_counter() - start)
        if done != expected:
            raise SystemExit(f"got {done}, expected {expected}")
    return min(seconds)


def main() -> None:
    stream = encode_samples(made_up_samples(SAMPLES))
    decode(stream[:65_536], 65_536)  # builds the CRC tables
    rates = {}
    for read_size in READS:
        rates[read_size] = SAMPLES / best_seconds(lambda size=read_size: decode(stream, size), SAMPLES)
        print(f"decoding, {read_size // 1024:2d} KiB reads: {rates[read_size] / 1e6:7.2f} million samples/s")

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stream"
        path.write_bytes(stream)
        seconds = best_seconds(lambda: read_through_terminal(path, len(stream)), len(stream))
    print(
        f"pyserial alone, pseudo-terminal: {SAMPLES / seconds / 1e6:7.2f} million samples/s "
        f"({len(stream) / seconds / 1e6:.1f} MB/s)"
    )
    for read_size, rate in rates.items():
        ratio = rate * seconds / SAMPLES
        print(f"decoding in {read_size // 1024} KiB reads is {ratio:.1f} times as fast as reading")


if __name__ == "__main__":
    main()
