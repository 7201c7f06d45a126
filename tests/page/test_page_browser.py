"""The live page in a real browser: it draws, fills, halts, and keeps to itself."""

import os
import sys
from functools import partial
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the control socket is a Unix socket", allow_module_level=True)

if not (Path("/usr/bin/chromium").exists() and Path("/usr/bin/chromedriver").exists()):
    pytest.skip("needs the browser chromium and its driver", allow_module_level=True)

from axe_core_python.selenium import Axe
from page_serving import origin, serving
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait
from stand_in_desk import CAUTIONS, HEIGHT, METHODS, PEAK_MM, PREVIEW, WANTED, force_at, standing_in

from rig.jobs.orders import HeightOrder
from rig.workbench import STATIC, workbench_routers

sys.path.append(str(Path(__file__).parents[1] / "workbench"))
from made_captures import write_capture

CHROMIUM = "/usr/bin/chromium"
DRIVER = "/usr/bin/chromedriver"
PATIENCE_S = 60
TOKEN = "float-net-harbour-0412"


@pytest.fixture(scope="module")
def browser():
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    calm = "--force-prefers-reduced-motion"  # a quarter less to draw
    for option in ("--headless=new", "--no-sandbox", "--disable-gpu", "--window-size=1280,800", calm):
        options.add_argument(option)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    # what moves a platen by the wall's clock, in other tests, comes first
    aside = {"preexec_fn": partial(os.nice, 10)}
    driver = webdriver.Chrome(options, webdriver.ChromeService(DRIVER, popen_kw=aside))
    yield driver
    driver.quit()


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    path = tmp_path_factory.mktemp("browser") / "desk"
    with standing_in(path) as desk, serving(path) as port:
        yield desk, port


@pytest.fixture
def desk(served):
    desk, _ = served
    desk.begin_anew()
    return desk


AT_BOTH_WIDTHS = pytest.mark.parametrize("page", [1280, 400], indirect=True)
"""For what a person does at a desk and with a telephone in the hand."""


@pytest.fixture
def page(browser, desk, served, request):
    """The page, seeing a job with twelve cycles; whatever the browser complains of fails the test."""
    browser.set_window_size(getattr(request, "param", 1280), 800)
    desk.pass_cycles(12)
    browser.get_log("browser")
    browser.get(origin(served[1]))
    until(browser, lambda: text(browser, "state") == "running")
    yield browser
    assert browser.get_log("browser") == []


def until(browser, holds):
    return WebDriverWait(browser, PATIENCE_S, poll_frequency=0.05).until(lambda _: holds())


def at(browser, name):
    return browser.find_element(By.ID, name)


def text(browser, name):
    return browser.execute_script("return document.getElementById(arguments[0]).textContent", name)


ROWS = """return [...document.querySelectorAll("#cycles tbody tr")]
    .map(row => [...row.cells].map(cell => cell.textContent))"""
TICK_ALL = """const boxes = [...document.querySelectorAll("#cautions input")];
    boxes.forEach(box => box.click());
    return boxes.length"""
PATHS = """return [...document.querySelectorAll(`#${arguments[0]} .scatterlayer path`)]
    .map(path => path.getAttribute("d"))"""


NAMES = """return [...document.querySelectorAll("#trace .annotation-text")].map(name => name.textContent)"""
"""Read in one go: a plot is drawn anew many times a second."""


def rows(browser):
    return browser.execute_script(ROWS)


def drawn(browser, name):
    """The lines and marks that a plot consists of."""
    return browser.execute_script(PATHS, name)


def test_the_curves_draw_with_their_points(page):
    until(page, lambda: len(drawn(page, "loops")) >= 5)
    # Each loop has 82 points, of which collinear ones may be joined.
    assert max(path.count(",") for path in drawn(page, "loops")) > 30
    until(page, lambda: any(path.count(",") > 30 for path in drawn(page, "trace")))
    until(page, lambda: page.execute_script(NAMES) == ["force, N", "position, mm"])
    # Four quantities over the cycles seen, one of which is missing in the first.
    until(page, lambda: len(drawn(page, "trend")) >= 4 * 12 - 1)


