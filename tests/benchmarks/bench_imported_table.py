"""A long imported table analysed: CPU time beside pandas reading the same CSV and integrating each cycle.

Run by hand: `python tests/benchmarks/bench_imported_table.py [CYCLES]`; by default 20000 of 100 samples.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median

import numpy as np
import pandas as pd

PRESSRIG = str(Path(sys.executable).with_name("pressrig"))
SAMPLES, RATE_HZ, RUNS = 100, 500.0, 3

PLAIN = """
import sys, numpy, pandas
frame = pandas.read_csv(sys.argv[1])
pressed = frame["force (N)"] > 0.05
cycle = (pressed & ~pressed.shift(fill_value=False)).cumsum()
inside = frame[pressed].groupby(cycle[pressed])
works = inside.apply(lambda one: numpy.trapezoid(one["force (N)"], one["position (mm)"]))
print(len(works))
"""


def write_table(path: Path, cycles: int) -> None:
    """A spring pressed by a triangle, with noise and steps."""
    rng = np.random.default_rng(1)
    phase = np.arange(cycles * SAMPLES) / SAMPLES % 1
    position = np.where(phase < 0.5, 2 * phase, 2 - 2 * phase) * 12.5 - 2.5
    position = np.concatenate([np.full(SAMPLES, -2.5), position])
    force = 2.5 * np.maximum(position, 0) + rng.normal(0, 0.005, len(position))
    read = position + rng.normal(0, 0.001, len(position))
    pd.DataFrame(
        {
            "time (s)": np.round(np.arange(len(position)) / RATE_HZ, 3),
            "force (N)": np.round(force, 3),
            "position (mm)": np.round(read / 0.005) * 0.005,
        }
    ).to_csv(path, index=False, float_format="%.3f")


def cpu_s(*words: str) -> float:
    """CPU time in s of a command."""
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, words
    return used.ru_utime + used.ru_stime


def main() -> None:
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # as in `bench_start.py`
    cycles = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    with tempfile.TemporaryDirectory() as home:
        table, folder = Path(home) / "floats.csv", Path(home) / "captures"
        write_table(table, cycles)
        plain_s = median(cpu_s(sys.executable, "-c", PLAIN, str(table)) for _ in range(RUNS))
        import_s = cpu_s(PRESSRIG, "import", str(table), "--specimen", "F-90-001", "--out", str(folder))
        (capture,) = folder.iterdir()
        fresh_s = median(cpu_s(PRESSRIG, "analyse", str(capture), "--fresh") for _ in range(RUNS))
        print(f"{cycles} cycles of {SAMPLES} samples: pandas, read and one integral each {plain_s:.2f} s CPU")
        print(
            f"import, once {import_s:.2f} s CPU; analyse {fresh_s:.2f} s CPU, {fresh_s / plain_s:.2f} times"
        )


if __name__ == "__main__":
    main()
