"""The workbench in a real browser: each way that a person goes, on a wide screen and on a telephone.

What a person does with the live page is tested in `tests/page`, the whole way from `serve` to a sheet in
`tests/cli/test_cli_serve_browser.py`.
"""

from __future__ import annotations

import os
from datetime import UTC, datetime
from functools import partial
from itertools import product
from pathlib import Path
from urllib.parse import quote

import pytest

pytest.importorskip("selenium")
if not (Path("/usr/bin/chromium").exists() and Path("/usr/bin/chromedriver").exists()):
    pytest.skip("needs the browser chromium and its driver", allow_module_level=True)
from axe_core_python.selenium import Axe
from bench_serving import browsing
from made_captures import write_capture, write_pull
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait

from rig.rigchecks import PieceCheck, read_checks
from rig.workbench.app import PAGES

CHROMIUM = "/usr/bin/chromium"
DRIVER = "/usr/bin/chromedriver"
PATIENCE_S = 90
"""An answer is a command of its own, and the machine may be busy."""

MARKUP = "<img src=x onerror=document.title='obeyed'>"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("bench")


@pytest.fixture(scope="module")
def named(folder):
    """The names of captures by their specimens."""
    made = {MARKUP: write_capture(folder / "captures", MARKUP, "<b>bold</b>", place=9).name}
    for place in range(3):
        for batch, first, stiffness in (("spring mould", 0, 2.0), ("autumn mould", 100, 1.5)):
            more = {"place": place, "stiffness": stiffness + place / 50}
            specimen = f"F-90-{first + place:03d}"
            made[specimen] = write_capture(folder / "captures", specimen, batch, **more).name
    for number in (1, 2):
        made[f"cap-{number}"] = write_pull(folder / "captures", f"cap-{number}", peak_n=22.0 + number).name
    for piece, person, turn in product((1, 2), "AB", (1, 2)):
        more = {"operator": person, "stiffness": 2.0 + piece / 4 + turn / 100, "place": 20 + turn}
        capture = write_capture(folder / "captures", f"K{piece}", "study", **more)
        made[f"K{piece} {person}{turn}"] = capture.name
    return made


ALL = 7 + 2 + 8
"""Captures in the list."""


@pytest.fixture(scope="module")
def rig(folder):
    """The file of a rig whose check standard was pressed on nine days."""
    path = folder / "bench.yaml"
    path.write_text('name: bench\nwire: {format: framed}\nforce: {per_count: "1 mN"}\n', encoding="utf-8")
    checks = read_checks(path)
    for day in range(9):
        at = datetime(2026, 11, 1 + day, 8, tzinfo=UTC)
        value = 3.3 + 0.002 * (day % 3)
        checks.add(PieceCheck(at, "K1", "secant_n_per_mm", value, 0.001, "N/mm", f"c{day}", "none"))
    return path


@pytest.fixture(scope="module")
def served(folder, named, rig):
    with browsing(folder / "captures", folder / "reports", rig) as address:
        yield address


@pytest.fixture(scope="module")
def driver():
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for option in ("--headless=new", "--no-sandbox", "--disable-gpu", "--window-size=1280,900"):
        options.add_argument(option)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    # what moves a platen by the wall's clock, in other tests, comes first
    aside = {"preexec_fn": partial(os.nice, 10)}
    driver = webdriver.Chrome(options, webdriver.ChromeService(DRIVER, popen_kw=aside))
    yield driver
    driver.quit()


AT_BOTH_WIDTHS = pytest.mark.parametrize("browser", [1280, 400], indirect=True)
"""For what a person clicks on at a desk and on a telephone."""


@pytest.fixture
def browser(driver, served, request):
    """A browser with nothing ticked, as wide as at a desk; a complaint of it fails the test."""
    driver.set_window_size(getattr(request, "param", 1280), 900)
    driver.get(served + "/captures")
    until(driver, lambda: text(driver, "rows"))  # by then it has kept what was ticked, and does not again
    driver.execute_script("sessionStorage.clear()")
    driver.get_log("browser")
    yield driver
    assert driver.get_log("browser") == []


