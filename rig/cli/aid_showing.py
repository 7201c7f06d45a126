"""What a design aid answers, on the terminal: the answer first, then tables and notes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.output import console, is_plain

if TYPE_CHECKING:
    from rig.sheets import AidSheet


def show_aid(sheet: AidSheet, more_notes: Sequence[str] = (), page: Path | None = None) -> None:
    """Print an aid's sheet, further notes, and where its page is."""
    screen, plain = console(), is_plain()
    for sentence in sheet.answer:
        screen.print(
            sentence, style=None if plain else "bold", markup=False, highlight=False, soft_wrap=plain
        )
    for table in sheet.tables(plain=plain):
        screen.print()
        screen.print(table)
    for note in (*sheet.notes, *more_notes):
        screen.print(f"note: {note}", markup=False, highlight=False, soft_wrap=plain)
    if page is not None:
        click.echo(f"The page is {page}; what it shows lies beside it")
