"""One content, two pages: a self-contained HTML page that prints, and Markdown for a documentation site.

Problem: two pages written separately soon say different things. Plan: a page is a list of sections, each of
a few kinds of blocks; HTML and Markdown are two ways to write the same blocks, and both escape all text,
since names come from people and devices. Cost: a picture stands in the HTML as text, a third longer than its
file.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from typing import Literal

from rig import __version__
from rig.core import html_text, in_chosen_units, markdown_text, table_in_chosen_units


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph; `kind` sets apart an answer, a refusal, a caution or a heading below a section's."""

    text: str
    kind: Literal["", "answer", "refusal", "caution", "heading"] = ""


@dataclass(frozen=True, slots=True)
class Points:
    """A list of sentences."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """Names, and a text for each."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class PageTable:
    """A table: its first column names the rows. A second line of a cell is its range, and stands smaller."""

    caption: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture by the name of its .svg, .png or .jpg file.

    `alt`: describes it to a reader who cannot see it.
    `photo`: a photo keeps its colours on a dark screen; a drawing is shown light on dark.
    """

    name: str
    caption: str
    alt: str
    photo: bool = False


@dataclass(frozen=True, slots=True)
class Embedded:
    """HTML that this package has made and escaped itself, and what Markdown shows in its place."""

    html: str
    markdown: str = ""


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file that the HTML carries inside and that lies beside the Markdown."""

    name: str
    label: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Attachments:
    """Files to save from the page."""

    items: tuple[Attachment, ...]


@dataclass(frozen=True, slots=True)
class Columns:
    """Blocks side by side where the window is wide enough, one below the other where it is not."""

    columns: tuple[tuple[Block, ...], ...]


Block = Words | Points | Facts | PageTable | Picture | Embedded | Attachments | Columns


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with blocks below it.

    `level`: 2 or 3.
    `folded`: on screen only the heading shows until the reader opens it; on paper all shows.
    """

    title: str
    blocks: tuple[Block, ...]
    level: int = 2
    folded: bool = False


@dataclass(frozen=True, slots=True)
class Page:
    """A whole page.

    `title`, `subtitle`: of the page; a subtitle may be empty.
    `first`: blocks that stand before all sections, on the first page of paper by themselves.
    `shows_units`: its maker has written it in the reader's units already.
    """

    title: str
    subtitle: str
    sections: tuple[Section, ...]
    footer: str = f"pressrig {__version__}"
    first: tuple[Block, ...] = ()
    shows_units: bool = False


def beside(drawn: Sequence[tuple[str, Path]]) -> tuple[Picture, ...]:
    """Pictures that lie beside the page, by caption and path; the caption says what each shows."""
    return tuple(Picture(path.name, caption, caption) for caption, path in drawn)


def not_empty(*sections: Section) -> tuple[Section, ...]:
    """Those sections that hold something."""
    return tuple(section for section in sections if section.blocks)


def listed(sentences: Sequence[str]) -> tuple[Block, ...]:
    """Return a list of sentences, or nothing where there are none."""
    return (Points(tuple(sentences)),) if sentences else ()


def save_page(page: Page, path: Path) -> Path:
    """Write a page as HTML, and as Markdown beside it, into a folder that holds its pictures or is made.

    `path`: of the HTML, given back.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    page = page if page.shows_units else _in_chosen_units(page)
    blocks = [*page.first, *(block for section in page.sections for block in section.blocks)]
    pictures = {name: (path.parent / name).read_bytes() for name in _picture_names(blocks)}
    path.write_text(page_html(page, pictures), encoding="utf-8")
    path.with_suffix(".md").write_text(page_markdown(page), encoding="utf-8")
    return path


def _in_chosen_units(page: Page) -> Page:
    """Return a page that was written in SI in the reader's units."""
    sections = (
        replace(section, blocks=tuple(_block_in_chosen_units(block) for block in section.blocks))
        for section in page.sections
    )
    first = tuple(_block_in_chosen_units(block) for block in page.first)
    return replace(page, title=in_chosen_units(page.title), sections=tuple(sections), first=first)


