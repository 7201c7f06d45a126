"""Asks the daemon through its control socket, one JSON object a line each way.

Problem: several people watch while one of them must be able to halt at once, and the daemon may be slow,
gone, or started anew at any moment. Plan: questions that change nothing share one kept connection, take
turns on it and may be asked twice; every order opens a connection of its own, so that a halt waits behind
no one, and is sent once. Everything has a time limit and a length limit. Cost: one connection kept, and one
for each order under way.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from itertools import chain
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from rig.daemon.bulletin import (
    AskAcknowledge,
    AskHalt,
    AskMethods,
    AskNews,
    AskPreview,
    AskProceed,
    AskStart,
    AskStatus,
    CycleRow,
    Done,
    LiveTrace,
    MethodList,
    News,
    Preview,
    Refusal,
    RigStatus,
    Seen,
)
from rig.errors import DeviceError, InputError
from rig.jobs.orders import Message, Order, RigRef

LONGEST_LINE = 256 * 1024
"""Bytes of a request or an answer, the line's end included; the daemon reads and writes no more."""

WATCH_S = 2.0
"""Seconds for a question, the wait for its turn included: a longer wait is refused, and asked again."""

ORDER_S = 10.0
"""Seconds for an order: a method is read and checked before the answer."""

LAST_PART = 100
"""An answer with fewer points or rows than this is the last one; a full one holds more."""

MOST_PARTS = 60
"""Answers that are put together at most, should something fill faster than it is read."""

_Value = TypeVar("_Value", bound=BaseModel)


class _SilentError(Exception):
    """The connection ended, or gave something other than a line."""


