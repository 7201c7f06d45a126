"""The daemon: holds a rig for as long as it runs, whoever watches or orders.

Problem: a rig is to be held day and night, watched from several places, and left in a safe state whatever
ends the program. Plan: the main thread is the desk; beside it stand threads that read the port, measure
cycles, answer on the socket and keep the page's process. The wish to stop is looked at by a thread of its
own, since the main one may be busy with a disk: it halts the platen, the job ends its capture, and everything
is closed in the opposite order. Cost: five threads and a process.
"""

from __future__ import annotations

import os
import select
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from rig.core import logger
from rig.daemon.board import Board
from rig.daemon.bulletin import LimitsCard
from rig.daemon.control import ControlServer
from rig.daemon.desk import Desk
from rig.daemon.live import LiveAnalysis
from rig.daemon.notify import Notifier
from rig.daemon.page_keeper import PageKeeper
from rig.daemon.shelf import Shelf
from rig.daemon.socket_place import SocketPlace
from rig.jobs.cautions import CAUTIONS, HAND_CAUTIONS, CautionsRead
from rig.jobs.orders import RigRef
from rig.methods import RigLimits
from rig.reader import PortAddress
from rig.rigfile import RigFile

SWITCH_S = 0.0005
"""A thread that computes gives way after so long: a trip must not wait for an analysis."""


LOOK_S = 0.1
"""How often it is looked whether the daemon has ended by itself."""


@dataclass(frozen=True, slots=True)
class PageWish:
    """Where the page is to be served.

    `token_file`: file of the token that is asked for; None for a page on loopback.
    `captures`, `reports`: folders of the captures to look into and of what is written about them; None for
    the live page alone.
    """

    listen: str = "127.0.0.1"
    http: int = 8470
    token_file: Path | None = None
    captures: Path | None = None
    reports: Path | None = None
    rig_file: Path | None = None

    def command(self, socket: Path) -> list[str]:
        """Return the page's process."""
        words = [sys.executable, "-m", "rig.daemon.page", "--socket", str(socket)]
        words += ["--listen", self.listen, "--http", str(self.http)]
        paths = {
            "--token-file": self.token_file,
            "--captures": self.captures,
            "--reports": self.reports,
            "--rig": self.rig_file,
        }
        return words + [word for name, path in paths.items() if path for word in (name, str(path))]


def serve(
    rig: RigFile,
    address: PortAddress,
    out: Path,
    *,
    methods: Sequence[Path],
    page: PageWish | None,
    stop_asked: int,
    lock_places: Sequence[Path] | None = None,
    socket_folders: Sequence[Path] | None = None,
) -> None:
    """Hold a rig until somebody wishes it to stop.

    Raises DeviceError if a daemon holds this rig already, or the control socket cannot be made.

    `stop_asked`: a file descriptor that gives a byte for every wish to stop; each halts the platen.
    `lock_places`, `socket_folders`: where locks and the control socket stand; None for the system's and the
    user's.
    """
    board = Board(
        rig.name,
        str(address),
        rig.calibration,
        limits=limits_card(rig.limits),
        cautions=HAND_CAUTIONS if rig.limits is None else CAUTIONS,
    )
    held = RigRef(name=rig.name, port=str(address))
    notifier = Notifier()
    with ExitStack() as opened:
        opened.callback(notifier.close)
        opened.enter_context(_quick_switches())
        place = opened.enter_context(SocketPlace(held, socket_folders))
        live = opened.enter_context(LiveAnalysis(board, rig.calibration))
        desk = Desk(
            rig,
            address,
            out,
            board=board,
            live=live,
            turned=notifier.alive,
            cautions=CautionsRead(held, by_hand=rig.limits is None),
            lock_places=lock_places,
        )
        opened.enter_context(ControlServer(place.path, held, board=board, orders=desk, shelf=Shelf(methods)))
        if page is not None:
            opened.enter_context(PageKeeper(page.command(place.path)))
        opened.enter_context(_stopping(stop_asked, desk, notifier))
        notifier.ready(str(held))
        logger.info("{}: the daemon is up, control socket {}", held, place.path)
        desk.run()
        notifier.stopping()
    logger.info("{}: the daemon has ended", held)


def limits_card(limits: RigLimits | None) -> LimitsCard | None:
    """Return where the rig trips, for those who watch."""
    if limits is None:
        return None
    return LimitsCard(
        min_force_n=limits.force_n[0],
        max_force_n=limits.force_n[1],
        min_travel_mm=limits.travel_mm[0],
        max_travel_mm=limits.travel_mm[1],
        speed_mm_per_s=limits.speed_mm_per_s,
    )


@contextmanager
def _quick_switches() -> Iterator[None]:
    before_s = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    try:
        yield
    finally:
        sys.setswitchinterval(before_s)


@contextmanager
def _stopping(asked: int, desk: Desk, notifier: Notifier) -> Iterator[None]:
    """Halt and end the daemon at every wish to stop, whatever the main thread is busy with."""
    over = threading.Event()

    def wait() -> None:
        while not over.is_set():
            if select.select([asked], [], [], LOOK_S)[0]:
                os.read(asked, 64)
                notifier.stopping()
                desk.stop()

    thread = threading.Thread(target=wait, name="rig-signals")
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
