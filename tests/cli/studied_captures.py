"""Captures of springs of known stiffness, written without a rig, for studies: all numbers are invented."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from rig.calibration import Calibration, Scale
from rig.capture import CaptureHeader, CaptureWriter
from rig.samples import Samples

RATE_HZ = 200.0
DEPTH_MM, GAP_MM = 8.0, 2.0
CYCLES = 2
NOISE_N = 0.003
FORCE_STEP_N, POSITION_STEP_MM = 0.001, 0.005
BEGUN = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
METHOD = {"file": "squeeze.yaml", "text": "steps: []"}
CALIBRATION = Calibration(Scale(FORCE_STEP_N), Scale(POSITION_STEP_MM)).as_dict()


def studied_capture(
    parent: Path,
    piece: str,
    stiffness_n_per_mm: float,
    *,
    number: int = 0,
    by: str | None = None,
    **more: Any,
) -> Path:
    """Write one capture of a linear spring: by whom, or with a method; it sags by `sags_mm` in each cycle."""
    sags_mm = more.pop("sags_mm", 0.0)
    guided = more.pop("guided", False)
    noise_n = more.pop("noise_n", NOISE_N)
    fields = {"calibration": CALIBRATION, "free_height_mm": 40.0} | more
    header = CaptureHeader(specimen=piece, operator=by, started=BEGUN + timedelta(minutes=number), **fields)
    with CaptureWriter.create(parent, header) as writer:
        if guided:
            writer.event("method", name="squeeze", by="hand")
        writer.append(_samples(stiffness_n_per_mm, np.random.default_rng(number), sags_mm, noise_n))
        writer.end("all presses made")
    return writer.path


def _samples(stiffness_n_per_mm: float, rng: np.random.Generator, sags_mm: float, noise_n: float) -> Samples:
    up = np.linspace(-GAP_MM, DEPTH_MM, 120)
    one = np.concatenate([up, up[::-1], np.full(60, -GAP_MM)])
    position = np.concatenate([np.full(120, -GAP_MM), np.tile(one, CYCLES)])
    sagged_mm = sags_mm * np.repeat(np.arange(CYCLES), len(one))
    contact_mm = np.concatenate([np.zeros(120), sagged_mm])
    force = stiffness_n_per_mm * np.maximum(position - contact_mm, 0)
    rows = np.arange(len(position), dtype=np.int64)
    return Samples(
        rows,
        (rows / RATE_HZ * 1e6).astype(np.int64),
        np.rint((force + rng.normal(0, noise_n, len(rows))) / FORCE_STEP_N).astype(np.int32),
        np.rint((position + 20 + rng.normal(0, 0.001, len(rows))) / POSITION_STEP_MM).astype(np.int32),
        np.zeros(len(rows), np.uint8),
    )
