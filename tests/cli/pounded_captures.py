"""Captures of many short presses, written without a rig, and the memory that a command takes over them.

An invented piece of 2.5 N/mm that is pressed 10 mm deep, softens by 3 % for each decade of cycles and takes
a set of 0.05 mm for each; a hundred samples to a cycle.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from command_line import PRESSRIG, environment

from rig.calibration import Calibration, Scale
from rig.capture import CaptureHeader, CaptureWriter
from rig.samples import Samples

SAMPLES = 100
RATE_HZ = 500.0
FORCE_STEP_N, POSITION_STEP_MM = 0.001, 0.005
STIFFNESS_N_PER_MM = 2.5
DEPTH_MM, GAP_MM = 10.0, 2.5
SOFTENING_PER_DECADE = 0.03
SET_MM_PER_DECADE = 0.05
BLOCK_CYCLES = 500


def pounded_capture(parent: Path, cycles: int) -> Path:
    """Write a capture of so many presses; its folder."""
    calibration = Calibration(Scale(FORCE_STEP_N), Scale(POSITION_STEP_MM))
    header = CaptureHeader(
        specimen="F-90 no. 7", batch="spring", free_height_mm=60.0, calibration=calibration.as_dict()
    )
    with CaptureWriter.create(parent, header) as writer:
        for block in _blocks(cycles):
            writer.append(block)
        writer.end("all presses made")
    return writer.path


def _blocks(cycles: int) -> Iterator[Samples]:
    rng = np.random.default_rng(3)
    rest = np.full(2 * SAMPLES, -GAP_MM)
    yield _samples(0, rest, np.zeros(len(rest)), rng)
    phase = np.arange(SAMPLES) / SAMPLES
    up = np.clip(1 - np.abs(phase - 0.45) / 0.35, 0, None)
    one = -GAP_MM + (DEPTH_MM + GAP_MM) * up
    for first in range(0, cycles, BLOCK_CYCLES):
        number = first + 1 + np.arange(min(BLOCK_CYCLES, cycles - first))
        decades = np.repeat(np.log10(number), SAMPLES)
        position = np.tile(one, len(number))
        going = np.tile(phase > 0.45, len(number))
        deflection = np.maximum(position - SET_MM_PER_DECADE * decades, 0)
        force = STIFFNESS_N_PER_MM * (1 - SOFTENING_PER_DECADE * decades) * deflection
        yield _samples((2 + first) * SAMPLES, position, force * np.where(going, 0.8, 1.0), rng)


def _samples(start: int, position_mm: np.ndarray, force_n: np.ndarray, rng: np.random.Generator) -> Samples:
    rows = start + np.arange(len(position_mm), dtype=np.int64)
    noise_n, noise_mm = rng.normal(0, 0.005, len(rows)), rng.normal(0, 0.001, len(rows))
    return Samples(
        rows,
        (rows / RATE_HZ * 1e6).astype(np.int64),
        np.rint((force_n + noise_n) / FORCE_STEP_N).astype(np.int32),
        np.rint((position_mm + 20 + noise_mm) / POSITION_STEP_MM).astype(np.int32),
        np.zeros(len(rows), np.uint8),
    )


def peak_memory_kib(home: Path, *arguments: object) -> int:
    """Largest resident size that the command reached, in KiB; its output goes to `home`/output.txt."""
    with (home / "output.txt").open("w") as output:
        process = subprocess.Popen(
            [PRESSRIG, *map(str, arguments)], stdout=output, env=environment(home), cwd=home
        )
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0
    return int(used.ru_maxrss)