def until(browser, holds):
    return WebDriverWait(browser, PATIENCE_S, poll_frequency=0.05).until(lambda _: holds())


def at(browser, name):
    return browser.find_element(By.ID, name)


def text(browser, name):
    return browser.execute_script("return document.getElementById(arguments[0]).textContent", name)


def cells(browser, name, column):
    rows = "[...document.querySelectorAll(`#${arguments[0]} tr`)]"
    return browser.execute_script(
        f"return {rows}.map(row => row.children[arguments[1]].textContent)", name, column
    )


def opened(browser, address):
    browser.get(address)
    until(browser, lambda: browser.execute_script("return document.readyState") == "complete")


@AT_BOTH_WIDTHS
def test_the_list_is_searched_and_sorted(browser, served) -> None:
    opened(browser, f"{served}/captures")
    until(browser, lambda: len(cells(browser, "rows", 1)) == ALL)
    at(browser, "text").send_keys("spring")
    until(browser, lambda: cells(browser, "rows", 1) == ["F-90-002", "F-90-001", "F-90-000"])
    heading = "document.evaluate(\"//th/button[text()='Specimen']\", document, null, 9, null).singleNodeValue"
    browser.execute_script(f"{heading}.click()")  # the list may be drawn anew between finding and clicking
    until(browser, lambda: cells(browser, "rows", 1) == ["F-90-000", "F-90-001", "F-90-002"])
    assert text(browser, "count") == f"3 of {ALL} captures"
    Select(at(browser, "batch")).select_by_visible_text("autumn mould")
    until(browser, lambda: text(browser, "count") == f"0 of {ALL} captures")


def test_names_with_markup_are_shown_as_text_everywhere(browser, served, named) -> None:
    name = named[MARKUP]
    shows = {"/captures": "rows", "/capture": "title", "/overlay": "rows", "/ask": "names"}
    assert set(shows) == set(PAGES)  # a new page is not forgotten
    for page, place in shows.items():
        opened(browser, f"{served}{page}?form=compare&capture={quote(name)}")
        words = "img" if page == "/ask" else MARKUP  # there the folder's name, which holds no mark
        until(browser, lambda place=place, words=words: words in text(browser, place))
        assert browser.title != "obeyed"
        assert browser.find_elements(By.CSS_SELECTOR, "img[src=x]") == []


@AT_BOTH_WIDTHS
def test_a_capture_shows_its_figures_loops_and_cycles(browser, served, named) -> None:
    name = named["F-90-000"]
    opened(browser, f"{served}/capture?capture={name}")
    until(browser, lambda: len(cells(browser, "cycles", 0)) == 4)
    # 2 N/mm squeezed by 20 mm, whatever else the page says
    assert [float(cell) for cell in cells(browser, "cycles", 1)] == pytest.approx([40.0] * 4, abs=0.1)
    assert [float(cell) for cell in cells(browser, "cycles", 3)] == pytest.approx([2.0] * 4, abs=0.02)
    assert "Secant stiffness2.0" in text(browser, "headline")
    drawn = "return document.querySelectorAll('#loops .scatterlayer .trace').length"
    until(browser, lambda: browser.execute_script(drawn) == 4)


def test_a_stretch_of_the_trace_is_fetched_anew(browser, served, named) -> None:
    name = named["F-90-000"]
    opened(browser, f"{served}/capture?capture={name}")
    until(browser, lambda: len(cells(browser, "cycles", 0)) == 4)
    browser.execute_script(
        "Plotly.relayout(document.getElementById('trace'), {'xaxis.range[0]': 1, 'xaxis.range[1]': 1.5})"
    )
    first = "return document.getElementById('trace').data[0].x[0]"
    until(browser, lambda: browser.execute_script(first) > 0.9)
    count = browser.execute_script("return document.getElementById('trace').data[0].x.length")
    assert 100 <= count <= 104  # half a second at 200 samples a second
    assert "Every sample" in text(browser, "thinned")


