"""Twenty pieces squeezed by hand, ten lines a second, uneven speeds, are one sheet; all numbers invented."""

from __future__ import annotations

import json
import shutil
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
LOST_MM = (2.8, 3.1, 2.5)
SOFTER = 0.15
"""What abuse took of the height of three pieces, and of their stiffness."""
BEGUN = datetime(2026, 6, 1, 8, 0, tzinfo=UTC)
CALIBRATION = Calibration(Scale(0.005), Scale(0.02)).as_dict()


def by_hand(
    parent: Path,
    name: str,
    *,
    batch: str,
    stiffness: float,
    speed: float,
    seed: int,
    state: str = "new",
    lost_mm: float = 0.0,
) -> None:
    """Four squeezes of a straight spring, each with rests as a hand makes them; `lost_mm` are worn off."""
    rng = np.random.default_rng(seed)
    way = DEPTH_MM + GAP_MM
    stroke = np.linspace(0, 1, max(round(way / speed * RATE_HZ), 4))
    # a hand starts and stops gently
    course = -GAP_MM + way * (3 * stroke**2 - 2 * stroke**3)
    rest = np.full(12, -GAP_MM)
    path_mm = np.concatenate(
        [np.full(25, -GAP_MM), *[np.r_[course, course[::-1], rest] for _ in range(CYCLES)]]
    )
    force_n = stiffness * np.maximum(path_mm - lost_mm, 0) * (1 - 0.1 * (np.gradient(path_mm) < 0))
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
        notes="invented", conditions={"state": state, "position zero": "stop of the lever"},
        started=BEGUN + timedelta(minutes=seed),
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


@pytest.fixture(scope="module")
def with_abused(folder, tmp_path_factory) -> Path:
    """The same, and three pieces of the spring batch again after abuse."""
    parent = tmp_path_factory.mktemp("abused") / "captures"
    shutil.copytree(folder, parent)
    for place, lost_mm in enumerate(LOST_MM):
        stiffness = (1 - SOFTER) * STIFFNESS["spring"] * (1 + 0.03 * np.sin(place))
        by_hand(
            parent, f"s{place}", batch="spring", stiffness=stiffness, speed=9.0 + place, seed=50 + place,
            state="abused", lost_mm=lost_mm,
        )  # fmt: skip
    return parent


def test_speeds_of_a_hand_do_not_split_a_sheet(in_process, folder, tmp_path):
    document = json.loads(
        in_process("sheet", folder, "--conditioning", "1", "--out", tmp_path / "sheet", "--json").out
    )
    (comparable,) = document["sets"]
    assert {group: len(captures) for group, captures in comparable["captures"].items()} == {
        "spring, new": 10,
        "autumn, new": 10,
    }
    assert any("by hand" in note and "--strict" in note for note in comparable["notes"])
    means = {
        batch: STIFFNESS[batch] * (1 + 0.03 * np.mean(np.sin(np.arange(PER_BATCH)))) for batch in STIFFNESS
    }
    for batch, mean in means.items():
        # 25 % of 90 mm
        force = comparable["figures"][f"{batch}, new"]["at 25%.loading_n"]
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


def test_the_first_page_says_what_abuse_took_of_height_and_force(in_process, with_abused, tmp_path):
    said = in_process("sheet", with_abused, "--conditioning", "1", "--out", tmp_path / "sheet").out
    assert "abused is softer than new" in said
    assert "of height since the first capture (3 pieces" in said
    document = json.loads((tmp_path / "sheet" / "sheet.json").read_text(encoding="utf-8"))
    (together,) = document["sets"]
    lost = together["figures"]["spring, abused"]["height_lost_mm"]
    stiffness = [STIFFNESS["spring"] * (1 + 0.03 * np.sin(place)) for place in range(len(LOST_MM))]
    # both heights are those at the contact force, where a softer piece is pressed a little further
    contact_n = float(together["circumstances"]["contact force"].split()[0])
    further_mm = contact_n * np.mean([1 / (1 - SOFTER) / each - 1 / each for each in stiffness])
    assert abs(lost["mean"] - np.mean(LOST_MM) - further_mm) < 0.02  # of a position read in steps of 0.02 mm
    assert lost["low"] < np.mean(LOST_MM) < lost["high"]
    states = next(each for each in together["comparisons"] if "abused" in each["groups"])
    force = next(each for each in states["differences"] if each["quantity"] == "at 25%.loading_n")
    assert force["paired"]
    # 25 % of 90 mm
    assert abs(force["difference"] + SOFTER * 22.5 * np.mean(stiffness)) < 2 * force["u"]


def test_a_gap_meets_a_piece_as_tall_as_abuse_left_it(in_process, with_abused, tmp_path):
    in_process("sheet", with_abused, "--conditioning", "1", "--out", tmp_path / "sheet")
    document = json.loads((tmp_path / "sheet" / "sheet.json").read_text(encoding="utf-8"))
    rows = document["sets"][0]["round"]["metric"]["force_at_gap"]["spring, abused"]
    (at_80,) = (row["loading"] for row in rows if row["gap_mm"] == 80.0)
    left_n = [
        (1 - SOFTER) * STIFFNESS["spring"] * (1 + 0.03 * np.sin(place)) * (10 - lost_mm)
        for place, lost_mm in enumerate(LOST_MM)
    ]
    # a height lost to 0.03 mm is 0.06 N
    assert sorted(at_80["values"]) == pytest.approx(sorted(left_n), abs=0.15)
