"""A newcomer's way without a terminal: three pieces by hand, an older batch beside them, a design sheet."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the daemon needs a Unix system", allow_module_level=True)
pytest.importorskip("selenium")

from command_line import RIGS, running, simulated, wait_until
from selenium import webdriver
from selenium.common.exceptions import WebDriverException
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import Select, WebDriverWait

from rig.capture import list_captures

PATIENCE_S = 120
"""All runs at once: the rig, the daemon, its page, the browser, and the command that answers."""

OLDER = Path(__file__).resolve().parents[2] / "captures"
HTTP = 8477


@pytest.fixture
def home() -> Iterator[Path]:
    """A short folder: the path of a socket holds about a hundred characters."""
    with tempfile.TemporaryDirectory(prefix="rig-") as folder:
        yield Path(folder).resolve()


@pytest.fixture
def driver() -> Iterator[webdriver.Chrome]:
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for option in ("--headless=new", "--no-sandbox", "--disable-gpu", "--window-size=1280,1000"):
        options.add_argument(option)
    driver = webdriver.Chrome(options, webdriver.ChromeService("/usr/bin/chromedriver"))
    yield driver
    driver.quit()


def test_three_pieces_are_recorded_compared_and_published_without_a_terminal(home, driver) -> None:
    captures = home / "captures"
    for number in (1, 2, 3):
        shutil.copytree(OLDER / f"example-F-90-00{number}", captures / f"example-F-90-00{number}")
    rig = ("--motion", "hand", "--specimen", "foam", "--cycles", 1000, "--speed-up", 4)
    with (
        simulated(home, *rig) as link,
        running(
            home, "serve", "--rig", RIGS / "virtual.yaml", "--port", link, "--out", captures, "--http", HTTP
        ),
    ):
        token = home / "pressrig" / "page-token"
        wait_until(token.is_file)
        walk(driver, captures, token.read_text(encoding="ascii").strip())


def walk(driver: webdriver.Chrome, captures: Path, token: str) -> None:
    def until(holds) -> None:
        WebDriverWait(driver, PATIENCE_S, poll_frequency=0.1).until(lambda _: holds())

    def at(name: str):
        return driver.find_element(By.ID, name)

    def text(name: str) -> str:
        return driver.execute_script("return document.getElementById(arguments[0])?.textContent ?? ''", name)

    def recorded() -> list[str]:
        return sorted(
            row.specimen for row in list_captures(captures) if row.batch == "winter mould" and row.samples
        )

    def enter() -> bool:
        try:
            driver.get("://".join(("http", f"localhost:{HTTP}/enter#{token}")))
        except WebDriverException:  # the page's process is not there yet
            return False
        return True

    until(enter)
    until(lambda: text("state") == "idle")
    Select(at("method")).select_by_value("recording")
    for field, entry in (
        ("specimen", "F-90-301"),
        ("batch", "winter mould"),
        ("height", "90 mm"),
        ("cycles", "4"),
    ):
        at(f"f-{field}").send_keys(entry)
    at("go").click()
    until(lambda: recorded() == ["F-90-301"])
    for specimens in (["F-90-301", "F-90-302"], ["F-90-301", "F-90-302", "F-90-303"]):
        until(lambda: text("state") == "idle" and at("go").is_enabled())
        at("rig").click()
        driver.find_element(By.TAG_NAME, "body").send_keys("n")
        until(lambda specimens=specimens: recorded() == specimens)
    until(lambda: text("state") == "idle")

    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", at("last-capture"))
    at("last-capture").click()
    until(lambda: text("title") == "F-90-303, winter mould")
    until(lambda: "Secant stiffness" in text("headline"))
    driver.find_element(By.LINK_TEXT, "Compare live with this").click()
    until(lambda: "F-90-303, kept" in text("loops"))

    driver.execute_script("window.scrollTo(0, 0)")
    driver.find_element(By.LINK_TEXT, "Captures and results").click()
    until(lambda: text("count") == "6 of 6 captures")
    at("all").click()
    until(lambda: text("picked") == "6 ticked")
    Select(at("ask-about")).select_by_value("sheet")
    until(lambda: driver.find_elements(By.NAME, "--model"))
    driver.find_element(By.NAME, "--model").send_keys("F-90")
    driver.find_element(By.NAME, "--although").send_keys("rate")
    at("go").click()
    until(lambda: text("how") and not text("how").startswith(("Running", "Waiting")))
    assert text("how") == "Done.", text("words")
    driver.switch_to.frame(at("page"))
    until(lambda: "winter mould" in driver.find_element(By.TAG_NAME, "body").text)
    assert "spring mould" in driver.find_element(By.TAG_NAME, "body").text
    driver.switch_to.default_content()