def _block_in_chosen_units(block: Block) -> Block:
    shown: Block = block
    match block:
        case Words(text):
            shown = replace(block, text=in_chosen_units(text))
        case Points(items):
            shown = Points(tuple(in_chosen_units(item) for item in items))
        case Facts(rows):
            shown = Facts(tuple((name, in_chosen_units(value)) for name, value in rows))
        case PageTable(caption, headings, rows):
            shown = PageTable(*table_in_chosen_units(caption, headings, rows))
        case Picture(_, caption, alt):
            shown = replace(block, caption=in_chosen_units(caption), alt=in_chosen_units(alt))
        case Columns(columns):
            shown = Columns(tuple(tuple(map(_block_in_chosen_units, column)) for column in columns))
    return shown


def _picture_names(blocks: Sequence[Block]) -> Iterator[str]:
    for block in blocks:
        if isinstance(block, Picture):
            yield block.name
        elif isinstance(block, Columns):
            for column in block.columns:
                yield from _picture_names(column)


def page_html(page: Page, pictures: Mapping[str, bytes]) -> str:
    """Return the page as HTML that needs no other file.

    Parameters
    ----------
    pictures
        The file of each picture by its name.
    """
    subtitle = f"\n<p>{html_text(page.subtitle)}</p>" if page.subtitle else ""
    body = [f"<header><h1>{html_text(page.title)}</h1>{subtitle}</header>", "<main>"]
    if page.first:
        body += ['<div class="first">', *(_html(block, pictures) for block in page.first), "</div>"]
    for number, section in enumerate(page.sections, start=1):
        heading = f'<h{section.level} id="section-{number}">{html_text(section.title)}</h{section.level}>'
        blocks = [_html(block, pictures) for block in section.blocks]
        if section.folded:
            body += [f"<details><summary>{heading}</summary>", *blocks, "</details>"]
        else:
            body += [heading, *blocks]
    body += ["</main>", f"<footer><p>{html_text(page.footer)}</p></footer>"]
    style = (files("rig.sheets") / "page.css").read_text(encoding="utf-8")
    # within quotes of the style sheet: letters, digits and what cannot end it
    title = re.sub(r"[^\w .,:;()+-]", " ", " ".join(page.title.split()))[:80]
    style = style.replace("TITLE", title)
    return _HTML.format(title=html_text(page.title), style=style, body="\n".join(body))


def page_markdown(page: Page) -> str:
    """Return the same as Markdown; its pictures are files beside it."""
    lines = [f"# {markdown_text(page.title)}", ""]
    lines += [markdown_text(page.subtitle), ""] if page.subtitle else []
    for block in page.first:
        lines += [*_markdown(block), ""]
    for section in page.sections:
        lines += [f"{'#' * section.level} {markdown_text(section.title)}", ""]
        for block in section.blocks:
            lines += [*_markdown(block), ""]
    return "\n".join([*lines, markdown_text(page.footer), ""])


def _html(block: Block, pictures: Mapping[str, bytes]) -> str:
    match block:
        case Words(text, "heading"):
            html = f"<h3>{html_text(text)}</h3>"
        case Words(text, kind):
            html = f'<p class="{kind}">' if kind else "<p>"
            html += f"{_with_commands(text)}</p>"
        case Points(items):
            html = "<ul>\n" + "\n".join(f"<li>{_with_commands(item)}</li>" for item in items) + "\n</ul>"
        case Facts(rows):
            terms = (f"<dt>{html_text(name)}</dt><dd>{_with_commands(value)}</dd>" for name, value in rows)
            html = "<dl>\n" + "\n".join(terms) + "\n</dl>"
        case PageTable():
            html = _html_table(block)
        case Picture():
            html = _html_picture(block, pictures[block.name])
        case Embedded(html):
            pass
        case Attachments(items):
            links = (
                f'<a download="{html_text(file.name)}" href="data:application/octet-stream;base64,'
                f'{base64.b64encode(file.data).decode("ascii")}">{html_text(file.label)}</a>'
                for file in items
            )
            html = f'<p class="files">{" &middot; ".join(links)}</p>'
        case Columns(columns):
            inner = ("\n".join(_html(inside, pictures) for inside in column) for column in columns)
            html = '<div class="columns">' + "\n".join(f"<div>{column}</div>" for column in inner) + "</div>"
    return html


def _html_picture(picture: Picture, content: bytes) -> str:
    data = base64.b64encode(content).decode("ascii")
    kind = _IMAGE_KINDS[Path(picture.name).suffix.lower()]
    drawn = "" if picture.photo else ' class="drawn"'
    return (
        f'<figure><img{drawn} alt="{html_text(picture.alt)}" src="data:image/{kind};base64,{data}">\n'
        f"<figcaption>{html_text(picture.caption)}</figcaption></figure>"
    )


