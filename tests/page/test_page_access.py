"""Who gets in: other sites, other names for this machine and people without the token do not."""

import asyncio
import os
import socket

import pytest

if os.name != "posix":
    pytest.skip("the control socket is a Unix socket", allow_module_level=True)

import httpx
import websockets.exceptions
import websockets.sync.client
from page_serving import ORDER, PLAIN, origin, serving
from stand_in_desk import standing_in

from rig.daemon.bulletin import Refusal
from rig.daemon.page import RigLink, access_rules, make_app, read_token
from rig.daemon.page.access import LONGEST_BODY
from rig.errors import InputError

TOKEN = "float-net-harbour-0412"


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    with standing_in(tmp_path_factory.mktemp("open") / "desk") as desk:
        yield desk


@pytest.fixture(scope="module")
def port(desk):
    with serving(desk.path) as port:
        yield port


@pytest.fixture(scope="module")
def token_port(desk):
    with serving(desk.path, token=TOKEN) as port:
        yield port


def ask(port, method="GET", path="/api/status", **more):
    return httpx.request(method, origin(port) + path, **PLAIN, **more)


def halts(desk):
    return len(desk.asked("halt"))


@pytest.mark.parametrize("host", ["localhost:{}", "127.0.0.1:{}", "LOCALHOST:{}", "[::1]:{}"])
def test_names_of_this_machine_are_let_in(port, host):
    assert ask(port, headers={"host": host.format(port)}).status_code == 200


OTHER_HOSTS = ["bench.example:{}", "127.0.0.1.bench.example:{}", "10.0.0.1:{}", "localhost", "localhost:1"]
NO_HOSTS = ["", "a@localhost:{}", "localhost:{}/", "[::1:{}", "localhost:{}x", "localhost:99999"]


@pytest.mark.parametrize("host", OTHER_HOSTS + NO_HOSTS)
def test_another_host_is_refused(port, host):
    answer = ask(port, headers={"host": host.format(port)})
    assert answer.status_code == 421
    assert "Host: found" in Refusal.model_validate(answer.json()).refused


ELSEWHERE = origin(8470, "bench.example")
OTHER_ORIGINS = [ELSEWHERE, origin(1), origin("{}", "localhost"), origin("{}", scheme="https")]
NO_ORIGINS = ["null", "", "http:" + "//[", origin("{}/x")]


@pytest.mark.parametrize("given", OTHER_ORIGINS + NO_ORIGINS)
@pytest.mark.parametrize("method", ["GET", "POST", "OPTIONS", "HEAD"])
def test_another_origin_is_refused_for_every_method(port, desk, method, given):
    before = halts(desk)
    path = "/api/halt" if method == "POST" else "/api/status"
    answer = ask(port, method, path, headers=ORDER | {"origin": given.format(port)})
    assert answer.status_code == 403
    assert halts(desk) == before


def test_the_own_origin_is_let_in(port):
    answer = ask(port, "POST", "/api/halt", headers=ORDER | {"origin": origin(port)})
    assert answer.status_code == 200


def test_a_request_that_a_browser_marks_as_of_another_site_is_refused(port):
    assert ask(port, headers={"sec-fetch-site": "cross-site"}).status_code == 403
    assert ask(port, headers={"sec-fetch-site": "same-site"}).status_code == 403
    assert ask(port, headers={"sec-fetch-site": "same-origin"}).status_code == 200


def test_a_link_on_another_site_may_open_the_page_but_not_an_answer(port):
    headers = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
    assert ask(port, path="/", headers=headers).status_code == 200
    assert ask(port, path="/api/status", headers=headers).status_code == 403


@pytest.mark.parametrize(
    "headers",
    [
        {"content-type": "application/x-www-form-urlencoded"},
        {"content-type": "text/plain", "x-pressrig": "a"},
        {"content-type": "multipart/form-data; boundary=a", "x-pressrig": "a"},
        {"content-type": "application/json"},
        {"content-type": "application/json", "sec-fetch-site": "none"},
        {},
    ],
)
def test_a_post_that_a_form_of_another_site_could_send_is_refused(port, desk, headers):
    before = halts(desk)
    answer = ask(port, "POST", "/api/halt", headers=headers, content=b"{}")
    assert answer.status_code in {403, 415}
    assert halts(desk) == before


