"""`pressrig halt`: stops the platens of the rigs that daemons hold."""

from __future__ import annotations

import sys
from concurrent.futures import ThreadPoolExecutor
from http import HTTPStatus
from pathlib import Path

import click

from rig.cli.options import port_option, rig_option
from rig.cli.ordering import named_rig
from rig.cli.output import say
from rig.daemon import ControlClient, NoDaemonError
from rig.daemon.bulletin import Refusal
from rig.daemon.socket_place import held_by, sockets_there
from rig.errors import DeviceError, InputError

PAGE_S = 5.0
"""A page that does not answer for so long does not halt; the person needs the emergency stop now."""

LONGEST_ANSWER = 10_000

NO_DAEMON = (
    "no daemon is running{whose}, so nothing was halted. If something moves, press the emergency stop. To "
    "halt a `pressrig run` without a daemon, press Ctrl-C in its terminal. To halt a rig that another "
    "user serves on this machine, give the port of its page with --http PORT"
)


@click.command("halt")
@rig_option("Rig file of the only rig to halt.", required=False)
@port_option("With --rig: halt only the rig of that name on this port.")
@click.option(
    "--http",
    type=click.IntRange(1, 65535),
    help="Halt through the page on this TCP port of this machine, even if another user serves it.",
)
def command(rig_file: Path | None, *, port: str | None, http: int | None) -> None:
    """Halt platens at once through their daemons, and end their jobs.

    Without --rig this halts every rig that you serve on this machine. This is not an emergency stop, which is
    wired and cuts the motor's power.
    """
    if port is not None and rig_file is None:
        raise InputError("--port: needs --rig; without both, all rigs are halted")
    if http is not None:
        if rig_file is not None:
            raise InputError("--http and --rig: found both, expected one: a page halts its own rig")
        say(_through_page(http))
        return
    told = _halted(rig_file, port)
    for words, went_well in told:
        say(words, err=not went_well)
    if not all(went_well for _, went_well in told):
        raise DeviceError("some halts were not confirmed; if anything moves, press the emergency stop")


def _halted(rig_file: Path | None, port: str | None) -> list[tuple[str, bool]]:
    """Return what came of each halt. All go out at once: a daemon that hangs must not delay another."""
    if sys.platform == "win32":
        raise DeviceError(NO_DAEMON.format(whose=""))
    wanted = None if rig_file is None else named_rig(rig_file, port)
    paths = [
        path
        for path in sockets_there()
        if wanted is None or ((held := held_by(path)) is not None and wanted.means(held))
    ]

    def halt(path: Path) -> tuple[str, bool] | None:
        try:
            with ControlClient(path, wanted) as daemon:
                answer = daemon.halt("pressrig halt")
        except NoDaemonError:
            return None
        except DeviceError as problem:
            return f"pressrig: {held_by(path) or path}: {problem}", False
        if isinstance(answer, Refusal):
            return f"pressrig: {held_by(path) or path}: {answer.refused}", False
        ends = "" if answer.job is None else f"; job {answer.job} ends its capture"
        return f"halted {held_by(path) or path}{ends}", True

    told: list[tuple[str, bool]] = []
    if paths:
        with ThreadPoolExecutor(len(paths), "rig-halt") as pool:
            told = [answer for answer in pool.map(halt, paths) if answer is not None]
    if not told:
        raise DeviceError(NO_DAEMON.format(whose="" if wanted is None else f" for {wanted}"))
    return told


def _through_page(tcp_port: int) -> str:
    """Halt by the page's interface, which needs no token for that on this machine."""
    from http.client import HTTPConnection, HTTPException

    headers = {"Content-Type": "application/json", "X-Pressrig": "halt"}
    connection = HTTPConnection("127.0.0.1", tcp_port, timeout=PAGE_S)
    try:
        connection.request("POST", "/api/halt", body=b"{}", headers=headers)
        answer = connection.getresponse()
        said = answer.read(LONGEST_ANSWER).decode("utf-8", "replace")
    except (OSError, HTTPException) as problem:
        raise DeviceError(
            f"--http {tcp_port}: the page does not answer ({problem}); if anything moves, press the "
            "emergency stop"
        ) from problem
    finally:
        connection.close()
    if answer.status != HTTPStatus.OK:
        raise DeviceError(
            f"--http {tcp_port}: not halted ({said}); if anything moves, press the emergency stop"
        )
    return f"halted through the page at port {tcp_port}"
