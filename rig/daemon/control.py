"""The daemon's ear: orders and questions of other processes, through a socket of the same user.

Problem: page and command line must reach the rig from other processes, a halt above all, and whatever
comes through a socket may be nonsense, endless, or never end. Plan: one JSON object a line each way,
read by a thread for each connection, with a limit for a line and for waiting; where connections are
used up, the one that has been silent for the longest is closed for the new one, so that a halt always
gets in. Nothing that comes in raises. Cost: a thread for each connection, sixteen at most.
"""

from __future__ import annotations

import contextlib
import os
import socket
import struct
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, TypeAdapter, ValidationError

from rig import core  # whoever asks a daemon does without `core.logger`
from rig.core import load_json
from rig.daemon.bulletin import (
    AskAcknowledge,
    AskHalt,
    AskMethods,
    AskNews,
    AskPreview,
    AskProceed,
    AskStart,
    AskStatus,
    Done,
    MethodList,
    News,
    Refusal,
    Request,
    RigStatus,
    Seen,
)
from rig.daemon.socket_place import held_by, sockets_there
from rig.errors import DeviceError, InputError
from rig.jobs.orders import Message, Order, RigRef

if TYPE_CHECKING:
    from rig.daemon.board import Board  # whoever asks a daemon needs no samples
    from rig.daemon.desk import Desk
    from rig.daemon.shelf import Shelf

LONGEST_LINE = 256 * 1024
CONNECTIONS = 16
BACKLOG = 128

SILENCE_S = 120.0
"""A connection that asks nothing for so long is closed; who wants more opens another."""

SEND_S = 5.0
"""Whoever does not read an answer for so long is left."""

CLIENT_S = 10.0
"""A daemon that does not answer for so long hangs; a halt that no device answers takes 1.5 s."""

ACCEPT_S = 0.2
CROWDED_S = 0.02
SOCKET_MODE = 0o600
_PIECE = 65_536

_PEER = struct.Struct("3i")
"""Process, user and group of the other end, unix(7)."""
_REQUEST: TypeAdapter[Request] = TypeAdapter(Request)


