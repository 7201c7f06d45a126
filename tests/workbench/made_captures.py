"""Captures of an invented float: a few presses of a known triangle, written as a rig would."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from rig.capture import CaptureHeader, CaptureWriter
from rig.samples import RawChannel, Samples

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
    channels = RawChannel("N", 0.001), RawChannel("mm", 0.001)
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


def write_pull(folder: Path, specimen: str, *, peak_n: float) -> Path:
    """Write a capture of three pulls, each a triangle of force below zero, and return its folder."""
    seq = np.arange(3 * 8 * RATE_HZ)
    time_s = seq / RATE_HZ % 8.0
    position_mm = 30.0 - 4.0 * np.minimum(time_s, 8.0 - time_s)
    # pulled from 1 s on, at its peak at 2 s, off at 3 s, and back without force
    force_n = -peak_n * np.interp(time_s, [0, 1, 2, 3, 8], [0, 0, 1, 0, 0]) + 0.01 * np.sin(seq * 2.4)
    channels = RawChannel("N", 0.001), RawChannel("mm", 0.001)
    time_us = (seq * 1e6 / RATE_HZ).astype(np.int64)
    samples = Samples(seq, time_us, force_n, position_mm, np.zeros(len(seq), np.uint8), *channels, "device")
    header = CaptureHeader(
        specimen=specimen,
        batch="caps",
        force=samples.force_channel,
        position=samples.position_channel,
        started=datetime(2026, 11, 20, 8, tzinfo=UTC),
    )
    with CaptureWriter.create(folder, header) as writer:
        writer.append(samples)
        writer.end("as planned")
    return writer.path
