"""The interface over HTTP and WebSocket: what the daemon says, typed, and orders handed on to it.

Problem: people with a browser and programs of theirs want to watch a job, start one and halt it, while
nothing they send or fail to read may slow the daemon down. Plan: each endpoint is one question to the
daemon; the live socket asks anew only after its client has answered, so that nothing queues for a slow one.
Every refusal has the same shape. Cost: one question for each request, five a second for each watcher.
"""

from __future__ import annotations

import asyncio
import gzip
import importlib.metadata
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any

from fastapi import (
    APIRouter,
    Body,
    Depends,
    FastAPI,
    Query,
    Request,
    Response,
    WebSocket,
    WebSocketDisconnect,
)
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, JSONResponse, PlainTextResponse, RedirectResponse
from fastapi.staticfiles import StaticFiles
from loguru import logger
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection

from rig import __version__
from rig.core import chosen_units
from rig.daemon.bulletin import (
    AskAcknowledge,
    AskHalt,
    AskMethods,
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
from rig.daemon.page.access import LONGEST_TOKEN, SESSION_S, AccessRules, GuardedApp
from rig.daemon.page.rig_link import RigLink
from rig.errors import DeviceError, InputError, RigError
from rig.jobs.orders import Order, RigRef

NEWS_S = 0.2
"""Seconds between two messages of the live socket: five a second look steady to the eye."""

SILENT_S = 1.0
"""Seconds between two tries while the daemon does not answer."""

ANSWER_S = 60.0
"""Seconds in which a client of the live socket must answer; a sleeping telephone connects again by itself."""

MOST_WATCHERS = 24
"""Live sockets at a time; each costs the daemon five questions a second."""

WHO = "page"
"""Who gives the orders, as the board and the log say."""

HIGHEST = 2**53
"""The largest number that a browser counts exactly."""

_STATIC = Path(str(files("rig.daemon.page") / "static"))

_ABOUT = """Force in N, lengths in mm, times in s; null where a quantity cannot be had.

Every POST needs the content type application/json and a header x-pressrig of any value. Where the page was
started with a token, every request needs `Authorization: Bearer TOKEN`. A refusal always is
`{"refused": "why"}`.

An order says which rig it is for: `"rig": {"name": ..., "port": ...}`, as `rig` and `port` of the status
say. A daemon that holds another one refuses it. Only a halt needs no rig.

The WebSocket at /api/live sends a News, the first with all that is kept, then what is newer. The next one
comes when the client has answered with any short text, at most five a second: a slow client gets fewer and
newer ones. While the daemon does not answer, a refusal comes instead.

Halt is no emergency stop. Only the hard-wired one cuts the motor's power."""

_REFUSALS: dict[int | str, dict[str, Any]] = {
    "4XX": {"model": Refusal, "description": "Refused; nothing was moved."},
    "503": {"model": Refusal, "description": "The daemon does not answer."},
}


class Entry(BaseModel):
    """The token, typed by a person into the entry form."""

    model_config = ConfigDict(extra="forbid")

    token: Annotated[str, Field(min_length=1, max_length=LONGEST_TOKEN)]


class Pages(BaseModel):
    """Which pages there are: the live one of a rig, and those about captures; the units that were chosen."""

    live: bool
    captures: bool
    units: str


class StartOrder(BaseModel):
    """An order, and the rig that it is for."""

    model_config = ConfigDict(extra="forbid")

    rig: RigRef
    order: Order


Whose = Annotated[RigRef, Body(embed=True)]
"""Which rig the order is for: what `rig` and `port` of the status said to whoever gives it."""

Number = Annotated[int, Query(ge=0, le=HIGHEST)]

api = APIRouter(prefix="/api", responses=_REFUSALS)
entry = APIRouter(prefix="/api", responses=_REFUSALS)
pages = APIRouter(include_in_schema=False)


def _link_of(connection: HTTPConnection) -> RigLink:
    link: RigLink = connection.app.state.link
    return link


def _rules_of(connection: HTTPConnection) -> AccessRules:
    rules: AccessRules = connection.app.state.rules
    return rules


Link = Annotated[RigLink, Depends(_link_of)]
Rules = Annotated[AccessRules, Depends(_rules_of)]


def make_app(
    link: RigLink | None,
    rules: AccessRules,
    others: Sequence[APIRouter] = (),
    others_static: Path | None = None,
) -> GuardedApp:
    """Make the application.

    Parameters
    ----------
    others, others_static
        Routes of further pages, and the folder of what these pages load.

    Returns
    -------
    GuardedApp
        An ASGI application.
    """

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        yield
        if link is not None:
            link.close()

    app = FastAPI(
        title="Press rig",
        version=__version__,
        description=_ABOUT,
        openapi_url="/api/openapi.json",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    app.state.link = link
    app.state.rules = rules
    app.state.captures = bool(others)
    app.state.watchers = 0
    app.add_exception_handler(RigError, _refuse_rig)
    app.add_exception_handler(RequestValidationError, _refuse_input)
    app.add_exception_handler(HTTPException, _refuse_http)
    app.include_router(entry)
    app.include_router(pages)
    if link is None:
        app.add_api_route("/", _to_the_captures, include_in_schema=False)
    else:
        app.include_router(api)
        app.add_api_route("/", _live_page, include_in_schema=False)
    for router in others:
        app.include_router(router, responses=_REFUSALS)
    if others_static is not None:
        app.mount("/static/workbench", StaticFiles(directory=others_static))
    app.mount("/static", StaticFiles(directory=_STATIC))
    return GuardedApp(app, rules)


@api.get("/status")
async def status(link: Link) -> RigStatus:
    """How the rig stands now."""
    return await link.ask(AskStatus(), RigStatus)


@api.get("/news")
async def news(link: Link, trace: Number = 0, cycle: Number = 0, loop: Number = 0, job: Number = 0) -> News:
    """The status, and what is newer than what was seen: give back what `seen` held in the answer before."""
    return await link.news(Seen(trace=trace, cycle=cycle, loop=loop, job=job))


@api.get("/samples")
async def samples(link: Link) -> LiveTrace:
    """Force and position of the last minutes, thinned."""
    return await link.samples()


@api.get("/cycles")
async def cycles(link: Link) -> tuple[CycleRow, ...]:
    """The last cycles of the job, as far as they are still kept."""
    return await link.cycles()


@api.get("/methods")
async def methods(link: Link) -> MethodList:
    """The methods and plans that can be started."""
    return await link.ask(AskMethods(), MethodList)


@api.post("/start")
async def start(link: Link, asked: StartOrder) -> Done:
    """Start a method, an endurance plan, a recording or a height. The platen may move at once."""
    return await link.order(AskStart(rig=asked.rig, order=asked.order))


@api.post("/preview")
async def preview(link: Link, asked: StartOrder) -> Preview:
    """Say what an order would do on this rig. Nothing moves."""
    return await link.ask(AskPreview(rig=asked.rig, order=asked.order), Preview)


@api.post("/halt")
async def halt(link: Link) -> Done:
    """Halt the platen and end the job; also where nothing moves. Not an emergency stop."""
    return await link.order(AskHalt(who=WHO))


@api.post("/proceed")
async def proceed(link: Link, rig: Whose) -> Done:
    """Say that the step off the rig is done. The platen may move at once."""
    return await link.order(AskProceed(rig=rig))


@api.post("/acknowledge")
async def acknowledge(link: Link, rig: Whose) -> Done:
    """Say that the cautions were read today."""
    return await link.order(AskAcknowledge(rig=rig, who=WHO))


@entry.get("/pages")
async def what_there_is(request: Request) -> Pages:
    """Which pages are served here."""
    state = request.app.state
    return Pages(live=state.link is not None, captures=state.captures, units=chosen_units() or "metric")


@entry.post("/enter")
async def enter(rules: Rules, given: Annotated[Entry, Body()], response: Response) -> Done:
    """Give the token once; a cookie then stands for it."""
    if not rules.is_token(given.token):
        raise HTTPException(401 if rules.token else 409, "token: found another one, expected the rig's")
    response.set_cookie(
        rules.cookie, rules.pass_value, max_age=SESSION_S, path="/", httponly=True, samesite="strict"
    )
    return Done()


@api.websocket("/live")
async def live(socket: WebSocket, link: Link) -> None:
    """Tell one watcher the news, one message at a time."""
    await socket.accept()
    if socket.app.state.watchers >= MOST_WATCHERS:
        await socket.close(1013, f"{MOST_WATCHERS} pages watch already")
        return
    socket.app.state.watchers += 1
    try:
        await _tell_news(socket, link)
    except (WebSocketDisconnect, TimeoutError):
        logger.debug("a watcher has gone")
    finally:
        socket.app.state.watchers -= 1


async def _tell_news(socket: WebSocket, link: RigLink) -> None:
    clock = asyncio.get_running_loop().time
    seen = Seen()
    while True:
        due_s = clock() + NEWS_S
        try:
            told = await link.news(seen)
            seen = told.seen
            text = told.model_dump_json()
        except RigError as problem:
            text = Refusal(refused=str(problem)).model_dump_json()
            due_s = clock() + SILENT_S
        await socket.send_text(text)
        async with asyncio.timeout(ANSWER_S):
            answer = await socket.receive()
        if answer["type"] == "websocket.disconnect":
            return
        await asyncio.sleep(due_s - clock())


async def _live_page() -> FileResponse:
    return FileResponse(_STATIC / "index.html")


async def _to_the_captures() -> RedirectResponse:
    return RedirectResponse("/captures", 307)


@pages.get("/enter")
async def entry_form() -> FileResponse:
    """Serve the form for the token."""
    return FileResponse(_STATIC / "enter.html")


@pages.get("/api/docs")
async def docs() -> FileResponse:
    """Serve the page that lists what the interface can do."""
    return FileResponse(_STATIC / "docs.html")


@pages.get("/library/plotly.min.js")
def plots(request: Request) -> Response:
    """Serve the library that draws the plots, from the installed package, to browsers that lack it."""
    tag = f'"plotly-{_plots_package().version}"'
    headers = {"Cache-Control": "no-cache", "ETag": tag}
    if tag in request.headers.get("If-None-Match", ""):
        return Response(status_code=304, headers=headers)
    packed = headers | {"Content-Encoding": "gzip"}
    return Response(_plots_packed(), media_type="text/javascript", headers=packed)


@pages.get("/library/licences")
def licences() -> PlainTextResponse:
    """Serve the licence of what is served from other packages."""
    return PlainTextResponse(_plots_licence())


@cache
def _plots_packed() -> bytes:
    """Pack the library once: telephones in a workshop have slow links."""
    path = Path(str(_plots_package().locate_file("plotly/package_data/plotly.min.js")))
    try:
        return gzip.compress(path.read_bytes(), compresslevel=6, mtime=0)
    except OSError as problem:
        raise HTTPException(
            404, f"package plotly: found no script for the plots ({problem.strerror})"
        ) from problem


@cache
def _plots_licence() -> str:
    package = _plots_package()
    texts = [
        Path(str(package.locate_file(file))).read_text(encoding="utf-8")
        for file in package.files or []
        if file.name.startswith("LICENSE") and ".dist-info" in file.parts[0]
    ]
    return f"/library/plotly.min.js is part of plotly {package.version}\n\n" + "\n\n".join(texts)


def _plots_package() -> importlib.metadata.Distribution:
    try:
        return importlib.metadata.distribution("plotly")
    except importlib.metadata.PackageNotFoundError as problem:
        raise HTTPException(404, "package plotly: found none, expected it beside this one") from problem


def _refusal(status_code: int, why: str) -> JSONResponse:
    return JSONResponse(Refusal(refused=why).model_dump(), status_code)


async def _refuse_rig(_: Request, problem: Exception) -> JSONResponse:
    code = 409 if isinstance(problem, InputError) else 503
    if isinstance(problem, DeviceError):
        logger.warning("{}", problem)
    return _refusal(code, str(problem))


async def _refuse_input(_: Request, problem: Exception) -> JSONResponse:
    assert isinstance(problem, RequestValidationError)
    first = problem.errors()[0]
    place = ".".join(str(step) for step in first["loc"])
    found = ascii(first.get("input"))[:80]
    return _refusal(422, f"{place}: found {found}, expected: {first['msg']}")


async def _refuse_http(_: Request, problem: Exception) -> JSONResponse:
    assert isinstance(problem, HTTPException)
    answer = _refusal(problem.status_code, str(problem.detail))
    answer.headers.update(problem.headers or {})
    return answer
