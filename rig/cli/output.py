"""What commands print: rich tables and progress on a terminal, plain text in a pipe, one JSON document on
request."""

from __future__ import annotations

import json
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich import box
from rich.table import Table
from rich.text import Text

from rig.core import in_chosen_units, json_visible, table_in_chosen_units, visible

if TYPE_CHECKING:
    from rich.console import Console

PIPE_WIDTH = 200
"""Columns of a table that goes into a file or another program."""

NARROWEST = 40
"""Columns; a narrower window wraps lines by itself."""

TEXT_WIDTH = 26
"""Characters of a column of text that a table keeps before its words wrap: two or three words."""

json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead.")


def print_json(document: Any) -> None:
    """Print a document that holds no not-a-number."""
    say_exactly(as_json_text(document, indent=2))


def as_json_text(document: Any, indent: int | None = None) -> str:
    """Return a document that holds no not-a-number as text."""
    text = json.dumps(document, indent=indent, ensure_ascii=False, allow_nan=False, default=str)
    return json_visible(text)


def say(text: object = "", *, err: bool = False, nl: bool = True, **style: Any) -> None:
    """Print text in the reader's units to standard output or standard error, wrapped between words."""
    shown = in_chosen_units(visible(str(text)))
    click.secho(wrapped(shown, err=err) if nl else shown, err=err, nl=nl, **style)


def say_exactly(text: str, *, nl: bool = True) -> None:
    """Print what a program or a person will take over: neither wrapped nor converted."""
    click.echo(visible(text), nl=nl)


def wrapped(text: str, *, err: bool = False) -> str:
    """Return text wrapped to the terminal; a word, such as a path, is never cut.

    Text goes into a pipe as it is.
    """
    stream = sys.stderr if err else sys.stdout
    if stream is None or not stream.isatty():
        return text
    width = max(shutil.get_terminal_size().columns, NARROWEST)
    lines = []
    for line in text.split("\n"):
        indent = " " * (len(line) - len(line.lstrip(" ")))
        parts = textwrap.wrap(
            line, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
        )
        lines += [line] if len(line) <= width else parts
    return "\n".join(lines)


def console(*, stderr: bool = False) -> Console:
    """Return the standard output or standard error; without colours and lines where it is piped.

    Text shows as it is: it holds no markup, and no command to the terminal gets through. What is to be bold
    or coloured says so by a style. Sentences and tables appear in the reader's units. A table that is wider
    than the terminal is printed in parts, each with its first column, so that no cell is cut.
    """
    from rich.console import Console

    class Output(Console):
        def on_broken_pipe(self) -> None:
            # rich would exit with 1, which here means that a check did not pass
            raise BrokenPipeError

        def render_str(self, text: str, **options: Any) -> Text:
            return super().render_str(visible(text), **options)

        def print(self, *objects: Any, **options: Any) -> None:
            if len(objects) == 1 and isinstance(objects[0], Table):
                for part in _fitting(objects[0], self.width):
                    super().print(part, width=max(self.width, _width(part)), crop=False, **options)
                return
            if objects and all(isinstance(text, str) for text in objects):
                text = in_chosen_units(visible(" ".join(objects)))
                options["soft_wrap"] = True
                objects = (wrapped(text, err=stderr),)
            super().print(*objects, **options)

    look: dict[str, Any] = {"markup": False, "emoji": False, "highlight": False, "stderr": stderr}
    if not stderr and is_plain():
        look |= {"width": PIPE_WIDTH, "no_color": True}
    return Output(**look)


def _fitting(table: Table, width: int) -> Iterator[Table]:
    """Yield a table in the reader's units, in parts that are no wider than the terminal."""
    title = str(table.title or "")
    heads = [str(column.header) for column in table.columns]
    rows = list(zip(*([str(cell) for cell in column.cells] for column in table.columns), strict=True))
    shown_title, shown_heads, shown_rows = table_in_chosen_units(title, heads, rows)
    kept = [place for place, head in enumerate(heads) if head in shown_heads or head != "US"]
    texts = [[head, *(row[place] for row in shown_rows)] for place, head in enumerate(shown_heads)]
    least = [_least_width(cells) for cells in texts]
    between = 3 if table.box else 2
    parts: list[list[int]] = [[]]
    used = 0
    for place, needed in enumerate(least):
        if parts[-1] and used + between + needed > width and place > 1:
            parts.append([0])
            used = least[0] + between
        parts[-1].append(place)
        used += needed + between
    for number, places in enumerate(parts):
        part = Table(
            title=shown_title if not number else None,
            box=table.box,
            title_justify="left",
            pad_edge=table.pad_edge,
            collapse_padding=table.collapse_padding,
            show_header=table.show_header,
        )
        for place in places:
            column = table.columns[kept[place]]
            part.add_column(shown_heads[place], justify=column.justify, min_width=least[place])
        for row in shown_rows:
            part.add_row(*(row[place] for place in places))
        yield part


def _least_width(cells: list[str]) -> int:
    """Return the width that cuts no word and wraps text only where it is long."""
    lines = [line for cell in cells for line in visible(cell).split("\n")]
    longest = max((len(line) for line in lines), default=1)
    word = max((len(word) for line in lines for word in line.split()), default=1)
    return max(word, min(longest, TEXT_WIDTH))


def _width(table: Table) -> int:
    """Return the least width at which a table cuts no word."""
    between = 3 if table.box else 2
    return sum((column.min_width or 1) + between for column in table.columns)


def framed_table(title: str | None = None, *, left: Iterable[str] = (), right: Iterable[str] = ()) -> Table:
    """Return an empty table with columns of text, then of numbers; without lines where it is piped."""
    table = Table(title=title, title_justify="left", box=None if is_plain() else box.SIMPLE_HEAD)
    for heading in left:
        table.add_column(heading)
    for heading in right:
        table.add_column(heading, justify="right")
    return table


def write_json(document: Any, path: Path) -> None:
    """Write a document that holds no not-a-number into a file."""
    path.write_text(as_json_text(document, indent=2) + "\n", encoding="utf-8")


def time_left(left_s: float | None) -> str:
    """Return the time that is left, behind a comma; empty if it is not known or over.

    Examples
    --------
    >>> time_left(7380.0), time_left(95.2), time_left(0.0)
    (', 2 h 3 min left', ', 1 min 35 s left', '')
    """
    if not left_s:
        return ""
    hours, minutes, seconds = int(left_s // 3600), int(left_s % 3600 // 60), int(left_s % 60)
    return f", {hours} h {minutes} min left" if hours else f", {minutes} min {seconds} s left"


def is_plain() -> bool:
    """Return whether standard output is not a terminal, or closed."""
    return sys.stdout is None or not sys.stdout.isatty()


@contextmanager
def progress(what: str, total: float | None) -> Iterator[Callable[[float, str], None]]:
    """A line on standard error that is redrawn; nothing where that is not a terminal.

    Yields a function that takes how much is done and a word about it.
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
