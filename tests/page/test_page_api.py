"""What the page's interface answers, against a stand-in for the daemon's control socket."""

import asyncio
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

if os.name != "posix":
    pytest.skip("the control socket is a Unix socket", allow_module_level=True)

import websockets.exceptions
import websockets.sync.client
from page_serving import asking, origin, serving
from stand_in_desk import CAUTIONS, KEPT_POINTS, METHODS, POINTS, point_of, standing_in

from rig.daemon.bulletin import (
    AskHalt,
    AskStatus,
    CycleRow,
    Done,
    LiveTrace,
    MethodList,
    News,
    Refusal,
    RigStatus,
    Seen,
)
from rig.daemon.page import RigLink
from rig.daemon.page.access import LONGEST_BODY
from rig.errors import DeviceError, InputError
from rig.jobs.orders import HeightOrder
from rig.methods import HeightPlan

ROOT = Path(__file__).parents[2]
PAGES_OF_ALL = [*ROOT.glob("rig/daemon/page/static/*.html"), *ROOT.glob("rig/workbench/static/*.html")]

CARD = {"specimen": "F90-0412", "free_height_mm": 90.0}
RIG = {"name": "bench press", "port": "virtual"}
METHOD = {"kind": "method", "text": METHODS[0]["text"], "source": "plain_squeeze.yaml", "card": CARD}


def ordered(order):
    """An order with the rig that it is for."""
    return {"rig": RIG, "order": order}


@pytest.fixture
def path(tmp_path):
    """A place where no desk answers."""
    return tmp_path / "desk"


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    with standing_in(tmp_path_factory.mktemp("api") / "desk") as desk, asking(desk.path) as page:
        yield desk, page


@pytest.fixture
def desk(served):
    served[0].begin_anew()
    return served[0]


@pytest.fixture
def page(served, desk):
    return served[1]


def watching(port):
    return websockets.sync.client.connect(f"ws://127.0.0.1:{port}/api/live", open_timeout=5)


def test_the_status_is_what_the_desk_says(page):
    status = RigStatus.model_validate(page.get("/api/status").raise_for_status().json())
    assert (status.rig, status.state, status.cautions) == ("bench press", "running", CAUTIONS)


def test_news_are_what_is_newer_than_was_seen(desk, page):
    desk.pass_cycles(3)
    first = News.model_validate(page.get("/api/news").json())
    second = News.model_validate(page.get("/api/news", params=first.seen.model_dump()).json())
    assert [row.cycle for row in first.cycles] == [1, 2, 3]
    assert second.cycles == ()
    assert second.trace.first == first.seen.trace
    assert second.trace.time_s[0] == point_of(first.seen.trace)[0]


def test_all_samples_that_are_kept_come_in_one_piece_however_often_the_desk_is_asked(desk, page):
    desk.pass_cycles(12)
    trace = LiveTrace.model_validate(page.get("/api/samples").json())
    # At the first of three questions 12 cycles and a tick of 0.2 s have passed: 50 points a second.
    assert trace.first == 12 * 4 * 50 + POINTS - KEPT_POINTS
    assert len(desk.asked("news")) == 3
    expected = [point_of(trace.first + number) for number in range(KEPT_POINTS)]
    assert list(zip(trace.time_s, trace.force_n, trace.position_mm, strict=True))[:KEPT_POINTS] == expected


def test_all_cycles_that_are_kept_come_in_one_piece(desk, page):
    desk.pass_cycles(450)
    rows = [CycleRow.model_validate(row) for row in page.get("/api/cycles").json()]
    assert [row.cycle for row in rows] == list(range(51, 451))


def test_a_quantity_that_cannot_be_had_is_null(desk, page):
    desk.pass_cycles(2)
    assert [row["set_mm"] is None for row in page.get("/api/cycles").json()] == [True, False]


def test_methods_come_with_their_text(page):
    listed = MethodList.model_validate(page.get("/api/methods").json())
    assert [(each.name, each.text) for each in listed.methods] == [(m["name"], m["text"]) for m in METHODS]


def test_an_order_reaches_the_desk_and_its_job_number_comes_back(desk, page):
    desk.halted = True
    answer = page.post("/api/start", json=ordered(METHOD))
    assert (answer.status_code, Done.model_validate(answer.json()).job) == (200, 2)
    [asked] = desk.asked("start")
    assert asked["rig"] == RIG
    assert (asked["order"]["card"]["specimen"], asked["order"]["text"]) == ("F90-0412", METHODS[0]["text"])


