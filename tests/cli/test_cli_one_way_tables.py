"""The import guide's table of loading points is enough to analyse, compare, describe and set a gap."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

GUIDE = (Path(__file__).parents[2] / "rig" / "guides" / "import.md").read_text(encoding="utf-8")
TABLE = re.search(r"```csv\n(travel,load\n.*?)```", GUIDE, re.DOTALL)[1]
FACTORS = (1.0, 1.03, 1.12, 1.16)


@pytest.fixture
def captures(in_process, tmp_path):
    """Four pieces of two batches, each the README's table times a factor."""
    for place, factor in enumerate(FACTORS):
        rows = [line.split(",") for line in TABLE.split()[1:]]
        scaled = "\n".join(f"{travel},{float(load) * factor:.1f}" for travel, load in rows)
        (tmp_path / f"r{place}.csv").write_text(f"travel,load\n{scaled}\n")
        in_process(
            "import", f"r{place}.csv", "--position", "travel:mm", "--force", "load:N",
            "--specimen", f"F-90-01{place}", "--batch", "spring" if place < 2 else "autumn",
            "--free-height", "90 mm",
        )  # fmt: skip
    return sorted(map(str, (tmp_path / "captures").iterdir()))


def test_it_is_analysed_with_means_of_its_loading(in_process, captures):
    found = json.loads(in_process("analyse", *captures, "--json").out)["captures"][0]
    summary, cycle = found["summary"], found["cycles"][0]
    # 46.9 N at 30 mm; trapezoids of the README's four points
    assert summary["peak_force_n"]["mean"] == pytest.approx(46.9)
    assert summary["secant_n_per_mm"]["mean"] == pytest.approx(46.9 / 30)
    assert summary["energy_absorbed_mj"]["mean"] == pytest.approx(
        2.5 * (11.8 + 19.1) + 5 * (19.1 + 31.6) + 5 * (31.6 + 46.9), rel=1e-3
    )
    # what lies between the recorded zero and the first point is in doubt: at the most a triangle
    assert summary["energy_absorbed_mj"]["u"] > 5 * 11.8 / 2 / 2
    assert "hysteresis_pct" in cycle["spoilt"]["one way"]
    assert "peak_force_n" not in cycle["spoilt"]["one way"]


def test_a_row_at_zero_is_the_earliest_contact(in_process, tmp_path):
    (tmp_path / "zero.csv").write_text(TABLE.replace("load\n", "load\n0,0\n"))
    in_process("import", "zero.csv", "--position", "travel:mm", "--force", "load:N")
    (capture,) = (tmp_path / "captures").iterdir()
    (cycle,) = json.loads(in_process("analyse", capture, "--json").out)["captures"][0]["cycles"]
    assert cycle["contact_mm"] == 0
    assert cycle["peak_deflection_mm"] == pytest.approx(30)
    assert cycle["secant_n_per_mm"] == pytest.approx(46.9 / 30)
    assert cycle["energy_absorbed_mj"] == pytest.approx(
        2.5 * (11.8 + 11.8 + 19.1) + 5 * (19.1 + 31.6) + 5 * (31.6 + 46.9), rel=1e-3
    )


def test_it_is_compared(in_process, captures):
    assert "autumn is stiffer than spring" in in_process("compare", *captures).out


def test_it_makes_a_design_sheet_without_a_warning_of_numpy(in_process, captures):
    said = in_process("sheet", *captures, "--out", "sheet")
    assert "RuntimeWarning" not in said.err
    assert Path("sheet/sheet.html").is_file()


def test_it_gives_a_gap_and_says_that_no_loss_is_known(in_process, captures):
    said = in_process("nip", *captures, "--force", "30 N", "--wheel", "radius 60 mm", "--friction", "0.6")
    assert re.search(r"Set the gap to 7[0-9]\.", said.out)
    assert "No energy lost per pass" in said.out + said.err