def test_a_post_of_the_page_itself_needs_no_further_header(port):
    headers = {"content-type": "application/json; charset=utf-8", "sec-fetch-site": "same-origin"}
    assert ask(port, "POST", "/api/halt", headers=headers).status_code == 200


def test_a_body_beyond_the_limit_is_refused(port):
    answer = ask(port, "POST", "/api/start", headers=ORDER, content=b" " * (LONGEST_BODY + 1))
    assert answer.status_code == 413


def test_a_body_without_a_stated_length_is_refused_beyond_the_limit(port):
    parts = (b" " * 65536 for _ in range(5))
    assert ask(port, "POST", "/api/start", headers=ORDER, content=parts).status_code == 413


def test_another_site_is_never_told_that_it_may_read(port):
    for method in ("GET", "OPTIONS"):
        answer = ask(port, method, headers={"origin": ELSEWHERE})
        assert [name for name in answer.headers if name.startswith("access-control")] == []


@pytest.mark.parametrize("path", ["/", "/api/status", "/api/nothing", "/static/page.js"])
def test_every_answer_carries_the_headers_that_keep_others_out(port, path):
    headers = ask(port, path=path).headers
    assert headers["content-security-policy"].startswith("default-src 'self';")
    assert "unsafe-eval" not in headers["content-security-policy"]
    assert "frame-ancestors 'none'" in headers["content-security-policy"]
    assert headers["x-frame-options"] == "DENY"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["cache-control"] == ("no-store" if path.startswith("/api") else "no-cache")


def connect(port, **more):
    return websockets.sync.client.connect(f"ws://127.0.0.1:{port}/api/live", **more)


@pytest.mark.parametrize("given", [ELSEWHERE, "null", origin(1)])
def test_a_live_socket_of_another_origin_is_refused(port, given):
    with pytest.raises(websockets.exceptions.InvalidStatus) as refused:
        connect(port, origin=given)
    assert refused.value.response.status_code == 403


def test_a_live_socket_for_another_host_is_refused(port):
    with (
        socket.create_connection(("127.0.0.1", port)) as connection,
        pytest.raises(websockets.exceptions.InvalidStatus) as refused,
    ):
        websockets.sync.client.connect(f"ws://bench.example:{port}/api/live", sock=connection)
    assert refused.value.response.status_code == 403


def test_a_live_socket_of_the_page_is_let_in(port):
    with connect(port, origin=origin(port)) as live:
        assert "status" in live.recv(timeout=5)


KEPT_BACK = [
    "/api/status",
    "/api/news",
    "/api/openapi.json",
    "/api/docs",
    "/static/page.js",
    "/library/licences",
]


@pytest.mark.parametrize("path", KEPT_BACK)
def test_without_the_token_nothing_is_told(token_port, path):
    assert ask(token_port, path=path).status_code == 401


@pytest.mark.parametrize("path", ["/api/start", "/api/proceed", "/api/acknowledge"])
def test_without_the_token_nothing_is_ordered(token_port, desk, path):
    before = len(desk.requests)
    assert ask(token_port, "POST", path, headers=ORDER, content=b"{}").status_code == 401
    assert len(desk.requests) == before


def test_without_the_token_everybody_on_this_machine_may_halt_but_no_other_site(token_port, desk):
    before = halts(desk)
    assert ask(token_port, "POST", "/api/halt", headers=ORDER).status_code == 200
    assert halts(desk) == before + 1
    assert ask(token_port, "POST", "/api/halt", headers=ORDER | {"origin": ELSEWHERE}).status_code == 403
    assert ask(token_port, "POST", "/api/halt", headers=ORDER | {"host": "a.example"}).status_code == 421
    assert halts(desk) == before + 1


def test_from_another_machine_a_halt_needs_the_token(desk):
    async def answer(client):
        app = make_app(RigLink(desk.path), access_rules("0.0.0.0", 80, TOKEN))
        transport = httpx.ASGITransport(app, client=(client, 5000))
        async with httpx.AsyncClient(transport=transport, base_url=origin(80, "192.0.2.7")) as asking:
            return (await asking.post("/api/halt", headers=ORDER, content=b"{}")).status_code

    assert asyncio.run(answer("192.0.2.9")) == 401
    assert asyncio.run(answer("127.0.0.1")) == 200


