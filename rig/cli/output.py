"""What commands print: rich tables and progress on a terminal, plain text in a pipe, one JSON document on
request."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from rig.core import json_visible, visible

if TYPE_CHECKING:
    from rich.console import Console

PIPE_WIDTH = 200
"""Columns of a table that goes into a file or another program."""

json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead.")


def print_json(document: Any) -> None:
    """Print a document that holds no not-a-number."""
    say(as_json_text(document, indent=2))


def as_json_text(document: Any, indent: int | None = None) -> str:
    """A document that holds no not-a-number as text."""
    text = json.dumps(document, indent=indent, ensure_ascii=False, allow_nan=False, default=str)
    return json_visible(text)


def say(text: object = "", *, err: bool = False, nl: bool = True, **style: Any) -> None:
    """Print text to standard output or standard error, and nothing of it as a command to the terminal."""
    click.secho(visible(str(text)), err=err, nl=nl, **style)


def console(*, stderr: bool = False) -> Console:
    """Standard output or standard error; without colours and lines where it is piped.

    Text shows as it is: it holds no markup, and no command to the terminal gets through. What is to be bold
    or coloured says so by a style.
    """
    from rich.console import Console
    from rich.text import Text

    class Output(Console):
        def on_broken_pipe(self) -> None:
            # rich would exit with 1, which here means that the answer is no
            raise BrokenPipeError

        def render_str(self, text: str, **options: Any) -> Text:
            return super().render_str(visible(text), **options)

    look: dict[str, Any] = {"markup": False, "emoji": False, "highlight": False, "stderr": stderr}
    if not stderr and is_plain():
        look |= {"width": PIPE_WIDTH, "no_color": True}
    return Output(**look)


def is_plain() -> bool:
    """Whether standard output is not a terminal, or closed."""
    return sys.stdout is None or not sys.stdout.isatty()


@contextmanager
def progress(what: str, total: float | None) -> Iterator[Callable[[float, str], None]]:
    """A line on standard error that is redrawn; nothing where that is not a terminal.

    Yields
    ------
    A function that takes how much is done and a word about it.
    """
    if sys.stderr is None or not sys.stderr.isatty():
        yield lambda done, note: None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TextColumn("{task.fields[note]}", markup=False),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=console(stderr=True), transient=True) as bar:
        task = bar.add_task(visible(what), total=total, note="")

        def show(done: float, note: str) -> None:
            bar.update(task, completed=done, note=visible(note))

        yield show