@AT_BOTH_WIDTHS
def test_ticked_captures_are_overlaid_and_compared(browser, served) -> None:
    opened(browser, f"{served}/captures")
    until(browser, lambda: len(cells(browser, "rows", 1)) == ALL)
    at(browser, "text").send_keys("mould")
    until(browser, lambda: text(browser, "count") == f"6 of {ALL} captures")
    at(browser, "all").click()
    until(browser, lambda: text(browser, "picked") == "6 ticked")
    at(browser, "to-overlay").click()
    until(browser, lambda: len(cells(browser, "rows", 0)) == 6)
    drawn = "return document.querySelectorAll('#loops .scatterlayer .trace').length"
    until(browser, lambda: browser.execute_script(drawn) == 6)
    Select(at(browser, "by")).select_by_value("batch")
    names = "return [...document.querySelectorAll('#loops .legendtext')].map(e => e.textContent)"
    until(browser, lambda: sorted(browser.execute_script(names)) == ["autumn mould", "spring mould"])
    address = browser.current_url
    opened(browser, address)  # the link opens it again with the same choices
    until(browser, lambda: sorted(browser.execute_script(names) or []) == ["autumn mould", "spring mould"])
    browser.find_element(By.LINK_TEXT, "Compare them").click()
    until(browser, lambda: browser.find_elements(By.NAME, "--margin"))
    browser.find_element(By.NAME, "--margin").send_keys("secant_n_per_mm=0.2 N/mm")
    at(browser, "go").click()
    until(
        browser,
        lambda: text(browser, "how") == "Done: a margin or a limit is not met, as the answer below says.",
    )
    assert "pressrig compare" in text(browser, "command")
    browser.switch_to.frame(at(browser, "page"))
    until(browser, lambda: "spring mould" in browser.find_element(By.TAG_NAME, "body").text)
    reaches = "try { return parent.document.title } catch { return 'nothing' }"
    assert browser.execute_script(reaches) == "nothing"  # a report is a stranger to the page around it
    browser.switch_to.default_content()


LINES = """return document.getElementById("loops").data
    .map(({name, x, y}) => ({name, x: [...x], y: [...y]}))"""
NAMES = """return document.getElementById("loops").data.map(({name}) => name).filter(Boolean)"""


def test_batches_are_overlaid_as_means_with_ranges_in_the_chosen_units(browser, served, named) -> None:
    chosen = "&".join(f"capture={named[f'F-90-{number:03d}']}" for number in (0, 1, 2, 100, 101, 102))
    opened(browser, f"{served}/overlay?{chosen}&draw=means&by=batch")
    drawn = "return Boolean(document.getElementById('loops').data)"
    until(browser, lambda: browser.execute_script(drawn))
    assert sorted(browser.execute_script(NAMES)) == ["autumn mould: mean of 3", "spring mould: mean of 3"]
    low, high, mean = browser.execute_script(LINES)[:3]
    stiffnesses = [2.0 + place / 50 for place in range(3)]  # N/mm, as the fixture makes them
    deepest = mean["x"][-1]
    assert deepest == pytest.approx(20.0, abs=0.05)
    for line, stiffness in ((low, stiffnesses[0]), (high, stiffnesses[2]), (mean, stiffnesses[1])):
        assert line["y"][-1] == pytest.approx(stiffness * deepest, rel=0.003)
    Select(at(browser, "units")).select_by_value("us")
    until(browser, lambda: browser.execute_script(LINES)[2]["x"][-1] < 1)
    _, _, mean = browser.execute_script(LINES)[:3]
    assert mean["x"][-1] == pytest.approx(deepest / 25.4)
    assert mean["y"][-1] == pytest.approx(stiffnesses[1] * deepest / 4.4482216, rel=0.003)
    assert "lbf/in" in text(browser, "heads")
    browser.execute_script("localStorage.clear()")


