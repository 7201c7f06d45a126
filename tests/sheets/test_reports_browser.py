"""Reports in a real browser: an automatic checker of accessibility finds nothing serious in them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

if not (Path("/usr/bin/chromium").exists() and Path("/usr/bin/chromedriver").exists()):
    pytest.skip("needs the browser chromium and its driver", allow_module_level=True)

from axe_core_python.selenium import Axe
from selenium import webdriver

CONFIGS = Path(__file__).parents[2] / "configs"

REPORTS = {
    "laboratories": ("study", CONFIGS / "studies/laboratories.csv"),
    "gauge": ("study", CONFIGS / "studies/hand_and_rig.csv"),
    "batches": ("compare", "--table", CONFIGS / "studies/two_batches.csv"),
    "lift": ("lift", "--near", "620 g", "--far", "580 g", "--span", "1.20 m"),
    "verification": (
        "verify", "force", CONFIGS / "calibrations/verification_readings.csv",
        "--rig", CONFIGS / "rigs/bench.yaml", "--certificate", "26-117", "--reference-u", "0.02 %",
    ),
}  # fmt: skip
"""The commands that write reports from tables; those from captures are tested with the workbench."""


@pytest.fixture(scope="module")
def browser():
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for option in ("--headless=new", "--no-sandbox", "--disable-gpu"):
        options.add_argument(option)
    driver = webdriver.Chrome(options, webdriver.ChromeService("/usr/bin/chromedriver"))
    yield driver
    driver.quit()


@pytest.mark.parametrize("report", REPORTS)
def test_an_automatic_checker_finds_nothing_serious_in_a_report(browser, tmp_path, report):
    words = [sys.executable, "-c", "from rig.cli import main; main()", *map(str, REPORTS[report])]
    subprocess.run([*words, "--out", str(tmp_path)], check=False, capture_output=True, cwd=tmp_path)
    [page] = tmp_path.glob("*.html")
    browser.get(page.as_uri())
    for width in (1280, 400):
        metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width == 400}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        assert browser.execute_script("return document.documentElement.scrollWidth") <= width
        for scheme in ("light", "dark"):
            media = [{"name": "prefers-color-scheme", "value": scheme}]
            browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": media})
            found = Axe().run(browser)["violations"]
            assert [each["id"] for each in found if each["impact"] in {"serious", "critical"}] == []
