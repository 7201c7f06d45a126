"""`pressrig specimens size`: caliper readings in several directions, and the rig's free height."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.cli.options import FILE, quantity_option, read_quantity
from rig.cli.output import console, is_plain, json_option, print_json, say
from rig.cli.specimens_options import read_at, register_option, who_option
from rig.core import finite, load_json, read_text, rounded
from rig.errors import InputError, refused_at
from rig.population import size_up
from rig.register import Record, Register, read_day_or_time
from rig.sheets import empty_table
from rig.tables import name_and_unit, read_rows
from rig.units import factor, parse

if TYPE_CHECKING:
    from rig.population import Sizing
    from rig.register import RegisteredSpecimen

LARGEST_BYTES = 1 << 20
MOST_ROWS = 10_000

HEADINGS = ("id", "direction", "size", "force", "u", "measured")

_READING = re.compile(r"(.+?)\s*[=:]\s*(.+)")
_DECIMALS = re.compile(r"\s*\d*(?:[.,](\d*))?")
_STEP_U = 1 / math.sqrt(12)


@click.command("size")
@click.argument("specimen", metavar="[ID]", required=False)
@click.argument("readings", nargs=-1, metavar="[DIRECTION=SIZE]...")
@quantity_option("--force", "force_n", 'Contact force of the caliper, "2 N".')
@quantity_option("--instrument-u", "u_mm", 'Standard uncertainty of the caliper, "0.02 mm".')
@click.option(
    "--table", type=FILE,
    help="CSV of readings with id, direction, size (mm); optional: force (N), u (mm), measured.",
)  # fmt: skip
@click.option("--height", type=FILE, metavar="JSON", help="Output of `pressrig height --json`.")
@click.option("--at", metavar="TIME", help="When it was measured.  [default: now]")
@who_option
@register_option
@json_option
def size(specimen: str | None, readings: tuple[str, ...], *, path: Path, as_json: bool, **given: Any) -> None:
    """Note sizes of the piece ID, such as "diameter A=90.4 mm" "diameter B=89.8 mm" "length=62 mm".

    Directions that begin with "diameter" give a mean, its difference from the drawing, and the roundness
    (half the difference between largest and smallest). Repeats of one direction are averaged.
    """
    records = list(_records(specimen, readings, given))
    with Register(path, make=False) as register:
        register.write(records)
        pieces = [register.specimen(name) for name in dict.fromkeys(record.specimen for record in records)]
    sizings = {piece.id: sizing_of(piece) for piece in pieces}
    if as_json:
        print_json({name: sizing and sizing_entry(sizing) for name, sizing in sizings.items()})
        return
    for name, sizing in sizings.items():
        assert sizing is not None  # it has a size now
        console().print(sizing_table(name, sizing, plain=is_plain()))
        for note in sizing.notes:
            say(note)


def sizing_of(piece: RegisteredSpecimen) -> Sizing | None:
    """Return what the newest day's readings of each direction say; None without a size."""
    readings = piece.newest_sizes
    return size_up(readings, piece.drawing_size_mm) if readings else None


def sizing_entry(sizing: Sizing) -> dict[str, Any]:
    """Return plain values without not-a-number."""
    return {
        "directions": {
            name: {
                "mm": size.mm,
                "u_mm": finite(size.u_mm),
                "n": size.n,
                "force_n": size.force_n,
                "left_out": size.left_out,
            }
            for name, size in sizing.directions.items()
        },
        "diameter_mm": sizing.diameter_mm,
        "diameter_u_mm": finite(sizing.diameter_u_mm),
        "roundness_mm": sizing.roundness_mm,
        "roundness_u_mm": finite(sizing.roundness_u_mm),
        "off_drawing_mm": sizing.off_drawing_mm,
        "off_drawing_half95_mm": finite(sizing.off_drawing_half_mm),
        "notes": list(sizing.notes),
    }


def sizing_table(name: str, sizing: Sizing, *, plain: bool) -> Any:
    """Sizes with their uncertainties, as a table."""
    numbers = ("mm", "u\nmm", "readings", "force\nN")
    table = empty_table(f"size of {name}", ("direction",), numbers, plain=plain)
    for direction, size in sizing.directions.items():
        force, u_mm = "-" if size.force_n is None else f"{size.force_n:g}", size.u_mm
        table.add_row(direction, rounded(size.mm, u_mm), rounded(u_mm, u_mm), str(size.n), force)
    for title, value, u in (
        ("mean diameter", sizing.diameter_mm, sizing.diameter_u_mm),
        ("roundness", sizing.roundness_mm, sizing.roundness_u_mm),
    ):
        if value is not None and u is not None:
            table.add_row(title, rounded(value, u), rounded(u, u), "", "")
    if sizing.off_drawing_mm is not None and sizing.off_drawing_half_mm is not None:
        half = sizing.off_drawing_half_mm
        off = rounded(sizing.off_drawing_mm, half / 2)
        known = f" +- {rounded(half, half / 2)} (95 %)" if math.isfinite(half) else ""
        table.add_row("measured less drawn", f"{off}{known}", "", "", "")
    return table