@AT_BOTH_WIDTHS
def test_a_cycle_is_excluded_with_a_reason_and_the_page_says_so(browser, served, named) -> None:
    name = named["F-90-101"]
    opened(browser, f"{served}/capture?capture={name}")
    until(browser, lambda: len(cells(browser, "cycles", 0)) == 4)
    browser.find_elements(By.LINK_TEXT, "exclude")[1].click()
    until(browser, lambda: browser.find_elements(By.NAME, "--reason"))
    assert browser.find_element(By.NAME, "--cycles").get_attribute("value") == "2"
    browser.find_element(By.NAME, "--reason").send_keys("slipped off")
    at(browser, "go").click()
    until(browser, lambda: text(browser, "how") == "Done.")
    opened(browser, f"{served}/capture?capture={name}")
    until(browser, lambda: any("slipped off" in cell for cell in cells(browser, "cycles", 7)))
    browser.find_element(By.LINK_TEXT, "restore").click()
    until(browser, lambda: browser.find_elements(By.NAME, "--reason"))
    browser.find_element(By.NAME, "--reason").send_keys("it did not")
    at(browser, "go").click()
    until(browser, lambda: text(browser, "how") == "Done.")
    opened(browser, f"{served}/capture?capture={name}")
    until(browser, lambda: len(cells(browser, "cycles", 0)) == 4)
    assert not any("slipped off" in cell for cell in cells(browser, "cycles", 7))


@AT_BOTH_WIDTHS
def test_a_header_is_amended_with_a_reason_and_the_record_is_shown(browser, served, named) -> None:
    name = named["F-90-102"]
    opened(browser, f"{served}/capture?capture={name}")
    until(browser, lambda: browser.find_elements(By.LINK_TEXT, "Amend"))
    browser.find_element(By.LINK_TEXT, "Amend").click()
    until(browser, lambda: browser.find_elements(By.NAME, "--operator"))
    operator = f"A. Reed {browser.execute_script('return innerWidth')}"
    browser.find_element(By.NAME, "--operator").send_keys(operator)
    browser.find_element(By.NAME, "--reason").send_keys("it was missing", Keys.ENTER)
    until(browser, lambda: text(browser, "how") == "Done.")
    opened(browser, f"{served}/capture?capture={name}")
    until(browser, lambda: operator in text(browser, "facts") and "it was missing" in text(browser, "facts"))


def test_a_capture_shows_its_calibration_and_events(browser, served, named) -> None:
    opened(browser, f"{served}/capture?capture={named['F-90-000']}")
    until(browser, lambda: cells(browser, "events", 1) == ["started", "ended"])
    assert "as planned" in cells(browser, "events", 2)[1]
    assert "none: raw counts" not in text(browser, "facts")


PIECES = tuple(f"F-90-{number:03d}" for number in (0, 1, 2, 100, 101, 102))
QUESTIONS = {
    "compare": (PIECES, {"--by": "batch"}, "spring mould"),
    "sheet": (PIECES, {"--model": "F-90"}, "Design sheet: F-90"),
    "nip": (
        PIECES[:3],
        {"--force": "30 N", "--wheel": "radius 60 mm", "--friction": "0.6 +- 0.1"},
        "Nip: gap for 30 N",
    ),
    "lift": ((), {"--near": "620 g", "--far": "580 g", "--span": "1.20 m"}, "The piece balances"),
    "pull": (("cap-1", "cap-2"), {"--threshold": "2 N"}, "comes off at 23.5"),
    "study": (
        tuple(f"K{piece} {person}{turn}" for piece in (1, 2) for person in "AB" for turn in (1, 2)),
        {"--quantity": "secant_n_per_mm"},
        "Gauge study",
    ),
}
"""Questions that are answered by a page: the captures by their specimens, entries, and what the page says."""


