"""`pressrig browse` as a person starts it: the link it prints lets them in, and Ctrl-C ends it."""

from __future__ import annotations

import os
import re
import select
import signal
import socket
import subprocess
import sys
import time

import httpx
import pytest
from bench_serving import PLAIN, origin
from made_captures import write_capture

if os.name != "posix":
    pytest.skip("needs a pseudo-terminal", allow_module_level=True)
import pty

PATIENCE_S = 60


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port: int = server.getsockname()[1]
    return port


def said(terminal: int, pattern: str) -> re.Match[str]:
    """Read a terminal until it has said something."""
    heard, due_s = "", time.monotonic() + PATIENCE_S
    while time.monotonic() < due_s:
        if select.select([terminal], [], [], 0.2)[0]:
            heard += os.read(terminal, 4096).decode("utf-8", errors="replace")
        if found := re.search(pattern, heard):
            return found
    raise AssertionError(heard)


def test_the_link_that_it_prints_opens_the_list_and_ctrl_c_ends_it(tmp_path) -> None:
    write_capture(tmp_path / "captures", "F-90-001", "spring mould")
    here, there = pty.openpty()
    command = [sys.executable, "-c", "from rig.cli import main; main()"]
    options = ["--http", str(free_port()), "--reports", str(tmp_path / "reports")]
    with httpx.Client(**PLAIN) as client:
        listening = subprocess.Popen(
            [*command, "browse", str(tmp_path / "captures"), *options],
            stdin=there,
            stdout=there,
            stderr=there,
            env=os.environ | {"HOME": str(tmp_path), "XDG_STATE_HOME": str(tmp_path), "COLUMNS": "200"},
            start_new_session=True,
        )
        try:
            port, token = said(here, r"127\.0\.0\.1:(\d+)/enter#([\w-]+)[^\w-]").groups()
            said(here, "listening at")
            address = origin(int(port))
            assert client.get(address + "/api/captures").status_code == 401
            entered = client.post(
                address + "/api/enter", json={"token": token}, headers={"x-pressrig": "test"}
            )
            assert entered.status_code == 200
            listed = client.get(address + "/api/captures").json()
            while listed["headers"] is not None:
                listed = client.get(address + "/api/captures").json()
            assert listed["total"] == 1
            assert client.get(address + "/").headers["location"] == "/captures"
            assert client.get(address + "/api/status").status_code == 404  # no rig here, and nothing to halt
            listening.send_signal(signal.SIGINT)
            assert listening.wait(PATIENCE_S) == 0
        finally:
            listening.kill()
            listening.wait()
            os.close(here)
            os.close(there)
