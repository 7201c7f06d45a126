"""Who may see the page and who may move the platen: checks before any request is looked at.

Problem: a browser that has this page open also has others open, and any of them may send requests to this
machine; a name on the net may be pointed at this machine's address; a colleague's phone is not everybody's.
Plan: one wrapper around the whole application, for HTTP and WebSocket too. The Host must be an address of
this machine with the right port, the Origin must be this page, a POST must be something that no form of
another site can send, a body has a limit, and with a token every request carries it. Refused is what is not
known to be right. Cost: a few comparisons of short strings for each request.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import ipaddress
import json
import os
import socket
import stat
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from rig.daemon.bulletin import Refusal
from rig.errors import InputError

LONGEST_BODY = 256 * 1024
"""Bytes of a request's body; a method has at most 64 Ki characters, and the control socket takes no more."""

BODY_S = 10.0
"""Seconds in which a body must have arrived; otherwise a slow sender could hold a place for ever."""

MOST_REQUESTS = 48
"""In work at a time, halts apart; a browser has about seven. Half of the connections stay free for a halt."""

SHORTEST_TOKEN = 16
LONGEST_TOKEN = 1024
"""Characters; 16 chosen at random cannot be guessed at the speed of a network."""

SESSION_S = 12 * 3600
"""Seconds for which a browser that has given the token is remembered: a long day at the rig."""

ORDER_HEADER = "x-pressrig"
"""A header of any value. A page of another site may not send it unasked, and asking is refused."""

OPEN_WITHOUT_TOKEN = frozenset(
    {
        "/enter",
        "/api/enter",
        "/static/elements.js",
        "/static/enter.js",
        "/static/halt.js",
        "/static/orders.js",
        "/static/page.css",
        "/static/mark.svg",
    }
)
"""What a browser needs to give the token; nothing about the rig is in it."""

PAGES = frozenset({"/", "/enter", "/captures", "/capture", "/overlay", "/ask"})
"""What a person opens; whoever has not given the token is sent to give it."""

HALT = "/api/halt"
"""Needs no token from this machine; a page of another site cannot ask for it all the same."""

_HTTP_PORT = 80
"""The port that a browser leaves out of Host and Origin."""


@dataclass(frozen=True, slots=True)
class AccessRules:
    """What a request must be like.

    `names`: Host names and addresses, in lower case and without port, that are this machine.
    `any_address`: whether any numeric address counts as this machine: for listening at all addresses. A name
    on the net can be pointed at this machine, a numeric address cannot.
    """

    names: frozenset[str]
    port: int
    any_address: bool = False
    token: str | None = None

    @property
    def cookie(self) -> str:
        """Name of the cookie; browsers share cookies between the ports of a machine."""
        return f"pressrig-{self.port}"

    @property
    def pass_value(self) -> str:
        """What the cookie holds: proof that the token was given, without the token."""
        return hmac.new((self.token or "").encode(), b"pressrig page", hashlib.sha256).hexdigest()

    def is_token(self, given: str) -> bool:
        """Return whether this is the token; takes the same time for all wrong ones of a length."""
        return self.token is not None and hmac.compare_digest(_bytes(given), _bytes(self.token))

    def is_pass(self, given: str) -> bool:
        """Return whether this is what the cookie holds."""
        return self.token is not None and hmac.compare_digest(_bytes(given), _bytes(self.pass_value))

    def is_here(self, host: str) -> bool:
        """Return whether a Host header, or the same part of an Origin, means this machine and port."""
        try:
            parts = urlsplit(f"//{host}")
            name, port = parts.hostname, parts.port
        except ValueError:
            return False
        if name is None or parts.netloc != host or "@" in host or (port or _HTTP_PORT) != self.port:
            return False
        return name in self.names or (self.any_address and _is_address(name))


def access_rules(listen: str, port: int, token: str | None) -> AccessRules:
    """Rules for listening at an address.

    Parameters
    ----------
    listen
        Numeric address, or "localhost". Anything beyond loopback needs a token.

    Raises
    ------
    InputError
        If the address is none, or lies beyond loopback and there is no token.
    """
    try:
        address = ipaddress.ip_address("127.0.0.1" if listen == "localhost" else listen)
    except ValueError:
        raise InputError(
            f"--listen: found {listen!r}, expected a numeric address such as 127.0.0.1"
        ) from None
    names = {"localhost", "127.0.0.1", "::1", str(address)}
    if not address.is_loopback:
        if token is None:
            raise InputError(
                f"--listen: found {listen} without --token-file, expected a token for anything beyond "
                "loopback: whoever reaches this page can move the platen"
            )
        here = socket.gethostname().lower()
        names |= {here, f"{here}.local"}
    return AccessRules(frozenset(names), port, any_address=address.is_unspecified, token=token)


