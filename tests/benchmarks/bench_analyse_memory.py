"""Peak memory of `pressrig analyse` for short and for very long captures.

Run by hand: python tests/benchmarks/bench_analyse_memory.py [long run's cycles]. Captures of 2 000 and of
80 000 cycles of 100 samples each are written, and analysed in a process of their own in each way of
printing. The ratio is what matters: it should stay near one, however long the capture.
"""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from rig.calibration import Calibration, Scale
from rig.capture import CaptureHeader, CaptureWriter
from rig.samples import Samples

SAMPLES_PER_CYCLE = 100
WAYS = {"table": [], "--json": ["--json"], "--out": ["--out"]}


def one_cycle():
    """Position in mm and force in N of a squeeze of 8 mm, half of it in contact, with some hysteresis."""
    phase = np.arange(SAMPLES_PER_CYCLE) / SAMPLES_PER_CYCLE
    position_mm = 10.0 - 12.0 * np.cos(2 * np.pi * phase) + 8.0
    depth_mm = np.maximum(position_mm - 15.0, 0.0)
    force_n = 3.0 * depth_mm * np.where(phase < 0.5, 1.0, 0.85)
    return position_mm, force_n


def write_capture(folder, cycles):
    rng = np.random.default_rng(20261125)
    position_mm, force_n = one_cycle()
    calibration = Calibration(Scale(0.001), Scale(0.005))
    header = CaptureHeader(specimen="F-90-077", free_height_mm=90.0, calibration=calibration.as_dict())
    with CaptureWriter.create(folder, header) as writer:
        for first in range(0, cycles, 1000):
            count = min(1000, cycles - first) * SAMPLES_PER_CYCLE
            seq = np.arange(count, dtype=np.int64) + first * SAMPLES_PER_CYCLE
            force = 1000 * np.tile(force_n, count // SAMPLES_PER_CYCLE) + rng.normal(0, 20, count)
            position = 200 * np.tile(position_mm, count // SAMPLES_PER_CYCLE) + rng.normal(0, 0.5, count)
            writer.append(
                Samples(
                    seq, seq * 2000, force.astype(np.int32), position.astype(np.int32),
                    np.zeros(count, np.uint8),
                )
            )  # fmt: skip
    return writer.path


def peak_mib(path, way):
    """Peak resident memory of an analysis, and how long it took."""
    out = [str(path.parent / "results")] if "--out" in way else []
    command = [sys.executable, "-c", "from rig.cli import main; main()", "analyse", str(path), *way, *out]
    began = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    assert child.returncode == 0, command
    unit = 1024 if sys.platform != "darwin" else 1 << 20
    return usage.ru_maxrss / unit, time.perf_counter() - began


def main(longest=80_000):
    with tempfile.TemporaryDirectory() as name:
        short, long = (write_capture(Path(name), cycles) for cycles in (2000, longest))
        for label, way in WAYS.items():
            (short_mib, short_s), (long_mib, long_s) = peak_mib(short, way), peak_mib(long, way)
            print(
                f"{label:8} 2000 cycles {short_mib:6.0f} MiB {short_s:5.1f} s   "
                f"{longest} cycles {long_mib:6.0f} MiB {long_s:5.1f} s   ratio {long_mib / short_mib:.2f}"
            )


if __name__ == "__main__":
    main(*(int(each) for each in sys.argv[1:]))
