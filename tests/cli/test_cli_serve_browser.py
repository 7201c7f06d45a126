"""A newcomer's way without terminal and mouse: three pieces by hand, compared with an older batch,
and a design sheet of all.
"""

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
if not (Path("/usr/bin/chromium").exists() and Path("/usr/bin/chromedriver").exists()):
    pytest.skip("needs the browser chromium and its driver", allow_module_level=True)

from command_line import RIGS, free_port, running, simulated, wait_until
from selenium import webdriver
from selenium.common.exceptions import TimeoutException, WebDriverException
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from rig.capture import list_captures

PATIENCE_S = 120
"""All runs at once: the rig, the daemon, its page, the browser, and the command that answers."""

MOST_STEPS = 250
"""Of the Tab key: more lie on no page."""

FOCUSED = """const found = document.activeElement;
    const look = getComputedStyle(found);
    return {id: found.id, name: found.name ?? "", text: found.textContent.trim(),
      seen: look.outlineStyle !== "none" && parseFloat(look.outlineWidth) >= 2};"""
"""What has the focus, and whether a person sees that."""

OLDER = Path(__file__).resolve().parents[2] / "captures"


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
    captures, http = home / "captures", free_port()
    for number in (1, 2, 3):
        shutil.copytree(OLDER / f"example-F-90-00{number}", captures / f"example-F-90-00{number}")
    rig = ("--motion", "hand", "--specimen", "foam", "--cycles", 1000, "--speed-up", 4)
    with (
        simulated(home, *rig) as link,
        running(
            home, "serve", "--rig", RIGS / "virtual.yaml", "--port", link, "--out", captures, "--http", http
        ),
    ):
        token = home / "pressrig" / "page-token"
        wait_until(token.is_file)
        address = "://".join(("http", f"localhost:{http}/enter#{token.read_text(encoding='ascii').strip()}"))
        walk(Keyboard(driver), captures, address)


class Keyboard:
    """A person at the page who has no mouse."""

    def __init__(self, driver: webdriver.Chrome) -> None:
        self.driver = driver

    def until(self, holds) -> None:
        try:
            WebDriverWait(self.driver, PATIENCE_S, poll_frequency=0.1).until(lambda _: holds())
        except TimeoutException:
            said = [f"{name}: {self.text(name)}" for name in ("state", "start-answer", "said", "how", "last")]
            raise AssertionError(f"{self.driver.current_url.partition('#')[0]} shows {said}") from None

    def text(self, name: str) -> str:
        return self.driver.execute_script(
            "return document.getElementById(arguments[0])?.textContent ?? ''", name
        )

    def press(self, *keys: str) -> None:
        ActionChains(self.driver).send_keys(*keys).perform()

    def reach(self, wanted: str, *, back: bool = False) -> None:
        """Press Tab until an element has the focus that has this id, name or text; a person must see it."""
        for _ in range(MOST_STEPS):
            found = self.driver.execute_script(FOCUSED)
            if wanted in {found["id"], found["name"], found["text"]}:
                assert found["seen"], f"{wanted} has the focus, and nobody sees it"
                return
            step = ActionChains(self.driver)
            (
                step.key_down(Keys.SHIFT).send_keys(Keys.TAB).key_up(Keys.SHIFT)
                if back
                else step.send_keys(Keys.TAB)
            )
            step.perform()
        raise AssertionError(f"{wanted}: found no way to it by the Tab key")


def walk(keyboard: Keyboard, captures: Path, address: str) -> None:
    driver, until, text = keyboard.driver, keyboard.until, keyboard.text
    reach, press = keyboard.reach, keyboard.press

    def recorded() -> list[str]:
        return sorted(
            row.specimen for row in list_captures(captures) if row.batch == "winter mould" and row.samples
        )

    def enter() -> bool:
        try:
            driver.get(address)
        except WebDriverException:  # the page's process is not there yet
            return False
        return True

    def can_start(after: str = "") -> bool:
        """Whether the page says that the job of a piece has ended, and offers the next."""
        enabled = driver.execute_script("return document.getElementById('go')?.disabled === false")
        return after in text("last") and text("state") == "idle" and enabled

    until(enter)
    until(can_start)
    reach("method")
    press("record while")
    for field, entry in (
        ("specimen", "F-90-301"),
        ("batch", "winter mould"),
        ("height", "90 mm"),
        ("cycles", "4"),
    ):
        reach(f"f-{field}")
        press(entry)
    reach("go")
    press(Keys.SPACE)
    until(lambda: recorded() == ["F-90-301"])
    for specimens in (["F-90-301", "F-90-302"], ["F-90-301", "F-90-302", "F-90-303"]):
        until(lambda specimens=specimens: can_start(after=specimens[-2]))
        press("n")
        until(lambda specimens=specimens: recorded() == specimens)
    until(lambda: can_start(after="F-90-303"))

    reach("last-capture")
    press(Keys.ENTER)
    until(lambda: text("title") == "F-90-303, winter mould")
    until(lambda: "Secant stiffness" in text("headline"))
    reach("Compare live with this")
    press(Keys.ENTER)
    until(lambda: "F-90-303, kept" in text("loops"))

    reach("Captures and results")
    press(Keys.ENTER)
    until(lambda: text("count") == "6 of 6 captures")
    reach("all")
    press(Keys.SPACE)
    until(lambda: text("picked") == "6 ticked")
    reach("to-ask")
    press(Keys.ENTER)

    until(lambda: text("forms"))
    answer(keyboard, "Compare", {"--against": "spring mould", "--although": "rate"})
    assert "winter mould" in report(driver)
    answer(keyboard, "Design sheet", {"--model": "F-90", "--although": "rate"})
    sheet = report(driver)
    assert "Design sheet: F-90" in sheet
    assert "winter mould" in sheet
    assert "spring mould" in sheet


def answer(keyboard: Keyboard, question: str, entries: dict[str, str]) -> None:
    """Choose a question above where the focus is, fill in its form, and wait for the answer."""
    keyboard.reach(question, back=True)
    keyboard.press(Keys.ENTER)
    keyboard.until(lambda: keyboard.text("title") == question and keyboard.text("names"))
    for option, entry in entries.items():
        keyboard.reach(option)
        keyboard.press(entry)
    keyboard.press(Keys.ENTER)
    keyboard.until(
        lambda: keyboard.text("how") and not keyboard.text("how").startswith(("Running", "Waiting"))
    )
    assert keyboard.text("how").startswith("Done"), keyboard.text("words")
    # the answer has come into sight, and the keyboard goes on from there
    keyboard.until(lambda: keyboard.driver.execute_script(FOCUSED)["id"] == "answer-title")


def report(driver: webdriver.Chrome) -> str:
    """What the report of the answer says."""
    driver.switch_to.frame("page")
    try:
        WebDriverWait(driver, PATIENCE_S, poll_frequency=0.1).until(
            lambda _: driver.execute_script("return document.body.innerText")
        )
        return driver.execute_script("return document.body.innerText")
    finally:
        driver.switch_to.default_content()