class ControlServer:
    """Answers on a socket. A context manager that ends its threads.

    `path`: where the socket is made; nothing may stand there.
    `held`: the rig that is held: an order for another one is refused.
    """

    def __init__(self, path: Path, held: RigRef, *, board: Board, orders: Desk, shelf: Shelf) -> None:
        self._held = held
        self._board, self._orders, self._shelf = board, orders, shelf
        self._guard = threading.Lock()
        self._connections: dict[socket.socket, tuple[threading.Thread, float]] = {}
        self._left: set[socket.socket] = set()
        self._closing = threading.Event()
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._socket.bind(str(path))
            path.chmod(SOCKET_MODE)
            self._socket.listen(BACKLOG)
            self._socket.settimeout(ACCEPT_S)
        except OSError as problem:
            self._socket.close()
            raise DeviceError(f"socket {path}: it cannot be made ({problem.strerror})") from problem
        self._thread = threading.Thread(target=self._accept, name="rig-control")

    def __enter__(self) -> ControlServer:
        self._thread.start()
        return self

    def __exit__(self, *ending: object) -> None:
        self._closing.set()
        self._thread.join()
        self._socket.close()
        with self._guard:
            left = dict(self._connections)
        for connection, (thread, _) in left.items():
            _shut(connection)
            thread.join()

    def _accept(self) -> None:
        while not self._closing.is_set():
            try:
                connection, _ = self._socket.accept()
            except TimeoutError:
                continue
            except OSError as problem:
                core.logger.warning("control socket: {}", problem)
                self._closing.wait(ACCEPT_S)
                continue
            if _stranger(connection):
                core.logger.warning("control socket: refused a process of another user")
                connection.close()
                continue
            self._make_room()
            thread = threading.Thread(target=self._serve, args=(connection,), name="rig-asked")
            with self._guard:
                self._connections[connection] = (thread, time.monotonic())
            thread.start()

    def _make_room(self) -> None:
        """Leave the connection that has been silent for the longest, if there are too many."""
        with self._guard:
            kept = [connection for connection in self._connections if connection not in self._left]
            if len(kept) < CONNECTIONS:
                return
            oldest = min(kept, key=lambda number: self._connections[number][1])
            self._left.add(oldest)
            thread, _ = self._connections[oldest]
            crowded = len(self._connections) >= 2 * CONNECTIONS
        _shut(oldest)
        if crowded:
            # its thread is not only silent but busy; otherwise the new one, perhaps a halt, goes first
            thread.join(SEND_S)

    def _serve(self, connection: socket.socket) -> None:
        try:
            with connection:
                for line in _lines(connection):
                    with self._guard:
                        thread, _ = self._connections[connection]
                        self._connections[connection] = (thread, time.monotonic())
                    answer = self._answer(line)
                    connection.settimeout(SEND_S)
                    connection.sendall(answer + b"\n")
        except _TooLongError:
            core.logger.warning(
                "control socket: a line of more than {} bytes; the connection is closed", LONGEST_LINE
            )
        except OSError as problem:
            core.logger.debug("control socket: {}", problem)
        finally:
            with self._guard:
                self._connections.pop(connection, None)
                self._left.discard(connection)

    def _answer(self, line: bytes) -> bytes:
        try:
            asked = _REQUEST.validate_json(line)
        except ValidationError as problem:
            error = problem.errors(include_url=False, include_input=False, include_context=False)[0]
            field = ".".join(str(part) for part in error["loc"]) or "request"
            return _as_json(Refusal(refused=f"{field}: {error['msg']}"[:1000]))
        try:
            return _as_json(self._carry_out(asked))
        except Exception as problem:  # whatever it is, the next one who asks must be heard
            core.logger.opt(exception=problem).error("a request was cut off")
            return _as_json(Refusal(refused=f"the request was cut off: {problem!r}"))

    def _carry_out(self, asked: Request) -> BaseModel:
        answer: BaseModel
        meant = getattr(asked, "rig", None)
        if meant is not None and not meant.means(self._held):
            return Refusal(
                refused=f"this daemon holds {self._held}; the order was for {meant}, so nothing was done: "
                "send it to that rig's daemon"
            )
        match asked:
            case AskStatus():
                answer = self._board.status()
            case AskNews():
                answer = self._board.news(asked.seen)
            case AskStart():
                answer = self._orders.start(asked.order)
            case AskPreview():
                answer = self._orders.preview(asked.order)
            case AskHalt():
                answer = self._orders.halt(asked.who)
            case AskProceed():
                answer = self._orders.proceed()
            case AskAcknowledge():
                answer = self._orders.acknowledge(asked.who)
            case AskMethods():
                answer = self._shelf.methods()
        return answer


class NoDaemonError(DeviceError):
    """No daemon is up for the rig."""