def test_the_trend_can_be_drawn_over_the_logarithm_of_cycles(page):
    until(page, lambda: drawn(page, "trend"))
    before = drawn(page, "trend")
    page.execute_script("document.getElementById('trend-log').scrollIntoView({block: 'center'})")
    at(page, "trend-log").click()
    script = "return document.getElementById('trend').layout.xaxis.type"
    until(page, lambda: page.execute_script(script) == "log")
    assert len(drawn(page, "trend")) >= len(before)


def test_the_table_fills_newest_first(desk, page):
    until(page, lambda: len(rows(page)) >= 12)
    desk.pass_cycles(3)
    until(page, lambda: len(rows(page)) >= 15)
    shown = rows(page)
    numbers = [int(row[0]) for row in shown]
    assert numbers == list(range(numbers[0], 0, -1))
    # Cycle 7 is flagged; the set of cycle 1 cannot be had.
    assert shown[-7][-1] == "slipped"
    assert shown[-1][6] == "\N{EN DASH}"
    # 1.9 N/mm x 22 mm x (1 + (22/34)^2) x (1 - 0.055 log10 2) = 58.32 N, by hand.
    assert shown[-1][1] == "58.32"


def test_numbers_progress_and_limits_are_shown(page):
    assert f"of {WANTED}" in text(page, "cycle")
    assert "% done" in text(page, "progress-words")
    assert "left" in text(page, "progress-words")
    bar = page.find_element(By.CSS_SELECTOR, "#force-bar .track")
    assert (bar.get_attribute("aria-valuemin"), bar.get_attribute("aria-valuemax")) == ("-10", "120")
    beside = text(page, "auxiliary")
    assert "specimen" in beside
    # what only the device knows goes by its own name and unit
    assert "air pressure 101.3 kPa, force 2 \N{MINUS SIGN}1.50 N" in beside


@AT_BOTH_WIDTHS
def test_the_halt_button_halts_and_says_that_it_did(desk, page):
    at(page, "halt").click()
    until(page, lambda: text(page, "halt-words").startswith("Halted at "))
    assert [(said["ask"], said["who"]) for said in desk.asked("halt")] == [("halt", "page")]
    assert text(page, "state") == "idle"


@AT_BOTH_WIDTHS
def test_escape_halts_even_while_a_field_is_filled_in(desk, page):
    at(page, "f-specimen").send_keys("F90", Keys.ESCAPE)
    until(page, lambda: desk.halted)


def test_a_halt_that_does_not_get_through_points_to_the_emergency_stop(desk, page):
    desk.answers["halt"] = {"refused": "halt: found no drive"}
    at(page, "halt").click()
    until(page, lambda: "Use the emergency stop" in text(page, "halt-words"))
    assert len(desk.asked("halt")) == 3
    # The browser itself notes each answer that is a refusal.
    assert all("409" in entry["message"] for entry in page.get_log("browser"))


@AT_BOTH_WIDTHS
def test_the_halt_button_is_in_sight_wherever_the_page_is(page):
    page.execute_script("window.scrollTo(0, document.body.scrollHeight)")
    script = """const box = document.getElementById("halt").getBoundingClientRect();
        const top = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
        return [top.closest("#halt") !== null, box.bottom <= innerHeight, box.height]"""
    on_top, inside, height = page.execute_script(script)
    assert on_top
    assert inside
    assert height >= 60


@AT_BOTH_WIDTHS
def test_a_step_off_the_rig_is_asked_for_and_confirmed(desk, page):
    desk.asks = "Turn the float over and close the guard."
    until(page, lambda: at(page, "asks").is_displayed())
    assert text(page, "asks-text") == desk.asks
    at(page, "proceed").click()
    until(page, lambda: not at(page, "asks").is_displayed())
    assert len(desk.asked("proceed")) == 1


@AT_BOTH_WIDTHS
def test_a_job_is_started_once_all_cautions_are_ticked(desk, page):
    desk.halted = True
    until(page, lambda: at(page, "go").is_enabled())
    at(page, "f-specimen").send_keys("F90-0413")
    at(page, "f-height").send_keys("90")
    page.execute_script("document.getElementById('start').requestSubmit()")
    assert desk.asked("start") == []
    assert page.execute_script(TICK_ALL) == len(CAUTIONS)
    page.execute_script("document.getElementById('start').requestSubmit()")
    until(page, lambda: text(page, "start-answer") == "Started: job 2.")
    [asked] = desk.asked("start")
    assert len(desk.asked("acknowledge")) == 1
    assert (asked["order"]["text"], asked["order"]["card"]["free_height_mm"]) == (METHODS[0]["text"], 90)
    # The new job's table begins anew.
    until(page, lambda: text(page, "state") == "running" and len(rows(page)) < 12)


