"""`pressrig study`: the sources of variation: repeats, people, laboratories, the rig and the pieces."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig import __version__, sheets
from rig.analyser import Depth
from rig.cli.answer_showing import show_answer
from rig.cli.capture_arguments import captures_in
from rig.cli.options import (
    FOLDER,
    PATH,
    NumberRange,
    calibration_option,
    conditioning_option,
    depths_option,
    fresh_option,
    is_fresh,
    needless_option,
    quantity_option,
    read_quantity,
)
from rig.cli.output import is_plain, json_option, print_json, say, write_json
from rig.core import csv_cell, quantity
from rig.errors import InputError
from rig.population import DRIVEN, arrange_trials, compare_kinds, gauge_study, laboratory_study
from rig.results import Asked, read_trials, trials_of_captures
from rig.sheets import GaugeStudy, gauge_answer, gauge_notes, gauge_tables, save_gauge_report

if TYPE_CHECKING:
    from rig.calibration import Calibration
    from rig.population import GaugeResult, Interaction
    from rig.results import Trials

SECANT = "secant_n_per_mm"
"""Of captures, this is studied unless something else is asked for."""


@click.command("study")
@click.argument("sources", nargs=-1, required=True, type=PATH)
@click.option("--value", metavar="COLUMN", help="Table: column of the values, with the unit in its name.")
@click.option(
    "--driven", multiple=True, metavar="NAME",
    help="Table without a column `kind`: this appraiser is a driven rig, the others are hands; repeatable.",
)  # fmt: skip
@click.option("--quantity", metavar="COLUMN", help=f"Captures: quantity to study.  [default: {SECANT}]")
@depths_option('Captures: study the loading force at this depth, "25%" or "5 mm".', several=False)
@quantity_option("--contact-force", "contact_force_n", "Captures: force that counts as contact.")
@conditioning_option("Number of first cycles to leave out of the means.")
@calibration_option("Read the counts of all captures with this calibration.")
@click.option(
    "--laboratories", is_flag=True,
    help="Each appraiser is a laboratory with its own pieces of one material (ISO 5725-2).",
)  # fmt: skip
@click.option("--tolerance", metavar="Q", help="Width of the tolerance: upper minus lower limit.")
@click.option(
    "--interaction", type=click.Choice(["kept", "pooled"]), default="kept", show_default=True,
    help="Treat the interaction as its own source, or pool it with the repeats. Both are shown.",
)  # fmt: skip
@needless_option("--pool-above", "--interaction pooled pools it, without a test")
@click.option(
    "--at-most", type=NumberRange(0, min_open=True), metavar="PCT",
    help="Largest permitted share of the gauge, of the tolerance or, without one, of the total.",
)  # fmt: skip
@click.option("--out", type=FOLDER, help="Folder for the page and its pictures.")
@fresh_option
@json_option
def command(
    sources: tuple[Path, ...],
    *,
    value: str | None,
    driven: tuple[str, ...],
    quantity: str | None,
    at: str | None,
    contact_force_n: float | None,
    conditioning: int | None,
    calibration: Calibration | None,
    laboratories: bool,
    tolerance: str | None,
    interaction: Interaction,
    at_most: float | None,
    out: Path | None,
    as_json: bool,
) -> None:
    """Divide the spread of results among repeats, appraisers and pieces, or within and between laboratories.

    SOURCES is one table (CSV with the columns piece, appraiser, trial, a value and optionally kind), or
    captures. Of a capture the specimen is the piece, and the operator (or the rig that ran a method) is the
    appraiser. Each capture is one trial: the mean of its sound cycles. Every appraiser must measure every
    piece equally often.

    Many laboratories with pieces of one material: a table with the columns laboratory, a value and optionally
    material, or captures with --laboratories. The number of results may differ. This gives repeatability and
    reproducibility, Mandel's h and k, and Cochran's and Grubbs's tests.
    """
    if len(sources) == 1 and sources[0].is_file():
        _refuse_options(
            "a table",
            quantity=quantity,
            at=at,
            contact_force=contact_force_n,
            conditioning=conditioning,
            calibration=calibration,
        )
        trials = read_trials(sources[0], value, driven)
    else:
        _refuse_options("captures", value=value, driven=driven)
        captures = tuple(captures_in(sources).paths)
        if quantity is None:
            quantity = SECANT if at is None else f"at {Depth.of(at).label}.loading_n"
        asked = Asked(contact_force_n, conditioning, at, calibration=calibration, fresh=is_fresh())
        trials = trials_of_captures(captures, quantity, asked)
    if laboratories:
        trials = trials.by_laboratory()
    if "laboratory" in trials.columns:
        _refuse_options("laboratories", tolerance=tolerance, at_most=at_most)
        _laboratories(trials, out, as_json=as_json)
        return
    study = _studied(trials, tolerance, interaction)
    page = None
    if out is not None:
        page = save_gauge_report(study, f"Gauge study: {study.result.quantity}", out)
        _write_values(study.as_dict(), trials, out)
    if as_json:
        print_json(study.as_dict() | {"values": trials.rows()})
    else:
        show_answer(gauge_answer(study), gauge_tables(study, plain=is_plain()), gauge_notes(study), page)
    _answer(study.result, at_most)


def _refuse_options(source: str, **options: Any) -> None:
    for name, given in options.items():
        if given:
            raise InputError(f"--{name.replace('_', '-')}: does not go with {source}; leave it out")


def _studied(trials: Trials, tolerance: str | None, interaction: Interaction) -> GaugeStudy:
    table = arrange_trials(trials.columns, where=trials.where, rows=trials.lines)
    shown = quantity(trials.quantity)
    how: dict[str, Any] = {
        "quantity": shown.title,
        "unit": shown.unit,
        "tolerance": _tolerance(tolerance, shown.unit),
        "interaction": interaction,
    }
    result = gauge_study(table, **how)
    # kinds that can be looked at alone, a driven one last; none where there is one kind only
    kinds = sorted(set(table.kinds), key=lambda kind: (kind == DRIVEN, table.kinds.index(kind)))
    if len(kinds) < 2 or table.trials < 2:
        kinds = []
    return GaugeStudy(
        table,
        result,
        {kind: gauge_study(table.by_kind(kind), **how) for kind in kinds},
        compare_kinds(table, *kinds) if len(kinds) == 2 else None,
        trials.notes,
    )


def _laboratories(trials: Trials, out: Path | None, *, as_json: bool) -> None:
    """Study, write and print the results of laboratories."""
    shown = quantity(trials.quantity)
    study = laboratory_study(
        trials.columns, quantity=shown.title, unit=shown.unit, where=trials.where, rows=trials.lines
    )
    answer, notes = sheets.laboratory_answer(study), sheets.laboratory_notes(study, trials.notes)
    document = {
        "answer": answer,
        "study": study.as_dict(),
        "notes": notes,
        "software": f"pressrig {__version__}",
    }
    page = None
    if out is not None:
        title = f"Interlaboratory study: {shown.title}"
        page = sheets.save_laboratory_report(study, trials.rows(), trials.notes, title, out)
        _write_values(document, trials, out)
    if as_json:
        print_json(document | {"values": trials.rows()})
    else:
        show_answer(answer, sheets.laboratory_tables(study, plain=is_plain()), notes, page)


def _tolerance(text: str | None, unit: str) -> float | None:
    if text is None or unit:
        return read_quantity("--tolerance", text, unit)
    try:
        return float(text)
    except ValueError:
        raise InputError(
            f"--tolerance: found {text!r:.40}; the column has no unit, so give a bare number"
        ) from None


def _write_values(document: dict[str, Any], trials: Trials, out: Path) -> None:
    """Write the study as a document, and the values that it was made from."""
    import pandas as pd

    write_json(document, out / "study.json")
    frame = pd.DataFrame(trials.rows()).rename(columns={"value": trials.quantity})
    frame.map(csv_cell).rename(columns=csv_cell).to_csv(out / "values.csv", index=False)


def _answer(result: GaugeResult, at_most: float | None) -> None:
    """Exit with 1 if the gauge takes more than it may."""
    if at_most is None:
        return
    gauge = result.component("gauge")
    base = "total spread" if result.tolerance is None else "tolerance"
    share = gauge.of_total_pct if result.tolerance is None else gauge.of_tolerance_pct
    if share is None or share > at_most:
        found = "unknown" if share is None else f"{share:.3g} %"
        say(f"pressrig: the gauge's share of the {base} is {found}, above {at_most:g} %", err=True)
        raise click.exceptions.Exit(1)
