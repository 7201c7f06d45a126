"""Connections of the page, bounded so that idle or slow ones never shut out a halt.

Problem: a connection costs its opener nothing, and a limit that refuses whoever comes last lets idle ones
refuse a halt. Plan: a request's head must arrive within a few seconds, and a new connection above the limit
closes the oldest one that the page still waits for. The limit on requests is smaller and lies behind the
access check. Cost: one timer per connection.
"""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.config import Config
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

MOST_CONNECTIONS = 96
"""At a time. More than requests and live sockets together, so that a new connection always finds room."""

HEAD_S = 5.0
"""Seconds in which a request's head must have arrived; a browser sends it in one piece."""


class BoundedProtocol(H11Protocol):
    """A connection that ends when its request does not arrive, or when newer ones need its place."""

    def __init__(
        self,
        config: Config,
        server_state: ServerState,
        app_state: dict[str, Any],
        _loop: asyncio.AbstractEventLoop | None = None,
    ) -> None:
        super().__init__(config, server_state, app_state, _loop)
        self._head_timer: asyncio.TimerHandle | None = None
        self._opened_s = self.loop.time()

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a place, if need be that of the oldest connection whose request has not arrived."""
        super().connection_made(transport)
        self._head_timer = self.loop.call_later(HEAD_S, transport.abort)
        if len(self.connections) > MOST_CONNECTIONS:
            # This one waits too, so there is always one to close.
            waiting = (one for one in self.connections if isinstance(one, BoundedProtocol) and one._waits)
            oldest = min(waiting, key=lambda one: one._opened_s)
            # The transport reports the loss later; until then the place would count as taken.
            self.connections.discard(oldest)
            oldest.transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop the timer with the connection."""
        self._stop_head_timer()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take data; the timer runs from the first byte of a head to its last, however they trickle in."""
        super().data_received(data)
        if self.transport.get_protocol() is not self or not self._waits_for_head:
            self._stop_head_timer()
        elif self._head_timer is None:
            self._head_timer = self.loop.call_later(HEAD_S, self.transport.abort)

    @property
    def _waits_for_head(self) -> bool:
        return self.cycle is None or self.cycle.response_complete

    @property
    def _waits(self) -> bool:
        """Whether the client still owes a head or the rest of a body."""
        return self._waits_for_head or self.cycle.more_body

    def _stop_head_timer(self) -> None:
        if self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None
