"""Every route that the pages have, found in the application itself, so that a new one cannot be forgotten:
another site can neither read nor change anything by it, the token guards it, and rubbish never makes it fail.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

if os.name != "posix":
    pytest.skip("the control socket is a Unix socket", allow_module_level=True)

from page_serving import ORDER, PLAIN, description, origin, serving
from stand_in_desk import standing_in
from starlette.routing import Mount, WebSocketRoute

from rig.daemon.page import RigLink, access_rules, make_app
from rig.daemon.page.access import HALT, OPEN_WITHOUT_TOKEN
from rig.workbench import STATIC, workbench_routers

TOKEN = "float-net-harbour-0412"
ELSEWHERE = origin(80, "elsewhere.example")
EXAMPLES = 20
"""For each operation."""

UNDESCRIBED = {"/api/openapi.json", "/api/docs", "/api/live"}
"""Addresses below /api that the description of the interface does not list: itself, its page, the socket."""


def routes() -> list[Any]:
    """Return all routes of pages with a rig and captures."""
    others = workbench_routers(Path("none"), Path("none"))
    app = make_app(RigLink(Path("none")), access_rules("127.0.0.1", 80, None), others, STATIC)
    found = []
    for route in app._app.routes:
        # newer versions of the library keep an included router as one
        router = getattr(route, "original_router", None)
        found += [route] if router is None else router.routes
    return found


ROUTES = sorted(
    (method, route.path + ("/page.js" if isinstance(route, Mount) else ""))
    for route in routes()
    if not isinstance(route, WebSocketRoute)
    for method in (getattr(route, "methods", None) or {"GET"}) - {"HEAD"}
)
each_route = pytest.mark.parametrize(("method", "path"), ROUTES, ids=map(" ".join, ROUTES))


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    with standing_in(tmp_path_factory.mktemp("routes") / "desk") as desk:
        yield desk


@pytest.fixture(scope="module")
def others(tmp_path_factory):
    folder = tmp_path_factory.mktemp("captures")
    return workbench_routers(folder, folder / "reports")


@pytest.fixture(scope="module")
def client(desk, others):
    with (
        serving(desk.path, others=others) as port,
        httpx.Client(base_url=origin(port), **PLAIN) as client,
    ):
        yield client


@pytest.fixture(scope="module")
def guarded(desk, others):
    with (
        serving(desk.path, token=TOKEN, others=others) as port,
        httpx.Client(base_url=origin(port), **PLAIN) as client,
    ):
        yield client


def test_the_routes_are_those_of_the_live_page_and_of_the_captures() -> None:
    paths = {path for _, path in ROUTES}
    assert {"/", "/captures", "/api/start", "/api/halt", "/api/ask", "/answer/{task}/{file}"} <= paths
    assert [route.path for route in routes() if isinstance(route, WebSocketRoute)] == ["/api/live"]


@each_route
def test_another_site_can_neither_read_nor_change_anything(client, desk, method, path) -> None:
    before = len(desk.requests)
    for foreign in (
        {"origin": ELSEWHERE},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors", "sec-fetch-dest": "script"},
    ):
        answer = client.request(method, path, headers=ORDER | foreign, content=b"{}")
        assert answer.status_code == 403, foreign
        assert "access-control-allow-origin" not in answer.headers
    assert client.request(method, path, headers=ORDER | {"host": "elsewhere.example"}).status_code == 421
    assert len(desk.requests) == before


@pytest.mark.parametrize("path", [path for method, path in ROUTES if method == "POST"])
def test_what_a_form_of_another_site_can_send_is_no_order(client, desk, path) -> None:
    before = len(desk.requests)
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x"):
        assert client.post(path, headers={"content-type": kind}, content=b"{}").status_code == 415
    assert len(desk.requests) == before


@each_route
def test_without_the_token_nothing_but_the_entry_and_halt_is_answered(guarded, method, path) -> None:
    answer = guarded.request(method, path, headers=ORDER, content=b"{}")
    is_open = path in {*OPEN_WITHOUT_TOKEN, HALT}
    # 401 answers a wrong token given at the entry, too
    assert is_open or answer.status_code in {401, 303}
    assert not is_open or path == "/api/enter" or answer.status_code == 200


def test_every_answer_of_the_interface_is_described_and_so_fuzzed() -> None:
    described = set(description(others=workbench_routers(Path("none"), Path("none")))["paths"])
    assert {path for _, path in ROUTES if path.startswith("/api/")} - described == UNDESCRIBED - {"/api/live"}


schema = schemathesis.openapi.from_dict(description(others=workbench_routers(Path("none"), Path("none"))))


@schema.parametrize()
@settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
    database=None,
)
def test_each_operation_answers_as_it_says_for_any_input(client, case) -> None:
    case.call_and_validate(
        base_url=str(client.base_url),
        headers=ORDER,
        checks=[
            schemathesis.checks.not_a_server_error,
            schemathesis.specs.openapi.checks.status_code_conformance,
            schemathesis.specs.openapi.checks.content_type_conformance,
            schemathesis.specs.openapi.checks.response_schema_conformance,
        ],
    )


@settings(
    max_examples=100, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck), database=None
)
@given(
    st.sampled_from([path for method, path in ROUTES if method == "GET"]),
    st.lists(st.text(min_size=1, max_size=30), min_size=2, max_size=2),
    st.dictionaries(st.text(max_size=9), st.text(max_size=30), max_size=3),
)
def test_no_address_makes_a_page_fail(client, path, parts, query) -> None:
    task, file = (quote(part, safe="", errors="replace") for part in parts)
    address = path.format(task=task, file=file)
    texts = {key.encode("utf-8", "replace"): value.encode("utf-8", "replace") for key, value in query.items()}
    assert client.get(address, params=texts).status_code < 500
