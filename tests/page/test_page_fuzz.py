"""Anything at all sent to the interface: it answers as it says it would, and never fails."""

import json
import os

import pytest
import schemathesis
from hypothesis import HealthCheck, settings

if os.name != "posix":
    pytest.skip("the control socket is a Unix socket", allow_module_level=True)

from page_serving import ORDER, asking, description
from stand_in_desk import METHODS, standing_in

EXAMPLES = 30
"""For each operation."""


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fuzz")
    with standing_in(folder / "desk") as desk, asking(desk.path) as page:
        yield page


schema = schemathesis.openapi.from_dict(description())


@schema.parametrize()
@settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
    database=None,
)
def test_each_operation_answers_as_it_says_for_any_input(page, case):
    case.call_and_validate(
        base_url=str(page.base_url),
        headers=ORDER,
        checks=[
            schemathesis.checks.not_a_server_error,
            schemathesis.specs.openapi.checks.status_code_conformance,
            schemathesis.specs.openapi.checks.content_type_conformance,
            schemathesis.specs.openapi.checks.response_schema_conformance,
        ],
    )


ORDERS = {"kind": "method", "text": METHODS[0]["text"], "card": {"specimen": "F90-0412"}}


WHOSE = b'{"rig": {"name": "bench press", "port": "virtual"}, "order": '

NO_ORDERS = {
    "deep": b"[" * 100_000,
    "deeper": b'{"kind":' * 20_000,
    "half a character": json.dumps(ORDERS | {"source": "\ud800"}).encode(),
    "half a name": json.dumps(ORDERS | {"\ud800": 1}).encode(),
    "half a kind": json.dumps(ORDERS | {"kind": "\ud800"}).encode(),
    "endless": b'{"kind": "method", "text": "a", "card": {"specimen": "a", "area_mm2": 1e999}}',
    "no number": b'{"kind": "method", "text": "a", "card": {"specimen": "a", "area_mm2": NaN}}',
    "huge": b'{"kind": "recording", "card": {"specimen": "a"}, "cycles": ' + b"9" * 10_000 + b"}",
    "no text": b"\xff\xfe\x00",
    "empty": b"",
    "null": b"null",
    "nothing": b"{}",
    "kind": b'{"kind": []}',
}


@pytest.mark.parametrize("within", [b"%s", WHOSE + b"%s}"], ids=["alone", "with its rig"])
@pytest.mark.parametrize("body", NO_ORDERS.values(), ids=NO_ORDERS)
def test_a_body_that_is_no_order_is_refused(page, body, within):
    body = within.replace(b"%s", body)
    answer = page.post("/api/start", content=body)
    assert 400 <= answer.status_code < 500
    assert set(answer.json()) == {"refused"}


@pytest.mark.parametrize("value", ["-1", "x", "1e400", "9" * 5000, "", "9007199254740993", "%ff", "\u0664x"])
def test_a_number_that_is_none_is_refused(page, value):
    answer = page.get("/api/news", params={"trace": value})
    assert answer.status_code == 422
    assert answer.json()["refused"].startswith("query.trace: found ")
