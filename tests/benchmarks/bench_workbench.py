"""The list of ten thousand captures and the zoom into forty million samples, beside plain reading.

Run: `python tests/benchmarks/bench_workbench.py`. It writes about 1 GB into a temporary folder.
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import yaml

from rig.capture import CaptureHeader, CaptureWriter, open_capture
from rig.results.archive import SETTLED_NS
from rig.samples import RawChannel, Samples
from rig.workbench.catalogue import FRESH_S, Catalogue, Query
from rig.workbench.traces import RecordedTrace

CAPTURES = 10_000
SAMPLES = 40_000_000
PART = 65_536


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        listing(Path(folder) / "archive")
        zooming(Path(folder) / "long")


def listing(folder: Path) -> None:
    """Print how long the list takes, and what it takes to parse every header with PyYAML."""
    seed = write(folder.parent / "seed", [stretch(0, 2000)])
    text = (seed / "capture.yaml").read_text(encoding="utf-8")
    for number in range(CAPTURES):
        place = folder / f"{number:05d}"
        place.mkdir(parents=True)
        for file in seed.iterdir():
            if file.name != "capture.yaml":
                os.link(file, place / file.name)
        header = text.replace("F-90-001", f"F-90-{number:05d}").replace("spring", f"batch {number % 40}")
        (place / "capture.yaml").write_text(header, encoding="utf-8")
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    headers = sorted(folder.glob("*/capture.yaml"))
    plain_s = timed(lambda: [yaml.load(path.read_bytes(), loader) for path in headers])
    time.sleep(SETTLED_NS / 1e9)  # files that are newer are read again
    catalogue = Catalogue(folder)
    first = timed(lambda: catalogue.listing(Query()))  # rows, or how far it is
    whole = timed(lambda: until_listed(catalogue))
    again = timed(lambda: until_listed(Catalogue(folder)))
    query = Query(text="0123", batch="batch 7")
    filtered = timed(lambda: catalogue.listing(query))
    time.sleep(FRESH_S)  # so that the next one looks at the folder again
    looked = timed(lambda: catalogue.listing(query))
    print(
        f"list of {CAPTURES}: parsing headers {plain_s}, first answer {first}, all rows {whole} later, "
        f"opened again {again}, filter {filtered}, filter that looks at the folder {looked}"
    )


def until_listed(catalogue: Catalogue) -> None:
    while catalogue.listing(Query()).looking:
        time.sleep(0.15)  # as the page does


def zooming(folder: Path) -> None:
    """Print the pass, each step of a zoom, and one pass of pyarrow over the same file."""
    path = write(folder, (stretch(start, PART) for start in range(0, SAMPLES, PART)))
    plain_s = timed(lambda: read_plainly(next(path.glob("samples-*.arrow"))))
    trace: list[RecordedTrace] = []
    pass_s = timed(lambda: trace.append(RecordedTrace(open_capture(path))))
    end_s = trace[0].samples / 1e4
    steps = []
    for share in (1.0, 0.3, 0.1, 0.03, 0.024, 0.01, 0.001, 0.0001):
        middle_s = 0.37 * end_s
        edges = (middle_s, min(middle_s + share * end_s, end_s))
        steps.append(f"{share:g}: {timed(lambda edges=edges: trace[0].stretch(*edges, 3000))}")
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{trace[0].samples} samples: plain read {plain_s}, pass {pass_s}, {peak_mb:.0f} MB")
    print("zoom to a share of the whole: " + ", ".join(steps))


def stretch(start: int, count: int) -> Samples:
    seq = np.arange(start, start + count)
    channels = RawChannel("N", 0.001), RawChannel("mm", 0.001)
    wave = np.sin(seq / 5000.0)
    return Samples(seq, seq * 100, wave, 20 * wave, np.zeros(count, np.uint8), *channels, "device")


def write(folder: Path, parts: object) -> Path:
    folder.mkdir()
    channels = RawChannel("N", 0.001), RawChannel("mm", 0.001)
    header = CaptureHeader(specimen="F-90-001", batch="spring", force=channels[0], position=channels[1])
    with CaptureWriter.create(folder, header) as writer:
        for part in parts:
            writer.append(part)
        writer.end("as planned")
    return writer.path


def read_plainly(path: Path) -> None:
    with pa.OSFile(str(path)) as file, pa.ipc.open_stream(file) as batches:
        for _ in batches:
            pass


def timed(work: Callable[[], object]) -> str:
    """Do it, and say how long it took and how much of that was work: the machine may be busy otherwise."""
    began_s, began_cpu_s = time.perf_counter(), time.process_time()
    work()
    took_s, worked_s = time.perf_counter() - began_s, time.process_time() - began_cpu_s
    return f"{took_s:.3f} s (CPU {worked_s:.3f} s)"


if __name__ == "__main__":
    sys.exit(main())