@pytest.mark.parametrize("question", QUESTIONS)
def test_each_question_is_answered_by_its_report_which_its_link_opens_again(
    browser, served, named, question
) -> None:
    specimens, entries, said = QUESTIONS[question]
    chosen = "".join(f"&capture={named[specimen]}" for specimen in specimens)
    opened(browser, f"{served}/ask?form={question}{chosen}")
    until(browser, lambda: browser.find_elements(By.NAME, next(iter(entries))))
    for option, entry in entries.items():
        field = browser.find_element(By.NAME, option)
        if field.tag_name == "select":
            Select(field).select_by_value(entry)
        else:
            field.send_keys(entry)
    at(browser, "go").click()
    until(browser, lambda: text(browser, "how").startswith(("Done", "Refused", "It failed", "The disk")))
    assert text(browser, "how").startswith("Done"), text(browser, "words")
    assert text(browser, "command").startswith(f"pressrig {question} ")
    fits_and_passes_the_checker(browser)
    inside = text_of_report(browser)
    assert said in inside
    link, report = browser.current_url, at(browser, "page").get_attribute("src")
    opened(browser, report)  # by itself, as the checker does not look into its frame
    fits_and_passes_the_checker(browser)
    opened(browser, link)
    until(browser, lambda: browser.find_elements(By.NAME, next(iter(entries))))
    again = {name: browser.find_element(By.NAME, name).get_attribute("value") for name in entries}
    assert again == entries
    assert len(browser.find_elements(By.CSS_SELECTOR, "#names li")) == len(specimens)


def fits_and_passes_the_checker(browser) -> None:
    """Look at an answer by day at a desk and by night on a telephone."""
    for width, scheme in ((1280, "light"), (400, "dark")):
        browser.set_window_size(width, 900)
        until(browser, lambda width=width: browser.execute_script("return innerWidth") == width)
        assert browser.execute_script("return document.documentElement.scrollWidth <= window.innerWidth")
        assert serious_findings(browser, scheme) == {}


def text_of_report(browser) -> str:
    """What the report inside the page says."""
    browser.switch_to.frame(at(browser, "page"))
    until(browser, lambda: browser.find_element(By.TAG_NAME, "body").text)
    inside = browser.find_element(By.TAG_NAME, "body").text
    browser.switch_to.default_content()
    return inside


@AT_BOTH_WIDTHS
def test_the_control_charts_of_the_rig_are_drawn(browser, served) -> None:
    opened(browser, f"{served}/ask")
    until(browser, lambda: browser.find_elements(By.LINK_TEXT, "Control charts"))
    browser.find_element(By.LINK_TEXT, "Control charts").click()
    until(browser, lambda: browser.find_elements(By.NAME, "--baseline"))
    at(browser, "go").click()
    until(browser, lambda: text(browser, "how") == "Done.")
    assert "set by 8 readings" in text(browser, "words")
    width = "return document.querySelector('#pictures img')?.naturalWidth ?? 0"
    until(browser, lambda: browser.execute_script(width) > 300)


@AT_BOTH_WIDTHS
def test_a_question_that_is_refused_says_what_to_correct(browser, served, named) -> None:
    opened(browser, f"{served}/ask?form=report&capture={named['F-90-000']}")
    until(browser, lambda: browser.find_elements(By.NAME, "--units"))
    at(browser, "go").click()
    until(browser, lambda: text(browser, "how") == "Refused: the message below says what to correct.")
    assert "the capture was recorded without one" in text(browser, "words")


