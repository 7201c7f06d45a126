"""The interface over HTTP, served as the command serves it: what it gives, and what it gives nobody."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time

import httpx
import pytest
from bench_serving import ORDER, PLAIN, browsing, origin
from fastapi import FastAPI
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_captures import write_capture

from rig.errors import InputError
from rig.workbench import tasks, workbench_routers


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    for place in range(3):
        write_capture(
            folder / "captures", f"F-90-00{place}", "spring mould", place=place, stiffness=2.0 + place / 50
        )
        write_capture(
            folder / "captures", f"F-90-10{place}", "autumn mould", place=place, stiffness=1.5 + place / 50
        )
    with browsing(folder / "captures", folder / "reports") as address:
        yield address, folder


@pytest.fixture(scope="module")
def client(served):
    with httpx.Client(base_url=served[0], headers=ORDER, **PLAIN) as client:
        yield client


def answered(client, question):
    """Ask, and wait for the answer."""
    asked = client.post("/api/ask", json=question)
    assert asked.status_code == 200, asked.text
    progress = asked.json()
    while progress["state"] in {"waiting", "running"}:
        time.sleep(0.05)
        progress = client.get("/api/answer", params={"task": progress["id"]}).json()
    return progress


def listed(client, **query):
    found = client.get("/api/captures", params=query).raise_for_status().json()
    while found["headers"] is not None:  # a busy machine
        found = client.get("/api/captures", params=query).raise_for_status().json()
    return [row["id"] for row in found["rows"]]


def test_an_analysis_is_that_of_the_command_line_to_the_last_digit(client, served) -> None:
    name = listed(client, text="F-90-001")[0]
    found = {"capture": None}
    while found["capture"] is None:
        found = (
            client.get("/api/analysis", params={"capture": name, "conditioning": 1}).raise_for_status().json()
        )
    path = served[1] / "captures" / name
    words = [
        sys.executable,
        "-c",
        "from rig.cli import main; main()",
        "analyse",
        str(path),
        "--conditioning",
        "1",
        "--json",
    ]
    said = json.loads(subprocess.run(words, capture_output=True, check=True).stdout)["captures"][0]
    assert found["capture"]["cycles"] == said["cycles"]
    assert found["capture"]["summary"] == said["summary"]


def test_an_analysis_that_failed_is_tried_again_when_it_is_asked_for_again(tmp_path, monkeypatch) -> None:
    path = write_capture(tmp_path / "captures", "F-90-001", "spring mould")
    app = FastAPI()
    for router in workbench_routers(tmp_path / "captures", tmp_path / "reports"):
        app.include_router(router)

    async def cycles():
        found = {"capture": None}
        async with httpx.AsyncClient(
            transport=httpx.ASGITransport(app), base_url=origin(80), **PLAIN
        ) as client:
            while found["capture"] is None:
                found = (await client.get("/api/analysis", params={"capture": path.name})).json()
        return found["cycles"]

    async def fail_and_ask_again():
        with monkeypatch.context() as patch:
            patch.setattr(tasks, "_PROGRAM", (str(tmp_path / "no-such-python"),))
            with pytest.raises(InputError, match="cannot be started"):
                await cycles()
        return await cycles()

    assert asyncio.run(fail_and_ask_again()) == 4


def test_a_comparison_names_its_command_and_gives_its_report(client) -> None:
    progress = answered(client, {"form": "compare", "captures": listed(client), "values": {"--by": "batch"}})
    assert progress["exit_code"] == 0, progress["words"]
    assert progress["command"].startswith("pressrig compare --out=")
    pages = [name for name in progress["pages"] if name.endswith(".html")]
    report = client.get(f"/answer/{progress['id']}/{pages[0]}")
    assert report.status_code == 200
    assert "spring mould" in report.text
    policy = report.headers["content-security-policy"]
    assert policy.startswith("sandbox allow-scripts")
    assert "default-src 'none'" in policy
    assert "allow-same-origin" not in policy


def test_a_cycle_is_excluded_for_every_command_and_restored(client, served) -> None:
    name = listed(client, text="F-90-002")[0]
    values = {"--cycles": "2", "--reason": "slipped"}
    assert answered(client, {"form": "exclude", "captures": [name], "values": values})["exit_code"] == 0
    about = client.get("/api/capture", params={"capture": name}).json()
    assert about["left_out_cycles"] == {"2": "slipped"}
    answered(client, {"form": "restore", "captures": [name], "values": {"--reason": "looked again"}})
    answered(
        client,
        {"form": "restore", "captures": [name], "values": {"--reason": "looked again", "--cycles": "2"}},
    )
    assert client.get("/api/capture", params={"capture": name}).json()["left_out_cycles"] == {}


def test_wrong_units_come_back_in_the_commands_words(client) -> None:
    values = {"--force": "80 mm", "--wheel": "radius 60 mm", "--friction": "0.6"}
    progress = answered(client, {"form": "nip", "captures": listed(client)[:1], "values": values})
    assert progress["exit_code"] == 2
    assert "--force: unit 'mm' does not convert to 'N'" in progress["words"]


@pytest.mark.parametrize("path", ["/api/capture", "/api/trace", "/api/analysis"])
@pytest.mark.parametrize("name", ["../captures", "/etc", "..%2f..", ".", "no such"])
def test_no_name_leads_out_of_the_folder(client, path, name) -> None:
    answer = client.get(path, params={"capture": name})
    assert answer.status_code == 409
    assert "expected one from the list" in answer.json()["refused"]


@pytest.mark.parametrize("file", ["..%2F..%2Fcaptures", "%2Fetc%2Fpasswd", "nothing.html"])
def test_no_file_but_those_of_the_answer_is_given(client, file) -> None:
    progress = answered(
        client, {"form": "lift", "values": {"--near": "620 g", "--far": "580 g", "--span": "1.2 m"}}
    )
    assert progress["exit_code"] == 0, progress["words"]
    assert client.get(f"/answer/{progress['id']}/{file}").status_code in {404, 409}


def test_a_page_of_another_site_can_neither_read_nor_ask(served) -> None:
    question = json.dumps({"form": "exclude", "captures": [], "values": {}})
    with httpx.Client(base_url=served[0], **PLAIN) as stranger:
        foreign = {"origin": origin(80, "elsewhere.example")}
        assert stranger.get("/api/captures", headers=foreign).status_code == 403
        assert stranger.get("/api/captures", headers={"host": "elsewhere.example"}).status_code == 421
        assert stranger.post("/api/ask", content=question, headers=ORDER | foreign).status_code == 403
        assert (
            stranger.post("/api/ask", content=question, headers={"content-type": "text/plain"}).status_code
            == 415
        )


ANYTHING = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=30),
    st.lists(st.text(max_size=9), max_size=3),
)


@settings(
    max_examples=150, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck), database=None
)
@given(
    st.dictionaries(st.sampled_from(["form", "values", "captures", "task", "x"]), ANYTHING, max_size=4),
    st.sampled_from(["ask", "stop"]),
    st.dictionaries(
        st.sampled_from(["capture", "from_s", "to_s", "points", "count", "sort", "since", "start", "task"]),
        st.text(max_size=20),
        max_size=4,
    ),
    st.sampled_from(["captures", "capture", "trace", "analysis", "answer"]),
)
def test_anything_at_all_is_answered_and_never_fails(client, body, order, query, question) -> None:
    content = json.dumps(body).encode("utf-8", errors="surrogatepass")
    for answer in (
        client.post(f"/api/{order}", content=content),
        client.get(f"/api/{question}", params=query),
    ):
        assert answer.status_code < 500, answer.text
        assert answer.status_code == 200 or "refused" in answer.json()
