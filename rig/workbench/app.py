"""The pages and the interface of the workbench, served beside the live page or without a rig.

A request either reads a capture or starts a command in a separate process. Capture names come from the
network, so they are looked up below the folder only. A report is shown in a sandbox: its own script runs and
can reach nothing.
"""

from __future__ import annotations

import mimetypes
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import asdict
from importlib.resources import files
from itertools import islice
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, FastAPI, Query
from fastapi.responses import FileResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool

from rig.capture import STILL_RECORDING
from rig.core import visible
from rig.errors import InputError
from rig.workbench.catalogue import Catalogue, Listing
from rig.workbench.catalogue import Query as CaptureQuery
from rig.workbench.forms import FORMS, LONGEST_VALUE, MOST_CAPTURES, Form, arguments
from rig.workbench.tasks import CommandProgress, Tasks
from rig.workbench.traces import MOST_POINTS, Trace, Traces

MOST_CYCLES = 2000
"""Rows of a table of cycles in one answer."""

MOST_EVENTS = 200
"""Events in one answer."""

LONGEST_EVENT = 400
"""Characters that are shown of what an event says."""

HIDDEN = ("wall", "kind", "host_time_s", "time_us")
"""Fields of an event that a person does not read as part of what it says."""

PLAIN = ("text", "reason", "why", "instruction")
"""Fields of an event that are sentences: their names add nothing."""

KEPT_ANALYSES = 32
"""Captures whose analysis is remembered."""

LONGEST_NAME = 300
"""Characters of a capture's name in the list."""

STATIC = Path(str(files("rig.workbench") / "static"))

PAGES = {
    "/captures": "captures.html",
    "/capture": "capture.html",
    "/overlay": "overlay.html",
    "/ask": "ask.html",
}
"""Pages by their address."""

_SANDBOX = (
    "sandbox allow-scripts allow-downloads allow-popups; default-src 'none'; script-src 'unsafe-inline'; "
    "style-src 'unsafe-inline'; img-src data:; font-src data:; frame-ancestors 'self'"
)
"""A report may run its own script; it cannot reach the page around it or the network."""

Name = Annotated[str, Query(min_length=1, max_length=LONGEST_NAME)]
Text = Annotated[str, Query(max_length=LONGEST_VALUE)]


class Question(BaseModel):
    """A completed form: its command, the entries by option, and the captures, named as in the list."""

    model_config = ConfigDict(extra="forbid")

    form: str = Field(max_length=40)
    values: dict[str, Annotated[str, Field(max_length=LONGEST_VALUE)]] = Field(default={}, max_length=40)
    captures: list[Annotated[str, Field(max_length=LONGEST_NAME)]] = Field(
        default=[], max_length=MOST_CAPTURES
    )


class TaskName(BaseModel):
    """The name of a task."""

    model_config = ConfigDict(extra="forbid")

    task: str = Field(max_length=40)


class Analysis(BaseModel):
    """The result of `pressrig analyse --json` for one capture, or its progress."""

    progress: CommandProgress
    capture: dict[str, Any] | None = None
    cycles: int = 0


class About(BaseModel):
    """The header of a capture, its amendments, and what is excluded."""

    id: str
    header: dict[str, Any]
    ended: str
    still_recording: bool
    duration_s: float | None
    samples: int | None
    amendments: list[str]
    left_out: str
    left_out_cycles: dict[int, str]


class CaptureEvent(BaseModel):
    """Something that happened while a capture was recorded: when, by the computer's clock, and what."""

    time: str
    kind: str
    about: str


class Events(BaseModel):
    """Some events of a capture, oldest first, and whether there are more."""

    events: list[CaptureEvent]
    more: bool


def workbench_routers(folder: Path, reports: Path, rig_file: Path | None = None) -> list[APIRouter]:
    """Return the routes for a folder of captures.

    Parameters
    ----------
    reports
        Folder for reports, one folder per report; created with the first one.
    rig_file
        Of the rig beside which the pages are served; None without a rig.
    """
    pages = APIRouter(include_in_schema=False)
    for address, file in PAGES.items():
        pages.add_api_route(address, _shows(STATIC / file), methods=["GET"])
    return [
        pages,
        _captures_api(Catalogue(folder), Traces()),
        _answers_api(Catalogue(folder), Tasks(reports), rig_file),
    ]


def _shows(path: Path) -> Callable[[], FileResponse]:
    def page() -> FileResponse:
        return FileResponse(path)

    return page