def test_a_height_in_inches_is_started_in_millimetres_and_what_is_no_height_is_refused(desk, page):
    desk.halted = desk.read_today = True
    until(page, lambda: at(page, "go").is_enabled())
    at(page, "f-specimen").send_keys("F90-0413")
    at(page, "f-height").send_keys("3.54 i")
    page.execute_script("document.getElementById('start').requestSubmit()")
    until(page, lambda: text(page, "start-answer").startswith("Not started: Free height, mm: found '3.54 i'"))
    assert at(page, "f-height").get_attribute("aria-invalid") == "true"
    assert desk.asked("start") == []
    at(page, "f-height").send_keys("n")
    until(page, lambda: at(page, "go").is_enabled())
    page.execute_script("document.getElementById('start').requestSubmit()")
    until(page, lambda: text(page, "start-answer") == "Started: job 2.")
    assert desk.asked("start")[0]["order"]["card"]["free_height_mm"] == pytest.approx(89.916)
    page.get_log("browser")  # it notes each answer that is a refusal


@AT_BOTH_WIDTHS
def test_what_will_move_is_said_for_this_specimen_before_it_is_started(desk, page):
    desk.halted = True
    until(page, lambda: at(page, "go").is_enabled())
    page.execute_script("document.querySelector('#preview-box summary').click()")
    said = "return [...document.querySelectorAll('#preview li')].map(line => line.textContent)"
    until(page, lambda: page.execute_script(said) == PREVIEW)
    at(page, "f-height").send_keys("3.54 in", Keys.TAB)
    until(page, lambda: desk.asked("preview")[-1]["order"]["card"]["free_height_mm"] == pytest.approx(89.916))
    assert desk.asked("start") == []


LINES = """return (document.getElementById("loops").data ?? [])
    .map(({name, x, y}) => ({name, x: [...x], y: [...y]}))"""


@AT_BOTH_WIDTHS
def test_a_loop_is_drawn_while_it_happens(desk, page):
    desk.halted = False
    lines = {}

    def shows_now():
        lines.update({line["name"]: line for line in page.execute_script(LINES)})
        return len(lines.get("now", {"x": ()})["x"]) > 5

    until(page, shows_now)
    now = lines["now"]
    assert min(now["x"]) > 0 and max(now["x"]) <= PEAK_MM
    # the curve of this stand-in's floats, at one of the cycles that it has reached
    place = now["x"].index(max(now["x"]))
    wanted = [force_at(now["x"][place], cycle, loading=True) for cycle in (1, 30)]
    assert min(wanted) <= now["y"][place] <= max(wanted)


@AT_BOTH_WIDTHS
def test_units_are_chosen_once_and_stay(desk, page):
    until(page, lambda: drawn(page, "loops") and rows(page))
    newton = float(rows(page)[-1][1])
    Select(at(page, "units")).select_by_value("us")
    until(page, lambda: rows(page)[-1][1] != f"{newton:.2f}")
    assert float(rows(page)[-1][1]) == pytest.approx(newton / 4.4482216, abs=0.006)
    heads = "return [...document.querySelectorAll('#cycles th small')].map(unit => unit.textContent)"
    assert page.execute_script(heads) == ["lbf", "in", "lbf/in", "in·lbf", "%", "in"]
    axis = "return document.getElementById('loops').layout.xaxis.title.text"
    until(page, lambda: page.execute_script(axis) == "deflection, in")
    assert text(page, "speed") == "0.79 in/s"
    page.refresh()
    until(page, lambda: text(page, "speed") == "0.79 in/s")
    Select(at(page, "units")).select_by_value("metric")
    until(page, lambda: text(page, "speed") == "20.0 mm/s")


FORM_BEFORE_PLOTS = """const form = document.getElementById("start-section");
    const plot = document.getElementById("loops");
    return Boolean(form.compareDocumentPosition(plot) & Node.DOCUMENT_POSITION_FOLLOWING)"""


