"""A design sheet on disk: one HTML page that needs no other file, the same as Markdown with its pictures, and
the numbers as JSON and CSV."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.core import csv_cell, json_visible
from rig.population import BatchFigures
from rig.results.design_sheet import AlikeSet, DesignSheet, titled
from rig.sheets.design_sheet_first_page import BOTH, photo_name
from rig.sheets.design_sheet_plots import draw_compression, draw_gap, draw_pieces
from rig.sheets.design_sheet_words import (
    compression_name,
    force_alt,
    gap_name,
    has_pieces_picture,
    pieces_alt,
    pieces_name,
    sheet_page,
)
from rig.sheets.page import Attachment, save_page
from rig.sheets.plots import Drawn
from rig.sheets.us_units import us_factor, us_name

if TYPE_CHECKING:
    import pandas as pd

PAGE, DOCUMENT = "sheet.html", "sheet.json"
FIGURES, FORCES, CAPTURES, PIECES = "figures.csv", "force.csv", "captures.csv", "pieces.csv"
WORKBOOK = "sheet.xlsx"
PLAIN_TEXT = {"strings_to_formulas": False, "strings_to_urls": False}

RECOVERY = "recovery.csv"
"""Only where a group of pieces has one."""


def save_design_sheet(sheet: DesignSheet, folder: Path, *, units: str = BOTH) -> Path:
    """Write the sheet into a folder.

    Parameters
    ----------
    folder
        Made if it is not there.
    units
        Of the first page: "metric", "us" or "both".

    Returns
    -------
    Path of the HTML page.
    """
    folder.mkdir(parents=True, exist_ok=True)
    pictures = draw_sheet(sheet)
    for name, picture in pictures.items():
        picture.save(folder / name)
    for place, photo in enumerate(sheet.photos, start=1):
        (folder / photo_name(place, photo)).write_bytes(photo.data)
    document = json.dumps(sheet.as_dict(), indent=2, allow_nan=False, ensure_ascii=False)
    (folder / DOCUMENT).write_text(json_visible(document) + "\n", encoding="utf-8")
    frames = sheet_frames(sheet)
    for name, frame in frames.items():
        frame.map(csv_cell).rename(columns=csv_cell).to_csv(folder / name, index=False)
    _save_workbook(frames, folder / WORKBOOK)
    files = [
        Attachment(name, label, (folder / name).read_bytes())
        for name, label in (
            (WORKBOOK, "workbook (XLSX)"),
            (FORCES, "force tables (CSV)"),
            (FIGURES, "all figures (CSV)"),
            (DOCUMENT, "everything (JSON)"),
        )
    ]
    return save_page(sheet_page(sheet, units=units, files=files), folder / PAGE)


def _save_workbook(frames: Mapping[str, pd.DataFrame], path: Path) -> None:
    """One sheet per table; text stays text, so that no cell is taken for a formula."""
    import pandas as pd

    with pd.ExcelWriter(path, engine="xlsxwriter", engine_kwargs={"options": PLAIN_TEXT}) as writer:
        writer.book.set_properties({"created": datetime(2000, 1, 1, tzinfo=UTC).replace(tzinfo=None)})
        for name, frame in frames.items():
            frame.to_excel(writer, sheet_name=Path(name).stem, index=False)


def draw_sheet(sheet: DesignSheet) -> dict[str, Drawn]:
    """All pictures of a sheet by the names that its page knows them by."""
    pictures = {}
    for alike in sheet.sets:
        has_height = alike.height_mm is not None
        if alike.compression_bands:
            alt = force_alt(alike.compression, "compression" if has_height else "deflection")
            pictures[compression_name(alike)] = draw_compression(
                alike.compression_bands, has_height=has_height, alt=alt
            )
        if alike.gap_bands and alike.height_mm is not None:
            alt = force_alt(alike.gap, "a closing gap")
            pictures[gap_name(alike)] = draw_gap(alike.gap_bands, alike.height_mm, alt=alt)
        if has_pieces_picture(alike):
            having = {
                name: each["secant_n_per_mm"]
                for name, each in alike.figures.items()
                if "secant_n_per_mm" in each
            }
            title, unit = titled("secant_n_per_mm")
            alt = pieces_alt(having, "secant stiffness", unit)
            pictures[pieces_name(alike)] = draw_pieces(having, title, unit, alt=alt)
    return pictures


def sheet_frames(sheet: DesignSheet) -> dict[str, pd.DataFrame]:
    """The numbers of a sheet, unrounded, by the name of their file."""
    import pandas as pd

    frames = {
        FIGURES: pd.DataFrame(_figures(sheet)),
        FORCES: pd.DataFrame(row for alike in sheet.sets for row in _forces(alike)),
        CAPTURES: pd.DataFrame(_captures(sheet)),
        PIECES: pd.DataFrame(row for alike in sheet.sets for row in _pieces(alike)),
    }
    if sheet.recovery:
        frames[RECOVERY] = pd.DataFrame(
            {"set": each.letter, "group": each.group, "after_s": each.after_s} | _figure(each.figures)
            for each in sheet.recovery
        )
    return frames


def _figures(sheet: DesignSheet) -> Iterator[dict[str, Any]]:
    for batch, sizes in sheet.sizes.items():
        yield from ({"set": "", "group": batch} | _figure(each) for each in sizes.values())
    for alike in sheet.sets:
        for group, figures in alike.figures.items():
            captures = " ".join(each.capture for each in alike.groups[group])
            for each in figures.values():
                yield {"set": alike.letter, "group": group} | _figure(each) | {"captures": captures}


def _figure(each: BatchFigures) -> dict[str, Any]:
    title, unit = titled(each.quantity)
    factor = us_factor(unit)
    return {
        "quantity": each.quantity,
        "title": title,
        "unit": unit,
        "n": each.n,
        "mean": each.mean,
        "low_95": each.low,
        "high_95": each.high,
        "u": each.u,
        "u_calibration": each.shared_u,
        "sd": each.sd,
        "pieces_low": each.tolerance_low,
        "pieces_high": each.tolerance_high,
        "us_mean": None if factor is None else factor * each.mean,
        "us_unit": us_name(unit),
    }


def _forces(alike: AlikeSet) -> Iterator[dict[str, Any]]:
    for over, table in (("compression", alike.compression), ("gap", alike.gap)):
        for group, rows in table.items():
            for row in rows:
                each = row.loading
                yield {
                    "set": alike.letter,
                    "group": group,
                    "over": over if alike.height_mm is not None else "deflection",
                    "compression_pct": row.compression_pct,
                    "deflection_mm": row.deflection_mm,
                    "gap_mm": row.gap_mm,
                    "n": each.n,
                    "force_n": each.mean,
                    "low_95_n": each.low,
                    "high_95_n": each.high,
                    "u_calibration_n": each.shared_u,
                    "pieces_low_n": each.tolerance_low,
                    "pieces_high_n": each.tolerance_high,
                    "unloading_n": row.unloading_n,
                    "force_lbf": (us_factor("N") or 1.0) * each.mean,
                }


def _captures(sheet: DesignSheet) -> Iterator[dict[str, Any]]:
    of = {
        each.capture: (alike.letter, group, each)
        for alike in sheet.sets
        for group, results in alike.groups.items()
        for each in results
    }
    for number, each in enumerate(sheet.captures, start=1):
        letter, group, result = of[each.capture]
        yield {
            "number": number,
            "capture": each.capture,
            "id": each.id,
            "piece": result.piece,
            "batch": result.batch,
            "state": result.state,
            "set": letter,
            "group": group,
            "started": "" if each.started is None else each.started.isoformat(),
            "cycles_counted": each.cycles,
            "cycles_left_out": each.left_out,
            "operator": each.operator,
            "calibration": each.calibration,
            **{name: words for name, words in result.circumstances.items() if name != "calibration"},
        }


def _pieces(alike: AlikeSet) -> Iterator[dict[str, Any]]:
    """One row a capture with all its values, in the form that `pressrig compare --table` reads."""
    for results in alike.groups.values():
        for each in results:
            row: dict[str, Any] = {
                "piece": each.piece, "batch": each.batch, "state": each.state, "capture": each.capture,
            }  # fmt: skip
            for name, value in each.values.items():  # noqa: PD011 - no data frame
                row[name], row[f"{name}_u"] = value, each.u.get(name)
                row[f"{name}_u_shared"] = each.u_shared.get(name)
            yield row | dict(each.circumstances)