_IMAGE_KINDS = {".svg": "svg+xml", ".png": "png", ".jpg": "jpeg", ".jpeg": "jpeg"}


def _with_commands(text: str) -> str:
    """Return the text with what stands between backticks set as a command."""
    return re.sub(r"`([^`<>]+)`", r"<code>\1</code>", html_text(text))


def _html_table(table: PageTable) -> str:
    wordy = ["" if number else ' class="words"' for number in _of_numbers(table)]
    heads = "".join(
        f'<th scope="col"{kind}>{html_text(heading)}</th>'
        for heading, kind in zip(table.headings, wordy, strict=True)
    )
    rows = []
    for first, *rest in table.rows:
        cells = "".join(
            f"<td{kind}>{_html_cell(cell)}</td>" for cell, kind in zip(rest, wordy[1:], strict=True)
        )
        rows.append(f'<tr><th scope="row">{html_text(first)}</th>{cells}</tr>')
    # a table wider than a phone scrolls by itself, by finger and by key, and the page does not
    long = " long" if len(rows) > LONG_TABLE else ""
    return (
        f'<div class="table{long}" role="region" tabindex="0" aria-label="{html_text(table.caption)}">'
        f"<table><caption><span>{html_text(table.caption)}</span></caption>\n<thead><tr>{heads}</tr></thead>\n<tbody>\n"
        + "\n".join(rows)
        + "\n</tbody></table></div>"
    )


def _html_cell(text: str) -> str:
    value, line, rest = html_text(text).partition("\n")
    return f"{value}<br><small>{rest}</small>" if line else value


LONG_TABLE = 6
"""A table of more rows than this may be cut between rows on paper: kept whole, it leaves the page before it
half empty. A shorter one stays whole, and narrow ones are printed beside each other."""


def _of_numbers(table: PageTable) -> list[bool]:
    """For each column, whether it holds numbers; the first names the rows."""
    found = [False]
    for place in range(1, len(table.headings)):
        cells = [row[place] for row in table.rows if row[place] not in ("-", "")]
        found.append(
            sum(bool(_NUMERIC.match(cell.split("\n")[0])) for cell in cells) > len(cells) / 2 or not cells
        )
    return found


_NUMERIC = re.compile(r"([+-]|± )?\d[\d.]*(e[+-]?\d+)?(/\d+)?( [a-z/%±].*)?$")
"""A number, signed, to a power of ten, or two beside each other; a unit or an interval may follow."""


def _markdown(block: Block) -> Sequence[str]:
    lines: Sequence[str]
    match block:
        case Words(text, "heading"):
            lines = [f"### {markdown_text(text)}"]
        case Words(text, kind):
            lines = [f"> **{markdown_text(text)}**" if kind else markdown_text(text)]
        case Points(items):
            lines = [f"- {markdown_text(item)}" for item in items]
        case Facts(rows):
            lines = [f"- {markdown_text(name)}: {markdown_text(value)}" for name, value in rows]
        case PageTable():
            lines = _markdown_table(block)
        case Picture(name, caption, alt):
            lines = [f"![{markdown_text(alt)}]({name})", "", f"*{markdown_text(caption)}*"]
        case Embedded(_, markdown):
            lines = [markdown] if markdown else []
        case Attachments(items):
            lines = [" · ".join(f"[{markdown_text(file.label)}]({file.name})" for file in items)]
        case Columns(columns):
            lines = [line for column in columns for inside in column for line in (*_markdown(inside), "")]
    return lines


def _markdown_table(table: PageTable) -> Sequence[str]:
    align = "".join(["| --- |", *(" ---: |" if number else " --- |" for number in _of_numbers(table)[1:])])
    rows = (
        f"| {' | '.join(markdown_text(_on_one_line(cell)) for cell in row)} |"
        for row in (table.headings, *table.rows)
    )
    head, *rest = rows
    return [f"**{markdown_text(table.caption)}**", "", head, align, *rest]


def _on_one_line(cell: str) -> str:
    value, line, rest = cell.partition("\n")
    return f"{value} ({rest})" if line else value


_HTML = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>
{style}</style>
</head>
<body>
{body}
</body>
</html>
"""
