"""Grids of cells as tables of the terminal and of a page, and the page that holds them.

Problem: the same numbers go to the terminal and to a page that somebody files, which must open anywhere and
for years. Plan: a grid of cells that are text already, written either way; pictures lie within the page.
Cost: that of the text.
"""

from __future__ import annotations

import base64
from dataclasses import dataclass
from html import escape
from pathlib import Path

from rich.table import Table

from rig.sheets.tables import empty_table

PAGE_FRAME = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>{title}</title>
<style>
body {{ font: 16px/1.5 sans-serif; color: #1b2a33; max-width: 52rem; margin: 2rem auto; padding: 0 1rem; }}
h1 {{ font-size: 1.5rem; }} h2 {{ font-size: 1.1rem; margin: 1.6rem 0 0.4rem; }}
.answer {{ border-left: 4px solid #0b5d7a; padding-left: 0.8rem; }}
table {{ border-collapse: collapse; font-variant-numeric: tabular-nums; }}
th, td {{ padding: 0.2rem 0.8rem 0.2rem 0; text-align: right; border-bottom: 1px solid #d8dee2; }}
th:first-child, td:first-child {{ text-align: left; }}
figure {{ margin: 1rem 0; }} img {{ max-width: 100%; }} figcaption, .made {{ color: #5a6a73; font-size:
0.9rem; }} @media print {{ figure, table {{ break-inside: avoid; }} }} </style></head> <body> {body}
</body></html>
"""
"""Takes `title` and `body`; nothing outside the page is needed to show it."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Cells of a table; the first column is text, the others are numbers."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def rich_table(grid: Grid, *, plain: bool) -> Table:
    """A grid for the terminal; `plain` without lines, for a pipe."""
    table = empty_table(grid.title, plain=plain)
    for place, heading in enumerate(grid.headings):
        table.add_column(heading, justify="right" if place else "left")
    for row in grid.rows:
        table.add_row(*row)
    return table


def html_table(grid: Grid) -> str:
    """A grid under its title, for a page."""
    head = "".join(f"<th>{escape(each)}</th>" for each in grid.headings)
    rows = "\n".join(
        "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in grid.rows
    )
    return (
        f"<h2>{escape(grid.title)}</h2>\n<table><thead><tr>{head}</tr></thead>\n<tbody>{rows}</tbody></table>"
    )


def html_picture(caption: str, path: Path) -> str:
    """A picture within the page itself, with its caption; `path` of a PNG."""
    data = base64.b64encode(path.read_bytes()).decode("ascii")
    return (
        f"<figure><img alt='{escape(caption, quote=True)}' src='data:image/png;base64,{data}'>"
        f"<figcaption>{escape(caption)}</figcaption></figure>"
    )
