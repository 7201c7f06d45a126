"""Serves the page's application on a free port of this machine, as its own process would."""

import asyncio
import socket
import threading
from contextlib import contextmanager
from pathlib import Path

import httpx
import uvicorn

from rig.daemon.page import RigLink, access_rules, make_app

ORDER = {"x-pressrig": "test", "content-type": "application/json"}
"""What a program that may give orders sends along."""

PLAIN = {"trust_env": False, "verify": False, "timeout": 60.0}
"""For a client that goes straight to this machine; to read certificates takes longer than to ask. A busy
machine is no page that hangs."""


def origin(port, name="127.0.0.1", scheme="http"):
    """Where a page comes from that this machine, or another, serves."""
    return f"{scheme}://{name}:{port}"


@contextmanager
def serving(control_socket, *, token=None, others=(), others_static=None):
    """The port at which the page answers for as long as the block lasts; `others`: routes beside its own."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
        app = make_app(RigLink(control_socket), access_rules("127.0.0.1", port, token), others, others_static)
        config = uvicorn.Config(app, log_config=None, access_log=False, timeout_graceful_shutdown=1)
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, args=([listening],))
        thread.start()
        try:
            yield port
        finally:
            server.should_exit = True
            thread.join()


@contextmanager
def asking(control_socket, *, token=None, headers=None):
    """A client of the page that may give orders."""
    with (
        serving(control_socket, token=token) as port,
        httpx.Client(base_url=origin(port), headers=ORDER | (headers or {}), **PLAIN) as client,
    ):
        yield client


def description(*, others=()):
    """What the interface says of itself, without a port; `others`: routes beside those of the live page."""

    async def ask():
        app = make_app(RigLink(Path("none")), access_rules("127.0.0.1", 80, None), others)
        async with httpx.AsyncClient(
            transport=httpx.ASGITransport(app), base_url=origin(80, "localhost")
        ) as client:
            return (await client.get("/api/openapi.json")).json()

    return asyncio.run(ask())
