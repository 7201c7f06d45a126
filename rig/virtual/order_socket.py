"""Orders to a virtual rig's hardware, as lines of text on a socket: what a person would do with their hands.

Problem: no command of the wire opens an emergency stop, and whoever checks a host or a device has to. Plan:
the same orders as the simulated press of the reference firmware understands, each answered by one line of
JSON. The socket has a thread; an order is queued, and the rig obeys it in its own time between two samples.
Cost: one thread that waits.
"""

from __future__ import annotations

import contextlib
import json
import selectors
import socket
import stat
import threading
from pathlib import Path

from rig.errors import InputError
from rig.virtual.bench import VirtualRig

LONGEST_LINE = 256
LOOK_S = 0.05
ANSWER_S = 5.0
"""An order that a rig has not obeyed by then is answered as refused: its port is not served."""


class OrderSocket:
    """Takes orders for one rig, from one visitor at a time, between entering and leaving the context.

    `path`: of the socket, which is removed at the end.

    Raises InputError if no socket can be made there, or something other than a socket stands there.
    """

    def __init__(self, rig: VirtualRig, path: Path) -> None:
        self._rig = rig
        self._path = path
        self._stop = threading.Event()
        self._door = _door(path)
        self._thread = threading.Thread(target=self._run, name="virtual-orders")

    def __enter__(self) -> OrderSocket:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self._door.close()
        self._path.unlink(missing_ok=True)

    def _run(self) -> None:
        with selectors.DefaultSelector() as waiting:
            waiting.register(self._door, selectors.EVENT_READ)
            while not self._stop.is_set():
                if waiting.select(LOOK_S):
                    visitor, _ = self._door.accept()
                    with visitor:
                        self._serve(visitor)

    def _serve(self, visitor: socket.socket) -> None:
        visitor.settimeout(LOOK_S)
        line = b""
        while not self._stop.is_set():
            try:
                more = visitor.recv(LONGEST_LINE)
            except TimeoutError:
                continue
            except OSError:
                return
            if not more or len(line) > LONGEST_LINE:
                return
            *whole, line = (line + more).split(b"\n")
            with contextlib.suppress(OSError):
                for order in whole:
                    visitor.sendall(json.dumps(self._obeyed(order)).encode() + b"\n")

    def _obeyed(self, order: bytes) -> dict[str, str]:
        words = " ".join(order.decode("ascii", "replace").split())
        try:
            done = self._rig.order(words)
        except InputError as problem:
            return {"refused": str(problem)}
        if not done.wait(ANSWER_S):
            return {"refused": "the rig did not obey in time"}
        return {"done": words}


def _door(path: Path) -> socket.socket:
    with contextlib.suppress(OSError):
        if stat.S_ISSOCK(path.lstat().st_mode):
            path.unlink()  # left by a rig that was killed; anything else is somebody's
    door = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        door.bind(str(path))
        door.listen(1)
    except OSError as problem:
        door.close()
        raise InputError(
            f"control {path}: no socket can be made there ({problem.strerror or problem}); expected a free, "
            "short path in a writable folder"
        ) from None
    return door