@AT_BOTH_WIDTHS
def test_the_form_is_on_top_and_the_halt_slim_only_while_nothing_can_move(desk, page):
    height = "return document.getElementById('halt').getBoundingClientRect().height"
    assert page.execute_script(height) >= 60
    assert not page.execute_script(FORM_BEFORE_PLOTS)
    desk.halted = desk.read_today = True
    until(page, lambda: page.execute_script(FORM_BEFORE_PLOTS))
    until(page, lambda: page.execute_script(height) < 60)
    at(page, "f-specimen").send_keys("F90-0413", Keys.ENTER)
    # the focus lay in the form, and what happens comes first all the same
    until(page, lambda: text(page, "state") == "running" and not page.execute_script(FORM_BEFORE_PLOTS))
    until(page, lambda: page.execute_script(height) >= 60)


@AT_BOTH_WIDTHS
def test_piece_after_piece_is_recorded_by_hand_and_stopped_with_a_button_of_its_own(desk, page):
    desk.halted = True
    until(page, lambda: at(page, "go").is_enabled())
    Select(at(page, "method")).select_by_value("recording")
    for field, entry in (("specimen", "F90-0409"), ("batch", "spring mould"), ("height", "90")):
        at(page, f"f-{field}").send_keys(entry)
    at(page, "f-height").send_keys(Keys.ENTER)
    until(page, lambda: text(page, "state") == "recording" and at(page, "stop-box").is_displayed())
    at(page, "end-recording").click()
    until(page, lambda: text(page, "state") == "idle" and at(page, "go").is_enabled())
    page.find_element(By.TAG_NAME, "body").send_keys("n")
    until(page, lambda: len(desk.asked("start")) == 2)
    first, second = (asked["order"]["card"] for asked in desk.asked("start"))
    assert (first["specimen"], second["specimen"]) == ("F90-0409", "F90-0410")
    assert second == first | {"specimen": "F90-0410"}


TONES = """window.tones = [];
    const Real = window.AudioContext;
    window.AudioContext = class extends Real {
      createOscillator() { const tone = super.createOscillator(); window.tones.push(tone); return tone; }
    };"""


@AT_BOTH_WIDTHS
def test_the_end_of_a_job_is_heard_and_a_failed_one_lower(desk, page):
    page.execute_script(TONES)
    page.execute_script("document.getElementById('sound').scrollIntoView({block: 'center'})")
    at(page, "sound").click()  # by a person's hand: without it a browser plays nothing
    desk.halted = True
    until(page, lambda: page.execute_script("return window.tones.map(tone => tone.frequency.value)") == [220])


@pytest.mark.parametrize("plot", ["loops", "trace", "trend"])
def test_a_picture_of_each_plot_can_be_saved(desk, page, tmp_path, plot):
    behaviour = {"behavior": "allow", "downloadPath": str(tmp_path)}
    page.execute_cdp_cmd("Browser.setDownloadBehavior", behaviour)
    until(page, lambda: drawn(page, plot))
    desk.halted = True  # nothing is drawn anew while it is saved
    until(page, lambda: text(page, "state") == "idle")
    page.execute_script(f"document.querySelector('#{plot} .modebar-btn').click()")
    until(page, lambda: list(tmp_path.glob("*.svg")))
    assert "<svg" in next(tmp_path.glob("*.svg")).read_text(encoding="utf-8")[:200]


def test_guidance_reads_in_the_units_chosen(desk, page):
    until(page, lambda: drawn(page, "loops"))
    desk.asks = "Press until 40 N at about 2 mm/s, 12.5 mm deep; 'pad 5 mm' stays."
    Select(at(page, "units")).select_by_value("us")
    # 40 N / 4.4482216 and 12.5 mm / 25.4
    wanted = "Press until 8.99 lbf at about 0.0787 in/s, 0.49 in deep; 'pad 5 mm' stays."
    until(page, lambda: text(page, "asks-text") == wanted)
    Select(at(page, "units")).select_by_value("metric")
    until(page, lambda: text(page, "asks-text").startswith("Press until 40 N"))


BOTH = """return {beside: document.getElementById("force-beside").textContent,
    force: document.getElementById("force").textContent}"""


