"""Twenty pieces squeezed by hand, ten lines a second, uneven speeds, are one sheet; all numbers invented."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from rig.calibration import Calibration, Scale
from rig.capture import CaptureHeader, CaptureWriter
from rig.samples import Samples

RATE_HZ, DEPTH_MM, GAP_MM, CYCLES = 10.0, 30.0, 4.0, 4
STIFFNESS = {"spring": 2.4, "autumn": 1.7}
PER_BATCH = 10
BEGUN = datetime(2026, 6, 1, 8, 0, tzinfo=UTC)
CALIBRATION = Calibration(Scale(0.005), Scale(0.02)).as_dict()


def by_hand(parent: Path, name: str, *, batch: str, stiffness: float, speed: float, seed: int) -> None:
    """Four squeezes of a straight spring, each with rests as a hand makes them."""
    rng = np.random.default_rng(seed)
    way = DEPTH_MM + GAP_MM
    stroke = np.linspace(0, 1, max(round(way / speed * RATE_HZ), 4))
    # a hand starts and stops gently
    course = -GAP_MM + way * (3 * stroke**2 - 2 * stroke**3)
    rest = np.full(12, -GAP_MM)
    path_mm = np.concatenate(
        [np.full(25, -GAP_MM), *[np.r_[course, course[::-1], rest] for _ in range(CYCLES)]]
    )
    force_n = stiffness * np.maximum(path_mm, 0) * (1 - 0.1 * (np.gradient(path_mm) < 0))
    rows = np.arange(len(path_mm), dtype=np.int64)
    samples = Samples(
        rows,
        np.rint(rows / RATE_HZ * 1e6).astype(np.int64),
        np.rint((force_n + rng.normal(0, 0.02, len(rows))) / 0.005).astype(np.int32),
        np.rint((path_mm + 40 + rng.normal(0, 0.005, len(rows))) / 0.02).astype(np.int32),
        np.zeros(len(rows), np.uint8),
    )
    header = CaptureHeader(
        specimen=name, batch=batch, operator="A", free_height_mm=90.0, calibration=CALIBRATION,
        notes="invented", started=BEGUN + timedelta(minutes=seed),
    )  # fmt: skip
    with CaptureWriter.create(parent, header) as writer:
        writer.append(samples)
        writer.end("all presses made")


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("lever") / "captures"
    speeds = iter(np.linspace(7.0, 13.0, 2 * PER_BATCH))
    for number, (batch, place) in enumerate((b, p) for b in STIFFNESS for p in range(PER_BATCH)):
        stiffness = STIFFNESS[batch] * (1 + 0.03 * np.sin(place))
        name, speed = f"{batch[0]}{place}", float(next(speeds))
        by_hand(folder, name, batch=batch, stiffness=stiffness, speed=speed, seed=number)
    return folder


def test_speeds_of_a_hand_do_not_split_a_sheet(in_process, folder, tmp_path):
    document = json.loads(
        in_process("sheet", folder, "--conditioning", "1", "--out", tmp_path / "sheet", "--json").out
    )
    (alike,) = document["sets"]
    assert {group: len(captures) for group, captures in alike["captures"].items()} == dict.fromkeys(
        STIFFNESS, 10
    )
    assert any("by hand" in note and "--strict" in note for note in alike["notes"])
    means = {
        batch: STIFFNESS[batch] * (1 + 0.03 * np.mean(np.sin(np.arange(PER_BATCH)))) for batch in STIFFNESS
    }
    for batch, mean in means.items():
        # 25 % of 90 mm
        force = alike["figures"][batch]["at 25%.loading_n"]
        assert force["mean"] == pytest.approx(22.5 * mean, rel=0.01)
        assert force["low"] < 22.5 * mean < force["high"]


def test_the_first_page_is_short_and_asks_for_nothing(in_process, folder, tmp_path):
    said = in_process("sheet", folder, "--conditioning", "1", "--out", tmp_path / "sheet").out
    assert "missing: Mass" in said
    page = (tmp_path / "sheet" / "sheet.md").read_text(encoding="utf-8")
    first = page[: page.index("## The numbers as files")]
    assert "autumn is softer than spring" in first
    assert "missing" not in page.lower()
    assert "pressrig " not in first


def test_strict_lists_different_speeds_separately(in_process, folder, tmp_path):
    said = in_process("sheet", folder, "--strict", "--conditioning", "1", "--out", tmp_path / "sheet").out
    assert "different conditions (rate" in said
    assert '--although "rate' in said