def _captures_api(catalogue: Catalogue, traces: Traces) -> APIRouter:
    router = APIRouter(prefix="/api")

    @router.get("/captures")
    def captures(query: Annotated[CaptureQuery, Query()]) -> Listing:
        """Return one page of the captures that match, and the values that filters can take."""
        return catalogue.listing(query)

    @router.get("/capture")
    def about(capture: Name) -> About:
        """Return the header of a capture with its amendments applied."""
        opened = catalogue.open(capture)
        ending, excluded = opened.ending, opened.exclusions
        header = asdict(opened.header)
        return About(
            id=capture,
            header=header | {"started": opened.header.started.isoformat()},
            ended=(ended := opened.how_it_ended),
            still_recording=ended == STILL_RECORDING,
            duration_s=ending.duration_s if ending else None,
            samples=ending.samples if ending else None,
            amendments=[visible(record.sentence) for record in opened.amendments],
            left_out="" if excluded.capture is None else excluded.capture.reason,
            left_out_cycles={number: record.reason for number, record in excluded.cycles.items()},
        )

    @router.get("/events")
    def events(capture: Name, start: Annotated[int, Query(ge=0, le=10**7)] = 0) -> Events:
        """Return the events of a capture from one of them on."""
        found = list(islice(catalogue.open(capture).each_event(), start, start + MOST_EVENTS + 1))
        return Events(events=[_event(event) for event in found[:MOST_EVENTS]], more=len(found) > MOST_EVENTS)

    @router.get("/trace")
    def trace(
        capture: Name,
        from_s: float | None = None,
        to_s: float | None = None,
        points: Annotated[int, Query(ge=16, le=MOST_POINTS)] = 2000,
    ) -> Trace:
        """Return any interval of a recording, thinned so that extremes are kept."""
        opened = catalogue.open(capture)
        return traces.of(opened, catalogue.stamp(capture)).stretch(from_s, to_s, points)

    return router


def _event(event: dict[str, Any]) -> CaptureEvent:
    """Return an event as a page shows it: the file may hold anything."""
    said = {name: value for name, value in event.items() if name not in HIDDEN and value is not None}
    about = ", ".join(
        str(value) if name in PLAIN else f"{name.replace('_', ' ')} {value}" for name, value in said.items()
    )
    time, kind = (str(event.get(name, ""))[:40] for name in ("wall", "kind"))
    return CaptureEvent(
        time=visible(time), kind=visible(kind.replace("_", " ")), about=visible(about[:LONGEST_EVENT])
    )


def _answers_api(catalogue: Catalogue, tasks: Tasks, rig_file: Path | None) -> APIRouter:
    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        yield
        await tasks.close()

    router = APIRouter(lifespan=lifespan)
    analysed: OrderedDict[tuple[object, ...], str] = OrderedDict()  # names of their tasks

    @router.get("/api/analysis")
    async def analysis(
        capture: Name,
        conditioning: Annotated[int | None, Query(ge=0, le=10**6)] = None,
        start: Annotated[int, Query(ge=0, le=10**7)] = 0,
    ) -> Analysis:
        """Return the quantities of every cycle; ask again until `capture` is there."""
        path = await run_in_threadpool(catalogue.path_of, capture)
        key = (path, catalogue.stamp(capture), conditioning)
        task = tasks.known(analysed.get(key, ""))
        if task is None:
            left_out = [] if conditioning is None else [f"--conditioning={conditioning}"]
            task = tasks.start(["analyse", *left_out, "--", str(path)], wants_json=True)
            analysed[key] = task.id
            while len(analysed) > KEPT_ANALYSES:
                analysed.popitem(last=False)
        if task.state != "done":
            return Analysis(progress=task.progress())
        try:
            document = (await run_in_threadpool(task.document))["captures"][0]
        except InputError:  # said once: what was in its way may be gone when it is asked again
            analysed.pop(key, None)
            raise
        cycles = document["cycles"]
        shown = document | {"cycles": cycles[start : start + MOST_CYCLES]}
        return Analysis(progress=task.progress(), capture=shown, cycles=len(cycles))

    @router.get("/api/forms")
    async def forms() -> list[Form]:
        """Return the forms: one per command."""
        return [form for form in FORMS.values() if form.takes != "the rig" or rig_file is not None]

    @router.post("/api/ask")
    async def ask(question: Question) -> CommandProgress:
        """Start the command of a form; fetch its answer by the name of the task."""
        if question.form not in FORMS:
            raise InputError(f"form: found {visible(question.form)!r}, expected one of {', '.join(FORMS)}")
        form = FORMS[question.form]
        paths = [str(await run_in_threadpool(catalogue.path_of, name)) for name in question.captures]
        return tasks.start(arguments(form, question.values, paths, rig_file), writes=form.report).progress()

    @router.get("/api/answer")
    async def answer(task: Text) -> CommandProgress:
        """Return the progress and the output of a command."""
        return tasks.of(task).progress()

    @router.get("/api/answers")
    async def answers() -> list[CommandProgress]:
        """Return the commands that were run recently, newest first."""
        return [task.progress() for task in tasks.all() if not task.wants_json]

    @router.post("/api/stop")
    async def stop(name: TaskName) -> CommandProgress:
        """Stop a command and delete what it has written so far."""
        task = tasks.of(name.task)
        await tasks.stop(task)
        return task.progress()

    @router.get("/answer/{task}/{file}", include_in_schema=False)
    async def written(task: str, file: str) -> FileResponse:
        """Return a file that a command has written."""
        found = tasks.of(task)
        if found.folder is None or file not in found.pages():
            raise InputError(f"file: found {visible(file)[:80]!r}, expected one that the answer lists")
        media_type = mimetypes.guess_type(file)[0] or "application/octet-stream"
        headers = {"Content-Security-Policy": _SANDBOX, "X-Frame-Options": "SAMEORIGIN"}
        return FileResponse(found.folder / file, media_type=media_type, headers=headers)

    return router