@AT_BOTH_WIDTHS
def test_both_units_stand_beside_each_other(desk, page):
    until(page, lambda: drawn(page, "loops") and rows(page))
    newton = float(rows(page)[-1][1])
    Select(at(page, "units")).select_by_value("both")
    try:
        until(page, lambda: "[" in rows(page)[-1][1])
        first, beside = rows(page)[-1][1].removesuffix("]").split(" [")
        assert float(first) == newton
        assert float(beside) == pytest.approx(newton / 4.4482216, abs=0.0006)
        heads = "return [...document.querySelectorAll('#cycles th small')].map(unit => unit.textContent)"
        assert page.execute_script(heads)[:2] == ["N [lbf]", "mm [in]"]
        desk.asks = "Press until 40 N at about 2 mm/s; 'pad 5 mm' stays."
        # 40 N / 4.4482216 and 2 mm / 25.4
        wanted = "Press until 40 N [8.99 lbf] at about 2 mm/s [0.0787 in/s]; 'pad 5 mm' stays."
        until(page, lambda: text(page, "asks-text") == wanted)
        assert text(page, "speed") == "20.0 mm/s [0.79 in/s]"
        shown = page.execute_script(BOTH)
        assert shown["beside"].endswith(" lbf")
        assert float(shown["beside"].split()[0].replace("\N{MINUS SIGN}", "-")) == pytest.approx(
            float(shown["force"].replace("\N{MINUS SIGN}", "-")) / 4.4482216, abs=0.002
        )
        range_of = "return document.getElementById('loops').layout[arguments[0]].range"
        until(page, lambda: page.execute_script("return 'yaxis2' in document.getElementById('loops').layout"))
        forces, pounds = (page.execute_script(range_of, axis) for axis in ("yaxis", "yaxis2"))
        assert pounds == pytest.approx([force / 4.4482216 for force in forces])
        assert page.execute_script("return document.documentElement.scrollWidth <= innerWidth")
    finally:
        Select(at(page, "units")).select_by_value("metric")
    assert not at(page, "force-beside").is_displayed()


MARKUP = "<img src=x onerror=document.title='obeyed'>"


@AT_BOTH_WIDTHS
def test_names_with_markup_are_shown_as_text(desk, page, served):
    desk.name = desk.asks = MARKUP
    desk.height = HEIGHT | {"specimen": MARKUP, "notes": [MARKUP]}
    desk.stop_cause = desk.warns = MARKUP
    for name in ("rig", "device", "specimen", "job", "step", "asks-text", "warnings", "stop"):
        until(page, lambda name=name: MARKUP in text(page, name))
    desk.halted = True
    for name in ("last", "height-title", "height-notes"):
        until(page, lambda name=name: MARKUP in text(page, name))
    page.get(origin(served[1]))
    until(page, lambda: MARKUP in page.execute_script("return document.querySelector('#method').textContent"))
    assert page.find_elements(By.CSS_SELECTOR, "img[src=x]") == []
    assert page.title == MARKUP


@pytest.fixture
def kept(served, tmp_path):
    """The address of a page with captures beside it, and one of a known spring, whose name holds markup."""
    desk, _ = served
    capture = write_capture(tmp_path / "captures", "<b>F-90</b>", "spring mould", stiffness=2.0)
    routers = workbench_routers(tmp_path / "captures", tmp_path / "reports")
    with serving(desk.path, others=routers, others_static=STATIC) as port:
        yield f"{origin(port)}/?with={capture.name}"


@AT_BOTH_WIDTHS
def test_a_kept_loop_is_drawn_beside_the_one_under_way(page, kept):
    page.get(kept)
    name = "&lt;b&gt;F-90&lt;/b&gt;, kept"
    until(
        page, lambda: {name, "now"} <= {line["name"] for line in page.execute_script(LINES) if line["name"]}
    )
    [line] = [line for line in page.execute_script(LINES) if line["name"] == name]
    # a spring of 2 N/mm, pressed by 20 mm
    assert max(line["x"]) == pytest.approx(20.0, abs=0.2)
    assert max(line["y"]) == pytest.approx(40.0, abs=0.2)
    legend = "return [...document.querySelectorAll('#loops .legendtext')].map(words => words.textContent)"
    until(page, lambda: "<b>F-90</b>, kept" in page.execute_script(legend))
    covered = """const words = [...document.querySelectorAll("#loops .legendtext")];
        const plot = document.querySelector("#loops .nsewdrag").getBoundingClientRect();
        return words.some(each => each.getBoundingClientRect().top < plot.bottom)"""
    assert not page.execute_script(covered)
    assert page.execute_script("return document.documentElement.scrollWidth <= innerWidth")
    page.get("about:blank")


