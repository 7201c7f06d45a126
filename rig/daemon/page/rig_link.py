"""Asks the daemon through its control socket, one JSON object a line each way.

Problem: several people watch while one of them must be able to halt at once, and the daemon may be slow,
gone, or started anew at any moment. Plan: questions that change nothing share one kept connection, take
turns on it and may be asked twice; every order opens a connection of its own, so that a halt waits behind
no one, and is sent once. Everything has a time limit and a length limit. Cost: one connection kept, and one
for each order under way.
"""

from __future__ import annotations

import asyncio
from itertools import chain
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from rig.daemon.bulletin import (
    AskNews,
    CycleRow,
    Done,
    LiveTrace,
    News,
    Refusal,
    Seen,
)
from rig.errors import DeviceError, InputError
from rig.jobs.orders import Message

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

    async def news(self, seen: Seen) -> News:
        """Return the status and what is newer than `seen`."""
        return await self.ask(AskNews(seen=seen), News)

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

    def close(self) -> None:
        """Let go of the kept connection."""
        if self._kept is not None:
            self._kept.close()
        self._kept = None

    async def ask(self, request: Message, answer: type[_Value]) -> _Value:
        """Return the answer to a question that changes nothing."""
        line = _line_of(request)
        try:
            async with asyncio.timeout(WATCH_S), self._turn:
                found = await self._ask_kept(line)
        except (_SilentError, TimeoutError) as problem:
            raise _silent(problem, WATCH_S) from problem
        return _read(found, answer)

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

    async def order(self, request: Message) -> Done:
        """Give an order once, on a connection of its own."""
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
        return _read(answer, Done)


def _line_of(request: Message) -> bytes:
    line = request.model_dump_json().encode() + b"\n"
    if len(line) > LONGEST_LINE:
        raise InputError(f"order: found {len(line)} bytes, expected at most {LONGEST_LINE}")
    return line


def _silent(problem: BaseException, limit_s: float) -> DeviceError:
    found = f"no answer within {limit_s:g} s" if isinstance(problem, TimeoutError) else str(problem)
    return DeviceError(f"control socket: found {found}, expected the daemon's answer; does the daemon run?")


def _read(answer: bytes, kind: type[_Value]) -> _Value:
    try:
        return kind.model_validate_json(answer)
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
