"""An answer on the terminal: its sentences first, then tables and notes, and where its page is."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig import __version__
from rig.cli.output import console, is_plain, print_json, say, write_json

if TYPE_CHECKING:
    from rich.table import Table

    from rig.sheets import AidSheet


def give_answer(
    sheet: AidSheet,
    document: Mapping[str, Any],
    out: Path | None,
    save: Callable[[Path], Path],
    *,
    as_json: bool,
    further: Iterable[str] = (),
) -> None:
    """Write an answer for builders into a folder, if one was named, and print it or its document.

    `save`: writes the page into a folder, and returns its path; the document has the same name.
    `further`: notes that stand behind those of the sheet.
    """
    whole = {**document, "answer": list(sheet.answer), "software": f"pressrig {__version__}"}
    page = None
    if out is not None:
        page = save(out)
        write_json(whole, page.with_suffix(".json"))
    if as_json:
        print_json(whole)
        return
    tables, notes = sheet.tables(plain=is_plain()), (*sheet.notes, *further)
    show_answer(sheet.sentences, tables, notes, page, caution=sheet.caution)


def show_answer(
    answer: Iterable[str],
    tables: Iterable[Table],
    notes: Iterable[str],
    page: Path | None,
    *,
    caution: str = "",
) -> None:
    """Print sentences, the most wanted first, then tables and notes, and the page that was written.

    `caution` is what a machine built on the answer can do to a person.
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