def displayed(browser, *names):
    return [at(browser, name).is_displayed() for name in names]


@AT_BOTH_WIDTHS
def test_a_height_is_ordered_with_what_was_filled_in_and_the_rest_as_usual(desk, page):
    desk.halted = desk.read_today = True
    until(page, lambda: at(page, "go").is_enabled())
    assert displayed(page, "f-surface", "f-top", "f-height") == [False, False, True]
    Select(at(page, "method")).select_by_value("height")
    assert displayed(page, "f-surface", "f-top", "f-height") == [True, True, False]
    at(page, "f-specimen").send_keys("F90-0414")
    at(page, "f-top").send_keys("3")
    at(page, "f-checks").send_keys("4")
    page.execute_script("document.getElementById('start').requestSubmit()")
    until(page, lambda: text(page, "start-answer") == "Started: job 2.")
    order = HeightOrder.model_validate(desk.asked("start")[0]["order"])
    assert order == HeightOrder(card={"specimen": "F90-0414"}, top_n=3, contact_checks=4)


def test_the_bare_platens_alone_need_no_specimens_name(desk, page):
    desk.halted = desk.read_today = True
    until(page, lambda: at(page, "go").is_enabled())
    Select(at(page, "method")).select_by_value("height")
    Select(at(page, "f-surface")).select_by_value("bare")
    page.execute_script("document.getElementById('start').requestSubmit()")
    until(page, lambda: desk.asked("start"))
    order = desk.asked("start")[0]["order"]
    assert (order["surface"], order["card"]["specimen"]) == ("bare", "bare platens")


HEIGHTS = """return [...document.querySelectorAll("#heights tbody tr")]
    .map(row => [...row.cells].map(cell => cell.textContent))"""


def test_a_height_is_shown_at_the_end_with_two_digits_of_its_uncertainty(desk, page):
    assert not at(page, "height").is_displayed()
    desk.height, desk.halted = HEIGHT, True
    until(page, lambda: at(page, "height").is_displayed())
    assert text(page, "height-title") == "Free height of F90-0414"
    small, greater, unloaded = page.execute_script(HEIGHTS)
    assert small == ["0.05 N", "89.983", "0.012", "89.958 to 90.008"]
    assert greater == ["5 N", "88.33560", "0.00080", "88.33400 to 88.33720"]
    assert unloaded == ["no load (extra\N{SOFT HYPHEN}polated)", "90.002", "not known", "not known"]
    assert text(page, "height-notes") == HEIGHT["notes"][0]
    assert "contact checks" in text(page, "last")
    assert text(page, "cycle-label") == "Contact check"


def test_a_height_without_a_number_says_why(desk, page):
    desk.height, desk.halted = (
        HEIGHT | {"heights": [], "notes": ["No height: no contact check can be read."]},
        True,
    )
    until(page, lambda: at(page, "height").is_displayed())
    assert not at(page, "heights").is_displayed()
    assert text(page, "height-notes") == "No height: no contact check can be read."


def test_the_page_says_when_it_no_longer_sees_the_rig_and_when_it_does_again(desk, page):
    desk.answers["news"] = None
    until(page, lambda: at(page, "lost").is_displayed())
    assert "no longer sees the rig" in at(page, "lost").text
    greyed = "return getComputedStyle(document.getElementById('force').parentElement).opacity"
    assert float(page.execute_script(greyed)) < 0.5
    del desk.answers["news"]
    until(page, lambda: not at(page, "lost").is_displayed())


def test_a_stop_is_told_in_words_and_to_a_screen_reader(desk, page):
    desk.stop_cause = "force beyond the limit"
    until(page, lambda: text(page, "stop") == "Stopped: force beyond the limit")
    assert text(page, "said") == "Rig: stopped"


def test_nothing_is_asked_of_anybody_else(page):
    until(page, lambda: drawn(page, "loops"))
    own = page.execute_script("return location.origin")
    asked = page.execute_script("return performance.getEntriesByType('resource').map(entry => entry.name)")
    assert any(name.endswith("plotly.min.js") for name in asked)
    assert [name for name in asked if not name.startswith((own, own.replace("http", "ws")))] == []