def test_an_order_for_a_height_reaches_the_desk_with_what_was_left_out_as_usual(desk, page):
    desk.halted = True
    wish = {"kind": "height", "card": {"specimen": "F90-0412"}, "contact_checks": 7}
    assert page.post("/api/start", json=ordered(wish)).json()["job"] == 2
    [asked] = desk.asked("start")
    assert asked["order"]["contact_checks"] == 7
    assert HeightOrder.model_validate(asked["order"]).top_n == HeightPlan().top_n


@pytest.mark.parametrize(
    ("field", "found"), [("top_n", -1), ("contact_checks", 2.5), ("surface", "side"), ("depth_mm", 3)]
)
def test_a_wrong_field_of_a_height_never_reaches_the_desk(desk, page, field, found):
    answer = page.post(
        "/api/start", json=ordered({"kind": "height", "card": {"specimen": "F90"}, field: found})
    )
    assert answer.status_code == 422
    assert f"{field}: found {found!r}" in answer.json()["refused"]
    assert desk.requests == []


def test_a_refusal_of_the_desk_is_told_in_its_words(page):
    answer = page.post("/api/start", json=ordered(METHOD))
    assert (answer.status_code, answer.json()) == (
        409,
        {"refused": "job: found one under way, expected none"},
    )


def test_an_order_that_is_none_never_reaches_the_desk(desk, page):
    answer = page.post(
        "/api/start", json=ordered(METHOD | {"card": {"specimen": "F90", "free_height_mm": -1}})
    )
    assert answer.status_code == 422
    assert "free_height_mm: found -1" in Refusal.model_validate(answer.json()).refused
    assert desk.requests == []