class ControlClient:
    """Asks a daemon. A context manager; it may ask many times.

    Parameters
    ----------
    rig
        The rig that orders are for; the daemon refuses them if it holds another. None for the one that the
        daemon is seen to hold.

    Raises
    ------
    NoDaemonError
        If no daemon listens there, or a process of another user does.
    """

    def __init__(self, path: Path, rig: RigRef | None = None) -> None:
        self._path, self._rig = path, rig
        self._left = b""
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._connect(time.monotonic() + CLIENT_S)
        except OSError as problem:
            self._socket.close()
            raise NoDaemonError(f"no daemon is running ({path}: {problem.strerror or problem})") from problem
        if _stranger(self._socket):
            self._socket.close()
            raise NoDaemonError(f"no daemon is running ({path}: a process of another user listens there)")

    def __enter__(self) -> ControlClient:
        return self

    def __exit__(self, *ending: object) -> None:
        self.close()

    def close(self) -> None:
        """Give the connection back."""
        self._socket.close()

    def status(self) -> RigStatus:
        """Return how the rig stands."""
        return RigStatus.model_validate(self._ask(AskStatus()))

    def news(self, seen: Seen) -> News:
        """Return what is newer than what was seen."""
        return News.model_validate(self._ask(AskNews(seen=seen)))

    def start(self, order: Order) -> Done | Refusal:
        """Begin a job."""
        return _decided(self._ask(AskStart(rig=self._meant(), order=order)))

    def halt(self, who: str) -> Done | Refusal:
        """Stop at once."""
        return _decided(self._ask(AskHalt(rig=self._rig, who=who)))

    def proceed(self) -> Done | Refusal:
        """The step off the rig is done."""
        return _decided(self._ask(AskProceed(rig=self._meant())))

    def acknowledge(self, who: str) -> Done | Refusal:
        """The cautions have been read today."""
        return _decided(self._ask(AskAcknowledge(rig=self._meant(), who=who)))

    def methods(self) -> MethodList:
        """Methods and plans that stand ready."""
        return MethodList.model_validate(self._ask(AskMethods()))

    def _meant(self) -> RigRef:
        """Return the rig that an order is for."""
        if self._rig is None:
            status = self.status()
            self._rig = RigRef(name=status.rig, port=status.port)
        return self._rig

    def _connect(self, until_s: float) -> None:
        self._socket.settimeout(CLIENT_S)
        while True:
            try:
                self._socket.connect(str(self._path))
            except BlockingIOError:
                # many want in at once; a daemon is there all the same
                if time.monotonic() > until_s:
                    raise
                time.sleep(CROWDED_S)
            else:
                return

    def _ask(self, request: Message) -> dict[str, Any]:
        """Return the answer to one request.

        Raises DeviceError if the daemon goes away or hangs.
        """
        try:
            self._socket.sendall(request.model_dump_json().encode() + b"\n")
            while b"\n" not in self._left:
                piece = self._socket.recv(_PIECE)
                if not piece:
                    raise DeviceError("the daemon has ended")
                self._left += piece
                if len(self._left) > LONGEST_LINE + _PIECE:
                    raise DeviceError(f"the daemon's answer does not end within {LONGEST_LINE} bytes")
        except OSError as problem:
            raise DeviceError(f"the daemon does not answer ({problem})") from problem
        line, _, self._left = self._left.partition(b"\n")
        try:
            return load_json(line, "the daemon's answer")
        except InputError as problem:
            raise DeviceError(str(problem)) from None


def daemons_of(rig: RigRef, folders: Sequence[Path] | None = None) -> list[tuple[RigRef, ControlClient]]:
    """Connections to the daemons that hold a rig, with what each holds: several if only a name is meant."""
    found = []
    for path in sockets_there(folders):
        held = held_by(path)
        if held is not None and rig.means(held):
            with contextlib.suppress(NoDaemonError):
                found.append((held, ControlClient(path, held if rig.port is None else rig)))
    return found


def daemon_of(rig: RigRef, folders: Sequence[Path] | None = None) -> ControlClient:
    """Return a connection to the daemon of a rig.

    Raises NoDaemonError if none is up; InputError if several rigs of this name are held, and no port says
    which is meant.
    """
    found = daemons_of(rig, folders)
    if not found:
        raise NoDaemonError(f"{rig}: no daemon is running; start one with `pressrig serve`")
    if len(found) > 1:
        for _, client in found:
            client.close()
        ports = ", ".join(str(held.port) for held, _ in found)
        raise InputError(f"--port: {len(found)} rigs named {rig.name!r} are held, at {ports}; give one")
    return found[0][1]


class _TooLongError(Exception):
    """A line does not end; it never leaves this module."""


def _lines(connection: socket.socket) -> Iterator[bytes]:
    """Yield the lines as they come, until the other side has said all."""
    left = b""
    while True:
        connection.settimeout(SILENCE_S)
        piece = connection.recv(_PIECE)
        if not piece:
            return
        *whole, left = (left + piece).split(b"\n")
        if len(left) > LONGEST_LINE or any(len(line) > LONGEST_LINE for line in whole):
            raise _TooLongError
        yield from whole


def _as_json(answer: BaseModel) -> bytes:
    return answer.model_dump_json().encode()


def _decided(answer: dict[str, Any]) -> Done | Refusal:
    return Refusal.model_validate(answer) if "refused" in answer else Done.model_validate(answer)


def _stranger(connection: socket.socket) -> bool:
    """Return whether the other end belongs to another user; root may ask. Not known where the system
    cannot tell."""
    if not hasattr(socket, "SO_PEERCRED"):
        return False
    try:
        found = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _PEER.size)
    except OSError:
        return False  # it has gone already
    _, user, _ = _PEER.unpack(found)
    return user not in (0, os.geteuid())


def _shut(connection: socket.socket) -> None:
    with contextlib.suppress(OSError):
        connection.shutdown(socket.SHUT_RDWR)
