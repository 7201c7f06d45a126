"""A design sheet on disk: one HTML page that needs no other file, the same as Markdown with its pictures, and
the numbers as JSON and CSV."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from rig.core import BOTH, chosen_units, csv_cell, json_visible, quantity
from rig.results import sheet_frames
from rig.results.design_sheet import DesignSheet
from rig.sheets.design_sheet_first_page import SECANT, photo_name
from rig.sheets.design_sheet_plots import draw_compression, draw_gap, draw_pieces
from rig.sheets.design_sheet_words import (
    compression_name,
    force_alt,
    gap_name,
    has_pieces_picture,
    pieces_alt,
    pieces_name,
    secants,
    sheet_page,
)
from rig.sheets.page import Attachment, save_page
from rig.sheets.plots import Drawn

PAGE, DOCUMENT = "sheet.html", "sheet.json"
WORKBOOK = "sheet.xlsx"
PLAIN_TEXT = {"strings_to_formulas": False, "strings_to_urls": False}


def save_design_sheet(sheet: DesignSheet, folder: Path, *, units: str | None = None) -> Path:
    """Write the sheet into a folder and return its page's path; `units`: "metric", "us" or "both"."""
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
        frame.map(csv_cell).rename(columns=csv_cell).to_csv(folder / f"{name}.csv", index=False)
    _save_workbook(frames, folder / WORKBOOK)
    files = [
        Attachment(name, label, (folder / name).read_bytes())
        for name, label in (
            (WORKBOOK, "workbook (XLSX)"),
            ("force.csv", "force tables (CSV)"),
            ("figures.csv", "all figures (CSV)"),
            (DOCUMENT, "everything (JSON)"),
        )
    ]
    units = units or chosen_units() or BOTH
    return save_page(sheet_page(sheet, units=units, files=files), folder / PAGE)


def _save_workbook(frames: Mapping[str, pd.DataFrame], path: Path) -> None:
    """One sheet per table; text stays text, so that no cell is taken for a formula."""
    with pd.ExcelWriter(path, engine="xlsxwriter", engine_kwargs={"options": PLAIN_TEXT}) as writer:
        writer.book.set_properties({"created": datetime(2000, 1, 1, tzinfo=UTC).replace(tzinfo=None)})
        for name, frame in frames.items():
            frame.to_excel(writer, sheet_name=name, index=False)


def draw_sheet(sheet: DesignSheet) -> dict[str, Drawn]:
    """Return all pictures of a sheet by the names that its page knows them by."""
    pictures = {}
    for comparable in sheet.sets:
        has_height = comparable.height_mm is not None
        if comparable.compression_bands:
            alt = force_alt(comparable.compression, "compression" if has_height else "deflection")
            pictures[compression_name(comparable)] = draw_compression(
                comparable.compression_bands, has_height=has_height, alt=alt
            )
        if comparable.gap_bands and comparable.height_mm is not None:
            alt = force_alt(comparable.gap, "a closing gap")
            pictures[gap_name(comparable)] = draw_gap(comparable.gap_bands, comparable.height_mm, alt=alt)
        if has_pieces_picture(comparable):
            having = secants(comparable)
            pictures[pieces_name(comparable)] = draw_pieces(
                having, quantity(SECANT).heading, alt=pieces_alt(having)
            )
    return pictures
