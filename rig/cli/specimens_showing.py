"""`pressrig specimens show` and `list`: pieces as they are now, and what is missing."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.cli.output import console, is_plain, json_option, print_json, say
from rig.cli.specimens_options import register_option
from rig.cli.specimens_sizes import sizing_entry, sizing_of, sizing_table
from rig.core import rounded
from rig.register import Register
from rig.sheets import empty_table

if TYPE_CHECKING:
    from rig.register import RegisteredSpecimen

MISSING = "missing"

RECORD_FIELDS = (
    *("number", "at", "kind", "text", "value", "unit", "u", "detail", "force_n"),
    *("how", "who", "reason", "corrects", "written"),
)
"""Of a record, in a document."""


@click.command("show")
@click.argument("specimen", metavar="ID")
@register_option
@json_option
def show(specimen: str, *, path: Path, as_json: bool) -> None:
    """Show the facts about the piece ID, and every record with its number."""
    with Register(path, make=False) as register:
        piece = register.specimen(specimen)
    if as_json:
        records = [{name: getattr(record, name) for name in RECORD_FIELDS} for record in piece.records]
        print_json(entry(piece) | {"records": records})
        return
    screen, plain = console(), is_plain()
    screen.print(_facts_table(piece, plain=plain))
    sizing = sizing_of(piece)
    if sizing is not None:
        screen.print(sizing_table(piece.id, sizing, plain=plain))
        for note in sizing.notes:
            screen.print(note)
    screen.print(_history_table(piece, plain=plain))
    if piece.missing():
        screen.print(f"Missing: {', '.join(piece.missing())}.")


@click.command("list")
@click.option("--batch", metavar="ID", help="Show only this batch.")
@click.option("--state", metavar="WORD", help="Show only this state: new, conditioned, abused or worn.")
@register_option
@json_option
def every(*, batch: str | None, state: str | None, path: Path, as_json: bool) -> None:
    """List the pieces with mass and sizes, and what is missing."""
    with Register(path, make=False) as register:
        pieces = register.specimens(batch=batch, state=state)
    if as_json:
        print_json({"specimens": [entry(piece) for piece in pieces]})
        return
    if not pieces:
        say(f"No such piece in {path}.")
        return
    console().print(_list_table(pieces, plain=is_plain()))


def entry(piece: RegisteredSpecimen) -> dict[str, Any]:
    """Return a piece as plain values."""
    sizing = sizing_of(piece)
    named = ("id", "batch", "model", "drawing_size_mm", "state", "orientation", "moulded")
    return {name: getattr(piece, name) for name in named} | {
        "since_moulding_days": piece.since_moulding_days(),
        "squeezed": piece.squeezed,
        "since_squeeze_days": piece.since_squeeze_days(),
        "notes": list(piece.notes),
        "mass_g": piece.mass.g if piece.mass else None,
        "mass_u_g": piece.mass.u_g if piece.mass else None,
        "masses": [asdict(mass) for mass in piece.masses],
        "sizes": [asdict(size) for size in piece.sizes],
        "sizing": None if sizing is None else sizing_entry(sizing),
        "captures": [asdict(capture) for capture in piece.captures],
        "missing": list(piece.missing()),
    }


def _list_table(pieces: tuple[RegisteredSpecimen, ...], *, plain: bool) -> Any:
    directions = sorted({size.direction for piece in pieces for size in piece.sizes}) or ["size"]
    numbers = ("mass\ng", *(f"{direction}\nmm" for direction in directions), "captures")
    table = empty_table("specimens", ("id", "batch", "state"), numbers, ("missing",), plain=plain)
    table.columns[0].no_wrap = True
    for piece in pieces:
        mass = piece.mass
        sizes = {size.direction: size for size in piece.sizes}
        cells = [MISSING if mass is None else rounded(mass.g, mass.u_g or 0.0)]
        for direction in directions:
            size = sizes.get(direction)
            cells.append(MISSING if size is None else rounded(size.mm, size.u_mm or 0.0))
        others = [name for name in piece.missing() if name not in ("mass", "size", "captures", "batch")]
        named = (piece.id, piece.batch or MISSING, piece.state)
        table.add_row(*named, *cells, str(len(piece.captures)), ", ".join(others))
    return table


def _facts_table(piece: RegisteredSpecimen, *, plain: bool) -> Any:
    table = empty_table(f"specimen {piece.id}", ("what", "is"), plain=plain)
    size_mm, mass = piece.drawing_size_mm, piece.mass
    moulded_days, squeezed_days = piece.since_moulding_days(), piece.since_squeeze_days()
    u = "" if mass is None or mass.u_g is None else f", u {mass.u_g:.2g} g"
    facts = {
        "batch": piece.batch,
        "model": piece.model,
        "drawing size": None if size_mm is None else f"{size_mm:g} mm",
        "state": piece.state,
        "pressed": piece.orientation,
        "moulded": None if moulded_days is None else f"{piece.moulded} ({moulded_days:.0f} days ago)",
        "last squeeze": None if squeezed_days is None else f"{piece.squeezed} ({squeezed_days:.1f} days ago)",
        "mass": None if mass is None else f"{rounded(mass.g, mass.u_g or 0.0)} g{u} ({mass.how}, {mass.at})",
        "captures": len(piece.captures),
    }
    for name, value in facts.items():
        table.add_row(name, MISSING if value is None else str(value))
    for note in piece.notes:
        table.add_row("note", note)
    return table


def _history_table(piece: RegisteredSpecimen, *, plain: bool) -> Any:
    stands = {record.corrects: record.number for record in piece.records if record.corrects is not None}
    headings = ("record", "at", "what", "value", "how", "who", "remark")
    table = empty_table("records", headings, plain=plain)
    for record in piece.records:
        remark = f"stands for {record.corrects}: {record.reason}" if record.corrects else ""
        if record.number in stands:
            remark = f"wrong, see {stands[record.number]}" + (f"; {remark}" if remark else "")
        detail = f" {record.detail}" if record.detail else ""
        value = record.text or "" if record.value is None else f"{record.value:.6g} {record.unit}"
        told = (f"{record.kind}{detail}", value, record.how or "", record.who or "", remark)
        table.add_row(str(record.number), record.at, *told)
    return table
