"""Captures of caps that are pressed on and pulled off, written without a rig: all numbers are invented."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from rig.calibration import Calibration, Scale, ScaleUncertainty
from rig.capture import CaptureHeader, CaptureWriter
from rig.samples import Samples
from rig.virtual import PressedCap

RATE_HZ = 200.0
SPEED_MM_PER_S = 1.0
GAP_MM = 4.0
FORCE_STEP_N, POSITION_STEP_MM = 0.001, 0.005
BEGUN = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
METHOD = Path(__file__).resolve().parents[2] / "configs" / "methods" / "cap_pull.yaml"
RELATIVE_U = 2e-3


def compared(low_n: float, high_n: float = 150.0) -> Calibration:
    """A calibration whose force was compared with loads from one to the other."""
    end = high_n / FORCE_STEP_N
    known = ScaleUncertainty(end, (((RELATIVE_U * high_n) ** 2,),))
    return Calibration(
        Scale(FORCE_STEP_N, 0.0, (), known, (low_n / FORCE_STEP_N, end)), Scale(POSITION_STEP_MM), name="b"
    )


def pulled_capture(
    parent: Path,
    piece: str,
    cap: PressedCap,
    *,
    pulls: int = 3,
    number: int = 0,
    calibration: Calibration | None = None,
    **more: Any,
) -> Path:
    """Write one capture of a cap that is pulled off several times."""
    guided = more.pop("guided", False)
    fields: dict[str, Any] = {
        "batch": "A",
        "free_height_mm": 30.0,
        "method": {"file": METHOD.name, "text": METHOD.read_text(encoding="utf-8")},
        "calibration": (calibration or Calibration(Scale(FORCE_STEP_N), Scale(POSITION_STEP_MM))).as_dict(),
    }
    header = CaptureHeader(specimen=piece, started=BEGUN + timedelta(minutes=number), **(fields | more))
    with CaptureWriter.create(parent, header) as writer:
        if guided:
            writer.event("method", name="pull", by="hand")
        writer.append(_samples(cap, pulls, np.random.default_rng(number)))
        writer.end("method finished")
    return writer.path


def _samples(cap: PressedCap, pulls: int, random: np.random.Generator) -> Samples:
    step_mm = SPEED_MM_PER_S / RATE_HZ
    top_mm = cap.engagement_mm + 0.3
    still = np.full(round(RATE_HZ), -GAP_MM)
    once = [np.arange(-GAP_MM, top_mm, step_mm), np.arange(top_mm, -GAP_MM, -step_mm), still]
    place = np.concatenate([still, *once * pulls])
    force_n, _ = cap.respond(cap.fresh(), place, 1 / RATE_HZ)
    rows = np.arange(len(place), dtype=np.int64)
    return Samples(
        rows,
        (rows / RATE_HZ * 1e6).astype(np.int64),
        np.rint((force_n + random.normal(0, 0.01, len(rows))) / FORCE_STEP_N).astype(np.int32),
        np.rint((place + 20 + random.normal(0, 0.001, len(rows))) / POSITION_STEP_MM).astype(np.int32),
        np.zeros(len(rows), np.uint8),
    )