def test_an_order_longer_than_the_desk_reads_is_refused_before_it_is_sent(desk, page):
    # The longest text that the interface takes; what the order says besides no longer fits the desk's line.
    around = len(json.dumps(ordered(METHOD | {"text": ""})))
    text = "\U0001f6df" * ((LONGEST_BODY - around) // 4)
    body = json.dumps(ordered(METHOD | {"text": text}), ensure_ascii=False)
    answer = page.post("/api/start", content=body.encode())
    assert answer.status_code == 409
    assert "expected at most 262144" in answer.json()["refused"]
    assert desk.requests == []


def test_halt_proceed_and_acknowledge_reach_the_desk(desk, page):
    desk.asks = "Turn the float over."
    assert page.post("/api/proceed", json={"rig": RIG}).json() == {"done": True, "job": None}
    assert page.post("/api/acknowledge", json={"rig": RIG}).json() == {"done": True, "job": None}
    assert page.post("/api/halt").json() == {"done": True, "job": None}
    assert desk.asked("halt") == [{"ask": "halt", "rig": None, "who": "page"}]
    assert desk.halted
    assert desk.read_today


@pytest.mark.parametrize("name", ["status", "news", "samples", "cycles", "methods"])
def test_without_a_desk_every_question_is_answered_by_503(path, name):
    with asking(path) as page:
        answer = page.get(f"/api/{name}")
    assert answer.status_code == 503
    assert "does the daemon run?" in Refusal.model_validate(answer.json()).refused


def test_without_a_desk_halt_is_answered_by_503(path):
    with asking(path) as page:
        assert page.post("/api/halt").status_code == 503


def test_a_desk_that_was_started_anew_is_found_again(path):
    with asking(path) as page:
        with standing_in(path):
            assert page.get("/api/status").status_code == 200
        assert page.get("/api/status").status_code == 503
        with standing_in(path):
            assert page.get("/api/status").status_code == 200


def test_a_desk_that_was_started_anew_between_two_questions_is_not_noticed(path):
    with asking(path) as page:
        for _ in range(2):
            with standing_in(path):
                assert page.get("/api/status").status_code == 200


@pytest.mark.parametrize(
    "answer",
    [b"\n", b"[]\n", b'{"rig": 3}\n', b"\xff\xfe\n", b'{"done": true}\n', b"{" * 300_000 + b"\n"],
    ids=["empty", "list", "wrong type", "no text", "another answer", "too long"],
)
def test_an_answer_of_the_desk_that_makes_no_sense_is_answered_by_503(desk, page, answer):
    desk.answers["status"] = answer
    assert page.get("/api/status").status_code == 503


def test_a_desk_that_hangs_up_is_answered_by_503_and_asked_again(desk, page):
    desk.answers["status"] = None
    assert page.get("/api/status").status_code == 503
    del desk.answers["status"]
    assert page.get("/api/status").status_code == 200


def test_a_halt_does_not_wait_for_a_question_that_hangs(tmp_path):
    async def ask_both():
        hanging = asyncio.Event()

        async def answer(reader, writer):
            while line := await reader.readline():
                if json.loads(line)["ask"] == "halt":
                    writer.write(b'{"done": true}\n')
                else:
                    hanging.set()
            writer.close()

        async with await asyncio.start_unix_server(answer, tmp_path / "desk"):
            link = RigLink(tmp_path / "desk")
            question = asyncio.create_task(link.ask(AskStatus(), RigStatus))
            await hanging.wait()
            done = await asyncio.wait_for(link.order(AskHalt(who="page")), timeout=1.0)
            waits = not question.done()
            question.cancel()
            await asyncio.gather(question, return_exceptions=True)
            link.close()
            return done, waits

    assert asyncio.run(ask_both()) == (Done(), True)


def test_the_link_tells_a_refusal_from_a_silent_desk(desk):
    async def ask():
        link = RigLink(desk.path)
        desk.answers["news"] = {"refused": "news: found none"}
        with pytest.raises(InputError, match="news: found none"):
            await link.news(Seen())
        desk.answers["news"] = None
        with pytest.raises(DeviceError, match="the daemon's answer"):
            await link.news(Seen())
        link.close()

    asyncio.run(ask())


def test_the_live_socket_tells_everything_once_and_then_what_is_newer(desk):
    desk.pass_cycles(2)
    told = []
    with serving(desk.path) as port, watching(port) as live:
        for _ in range(3):
            told.append(News.model_validate_json(live.recv(timeout=5)))
            live.send("next")
    assert [len(news.cycles) for news in told] == [2, 0, 0]
    assert [news.trace.first for news in told[1:]] == [news.seen.trace for news in told[:-1]]


def test_nothing_is_asked_for_a_watcher_that_does_not_answer(desk):
    with serving(desk.path) as port, watching(port) as slow, watching(port) as quick:
        slow.recv(timeout=5)
        for _ in range(4):
            quick.recv(timeout=5)
            quick.send("next")
        quick.recv(timeout=5)
        # One question for the slow one, five for the quick one.
        assert len(desk.asked("news")) == 6
        with pytest.raises(TimeoutError):
            slow.recv(timeout=0)
        slow.send("next")
        # What it missed comes in one message.
        assert len(News.model_validate_json(slow.recv(timeout=5)).trace.time_s) == 6 * POINTS


def test_no_more_watchers_are_let_in_than_the_daemon_can_bear(desk, monkeypatch):
    monkeypatch.setattr("rig.daemon.page.app.MOST_WATCHERS", 1)
    with serving(desk.path) as port, watching(port) as first:
        first.recv(timeout=5)
        with watching(port) as second, pytest.raises(websockets.exceptions.ConnectionClosed) as closed:
            second.recv(timeout=5)
        assert closed.value.rcvd.code == 1013
        first.send("next")
        first.recv(timeout=5)


def test_the_live_socket_says_that_the_desk_is_gone_and_goes_on_when_it_is_back(path):
    with serving(path) as port, watching(port) as live:
        assert "refused" in json.loads(live.recv(timeout=5))
        with standing_in(path):
            live.send("next")
            assert json.loads(live.recv(timeout=5))["status"]["state"] == "running"


def test_the_interface_describes_itself_and_needs_nothing_from_elsewhere(page):
    described = page.get("/api/openapi.json").json()
    operations = ["status", "news", "samples", "cycles", "methods", "start", "halt", "proceed", "acknowledge"]
    operations += ["preview", "enter", "pages"]
    assert set(described["paths"]) == {f"/api/{name}" for name in operations}
    for address in ("/", "/enter", "/api/docs", "/static/page.css", "/static/page.js", "/static/docs.js"):
        text = page.get(address).raise_for_status().text
        assert "https:" not in text
        assert "http:" not in text.replace('"http://www.w3.org/2000/svg"', "")


def test_the_library_for_plots_comes_from_the_installed_package_with_its_licence(page):
    script = page.get("/library/plotly.min.js")
    assert "plotly.js" in script.text[:200]
    assert script.headers["content-encoding"] == "gzip"
    assert "MIT" in page.get("/library/licences").text
    again = page.get("/library/plotly.min.js", headers={"If-None-Match": script.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")  # a slow link carries it once
    other = page.get("/library/plotly.min.js", headers={"If-None-Match": '"plotly-0.0.0"'})
    assert other.text == script.text


@pytest.mark.parametrize("address", ["/nothing", "/static/../app.py", "/static/%2e%2e/app.py", "/api/live"])
def test_what_is_not_there_is_refused_in_words(page, address):
    answer = page.get(address)
    assert answer.status_code == 404
    Refusal.model_validate(answer.json())


def page_process(*options, **more):
    command = [sys.executable, "-m", "rig.daemon.page", "--socket", "desk", *options]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **more)


def test_the_process_serves_and_ends_with_its_standard_input_though_it_is_watched(tmp_path):
    with standing_in(tmp_path / "desk"), page_process("--http", "0", cwd=tmp_path) as process:
        try:
            port = int(process.stderr.readline().rsplit(" ", 1)[1])
            with httpx.Client(transport=httpx.HTTPTransport(retries=5, verify=False)) as client:
                answer = client.get(origin(port) + "/api/status")
            assert answer.json()["rig"] == "bench press"
            with watching(port) as live:
                live.recv(timeout=5)
                process.stdin.close()
                assert process.wait(timeout=10) == 0
        finally:
            process.kill()


def test_the_process_refuses_to_listen_to_everybody_without_a_token():
    with page_process("--http", "0", "--listen", "0.0.0.0") as process:
        _, said = process.communicate(timeout=20)
    assert process.returncode == 2
    assert "without --token-file" in said


@pytest.mark.parametrize(
    ("typed", "height_mm"),
    [("3.54 in", 3.54 * 25.4), ("90", 90.0), (" 90 mm ", 90.0), ("9 cm", 90.0), (90, 90.0), ("9e1", 90.0)],
)
def test_a_size_is_read_whole_with_its_unit(desk, page, typed, height_mm):
    desk.halted = True
    card = {"specimen": "F90-0412", "free_height_mm": typed}
    assert page.post("/api/start", json=ordered(METHOD | {"card": card})).status_code == 200
    [asked] = desk.asked("start")
    assert asked["order"]["card"]["free_height_mm"] == pytest.approx(height_mm, rel=1e-12)


SIZES = [
    *((METHOD, f"card.{name}") for name in ("free_height_mm", "area_mm2", "stiffness_n_per_mm")),
    *(({"kind": "recording"}, name) for name in ("seconds", "cycles")),
    *(
        ({"kind": "height"}, name)
        for name in (
            "contact_n", "top_n", "contact_checks", "speed_mm_per_s", "gap_mm", "rest_s",
            "platen_stiffness_n_per_mm", "expected_mm",
        )
    ),
    ({"kind": "release", "confirmed": True}, "away_mm"),
]  # fmt: skip


WRONG = ("5 V", "5,5", "5 5", "5 mm 5", "1_000", "five", "0x5", "-5", "0", "nan", "inf", "1e400", True)


@pytest.mark.parametrize(("order", "field"), SIZES, ids=[field for _, field in SIZES])
def test_every_field_with_a_number_is_read_whole_or_refused_with_its_name(desk, page, order, field):
    name = field.removeprefix("card.")
    for typed in ("5", " 5 ", 5):
        desk.halted = True
        answer = page.post("/api/start", json=ordered(filled(order, field, typed)))
        assert answer.status_code == 200, answer.json()
        asked = desk.asked("start")[-1]["order"]
        assert (asked["card"] if "." in field else asked)[name] == 5.0
    sent = len(desk.asked("start"))
    for typed in WRONG:
        answer = page.post("/api/start", json=ordered(filled(order, field, typed)))
        assert answer.status_code == 422, typed
        assert f"{name}: found" in answer.json()["refused"]
    assert len(desk.asked("start")) == sent


def filled(order, field, typed):
    """An order with one field as it was typed."""
    card = {"specimen": "F90-0412"}
    if "." in field:
        return order | {"card": card | {field.removeprefix("card."): typed}}
    return order | ({} if order["kind"] == "release" else {"card": card}) | {field: typed}


@pytest.mark.parametrize(
    "typed", ["3,54", "3.54 i", "90 N", "90 mm 5", "ninety", "", "0x5a", "1_000", "nan", "-90 mm", "9 0"]
)
def test_a_size_that_cannot_be_read_whole_is_refused_with_its_name(desk, page, typed):
    card = {"specimen": "F90-0412", "free_height_mm": typed}
    answer = page.post("/api/start", json=ordered(METHOD | {"card": card}))
    assert answer.status_code == 422
    assert "free_height_mm: found" in answer.json()["refused"]
    assert desk.asked("start") == []


@pytest.mark.parametrize("file", sorted(PAGES_OF_ALL), ids=lambda path: path.name)
def test_no_two_parts_of_a_page_have_the_same_id(file):
    ids = re.findall(r'\bid="([^"]+)"', file.read_text(encoding="utf-8"))
    assert len(ids) == len(set(ids))
