"""`pressrig compare`: do batches, states, operators or methods differ?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite
from pathlib import Path
from statistics import fmean
from typing import TYPE_CHECKING, Any

import click

from rig.cli.answer_showing import show_answer
from rig.cli.capture_arguments import captures_argument
from rig.cli.options import (
    FILE,
    FOLDER,
    although_option,
    calibration_option,
    conditioning_option,
    depths_option,
    fresh_option,
    gauge_option,
    is_fresh,
    listed,
    quantity_option,
    read_quantity,
    strict_option,
    workers_asked,
    workers_options,
)
from rig.cli.output import is_plain, json_option, print_json, progress, say, write_json
from rig.core import csv_cell, quantity
from rig.errors import InputError
from rig.renamed import refuse_old_name
from rig.results import (
    Asked,
    check_stated,
    known_by_register,
    piece_results,
    quantities_of,
    read_pieces,
    studied,
    studies_of,
)
from rig.sheets import (
    comparison_answer,
    comparison_document,
    comparison_notes,
    comparison_tables,
    save_comparison_report,
)

if TYPE_CHECKING:
    from rig.population import PieceResult
    from rig.results import Check, ComparedPieces, PressedPieces

WAYS = ("batch", "state", "operator", "method")


@click.command("compare")
@captures_argument(required=False)
@click.option("--table", type=FILE, help="CSV table with one row per piece, instead of captures.")
@click.option(
    "--by", type=click.Choice(WAYS), default="batch", show_default=True, help="What defines the groups."
)
@click.option("--against", metavar="NAME", help="Group to compare the others with.  [default: the first]")
@click.option("--quantities", metavar="LIST", help="Columns as in `analyse`, separated by commas.")
@click.option(
    "--margin", "margins", multiple=True, metavar="NAME=Q",
    help='Largest difference that does not matter, "secant_n_per_mm=0.2 N/mm"; repeatable.',
)  # fmt: skip
@click.option(
    "--wanted", multiple=True, metavar="NAME=Q",
    help="Half width of the interval that you want for a mean; prints the number of pieces needed; "
            "repeatable.",
)  # fmt: skip
@although_option("rate, temperature")
@strict_option
@click.option("--register", type=FILE, help="Register with the batches and states of the pieces.")
@gauge_option
@quantity_option(
    "--contact-force", "contact_force_n", "Captures: force that counts as contact, the same for all."
)
@conditioning_option()
@depths_option('Captures: depths at which to give the force, "10%,5 mm".')
@calibration_option()
@click.option("--out", type=FOLDER, help="Folder for the page and its pictures.")
@click.option("--all", "whole", is_flag=True, help="Print all tables and notes, not only the means.")
@fresh_option
@workers_options
@json_option
def command(
    captures: tuple[Path, ...],
    *,
    table: Path | None,
    by: str,
    against: str | None,
    quantities: str | None,
    margins: tuple[str, ...],
    wanted: tuple[str, ...],
    although: list[str],
    strict: bool,
    register: Path | None,
    gauges: tuple[Path, ...],
    out: Path | None,
    whole: bool,
    as_json: bool,
    **settings: Any,
) -> None:
    """Compare groups of pieces from CAPTURES or from a table with the first group.

    The unit of comparison is the piece: cycles of a capture, and captures of a piece, are averaged first.
    With a margin the answer is "smaller than the margin", "larger than the margin" or "undecided", with the
    number of pieces to measure. Captures measured under different conditions are refused by name. The exit
    code is 1 if a difference is larger than its margin, and 0 otherwise, even if undecided.
    """
    pieces = _pieces(table, captures, register, settings, check_stated(by, although, strict=strict))
    stated, hoped = named_margins(margins, pieces.results), _named(wanted, "--wanted")
    columns = _columns(quantities, [*stated, *hoped], pieces, usual=table is None)
    study = studied(
        pieces,
        columns,
        by=by,
        against=against,
        margins=stated,
        wanted=hoped,
        although=although,
        strict=strict,
        gauges=studies_of(gauges, columns),
    )
    page = None if out is None else _write(study, pieces, out)
    if as_json:
        print_json(comparison_document(study))
    else:
        notes = comparison_notes(study) if whole else study.comparison.notes
        tables = comparison_tables(study, plain=is_plain(), whole=whole)
        show_answer(comparison_answer(study), tables, notes, page)
        if not whole:
            say("All figures, tests and notes: --all, or the page of --out FOLDER.")
    if study.comparison.beyond:
        raise click.exceptions.Exit(1)


def _pieces(
    table: Path | None,
    captures: Sequence[Path],
    register: Path | None,
    settings: dict[str, Any],
    check: Check,
) -> PressedPieces:
    if (table is None) == (not captures):
        found = "neither" if table is None else "both"
        raise InputError(f"compare: captures or --table: found {found}, expected one of them")
    if table is not None:
        for name, found_value in ({"register": register} | settings).items():
            if found_value:
                option = name.removesuffix("_n").replace("_", "-")
                raise InputError(f"--{option}: cannot be used with a table; leave it out")
        return read_pieces(table)
    asked = Asked(**settings, fresh=is_fresh())
    known = None if register is None else known_by_register(register)
    return piece_results(
        captures, asked, known=known, workers=workers_asked(), check=check, progress=progress
    )


def named_margins(pairs: Sequence[str], results: Sequence[PieceResult]) -> dict[str, float]:
    """Return the margins of `--margin` by quantity; "5 %" is a share of the mean of all these results."""
    values: dict[str, list[float]] = {}
    for result in results:
        for name, value in result.values.items():
            if isfinite(value):
                values.setdefault(name, []).append(value)
    return _named(pairs, "--margin", {name: fmean(found) for name, found in values.items()})


def _named(pairs: Sequence[str], option: str, means: Mapping[str, float] | None = None) -> dict[str, float]:
    """Read NAME=Q pairs, each in the unit that the name states, or "5 %" of the mean where it has another.

    `means`: by quantity; None where a share of the mean has no meaning.
    """
    read = {}
    for pair in pairs:
        name, separator, text = (part.strip() for part in pair.partition("="))
        if not separator or not name:
            raise InputError(
                f"{option}: found {pair!r:.60}, expected NAME=Q such as secant_n_per_mm='0.2 N/mm'"
            )
        refuse_old_name(option, name)
        value = _value(f"{option}: {name}", text, quantity(name).unit, (means or {}).get(name))
        if name in read:
            raise InputError(f"{option}: {name}: found twice, expected once")
        read[name] = value
    return read


def _value(option: str, text: str, unit: str, mean: float | None) -> float:
    if mean is not None and unit not in ("", "%") and text.endswith("%"):
        share_pct = read_quantity(option, text, "%")
        assert share_pct is not None
        return share_pct / 100 * abs(mean)
    if unit:
        value = read_quantity(option, text, unit)
        assert value is not None
        return value
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0 < value < float("inf"):
        raise InputError(
            f"{option}: found {text!r:.40}; the column has no unit, so give a bare number above zero"
        )
    return value


def _columns(asked: str | None, named: Sequence[str], pieces: PressedPieces, *, usual: bool) -> list[str]:
    """Quantities to compare: those asked for, else those with a margin, else the usual ones or all."""
    if asked is not None:
        for name in listed([asked]):
            refuse_old_name("--quantities", name)
        return list(dict.fromkeys([*listed([asked]), *named]))
    return list(dict.fromkeys(named)) if named else quantities_of(pieces, usual=usual)


def _write(study: ComparedPieces, pieces: PressedPieces, out: Path) -> Path:
    """Page, pictures, the comparison as a document, and the values of the pieces."""
    by = study.comparison.by
    title = f"Comparison by {by}: {', '.join(study.comparison.groups)}"
    page = save_comparison_report(study, title, out)
    write_json(comparison_document(study), out / "comparison.json")
    columns = dict.fromkeys(name for figures in study.comparison.figures.values() for name in figures)
    frame = pieces.frame(list(columns)).map(csv_cell).rename(columns=csv_cell)
    frame.to_csv(out / "pieces.csv", index=False)
    return page
