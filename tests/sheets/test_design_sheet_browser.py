"""The design sheet in a real browser: at both widths, without a network, and printed."""

from __future__ import annotations

import base64
import re
import shutil
import subprocess
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest

if not (Path("/usr/bin/chromium").exists() and Path("/usr/bin/chromedriver").exists()):
    pytest.skip("needs the browser chromium and its driver", allow_module_level=True)

from axe_core_python.selenium import Axe
from made_sheets import batch_of, facts_of, known
from PIL import Image
from selenium import webdriver
from selenium.webdriver.common.by import By

from rig.results import design_sheet
from rig.sheets import save_design_sheet

A4_IN, LETTER_IN = (8.27, 11.69), (8.5, 11.0)
DESKTOP_PX, PHONE_PX = 1280, 360
USUAL_PHONE_PX = 400
FILLED = 0.85
"""Share of a page of paper that is used before the next one begins; whole tables would leave a quarter."""


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    """A browser that shows a sheet; whatever it complains of fails the tests."""
    folder = tmp_path_factory.mktemp("sheet")
    results = batch_of([2.4, 2.5, 2.3, 2.45], "spring") + batch_of([1.7, 1.8, 1.75], "autumn")
    page = save_design_sheet(design_sheet(results, facts_of(results), known(results), model="F-90"), folder)
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for option in ("--headless=new", "--no-sandbox", "--disable-gpu"):
        options.add_argument(option)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options, webdriver.ChromeService("/usr/bin/chromedriver"))
    driver.get(page.as_uri())
    yield driver
    complaints = driver.get_log("browser")
    driver.quit()
    assert complaints == []


def shown_at(browser, width_px):
    metrics = {"width": width_px, "height": 900, "deviceScaleFactor": 1, "mobile": width_px <= USUAL_PHONE_PX}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


@pytest.mark.parametrize("width_px", [DESKTOP_PX, PHONE_PX])
def test_the_page_fits_its_window_and_only_tables_scroll(browser, width_px):
    shown_at(browser, width_px)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width_px
    beyond = browser.execute_script(
        "return [...document.querySelectorAll('h1,h2,h3,p,li,img,figcaption')]"
        ".filter(e => e.getBoundingClientRect().right > innerWidth + 1).map(e => e.textContent.slice(0, 40))"
    )
    assert beyond == []


def test_every_column_of_the_first_page_is_in_sight_on_a_phone(browser, tmp_path):
    groups = {
        "spring mould": [2.4, 2.5, 2.3],
        "autumn mould": [1.7, 1.8, 1.75],
        "winter mould": [2.0, 2.1, 2.2],
    }
    results = [result for batch, means in groups.items() for result in batch_of(means, batch)]
    figures = design_sheet(results, facts_of(results), known(results), model="F-90")
    page, before = save_design_sheet(figures, tmp_path, units="us"), browser.current_url
    shown_at(browser, USUAL_PHONE_PX)
    browser.get(page.as_uri())
    headings, hidden = browser.execute_script(
        "return [[...document.querySelectorAll('.first thead th')].map(e => e.textContent),"
        "[...document.querySelectorAll('.first th, .first td')]"
        ".filter(e => e.getBoundingClientRect().right > innerWidth).map(e => e.textContent)]"
    )
    browser.get(before)
    assert "adjust over" in headings
    assert hidden == []


def test_every_picture_is_there_and_nothing_was_fetched(browser):
    drawn = browser.execute_script("return [...document.images].map(e => e.complete && e.naturalWidth > 100)")
    assert drawn == [True] * 3
    fetched = browser.execute_script(
        "return performance.getEntriesByType('resource').map(e => e.name).filter(n => !n.startsWith('data:'))"
    )
    assert fetched == []


def colours(browser):
    """Ink and paper, as red, green and blue."""
    found = browser.execute_script(
        "const s = getComputedStyle(document.body); return [s.color, s.backgroundColor]"
    )
    return ([int(each) for each in re.findall(r"\d+", colour)[:3]] for colour in found)


