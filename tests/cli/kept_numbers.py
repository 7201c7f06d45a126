"""Numbers that the commands print for captures that never change, kept from one version to the next.

`python tests/cli/kept_numbers.py` writes `kept_numbers.json` anew, one line a number; do so only where a
number changes on purpose, and read the difference that version control then shows.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
from command_line import ROOT, done
from pulled_captures import compared, pulled_capture
from studied_captures import BEGUN, CALIBRATION, FORCE_STEP_N, METHOD, POSITION_STEP_MM, studied_capture

from rig.capture import CaptureHeader, CaptureWriter
from rig.samples import Samples
from rig.virtual import PressedCap

KEPT = Path(__file__).with_suffix(".json")

MOST_ITEMS = 8
"""Of a longer list, such as the points of a curve, the first, the middle and the last stand for all."""

LEFT_OUT = ("us",)
"""Of a document: figures in other units, which follow from those that are kept."""


def height_capture(parent: Path, piece: str, stiffness_n_per_mm: float, meets_mm: float) -> Path:
    """Write one capture of three slow contact checks of a spring, up to 12 N."""
    rate_hz, speed_mm_per_s, gap_mm = 500.0, 0.2, 0.5
    deep_mm = 12.0 / stiffness_n_per_mm
    step_mm = speed_mm_per_s / rate_hz
    down = np.arange(-gap_mm, deep_mm, step_mm)
    once = [down, down[::-1], np.full(round(rate_hz), -gap_mm)]
    deflection = np.concatenate([np.full(round(rate_hz), -gap_mm), *once * 3])
    random = np.random.default_rng(round(meets_mm))
    force_n = stiffness_n_per_mm * np.maximum(deflection, 0.0) + random.normal(0, 0.003, len(deflection))
    rows = np.arange(len(deflection), dtype=np.int64)
    samples = Samples(
        rows,
        (rows / rate_hz * 1e6).astype(np.int64),
        np.rint(force_n / FORCE_STEP_N).astype(np.int32),
        np.rint((deflection + meets_mm) / POSITION_STEP_MM).astype(np.int32),
        np.zeros(len(rows), np.uint8),
    )
    header = CaptureHeader(
        specimen=piece, started=BEGUN + timedelta(minutes=round(meets_mm)), calibration=CALIBRATION
    )
    with CaptureWriter.create(parent, header) as writer:
        writer.append(samples)
        writer.end("all presses made")
    return writer.path


def documents(home: Path) -> Iterator[tuple[str, Any]]:
    """Run each command on its captures, and give its name and its document."""
    examples = sorted((ROOT / "captures").glob("example-F-90-*"))
    calibration = ROOT / "configs" / "calibrations" / "example.yaml"
    read = ("--contact-force", "0.2 N", "--conditioning", "1")
    springs = [
        studied_capture(home, piece, stiffness, number=number, by=by, method=None if by else METHOD)
        for number, (by, piece, stiffness) in enumerate(
            (by, f"F-90-{place}", 2.0 + 0.4 * place + off)
            for off, by in ((0.06, "hand A"), (0.03, "hand A"), (-0.02, None), (-0.01, None))
            for place in range(3)
        )
    ]
    calibrated = compared(-150.0)
    caps = [
        pulled_capture(home, f"cap-{n}", PressedCap(peak_n=23.0 + n), number=n, calibration=calibrated)
        for n in range(3)
    ]
    bare = height_capture(home, "platens", 2000.0, 70.0)
    piece = height_capture(home, "spring", 3.0, 10.0)
    commands: dict[str, tuple[object, ...]] = {
        "analyse": ("analyse", examples[0], *read, "--at", "10%,25%,20 mm", "--budget"),
        "analyse-calibrated": ("analyse", springs[0], "--calibration", calibration),
        "compare": ("compare", *examples, *read, "--margin", "at 25%.loading_n=60 N"),
        "sheet": ("sheet", *examples, *read),
        "nip": (
            *(
                "nip",
                *examples[:3],
                "--force",
                "20 N",
                "--wheel",
                "radius 100 mm",
                "--friction",
                "0.6 +- 0.1",
            ),
            *("--mass", "38 g +- 1 g", "--rim-speed", "4 m/s", "--size", "90 mm"),
        ),
        "lift": (
            *("lift", "--near", "620 g +- 1 g", "--far", "410 g +- 1 g", "--span", "1.20 m +- 2 mm"),
            *("--grip-at", "0.5 m", "--arm", "0.6 m", "--grip-torque", "2.5 N m"),
        ),
        "pull": ("pull", *caps),
        "study": ("study", *springs, "--contact-force", "0.1 N"),
        "height": ("height", "--bare", bare, "--piece", piece, "--at", "5 N"),
    }
    for name, arguments in commands.items():
        yield name, json.loads(done(home, *arguments, "--json"))


def numbers_of(found: Any) -> Any:
    """The numbers of a document with their names; None of what holds none."""
    match found:
        case bool():
            return None
        case int() | float():
            return float(f"{found:.13g}")
        case dict():
            inner = {name: numbers_of(value) for name, value in found.items() if name not in LEFT_OUT}
        case list():
            last = len(found) - 1
            places = range(len(found)) if len(found) <= MOST_ITEMS else (0, last // 2, last)
            inner = {str(place): numbers_of(found[place]) for place in places}
        case _:
            return None
    return {name: value for name, value in inner.items() if value is not None} or None


def by_place(found: Any, place: str = "") -> Iterator[tuple[str, float]]:
    """Every number of nested numbers, and where it stands."""
    if isinstance(found, dict):
        for name, inner in found.items():
            yield from by_place(inner, f"{place} / {name}" if place else name)
    else:
        yield place, found


def found_numbers(home: Path) -> dict[str, Any]:
    """The numbers of all commands."""
    return {name: numbers_of(document) for name, document in documents(home)}


def main() -> None:
    with tempfile.TemporaryDirectory(prefix="kept") as home:
        found = found_numbers(Path(home))
    KEPT.write_text(json.dumps(found, indent=0, ensure_ascii=False) + "\n", encoding="utf-8")
    sys.stdout.write(f"{len(list(by_place(found)))} numbers in {KEPT}\n")


if __name__ == "__main__":
    main()