@pytest.mark.parametrize("where", ["capture loops", "capture trace", "overlay loops"])
def test_a_picture_of_each_plot_can_be_saved(browser, served, named, tmp_path, where) -> None:
    page, plot = where.split()
    behaviour = {"behavior": "allow", "downloadPath": str(tmp_path)}
    browser.execute_cdp_cmd("Browser.setDownloadBehavior", behaviour)
    opened(browser, f"{served}/{page}?capture={named['F-90-000']}")
    lines = f"return document.querySelectorAll('#{plot} .scatterlayer .trace').length"
    until(browser, lambda: browser.execute_script(lines))
    browser.execute_script(f"document.querySelector('#{plot} .modebar-btn').click()")
    until(browser, lambda: list(tmp_path.glob("*.svg")))
    assert "<svg" in next(tmp_path.glob("*.svg")).read_text(encoding="utf-8")[:200]


@AT_BOTH_WIDTHS
def test_the_way_by_keyboard_alone(browser, served) -> None:
    opened(browser, f"{served}/captures")
    until(browser, lambda: len(cells(browser, "rows", 1)) == ALL)
    active = browser.switch_to.active_element
    for _ in range(40):
        active.send_keys(Keys.TAB)
        active = browser.switch_to.active_element
        if active.get_attribute("type") == "checkbox":
            break
    active.send_keys(Keys.SPACE)
    assert text(browser, "picked") == "1 ticked"
    for _ in range(20):
        active.send_keys(Keys.TAB)
        active = browser.switch_to.active_element
        if active.tag_name == "a" and "capture?" in (active.get_attribute("href") or ""):
            break
    active.send_keys(Keys.ENTER)
    until(browser, lambda: "/capture?" in browser.current_url)
    until(browser, lambda: text(browser, "facts"))


def in_scheme(browser, scheme):
    """Let the browser prefer light or dark colours, as a person chooses in the system's settings."""
    media = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": media})


def serious_findings(browser, scheme):
    """What an automatic checker of accessibility complains of, in one colour scheme."""
    in_scheme(browser, scheme)
    found = Axe().run(browser)["violations"]
    return {
        finding["id"]: [node["html"] for node in finding["nodes"]]
        for finding in found
        if finding["impact"] in ("serious", "critical")
    }


@pytest.mark.parametrize(("page", "plot"), [("capture", "trace"), ("capture", "loops"), ("overlay", "loops")])
def test_a_plot_takes_the_colours_of_the_scheme_that_is_chosen_while_it_is_open(
    browser, served, named, page, plot
) -> None:
    def drawn() -> tuple[str, str]:
        place = f"document.getElementById('{plot}')"
        return tuple(
            browser.execute_script(f"return {each}")
            for each in (f"{place}.layout.paper_bgcolor", f"{place}.data[0].line.color")
        )

    in_scheme(browser, "light")
    opened(browser, f"{served}/{page}?capture={named['F-90-000']}")
    until(browser, lambda: browser.execute_script(f"return !!document.getElementById('{plot}').data"))
    light = drawn()
    in_scheme(browser, "dark")
    until(browser, lambda: all(now != before for now, before in zip(drawn(), light, strict=True)))
    in_scheme(browser, "light")
    until(browser, lambda: drawn() == light)


@pytest.mark.parametrize("page", ["captures", "capture", "overlay", "ask"])
def test_the_pages_fit_and_an_automatic_checker_finds_nothing_serious(browser, served, named, page) -> None:
    opened(browser, f"{served}/{page}?form=nip&capture={named['F-90-000']}")
    filled = {"captures": "rows", "capture": "cycles", "overlay": "rows", "ask": "names"}
    until(browser, lambda: text(browser, filled[page]).strip())
    for width in (400, 1280, 2560):
        browser.set_window_size(width, 900)
        until(browser, lambda width=width: browser.execute_script("return innerWidth") == width)
        assert browser.execute_script("return document.documentElement.scrollWidth <= window.innerWidth")
    for width, scheme in product((400, 1280), ("dark", "light")):
        browser.set_window_size(width, 900)
        assert serious_findings(browser, scheme) == {}
