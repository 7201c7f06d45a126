"""Connections that only take room: a halt gets through them all, and what they cost is bounded."""

import os
import socket
import subprocess
import sys
import threading
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the control socket is a Unix socket", allow_module_level=True)
if not Path("/proc/self/fd").exists():
    pytest.skip("what a process holds is read from /proc", allow_module_level=True)

import httpx
from page_serving import ORDER, PLAIN, origin
from stand_in_desk import standing_in

from rig.daemon.page.access import MOST_REQUESTS
from rig.daemon.page.connections import MOST_CONNECTIONS

OWN_FILES = 40
"""What the page holds open beside its connections, generously; 8 were counted."""

GROWTH_KIB = 64 * 1024
"""What the page may grow by, generously; 2 MiB were measured."""


@contextmanager
def page(folder):
    """The page's own process before a stand-in daemon: the process, its port and the daemon."""
    with standing_in(folder / "desk") as desk:
        command = [sys.executable, "-m", "rig.daemon.page", "--socket", desk.path, "--http", "0"]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
            try:
                said = next(line for line in process.stderr if "listening at" in line)
                drain = threading.Thread(target=process.stderr.read, daemon=True)
                drain.start()
                yield process, int(said.split()[-1]), desk
            finally:
                process.stdin.close()
                process.wait(30)
                drain.join()


def crowd(stack, port, count, start=b""):
    """Connections that send the start of a request at most."""
    opened = [stack.enter_context(socket.create_connection(("127.0.0.1", port), 30)) for _ in range(count)]
    for one in opened:
        with suppress(ConnectionError):
            one.sendall(start)
    return opened


def is_halted(port, desk):
    before = len(desk.asked("halt"))
    answer = httpx.post(origin(port) + "/api/halt", headers=ORDER, **PLAIN)
    return answer.status_code == 200 and len(desk.asked("halt")) == before + 1


def resident_kib(process):
    status = Path(f"/proc/{process.pid}/status").read_text()
    return int(next(line.split()[1] for line in status.splitlines() if line.startswith("VmRSS")))


SLOW_BODY = (
    "POST {path} HTTP/1.1\r\nhost: 127.0.0.1:{port}\r\nx-pressrig: test\r\n"
    "content-type: application/json\r\ncontent-length: 100\r\n\r\n{{"
)


@pytest.mark.parametrize(
    "start",
    ["", "POST /api/ha", SLOW_BODY.replace("{path}", "/api/start"), SLOW_BODY.replace("{path}", "/api/halt")],
    ids=["idle", "half a head", "half a body", "half a halt"],
)
def test_a_halt_gets_through_connections_that_wait(tmp_path, start):
    with page(tmp_path) as (_, port, desk), ExitStack() as stack:
        crowd(stack, port, 200, start.format(port=port).encode())
        assert is_halted(port, desk)


def test_a_halt_needs_no_place_among_the_requests(tmp_path):
    with page(tmp_path) as (_, port, desk), ExitStack() as stack:
        slow = SLOW_BODY.format(path="/api/start", port=port).encode()
        crowd(stack, port, MOST_REQUESTS, slow)
        answer = httpx.get(origin(port) + "/api/status", **PLAIN)
        assert (answer.status_code, "in work" in answer.text) == (503, True)
        assert is_halted(port, desk)


def test_a_head_that_trickles_in_ends_with_its_connection(tmp_path):
    with page(tmp_path) as (_, port, desk), ExitStack() as stack:
        (slow,) = crowd(stack, port, 1, b"G")
        slow.settimeout(1)
        ended = False
        for _ in range(60):
            try:
                slow.sendall(b"a")
                ended = slow.recv(1) == b""
            except TimeoutError:
                continue
            except ConnectionError:
                ended = True
            break
        assert ended
        assert is_halted(port, desk)


def test_eight_hundred_connections_take_bounded_room(tmp_path):
    with page(tmp_path) as (process, port, desk), ExitStack() as stack:
        assert is_halted(port, desk)
        before_kib = resident_kib(process)
        crowd(stack, port, 800)
        assert is_halted(port, desk)
        files = len(list(Path(f"/proc/{process.pid}/fd").iterdir()))
        print(f"{files} files open, {resident_kib(process) - before_kib} KiB more")
        assert files <= MOST_CONNECTIONS + OWN_FILES
        assert resident_kib(process) - before_kib < GROWTH_KIB
