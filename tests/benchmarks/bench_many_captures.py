"""Many captures: compared for the first time by one and by two processes, and again; an archive's list.

Run by hand: `python tests/benchmarks/bench_many_captures.py [CAPTURES] [ARCHIVE]`; left out, 1000 and 10000.
Fewer captures say little of a thousand: starting a command and its workers takes seconds. Beside each figure
stands a plain way to the same: pandas reading and integrating the samples, a Parquet table without checks.
"""

from __future__ import annotations

import os
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from rig.calibration import Calibration, Scale
from rig.capture import CaptureHeader, CaptureWriter, open_capture
from rig.results.archive import SETTLED_NS
from rig.samples import Samples

EXAMPLE = Path(__file__).parents[2] / "captures" / "example-F-90-001"
PRESSRIG = Path(sys.executable).with_name("pressrig")
SAMPLES, CYCLES, RATE_HZ = 13_000, 6, 500.0


def write_captures(folder: Path, count: int) -> list[Path]:
    """Presses of springs whose recordings differ in their noise."""
    paths = []
    for number in range(count):
        rng = np.random.default_rng(number)
        turn = SAMPLES // (2 * CYCLES + 1)
        up = np.linspace(-2.0, 20.0, turn)
        presses = np.tile([up, up[::-1]], (CYCLES, 1)).ravel()
        position = np.concatenate([np.full(SAMPLES - len(presses), -2.0), presses])
        force = (2.0 + 0.02 * (number % 2) + 0.01 * rng.normal()) * np.maximum(position, 0.0) ** 1.1
        rows = np.arange(len(position), dtype=np.int64)
        samples = Samples(
            rows,
            (rows / RATE_HZ * 1e6).astype(np.int64),
            np.rint((force + rng.normal(0, 0.004, len(rows))) / 0.001).astype(np.int32),
            np.rint((position + 20 + rng.normal(0, 0.001, len(rows))) / 0.005).astype(np.int32),
            np.zeros(len(rows), np.uint8),
        )
        header = CaptureHeader(
            specimen=f"F-90-{number:04d}", batch=("spring mould", "autumn mould")[number % 2],
            started=datetime(2026, 5, 4, tzinfo=UTC) + timedelta(minutes=number), free_height_mm=90.0,
            calibration=Calibration(Scale(0.001), Scale(0.005)).as_dict(),
        )  # fmt: skip
        with CaptureWriter.create(folder, header) as writer:
            for start in range(0, SAMPLES, 1000):
                writer.append(samples[start : start + 1000])
            writer.end(f"{CYCLES} cycles")
        paths.append(writer.path)
    return paths


def write_archive(folder: Path, count: int) -> None:
    """Headers and ends of captures whose samples are gone: a list looks at nothing else. What differs from
    recording to recording differs here: names, counts, sums and times."""
    rng = np.random.default_rng(1)
    header, end = ((EXAMPLE / name).read_text(encoding="utf-8") for name in ("capture.yaml", "end.yaml"))
    for number in range(count):
        path = folder / f"F-90-{number:05d}"
        path.mkdir(parents=True)
        text = header.replace("specimen: F-90-001", f"specimen: F-90-{number % 2500:04d}")
        text = text.replace("spring mould", f"{('spring', 'autumn')[number % 2]} mould {number % 40}")
        text = re.sub(r"\nid: [0-9a-f]+", f"\nid: '{number:032x}'", text)
        (path / "capture.yaml").write_text(text, encoding="utf-8")
        text = re.sub(
            r"(?m)(?<=: )([1-9]\d{2,}|\d+\.\d+)(?=e|$)",
            lambda found: scaled(found[0], rng.uniform(0.5, 1.5)),
            end,
        )
        (path / "end.yaml").write_text(text, encoding="utf-8")
        (path / "samples-0001.arrow").touch()
        (path / "events.jsonl").touch()


def scaled(number: str, factor: float) -> str:
    return str(float(number) * factor if "." in number else int(int(number) * factor))


def run(*words: object) -> tuple[float, float, float]:
    """Wall time and CPU time in s and peak memory in MB of a command with its children."""
    begun = time.perf_counter()
    with subprocess.Popen([str(word) for word in words], stdout=subprocess.DEVNULL) as process:
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode in (0, 1), words
    return time.perf_counter() - begun, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def shown(what: str, figures: tuple[float, float, float], plain_s: float | None = None) -> None:
    wall, cpu, memory = figures
    beside = "" if plain_s is None else f", {cpu / plain_s:.2f} times the plain way's {plain_s:.2f} s"
    print(f"{what:46s} {wall:7.2f} s wall {cpu:7.2f} s CPU {memory:6.0f} MB{beside}")


def plain_cpu_s(paths: list[Path]) -> float:
    """CPU time in s of pandas reading the samples and integrating each file's force over position."""
    import pandas as pd

    begun = time.process_time()
    for path in paths:
        taken = open_capture(path).samples()
        frame = pd.DataFrame({"force": taken.force * 0.001, "position": taken.position * 0.005})
        (frame.force * frame.position.diff()).sum()
    return time.process_time() - begun


def main() -> None:
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # as in `bench_start.py`
    captures, archived = (int(word) for word in (*sys.argv[1:], *("1000", "10000")[len(sys.argv) - 1 :]))
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home) / "captures"
        paths = write_captures(folder, captures)
        compare = (PRESSRIG, "compare", folder, "--json")
        plain_s = plain_cpu_s(paths)
        one = run(*compare, "--processes", 1)
        shown(f"{captures} captures, first compare, one process", one, plain_s)
        for path in paths:
            shutil.rmtree(path / ".results")
        two = run(*compare, "--processes", 2)
        shown("the same, two processes", two, plain_s)
        print(f"{'two processes are faster by':46s} {one[0] / two[0]:7.2f} times")
        again = run(*compare)
        shown("compare again", again, plain_s)
        archive = Path(home) / "archive"
        write_archive(archive, archived)
        # what was written a moment ago is not trusted to stay
        time.sleep(SETTLED_NS / 1e9 + 1.0)
        shown(f"archive of {archived}: first list", run(PRESSRIG, "captures", archive))
        shown("list", run(PRESSRIG, "captures", archive))
        where = 'batch == "spring mould 4" and samples > 100'
        shown("--where", run(PRESSRIG, "captures", archive, "--where", where, "--sort", "-specimen"))
        program = "import sys, pyarrow.parquet as p; print(p.ParquetFile(sys.argv[1]).read().num_rows)"
        table = archive / ".results" / "captures.parquet"
        shown("plain way: read the table", run(sys.executable, "-c", program, table))
    print(f"peak memory of this script: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
