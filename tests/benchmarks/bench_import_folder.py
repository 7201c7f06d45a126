"""Import of a folder of 100 tables of 20 000 rows, beside reading the same tables with pandas alone."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

TABLES, ROWS = 100, 20_000


def write_tables(folder: Path) -> None:
    rng = np.random.default_rng(1)
    seconds = np.arange(ROWS) / 500
    for number in range(TABLES):
        travel = 10 * (1 - np.cos(2 * np.pi * seconds / 4)) + rng.normal(0, 0.001, ROWS)
        load = 3 * travel + rng.normal(0, 0.02, ROWS)
        frame = pd.DataFrame({"Time (s)": seconds, "Travel (mm)": travel.round(4), "Load (N)": load.round(3)})
        frame.to_csv(folder / f"F-90-{number:03d}_spring_20260416.csv", index=False)


def main() -> None:
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home) / "tables"
        folder.mkdir()
        write_tables(folder)
        begin = time.perf_counter()
        for path in sorted(folder.iterdir()):
            pd.read_csv(path)
        plain_s = time.perf_counter() - begin
        words = ["import", folder, "--name", "{specimen}_{batch}_{date}", "--out", Path(home) / "captures"]
        begin = time.perf_counter()
        subprocess.run(
            [Path(sys.executable).with_name("pressrig"), *map(str, words)], check=True, capture_output=True
        )
        import_s = time.perf_counter() - begin
        begin = time.perf_counter()
        subprocess.run(
            [Path(sys.executable).with_name("pressrig"), *map(str, words)], check=True, capture_output=True
        )
        again_s = time.perf_counter() - begin
    print(f"{TABLES} tables of {ROWS} rows: pressrig import {import_s:.1f} s, once more {again_s:.1f} s")
    print(f"plain pandas read_csv of the same tables {plain_s:.1f} s; ratio {import_s / plain_s:.1f}")


if __name__ == "__main__":
    main()