def _records(specimen: str | None, readings: Sequence[str], given: dict[str, Any]) -> Iterator[Record]:
    sources = [bool(readings), given["table"] is not None, given["height"] is not None]
    if sum(sources) != 1:
        raise InputError("size: give one of these: readings after the ID, --table, or --height")
    at, who = read_at(given["at"]), given["who"]
    if given["table"] is not None:
        if specimen is not None:
            raise InputError("size: the table names its pieces; leave out the ID")
        yield from _table(given["table"], at, who)
    elif given["height"] is not None:
        yield _height(given["height"], specimen, at, who)
    else:
        facts = {"force_n": given["force_n"], "u_mm": given["u_mm"], "at": at, "who": who}
        for text in readings:
            match = _READING.fullmatch(text)
            if match is None or specimen is None:
                raise InputError(
                    f"size: found {text!r:.40}, expected DIRECTION=SIZE, such as 'diameter A=90.4 mm'"
                )
            yield _reading(specimen, match[1], match[2], **facts)


def _reading(
    specimen: str,
    direction: str,
    text: str,
    *,
    force_n: float | None,
    u_mm: float | None,
    at: str,
    who: str | None,
) -> Record:
    """One caliper reading; it stands anywhere within its last digit, whatever the instrument adds."""
    with refused_at(f"size: {direction}"):
        mm = parse(text, "mm")
    decimals = _DECIMALS.match(text)
    assert decimals is not None
    unit = text[decimals.end() :].strip()
    step_mm = 10.0 ** -len(decimals[1] or "") * factor(unit, "mm") if unit.isalpha() else 0.0
    u_mm = math.hypot(u_mm or 0.0, step_mm * _STEP_U) or None
    return Record(
        specimen=specimen,
        kind="size",
        value=mm,
        u=u_mm,
        detail=direction.strip(),
        force_n=force_n,
        how="caliper",
        at=at,
        who=who,
    )


def _height(path: Path, specimen: str | None, at: str, who: str | None) -> Record:
    """Return the height at the contact force, of a document of `pressrig height --json`."""
    try:
        document = load_json(read_text(path, most=LARGEST_BYTES), str(path))
        height = document["at_contact_force"]
        name, mm, force_n = str(document["specimen"]), float(height["height_mm"]), float(height["force_n"])
        u_mm = None if height["height_mm_u"] is None else float(height["height_mm_u"])
        capture = Path(str(document.get("capture", ""))).name
    except (ValueError, KeyError, TypeError) as problem:
        raise InputError(
            f"{path}: not the output of `pressrig height --json` ({problem}); expected specimen and "
            "at_contact_force"
        ) from None
    if specimen not in (None, name):
        raise InputError(f"{path}: is the height of {name}, found {specimen} on the command line")
    return Record(
        specimen=name,
        kind="size",
        value=mm,
        u=u_mm,
        detail="height",
        force_n=force_n,
        how=f"rig {capture}".strip(),
        at=at,
        who=who,
    )


def _table(path: Path, at: str, who: str | None) -> Iterator[Record]:
    """Yield the readings of a table, one row each."""
    table = read_rows(
        path,
        lambda cell: name_and_unit(cell, HEADINGS)[0].lower() in HEADINGS,
        most=LARGEST_BYTES,
        most_rows=MOST_ROWS,
    )
    headings = table.columns(HEADINGS, HEADINGS[:3], "id,direction,size (mm)")
    for row in table.rows:
        cells = {
            name: f"{row.number_text(heading)} {'N' if unit == 'n' else unit}".strip()
            if row.cells[heading]
            else ""
            for name, (heading, unit) in headings.items()
        }
        with refused_at(row.where):
            yield _reading(
                row.cells[headings["id"][0]],
                row.cells[headings["direction"][0]],
                cells["size"],
                force_n=read_quantity("force", cells.get("force") or None, "N"),
                u_mm=read_quantity("u", cells.get("u") or None, "mm"),
                at=read_day_or_time(cells["measured"], "measured") if cells.get("measured") else at,
                who=who,
            )