class _Connection:
    """One connection, used by one question at a time."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader = reader
        self._writer = writer

    @classmethod
    async def open(cls, socket: Path) -> _Connection:
        try:
            return cls(*await asyncio.open_unix_connection(socket, limit=LONGEST_LINE))
        except OSError as problem:
            raise _SilentError(problem.strerror or str(problem)) from problem

    async def exchange(self, line: bytes) -> bytes:
        try:
            self._writer.write(line)
            await self._writer.drain()
            answer = await self._reader.readline()
        except OSError as problem:
            raise _SilentError(problem.strerror or str(problem)) from problem
        except ValueError as problem:
            raise _SilentError(f"an answer of more than {LONGEST_LINE} bytes") from problem
        if not answer.endswith(b"\n"):
            raise _SilentError("the connection was closed before the answer")
        return answer

    def close(self) -> None:
        self._writer.close()


class RigLink:
    """The daemon, as far as the page may ask it.

    Parameters
    ----------
    socket
        Path of the daemon's control socket. It need not exist yet.

    Notes
    -----
    Every method raises `DeviceError` where the daemon does not answer in time or not in its language, and
    `InputError` with the daemon's own words where it refuses.
    """

    def __init__(self, socket: Path) -> None:
        self._socket = socket
        self._turn = asyncio.Lock()
        self._kept: _Connection | None = None

    async def status(self) -> RigStatus:
        """Return how the rig stands now."""
        return await self._watch(AskStatus(), RigStatus.model_validate_json)

    async def news(self, seen: Seen) -> News:
        """Return the status and what is newer than `seen`."""
        return await self._watch(AskNews(seen=seen), News.model_validate_json)

    async def samples(self) -> LiveTrace:
        """Return all of the trace that is kept, put together from as many answers as it takes."""
        seen, parts = Seen(), list[LiveTrace]()
        for _ in range(MOST_PARTS):
            told = await self.news(seen)
            if told.trace.first != seen.trace:
                parts = []
            parts.append(told.trace)
            seen = told.seen
            if len(told.trace.time_s) < LAST_PART:
                break
        return LiveTrace(
            first=parts[0].first,
            time_s=tuple(chain.from_iterable(part.time_s for part in parts)),
            force_n=tuple(chain.from_iterable(part.force_n for part in parts)),
            position_mm=tuple(chain.from_iterable(part.position_mm for part in parts)),
        )

    async def cycles(self) -> tuple[CycleRow, ...]:
        """Return all of the job's cycles that are kept, likewise."""
        seen, rows = Seen(), list[CycleRow]()
        for _ in range(MOST_PARTS):
            told = await self.news(seen)
            if told.seen.job != seen.job:
                rows = []
            rows += told.cycles
            seen = told.seen
            if len(told.cycles) < LAST_PART:
                break
        return tuple(rows)

    async def methods(self) -> MethodList:
        """Return the methods and plans that the daemon offers."""
        return await self._watch(AskMethods(), MethodList.model_validate_json)

    async def start(self, rig: RigRef, order: Order) -> Done:
        """Start a job on this rig; the daemon refuses it if it holds another."""
        return await self._order(AskStart(rig=rig, order=order))

    async def preview(self, rig: RigRef, order: Order) -> Preview:
        """What an order would do; nothing moves."""
        return await self._watch(AskPreview(rig=rig, order=order), Preview.model_validate_json)

    async def halt(self) -> Done:
        """Halt whatever moves, and end the job."""
        return await self._order(AskHalt(who="page"))

    async def proceed(self, rig: RigRef) -> Done:
        """Say that a step off the rig is done."""
        return await self._order(AskProceed(rig=rig))

    async def acknowledge(self, rig: RigRef) -> Done:
        """Say that the cautions were read today."""
        return await self._order(AskAcknowledge(rig=rig, who="page"))

    def close(self) -> None:
        """Let go of the kept connection."""
        if self._kept is not None:
            self._kept.close()
        self._kept = None

    async def _watch(self, request: Message, read: Callable[[bytes], _Value]) -> _Value:
        line = _line_of(request)
        try:
            async with asyncio.timeout(WATCH_S), self._turn:
                answer = await self._ask_kept(line)
        except (_SilentError, TimeoutError) as problem:
            raise _silent(problem, WATCH_S) from problem
        return _read(answer, read)

    async def _ask_kept(self, line: bytes) -> bytes:
        """Ask on the kept connection; once more on a new one where the daemon had closed the old."""
        try:
            if self._kept is not None:
                try:
                    return await self._kept.exchange(line)
                except _SilentError:
                    self.close()
            self._kept = await _Connection.open(self._socket)
            return await self._kept.exchange(line)
        except BaseException:
            # An answer still to come would be taken for that of the next question.
            self.close()
            raise

    async def _order(self, request: Message) -> Done:
        line = _line_of(request)
        try:
            async with asyncio.timeout(ORDER_S):
                connection = await _Connection.open(self._socket)
                try:
                    answer = await connection.exchange(line)
                finally:
                    connection.close()
        except (_SilentError, TimeoutError) as problem:
            raise _silent(problem, ORDER_S) from problem
        return _read(answer, Done.model_validate_json)


def _line_of(request: Message) -> bytes:
    line = request.model_dump_json().encode() + b"\n"
    if len(line) > LONGEST_LINE:
        raise InputError(f"order: found {len(line)} bytes, expected at most {LONGEST_LINE}")
    return line


def _silent(problem: BaseException, limit_s: float) -> DeviceError:
    found = f"no answer within {limit_s:g} s" if isinstance(problem, TimeoutError) else str(problem)
    return DeviceError(f"control socket: found {found}, expected the daemon's answer; does the daemon run?")


def _read(answer: bytes, read: Callable[[bytes], _Value]) -> _Value:
    try:
        return read(answer)
    except ValidationError as problem:
        unread = problem
    try:
        refusal = Refusal.model_validate_json(answer)
    except ValidationError:
        first = unread.errors(include_url=False)[0]
        place = ".".join(str(step) for step in first["loc"]) or "line"
        raise DeviceError(
            f"control socket, {place}: found an answer that cannot be read ({first['msg']}), "
            "expected one of this version; stop the daemon and start it again"
        ) from unread
    raise InputError(refusal.refused)