@pytest.mark.parametrize("given", [f"Bearer {TOKEN}x", f"Basic {TOKEN}", "Bearer", TOKEN, "Bearer \u00e9"])
def test_a_wrong_token_is_refused(token_port, given):
    assert ask(token_port, headers={"authorization": given.encode("latin-1")}).status_code == 401


def test_the_token_lets_a_program_in(token_port):
    headers = {"authorization": f"Bearer {TOKEN}"}
    assert ask(token_port, headers=headers).status_code == 200
    with connect(token_port, additional_headers=headers) as live:
        assert "status" in live.recv(timeout=5)


def test_the_token_does_not_let_another_site_in(token_port):
    headers = {"authorization": f"Bearer {TOKEN}", "origin": ELSEWHERE}
    assert ask(token_port, headers=headers).status_code == 403


def test_a_live_socket_without_the_token_is_refused(token_port):
    with pytest.raises(websockets.exceptions.InvalidStatus):
        connect(token_port)


def test_a_person_without_the_token_is_led_to_the_form(token_port):
    answer = ask(token_port, path="/")
    assert (answer.status_code, answer.headers["location"]) == (303, "/enter")
    assert ask(token_port, path="/enter").status_code == 200


def test_the_form_gives_a_cookie_that_scripts_and_other_sites_cannot_use(token_port):
    with httpx.Client(base_url=origin(token_port), headers=ORDER, **PLAIN) as browser:
        assert browser.post("/api/enter", json={"token": "x" * 20}).status_code == 401
        assert browser.get("/api/status").status_code == 401
        cookie = browser.post("/api/enter", json={"token": TOKEN}).headers["set-cookie"]
        assert browser.get("/api/status").status_code == 200
        assert browser.get("/").status_code == 200
    assert {"HttpOnly", "SameSite=strict", "Path=/"} <= {part.strip() for part in cookie.split(";")}
    assert TOKEN not in cookie


def test_a_cookie_of_another_value_is_refused(token_port):
    for value in (TOKEN, "", "0" * 64, '"\\351"'):
        headers = {"cookie": f"pressrig-{token_port}={value}"}
        assert ask(token_port, headers=headers).status_code == 401


def token_file(folder, content=TOKEN, mode=0o600):
    path = folder / "token"
    path.write_text(content)
    path.chmod(mode)
    return path


def test_a_token_is_read_from_a_file_of_its_owner_alone(tmp_path):
    assert read_token(token_file(tmp_path, TOKEN + "\n")) == TOKEN


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644, 0o660, 0o620])
def test_a_token_file_that_others_can_use_is_refused(tmp_path, mode):
    with pytest.raises(InputError, match="expected 0600"):
        read_token(token_file(tmp_path, mode=mode))


@pytest.mark.parametrize(
    "content", ["", "short", "two words that are long", "l\u00e9gion" * 5, "a" * 5000, "a" * 20 + "\nb"]
)
def test_a_token_that_is_none_is_refused(tmp_path, content):
    with pytest.raises(InputError, match="token"):
        read_token(token_file(tmp_path, content))


def test_a_missing_token_file_is_refused(tmp_path):
    with pytest.raises(InputError, match="expected a file with a token"):
        read_token(tmp_path / "none")


@pytest.mark.parametrize("listen", ["0.0.0.0", "192.0.2.7", "::"])
def test_beyond_loopback_needs_a_token(listen):
    with pytest.raises(InputError, match="without --token-file"):
        access_rules(listen, 8000, None)
    assert access_rules(listen, 8000, TOKEN).token == TOKEN


def test_a_name_to_listen_at_is_refused():
    with pytest.raises(InputError, match="expected a numeric address"):
        access_rules("bench.example", 8000, TOKEN)


def test_listening_at_all_addresses_takes_numbers_but_no_unknown_names():
    rules = access_rules("0.0.0.0", 8000, TOKEN)
    assert rules.is_here("192.0.2.7:8000")
    assert not rules.is_here("192.0.2.7:8001")
    assert not rules.is_here("bench.example:8000")


def test_at_port_80_a_browser_leaves_the_port_out():
    assert access_rules("127.0.0.1", 80, None).is_here("localhost")
