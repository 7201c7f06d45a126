"""The page's process: listens, serves, and ends when the daemon lets go of its standard input.

Problem: a page that outlives its daemon would show an old state and hold the port. Plan: the daemon keeps the
other end of this process's standard input; its end, however it came about, ends the process. Cost: one pipe.
"""

from __future__ import annotations

import argparse
import asyncio
import logging
import os
import socket
import stat
import sys
from dataclasses import replace
from pathlib import Path

import uvicorn
from loguru import logger

from rig.daemon.page.access import AccessRules, GuardedApp, access_rules, read_token
from rig.daemon.page.app import make_app
from rig.daemon.page.connections import BoundedProtocol
from rig.daemon.page.rig_link import RigLink
from rig.errors import DeviceError, InputError, RigError

MOST_NEWCOMERS = 128
"""Connections that wait to be accepted; they are accepted all at once, and each takes a file descriptor."""

LONGEST_LIVE_MESSAGE = 1024
"""Bytes that a client of the live socket may send; any short text will do."""

FAREWELL_S = 2
"""Seconds that connections get to end."""

_FORMAT = "<level>{level: <7}</level> page: {message}"


class _ToLoguru(logging.Handler):
    """Hands on what the server's library logs."""

    def emit(self, record: logging.LogRecord) -> None:
        logger.opt(exception=record.exc_info).log(record.levelno, "{}", record.getMessage())


def main() -> int:
    """Serve until standard input ends; the exit code is that of the refusal, if there is one."""
    wanted = _options().parse_args()
    logger.remove()
    logger.add(sys.stderr, level="INFO", format=_FORMAT)
    logging.basicConfig(handlers=[_ToLoguru()], level=logging.WARNING, force=True)
    try:
        token = None if wanted.token_file is None else read_token(wanted.token_file)
        rules = access_rules(wanted.listen, wanted.http, token)
        with _listen(wanted.listen, wanted.http) as listening:
            rules = replace(rules, port=listening.getsockname()[1])
            asyncio.run(_serve(_app(wanted, rules), rules=rules, listening=listening))
    except RigError as refusal:
        logger.error("{}", refusal)
        return refusal.exit_code
    return 0


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m rig.daemon.page", description=__doc__.split("\n", 1)[0])
    parser.add_argument(
        "--socket", type=Path, help="the daemon's control socket; none for pages without a rig"
    )
    parser.add_argument("--captures", type=Path, help="folder of captures to look into")
    parser.add_argument("--reports", type=Path, default=Path("reports"), help="where reports are written")
    parser.add_argument("--rig", type=Path, help="file of the rig, for questions about it")
    parser.add_argument("--listen", default="127.0.0.1", help="address; beyond loopback only with a token")
    parser.add_argument("--http", type=int, required=True, help="TCP port; 0 for any free one")
    parser.add_argument("--token-file", type=Path, help="file of mode 0600 with the token to ask for")
    return parser


def _listen(listen: str, port: int) -> socket.socket:
    if not 0 <= port < 2**16:
        raise InputError(f"--http: found {port}, expected a TCP port from 0 to 65535")
    family = socket.AF_INET6 if ":" in listen else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(("127.0.0.1" if listen == "localhost" else listen, port))
        listening.listen(MOST_NEWCOMERS)
    except OSError as problem:
        listening.close()
        raise DeviceError(
            f"--listen {listen} --http {port}: found {problem.strerror or problem}, "
            "expected a free port of this machine"
        ) from problem
    return listening


def _app(wanted: argparse.Namespace, rules: AccessRules) -> GuardedApp:
    link = None if wanted.socket is None else RigLink(wanted.socket)
    if wanted.captures is None:
        return make_app(link, rules)
    from rig.workbench import STATIC, workbench_routers  # noqa: PLC0415  the live page alone needs none of it

    return make_app(link, rules, workbench_routers(wanted.captures, wanted.reports, wanted.rig), STATIC)


async def _serve(app: GuardedApp, *, rules: AccessRules, listening: socket.socket) -> None:
    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        proxy_headers=False,
        server_header=False,
        http=BoundedProtocol,
        backlog=MOST_NEWCOMERS,
        timeout_graceful_shutdown=FAREWELL_S,
        ws_max_size=LONGEST_LIVE_MESSAGE,
        ws_max_queue=4,
    )
    server = uvicorn.Server(config)
    logger.info("listening at {} port {}", listening.getsockname()[0], rules.port)
    async with asyncio.TaskGroup() as tasks:
        watch = tasks.create_task(_let_go(server))
        await server.serve(sockets=[listening])
        watch.cancel()


async def _let_go(server: uvicorn.Server) -> None:
    """Wait for the end of standard input, and end the server."""
    mode = os.fstat(sys.stdin.fileno()).st_mode
    if stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode) or sys.stdin.isatty():
        reader = asyncio.StreamReader()
        await asyncio.get_running_loop().connect_read_pipe(
            lambda: asyncio.StreamReaderProtocol(reader), sys.stdin
        )
        while await reader.read(1024):
            pass
    logger.info("standard input has ended, and so does the page")
    server.should_exit = True


if __name__ == "__main__":
    sys.exit(main())
