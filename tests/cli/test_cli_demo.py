"""The demonstration, whole: what it says of batches and of abuse holds what was planted."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from command_line import done, pressrig

from rig.cli.demo import CYCLES, DEPTH_MM, SPEED_MM_PER_S
from rig.virtual import CycleTruth, VirtualRig, specimen_named
from rig.virtual.demo_floats import MOULDS, PIECES, Float, floats

pytestmark = pytest.mark.slow

CAPTURES = 2 * PIECES + 3 + 2
SAME_WAY = ("--contact-force", "0.2 N", "--conditioning", "1")
TRUTHS = ("secant_n_per_mm", "hysteresis_pct", "set_mm")


@pytest.fixture(scope="module")
def shown(tmp_path_factory) -> tuple[Path, str]:
    """Folder of the demonstration, and what it said."""
    home = tmp_path_factory.mktemp("demo")
    return home / "demo", done(home, "demo", "--out", home / "demo")


def test_the_demonstration_runs_twice_into_the_same_folder(shown):
    out, _ = shown
    said = done(out.parent, "demo", "--out", out)
    assert "invented" in said
    for batch, state in (("spring", "new"), ("spring", "abused"), ("autumn", "new")):
        assert any(batch in line and state in line for line in said.splitlines())
    assert str(out) in said.splitlines()[-1]
    captures = [path.parent for path in out.glob("*/capture.yaml")]
    assert len(captures) == 2 * CAPTURES
    assert all((capture / "end.yaml").exists() for capture in captures)


def test_the_demonstration_answers_before_it_shows_numbers(shown):
    out, said = shown
    assert re.search(
        r"autumn is softer than spring: .*at 25 % compression.*larger than the margin of 4 N", said
    )
    assert "abused has a higher permanent set than new" in said
    for page in ("by-batch", "by-state"):
        assert (out / page / "comparison.html").read_text(encoding="utf-8").startswith("<!")


def test_the_difference_planted_between_the_moulds_is_inside_the_stated_interval(shown):
    found = compared(shown[0], "batch", {each.name: each for each in floats() if each.state == "new"})
    spring, autumn = (mean_truth(nominal(mould.kind)) for mould in MOULDS)
    for name in TRUTHS:
        planted = autumn[name] - spring[name]
        assert found[name]["low"] <= planted <= found[name]["high"], name
        assert found[name]["n_first"] == found[name]["n_second"] == PIECES
        # the interval is no excuse: it tells the moulds apart
        assert found[name]["low"] > 0 or found[name]["high"] < 0, name


def test_what_abuse_did_to_three_floats_is_inside_the_stated_interval(shown):
    abused = {each.name: each for each in floats() if each.state == "abused"}
    found = compared(shown[0], "state", abused, states={"new", "abused"})
    new = {each.name: each for each in floats() if each.state == "new" and each.name in abused}
    for name in TRUTHS:
        planted = [mean_truth(abused[piece])[name] - mean_truth(new[piece])[name] for piece in abused]
        assert found[name]["paired"], "the same pieces are compared with themselves"
        assert found[name]["low"] <= np.mean(planted) <= found[name]["high"], name


def compared(out: Path, by: str, pieces: dict[str, Float], *, states: set[str] | None = None) -> dict:
    """Differences that `compare` states, by quantity."""
    chosen = []
    # of several demonstrations in the folder, the first
    for path in sorted(out.glob("*/capture.yaml"))[:CAPTURES]:
        text = path.read_text(encoding="utf-8")
        name = path.parent.name.rpartition("-")[2]
        state = "abused" if "state: abused" in text else "new"
        if name in pieces and "five squeezes" in text and state in (states or {"new"}):
            chosen.append(path.parent)
    made = pressrig(
        out.parent, "compare", *chosen, "--by", by, *SAME_WAY, "--quantities", ",".join(TRUTHS), "--json"
    )
    assert made.returncode == 0, made.stderr
    differences = json.loads(made.stdout)["comparison"]["differences"]
    return {each["quantity"]: each for each in differences}


def nominal(kind: str) -> Float:
    """What a mould makes on the average."""
    mould = next(each for each in MOULDS if each.kind == kind)
    return Float(
        "nominal", mould, kind, stiffer=1.0, lossier=1.0, settling=1.0, mass_g=60.0, across_mm=(90.0, 90.0)
    )


def mean_truth(piece: Float) -> dict[str, float]:
    """Truth of a float's counted cycles, from the specimen and never from counts."""
    specimen = piece.specimen()
    rig = VirtualRig(
        specimen, cycles=CYCLES, depth_mm=DEPTH_MM, speed_mm_per_s=SPEED_MM_PER_S, rest_s=2.0,
        contact_mm=20.0 + 90.0 - specimen.height_mm,
    )  # fmt: skip
    counted = rig.truth.cycles[1:CYCLES]
    return {name: float(np.mean([value(each, name) for each in counted])) for name in TRUTHS}


def value(cycle: CycleTruth, name: str) -> float:
    found = getattr(cycle, name)
    assert found is not None
    return float(found)


def test_the_design_sheet_says_so_with_the_planted_differences_inside_its_intervals(shown):
    out, said = shown
    assert str(out / "sheet" / "sheet.html") in said
    page = (out / "sheet" / "sheet.md").read_text(encoding="utf-8")
    short = page[: page.index("## The numbers as files")]
    assert "All numbers on this sheet are invented" in short
    for softer in ("autumn is softer than spring", "abused is softer than new"):
        assert re.search(rf"{softer}: .*at 25 % compression.*larger than the margin of 4 N", short)
    document = json.loads((out / "sheet" / "sheet.json").read_text(encoding="utf-8"))
    cycled = next(each for each in document["sets"] if "five squeezes" in each["circumstances"]["method"])
    spring, autumn = (mean_truth(nominal(mould.kind))["hysteresis_pct"] for mould in MOULDS)
    batches = next(each for each in cycled["comparisons"] if each["by"] == "batch")
    found = next(each for each in batches["differences"] if each["quantity"] == "hysteresis_pct")
    assert found["low"] <= autumn - spring <= found["high"]
    held = next(each for each in document["sets"] if each is not cycled)
    assert any(name.startswith("force_retention") for name in held["figures"]["spring, new"])


def test_floats_of_a_mould_spread_about_their_kind():
    for mould in MOULDS:
        stiffer = [each.stiffer for each in floats() if each.mould is mould and each.state == "new"]
        assert np.std(stiffer) == pytest.approx(0.03, abs=0.015)
        assert np.mean(stiffer) == pytest.approx(1.0, abs=0.03)
        assert specimen_named(mould.kind) == nominal(mould.kind).specimen()


def test_the_first_page_gives_the_height_that_the_abused_floats_lost(shown):
    document = json.loads((shown[0] / "sheet" / "sheet.json").read_text(encoding="utf-8"))
    cycled = next(each for each in document["sets"] if "five squeezes" in each["circumstances"]["method"])
    lost = cycled["figures"]["spring, abused"]["height_lost_mm"]
    specimens = {each.name: each.specimen() for each in floats() if each.state == "abused"}
    planted = [90.0 - specimen.height_mm for specimen in specimens.values()]
    # both captures are read at a contact force of 0.2 N, where a softer toe region gives a few microns
    assert lost["mean"] == pytest.approx(sum(planted) / len(planted), abs=0.02)
    assert lost["n"] == len(planted)
