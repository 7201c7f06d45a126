"""An answer on the terminal: its sentences first, then tables and notes, and where its page is."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from rig.cli.output import console, is_plain, say

if TYPE_CHECKING:
    from rich.table import Table


def show_answer(
    answer: Iterable[str],
    tables: Iterable[Table],
    notes: Iterable[str],
    page: Path | None,
    *,
    caution: str = "",
) -> None:
    """Print what was found.

    Parameters
    ----------
    answer
        Sentences, the most wanted first.
    tables, notes
        Below them, in order.
    page
        What was written, if anything was.
    caution
        What a machine built on the answer can do to a person.
    """
    screen, plain = console(), is_plain()
    for sentence in answer:
        screen.print(sentence, style=None if plain else "bold", soft_wrap=plain)
    if caution:
        screen.print(f"caution: {caution}", style=None if plain else "yellow", soft_wrap=plain)
    for table in tables:
        screen.print()
        screen.print(table)
    screen.print()
    for note in notes:
        screen.print(f"note: {note}", soft_wrap=plain)
    if page is not None:
        say(f"The page is {page}; pictures and values are beside it")