def read_token(path: Path) -> str:
    """Read a token that only its owner can read.

    Parameters
    ----------
    path
        A file with one line.

    Raises
    ------
    InputError
        If the file cannot be read, others may read or write it, or its content is no token.
    """
    try:
        with path.open("rb") as file:
            about = os.fstat(file.fileno())
            content = file.read(LONGEST_TOKEN + 2)
    except OSError as problem:
        raise InputError(f"{path}: found {problem.strerror}, expected a file with a token") from problem
    mode = stat.S_IMODE(about.st_mode)
    if mode & 0o077:
        raise InputError(
            f"{path}: found mode {mode:04o}, expected 0600: others on this machine can read the token"
        )
    token = content.decode("ascii", errors="replace").strip()
    if not SHORTEST_TOKEN <= len(token) <= LONGEST_TOKEN or not token.isascii() or not token.isprintable():
        raise InputError(
            f"{path}: found {len(token)} characters, expected one line of {SHORTEST_TOKEN} to "
            f"{LONGEST_TOKEN} printable ASCII characters"
        )
    if " " in token:
        raise InputError(f"{path}: found a space in the token, expected none")
    return token


class GuardedApp:
    """An application behind the rules."""

    def __init__(self, app: ASGIApp, rules: AccessRules) -> None:
        self._app = app
        self._rules = rules
        self._in_work = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or hand it on."""
        if scope["type"] not in {"http", "websocket"}:
            await self._app(scope, receive, send)
            return
        request = _Request(scope)
        refused = _foreign(request, self._rules) or _unknown(request, self._rules)
        if scope["type"] == "websocket":
            if refused is None:
                await self._app(scope, receive, send)
            else:
                # Before it is accepted, a close becomes an answer of 403.
                await send({"type": "websocket.close", "code": 1008, "reason": refused[1][:120]})
            return
        sealed = _sealing(send, request, self._rules)
        if refused is None and request.method == "POST":
            refused = _no_order(request)
        # Counted behind the access check: whoever is refused takes no place. A halt never waits for one.
        counts = request.path != HALT
        if refused is None and counts and self._in_work >= MOST_REQUESTS:
            refused = 503, f"found {MOST_REQUESTS} requests in work already, expected fewer: try again"
        if refused is None:
            self._in_work += counts
            try:
                body = await _whole_body(receive)
                if isinstance(body, bytes):
                    await self._app(scope, _replaying(body, receive), sealed)
                    return
                refused = body
            finally:
                self._in_work -= counts
        await _refuse(sealed, request, *refused)


_Refused = tuple[int, str]


class _Request:
    """The parts of a request that the rules look at."""

    def __init__(self, scope: Scope) -> None:
        self.path: str = scope["path"]
        self.method: str = scope.get("method", "GET")
        self._client: str = (scope.get("client") or ("", 0))[0]
        self._headers = Headers(scope=scope)

    def all_of(self, name: str) -> list[str]:
        return self._headers.getlist(name)

    def one(self, name: str) -> str:
        values = self.all_of(name)
        return values[0] if len(values) == 1 else ""

    @property
    def host(self) -> str:
        return self.one("host").lower()

    @property
    def of_this_machine(self) -> bool:
        """Whether it comes over loopback, from any user of this machine."""
        return _is_address(self._client) and ipaddress.ip_address(self._client).is_loopback

    @property
    def opens_a_page(self) -> bool:
        """Whether a person follows a link or types an address, which shows nothing to another site."""
        return self.is_page and self.one("sec-fetch-mode") == "navigate"

    @property
    def is_page(self) -> bool:
        return self.method == "GET" and self.path in PAGES


def _foreign(request: _Request, rules: AccessRules) -> _Refused | None:
    """Requests that are not meant for this page, or come from another."""
    if not rules.is_here(request.host):
        return (
            421,
            f"Host: found {_shown(request.all_of('host'))}, expected this machine with port {rules.port}",
        )
    for origin in request.all_of("origin"):
        if not _is_of(origin, request.host):
            return 403, f"Origin: found {_shown([origin])}, expected this page"
    site = request.all_of("sec-fetch-site")
    if any(value not in {"same-origin", "none"} for value in site) and not request.opens_a_page:
        return 403, f"Sec-Fetch-Site: found {_shown(site)}, expected same-origin"
    return None


def _unknown(request: _Request, rules: AccessRules) -> _Refused | None:
    """Requests without the token, where one is wanted."""
    if rules.token is None or request.path in OPEN_WITHOUT_TOKEN:
        return None
    if request.path == HALT and request.of_this_machine:
        return None  # whoever stands beside the rig may stop it
    scheme, _, given = request.one("authorization").partition(" ")
    if scheme.lower() == "bearer" and rules.is_token(given.strip()):
        return None
    if rules.is_pass(_cookie(request, rules.cookie)):
        return None
    return 401, "token: found none or a wrong one, expected Authorization: Bearer, or entry through /enter"


def _no_order(request: _Request) -> _Refused | None:
    """POSTs that a form of another site could have sent."""
    media_type = request.one("content-type").partition(";")[0].strip().lower()
    if media_type != "application/json":
        found = _shown(request.all_of("content-type"))
        return 415, f"Content-Type: found {found}, expected application/json"
    if not request.all_of(ORDER_HEADER) and request.one("sec-fetch-site") != "same-origin":
        return 403, f"{ORDER_HEADER}: found no such header, expected it in every POST"
    return None


async def _whole_body(receive: Receive) -> bytes | _Refused:
    """Return the body, or why there is none; never more of it than is allowed."""
    body = bytearray()
    try:
        async with asyncio.timeout(BODY_S):
            while True:
                message = await receive()
                if message["type"] == "http.disconnect":
                    return 400, "body: found the end of the connection, expected the whole body"
                body += message.get("body", b"")
                if len(body) > LONGEST_BODY:
                    return 413, f"body: found more than {LONGEST_BODY} bytes, expected at most that"
                if not message.get("more_body", False):
                    return bytes(body)
    except TimeoutError:
        return 408, f"body: found no end of it within {BODY_S:g} s"


def _replaying(body: bytes, receive: Receive) -> Receive:
    given = False

    async def replay() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return replay


def _sealing(send: Send, request: _Request, rules: AccessRules) -> Send:
    """Put the headers on every answer that keep other sites out of it."""
    # The live socket is named in full: not every browser counts it as part of 'self'. The library for plots
    # makes style sheets of its own, which can neither run nor fetch anything.
    live = f" ws://{request.host}" if rules.is_here(request.host) else ""
    policy = (
        f"default-src 'self'; connect-src 'self'{live}; img-src 'self' data:; "
        "style-src 'self' 'unsafe-inline'; object-src 'none'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'"
    )

    async def sealed(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            headers.setdefault("Content-Security-Policy", policy)  # a report has a stricter one of its own
            headers.setdefault("X-Frame-Options", "DENY")
            headers["X-Content-Type-Options"] = "nosniff"
            headers["Referrer-Policy"] = "no-referrer"
            headers["Cross-Origin-Resource-Policy"] = "same-origin"
            headers["Cross-Origin-Opener-Policy"] = "same-origin"
            headers["Cache-Control"] = "no-store" if request.path.startswith("/api/") else "no-cache"
        await send(message)

    return sealed


async def _refuse(send: Send, request: _Request, status: int, why: str) -> None:
    headers = [(b"content-type", b"application/json"), (b"connection", b"close")]
    if status == 401 and request.is_page:
        status = 303
        headers.append((b"location", b"/enter"))
    elif status == 401:
        headers.append((b"www-authenticate", b"Bearer"))
    body = b"" if request.method == "HEAD" else json.dumps(Refusal(refused=why).model_dump()).encode()
    headers.append((b"content-length", str(len(body)).encode()))
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def _cookie(request: _Request, name: str) -> str:
    try:
        found = SimpleCookie("; ".join(request.all_of("cookie"))).get(name)
    except CookieError:
        return ""
    return "" if found is None else found.value


def _is_of(origin: str, host: str) -> bool:
    """Return whether an Origin names this host, which was found to be right."""
    try:
        parts = urlsplit(origin.lower())
    except ValueError:
        return False
    return (parts.scheme, parts.netloc, parts.path, parts.query) == ("http", host, "", "")


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _shown(values: list[str]) -> str:
    return "nothing" if not values else ", ".join(ascii(value[:100]) for value in values[:3])


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", errors="replace")
