"""The calculator on a design sheet, in a real browser without a network, against interpolation by hand."""

from __future__ import annotations

import re
import shutil

import numpy as np
import pytest
from made_sheets import HEIGHT_MM, batch_of, facts_of, known, pressed
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import Select, WebDriverWait

from rig.aids import Nip, NipPiece, answer_nip
from rig.core.measured import Measured
from rig.population import Curve
from rig.results import design_sheet
from rig.sheets import save_design_sheet

LBF_PER_N = 1 / 4.4482216152605  # NIST SP 811
STIFFNESS = {"spring": [2.40, 2.50, 2.30], "autumn": [1.70, 1.80, 1.60]}

pytestmark = pytest.mark.skipif(
    shutil.which("chromium") is None or shutil.which("chromedriver") is None,
    reason="needs chromium and chromedriver (Debian: chromium, chromium-driver)",
)


def stiffening(results):
    """The same pieces, with a curve that bends: F = k d (1 + d / 50 mm)."""
    from dataclasses import replace

    bent = []
    for result in results:
        d = result.curve.deflection_mm
        force_n = result.values["secant_n_per_mm"] * d * (1 + d / 50)
        bent.append(replace(result, curve=Curve(d, force_n, 0.9 * force_n)))
    return bent


@pytest.fixture(scope="module")
def results():
    return stiffening([*batch_of(STIFFNESS["spring"], "spring"), *batch_of(STIFFNESS["autumn"], "autumn")])


@pytest.fixture(scope="module")
def page(tmp_path_factory, results):
    folder = tmp_path_factory.mktemp("calculator")
    path = save_design_sheet(design_sheet(results, facts_of(results), known(results)), folder)
    options = webdriver.ChromeOptions()
    for flag in ("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync"):
        options.add_argument(flag)
    driver = webdriver.Chrome(options, webdriver.ChromeService(shutil.which("chromedriver")))
    try:
        driver.execute_cdp_cmd("Network.enable", {})
        driver.execute_cdp_cmd(
            "Network.emulateNetworkConditions",
            {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0},
        )
        driver.get(path.as_uri())
        yield driver
    finally:
        driver.quit()


def asked(page, **fields: str) -> str:
    """What the calculator answers to these fields."""
    for name, value in fields.items():
        field = page.find_element(By.NAME, name.replace("_", "-"))
        if field.tag_name == "select":
            Select(field).select_by_visible_text(value)
        else:
            field.clear()
            field.send_keys(value)
    return WebDriverWait(page, 10).until(lambda driver: driver.find_element(By.TAG_NAME, "output").text)


def start(page) -> None:
    asked(
        page, known="gap", value="67.5", group="spring, new", piece="all pieces (mean)", length_unit="mm",
        force_unit="N", wheel="", friction="",
    )  # fmt: skip


def force_by_hand(results, batch: str, gap_mm: float) -> float:
    forces = [
        np.interp(HEIGHT_MM - gap_mm, each.curve.deflection_mm, each.curve.loading_n)
        for each in results
        if each.batch == batch
    ]
    return float(np.mean(forces))


@pytest.mark.parametrize(("batch", "gap_mm"), [("spring", 67.5), ("spring", 81.3), ("autumn", 60.0)])
def test_the_force_at_a_gap_is_that_of_interpolation_by_hand(page, results, batch, gap_mm):
    start(page)
    said = asked(page, group=f"{batch}, new", value=f"{gap_mm}")
    force_n = force_by_hand(results, batch, gap_mm)
    assert f"the mean force is {force_n:.{3 - int(np.floor(np.log10(force_n)))}f} N" in said


def test_inches_and_pounds_give_the_same_answer(page, results):
    start(page)
    said = asked(page, length_unit="in", force_unit="lbf", value="2.5")
    force_lbf = LBF_PER_N * force_by_hand(results, "spring", 2.5 * 25.4)
    assert "At a gap of 2.5000 in" in said
    assert f"{force_lbf:.2f} lbf" in said


def test_the_gap_for_a_force_is_that_of_the_nip(page, results):
    start(page)
    said = asked(page, known="force", value="50", wheel="200", friction="0.6")
    pieces = [NipPiece(each, Measured(HEIGHT_MM, 0.0)) for each in results if each.batch == "spring"]
    answer = answer_nip(pieces, Nip(force_n=50.0, wheels_mm=(100.0,), friction=Measured(0.6, 0.0)))
    gap = answer.figures["gap_mm"]
    assert f"Set the gap to {gap.mean:.2f} mm for 50.00 N" in said
    assert f"over {answer.travel_mm:.1f} mm of travel" in said
    assert f"grips with {answer.grip_n.value:.2f} N" in said
    low, high = map(float, re.search(r"interval of the mean: ([\d.]+) to ([\d.]+) mm", said).groups())
    assert (low, high) == pytest.approx((gap.low, gap.high), abs=0.02)
    low, high = map(float, re.search(r"90 % of pieces: ([\d.]+) to ([\d.]+) mm", said).groups())
    assert (low, high) == pytest.approx((gap.tolerance_low, gap.tolerance_high), abs=0.02)
    assert "draws in fingers" in said


def test_too_little_friction_is_said_not_to_draw_in(page):
    start(page)
    said = asked(page, known="force", value="50", wheel="200", friction="0.05")
    assert "Not drawn in" in said


def test_nothing_is_said_of_what_nobody_measured(page):
    start(page)
    assert "Not measured" in asked(page, value="20")
    assert "Not measured" in asked(page, known="force", value="5000")
    assert "enter a number above zero" in asked(page, value="-3")
    assert "enter a number above zero" in asked(page, value="3.5x")


def test_one_piece_shows_its_own_curve(page, results):
    start(page)
    said = asked(page, piece="spring-2")
    own = next(each for each in results if each.piece == "spring-2")
    force_n = float(np.interp(22.5, own.curve.deflection_mm, own.curve.loading_n))
    assert f"{force_n:.2f} N" in said
    assert "One piece" in said


def test_a_piece_without_a_height_gets_no_calculator(tmp_path):
    alone = [pressed("S1", 2.4)]
    path = save_design_sheet(design_sheet(alone, facts_of(alone, height_mm=None)), tmp_path)
    assert "calculator-data" not in path.read_text(encoding="utf-8")
