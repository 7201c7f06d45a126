"""Captures of an invented float: a few presses of a known triangle, written as a rig would."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from rig.capture import CaptureHeader, CaptureWriter
from rig.samples import Channel, Samples

RATE_HZ = 200
PERIOD_S = 2.0
STIFFNESS_N_PER_MM = 2.0
PEAK_MM = 20.0
CONTACT_MM = 5.0


def pressed(count: int, *, first: int = 0, stiffness: float = STIFFNESS_N_PER_MM) -> Samples:
    """Return samples of a spring that a triangle of travel squeezes once in `PERIOD_S`."""
    seq = np.arange(first, first + count)
    phase = (seq / RATE_HZ % PERIOD_S) / PERIOD_S
    position_mm = (PEAK_MM + 2 * CONTACT_MM) * (1 - np.abs(2 * phase - 1)) - CONTACT_MM
    force_n = stiffness * np.clip(position_mm - CONTACT_MM, 0, None) + 0.01 * np.sin(seq * 2.4)
    channels = Channel("N", 0.001), Channel("mm", 0.001)
    time_us = (seq * 1e6 / RATE_HZ).astype(np.int64)
    return Samples(seq, time_us, force_n, position_mm, np.zeros(count, np.uint8), *channels, "device")


def write_capture(
    folder: Path, specimen: str, batch: str, *, presses: int = 4, place: int = 0, **fields: object
) -> Path:
    """Write a capture and return its folder."""
    stiffness = float(fields.pop("stiffness", STIFFNESS_N_PER_MM))
    samples = pressed(int((presses + 0.1) * PERIOD_S * RATE_HZ), stiffness=stiffness)
    header = CaptureHeader(
        specimen=specimen,
        batch=batch,
        free_height_mm=90.0,
        force=samples.force_channel,
        position=samples.position_channel,
        started=datetime(2026, 11, 1, 8, tzinfo=UTC) + timedelta(days=place),
        **fields,
    )
    folder.mkdir(parents=True, exist_ok=True)
    with CaptureWriter.create(folder, header) as writer:
        for start in range(0, len(samples), 256):
            writer.append(samples[start : start + 256])
        writer.end("as planned")
    return writer.path