def test_the_page_fits_a_telephone(desk, page):
    size = {"width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": True}
    page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    desk.height, desk.halted = HEIGHT, True
    try:
        until(page, lambda: drawn(page, "loops") and at(page, "height").is_displayed())
        until(page, lambda: page.execute_script("return document.documentElement.scrollWidth") == 390)
        inside = """const box = document.getElementById("heights");
            return box.scrollWidth <= box.parentElement.clientWidth"""
        assert page.execute_script(inside)
        assert (
            page.execute_script("return document.getElementById('halt').getBoundingClientRect().width") > 340
        )
    finally:
        page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_the_keyboard_reaches_halt_at_once(page):
    focused = []
    for _ in range(2):
        page.switch_to.active_element.send_keys(Keys.TAB)
        focused.append(page.switch_to.active_element.get_attribute("href").rsplit("#")[-1])
    assert focused == ["sheet", "halt"]
    page.switch_to.active_element.send_keys(Keys.ENTER)
    assert page.switch_to.active_element.get_attribute("id") == "halt"


def serious_findings(browser, scheme):
    """What an automatic checker of accessibility complains of, in one colour scheme."""
    media = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": media})
    found = Axe().run(browser)["violations"]
    return {
        finding["id"]: [node["html"] for node in finding["nodes"]]
        for finding in found
        if finding["impact"] in ("serious", "critical") or finding["id"] == "scrollable-region-focusable"
    }


def test_an_automatic_checker_finds_nothing_serious_in_either_colour_scheme(desk, page, served):
    desk.asks = "Turn the float over and close the guard."
    until(page, lambda: drawn(page, "loops") and drawn(page, "trend") and at(page, "asks").is_displayed())
    # lines of a method that are wider than their box have to be reached without a mouse
    page.execute_script(
        "const text = document.getElementById('text'); text.closest('details').open = true;"
        "text.textContent = 'squeeze '.repeat(200);"
    )
    assert [serious_findings(page, scheme) for scheme in ("dark", "light")] == [{}, {}]
    desk.height, desk.halted = HEIGHT, True  # the form on top
    until(page, lambda: at(page, "height").is_displayed())
    assert serious_findings(page, "dark") == {}
    for other, filled in (("enter", "enter"), ("api/docs", "values")):
        page.get(f"{origin(served[1])}/{other}")
        until(page, lambda filled=filled: at(page, filled).text)
        assert [serious_findings(page, scheme) for scheme in ("dark", "light")] == [{}, {}]


def test_the_list_for_programs_is_complete(page, served):
    page.get(origin(served[1]) + "/api/docs")
    until(page, lambda: "/api/halt" in page.find_element(By.TAG_NAME, "main").text)
    assert len(page.find_elements(By.CSS_SELECTOR, "#operations section")) == 12


def test_a_person_enters_with_the_token(browser, desk):
    with serving(desk.path, token=TOKEN) as port:
        browser.get(origin(port))
        until(browser, lambda: browser.current_url.endswith("/enter"))
        at(browser, "token").send_keys(TOKEN, Keys.ENTER)
        until(browser, lambda: browser.current_url.endswith("/") and text(browser, "state") == "running")
        browser.get("about:blank")
    browser.get_log("browser")


def test_the_link_of_the_terminal_enters_and_leaves_no_token_behind(browser, desk):
    with serving(desk.path, token=TOKEN) as port:
        browser.get(f"{origin(port)}/enter#{TOKEN}")
        until(browser, lambda: browser.current_url.endswith("/") and text(browser, "state") == "running")
        assert TOKEN not in browser.execute_script("return document.cookie + location.href")
        browser.get("about:blank")
    browser.get_log("browser")


def test_whoever_has_no_token_can_halt_from_the_entry(browser, desk):
    with serving(desk.path, token=TOKEN) as port:
        browser.get(f"{origin(port)}/enter")
        at(browser, "halt").click()
        until(browser, lambda: desk.halted)
        until(browser, lambda: text(browser, "halt-words").startswith("Halt taken at"))
        browser.get("about:blank")
    browser.get_log("browser")