def test_text_is_dark_on_white(browser):
    ink, paper = colours(browser)
    assert paper == [255, 255, 255]
    assert max(ink) < 80


def test_on_a_dark_screen_text_and_pictures_are_light_on_dark_and_paper_stays_white(browser):
    shown_at(browser, DESKTOP_PX)
    dark = [{"name": "prefers-color-scheme", "value": "dark"}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "screen", "features": dark})
    try:
        ink, paper = colours(browser)
        assert max(paper) < 60
        assert min(ink) > 180
        browser.execute_script("document.querySelector('img.drawn').scrollIntoView({block: 'center'})")
        picture = browser.find_element(By.CSS_SELECTOR, "img.drawn").screenshot_as_png
        shades = np.asarray(Image.open(BytesIO(picture)).convert("L"))
        assert np.median(shades) < 60
        found = Axe().run(browser)["violations"]
        assert [each["id"] for each in found if each["impact"] in {"serious", "critical"}] == []
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print", "features": dark})
        ink, paper = colours(browser)
        assert paper == [255, 255, 255]
        assert max(ink) < 80
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})


@pytest.mark.parametrize("paper_in", [A4_IN, LETTER_IN], ids=["A4", "Letter"])
def test_it_prints_on_pages_of_paper_with_nothing_cut_at_the_side(browser, paper_in):
    shown_at(browser, DESKTOP_PX)
    sheet = {"paperWidth": paper_in[0], "paperHeight": paper_in[1], "printBackground": True}
    pdf = base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", sheet)["data"])
    assert pdf.startswith(b"%PDF")
    # a page is scaled down where something on it is too wide
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", pdf)
    assert boxes
    for width, height in boxes:
        assert float(width) == pytest.approx(72 * paper_in[0], abs=1.5)
        assert float(height) == pytest.approx(72 * paper_in[1], abs=1.5)
    width_px = round(96 * (paper_in[0] - 28 / 25.4))
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    shown_at(browser, width_px)
    wide = browser.execute_script(
        "return [...document.querySelectorAll('table,img')]"
        ".filter(e => e.getBoundingClientRect().right > innerWidth + 1)"
        ".map(e => (e.caption || e).textContent.slice(0, 60))"
    )
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert wide == []


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs pdftoppm, of poppler-utils")
@pytest.mark.parametrize("paper_in", [A4_IN, LETTER_IN], ids=["A4", "Letter"])
def test_no_page_of_paper_but_the_last_is_left_half_empty(browser, paper_in, tmp_path):
    shown_at(browser, DESKTOP_PX)
    batches = (("spring", 2.4), ("autumn", 1.7), ("winter", 2.0), ("summer", 2.9))
    results = [each for name, k in batches for each in batch_of([k, 1.04 * k, 0.97 * k, 1.02 * k], name)]
    page = save_design_sheet(design_sheet(results, facts_of(results), known(results)), tmp_path)
    before = browser.current_url
    browser.get(page.as_uri())
    sheet = {"paperWidth": paper_in[0], "paperHeight": paper_in[1], "printBackground": True}
    pdf = base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", sheet)["data"])
    browser.get(before)
    (tmp_path / "sheet.pdf").write_bytes(pdf)
    subprocess.run(["pdftoppm", "-r", "36", "-gray", tmp_path / "sheet.pdf", tmp_path / "page"], check=True)
    filled = []
    for image in sorted(tmp_path.glob("page*.pgm")):
        grey = np.asarray(Image.open(image))
        # between the margins of the style sheet: the line below them has the page's number
        top, bottom = (round(edge_mm / 25.4 * 36) for edge_mm in (15, 25.4 * paper_in[1] - 18))
        inked = np.flatnonzero((grey[top:bottom] < 200).any(axis=1))
        filled.append((inked[-1] + 1) / (bottom - top))
    assert len(filled) >= 4
    # the first page stands by itself
    assert min(filled[1:-1]) > FILLED, filled
