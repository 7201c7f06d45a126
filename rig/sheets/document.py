"""A result as one document for programs, and as a data frame for notebooks."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from rig import __version__
from rig.analyser import CaptureResult, Columns, ColumnTable, flag_labels
from rig.capture import CaptureHeader

if TYPE_CHECKING:
    import pandas as pd

PART_ROWS = 1024
"""Rows of a table that are held at once."""

_AT = "at "
_HIDDEN = ("knee_resolved",)


def capture_document(name: str, header: CaptureHeader, result: CaptureResult) -> dict[str, Any]:
    """One capture's part of the document that `analyse --json` prints.

    Parameters
    ----------
    name
        Of the capture, as the person gave it.

    Returns
    -------
    Plain mapping without not-a-number: what cannot be had is None, and the warnings say why.
    """
    return document_head(name, header, result) | {"cycles": list(cycle_entries(result))}


def document_head(name: str, header: CaptureHeader, result: CaptureResult) -> dict[str, Any]:
    """All of a capture's part but its cycles."""
    return {
        "capture": name,
        "specimen": header.specimen,
        "batch": header.batch,
        "free_height_mm": result.settings.free_height_mm,
        "datum": result.settings.datum,
        "software": f"pressrig {__version__}",
        "settings": result.settings.as_dict() | {"contact_force_n": plain(result.contact_force_n)},
        "noise": None if result.noise is None else asdict(result.noise),
        "summary": _summary(result),
        "softening": None if result.softening is None else asdict(result.softening),
        "relaxation": None if result.prony is None else asdict(result.prony),
        "touches": result.touches,
        "warnings": list(result.warnings),
    }


def cycle_entries(result: CaptureResult) -> Iterator[dict[str, Any]]:
    """The cycles one after another: eighty thousand of them need not be held at once."""
    for first in range(0, len(result), PART_ROWS):
        part = result.rows(slice(first, first + PART_ROWS))
        for row in range(len(part["cycle"])):
            yield _cycle(result, part, row)


def plain(value: float | None) -> float | None:
    """A number that JSON can hold; None for not-a-number."""
    return None if value is None or not math.isfinite(value) else float(value)


def _cycle(result: CaptureResult, columns: Columns, row: int) -> dict[str, Any]:
    cycle: dict[str, Any] = {
        "cycle": int(columns["cycle"][row]),
        "flags": flag_labels(int(columns["flags"][row])),
    }
    for name, values in columns.items():
        if name in cycle or name in _HIDDEN or name.startswith(_AT):
            continue
        cycle[name] = plain(values[row])
    cycle["at"] = [_reading(result, columns, depth.label, row) for depth in result.settings.depths()]
    return cycle


def _reading(result: CaptureResult, columns: Columns, label: str, row: int) -> dict[str, Any]:
    """Forces at one depth, with the secants there."""
    reading: dict[str, Any] = {"at": label.replace(" ", "")}
    depth = next(each for each in result.settings.depths() if each.label == label)
    deflection_mm = depth.deflection_mm(result.settings.free_height_mm)
    for stroke in ("loading", "unloading"):
        name = f"{_AT}{label}.{stroke}_n"
        force, force_u = (plain(columns[each][row]) for each in (name, f"{name}_u"))
        reading[f"{stroke}_n"], reading[f"{stroke}_n_u"] = force, None if force is None else force_u
        secant = None if force is None or not deflection_mm else force / deflection_mm
        reading[f"secant_{stroke}_n_per_mm"] = secant
    return reading


def _summary(result: CaptureResult) -> dict[str, Any]:
    summary: dict[str, Any] = {}
    readings: dict[str, dict[str, Any]] = {}
    for name, numbers in result.summary.items():
        entry = {"mean": plain(numbers["mean"]), "sd": plain(numbers["sd"]), "n": int(numbers["n"])}
        if name.startswith(_AT):
            label, stroke = name[len(_AT) :].rsplit(".", 1)
            readings.setdefault(label, {"at": label.replace(" ", "")})[stroke] = entry
        else:
            summary[name] = entry
    return summary | {"at": list(readings.values())}


def cycles_frame(result: CaptureResult) -> pd.DataFrame:
    """One row a cycle; column names carry their units, `_u` their standard uncertainties."""
    return _frame(result.columns)


def cycle_frames(result: CaptureResult) -> Iterator[pd.DataFrame]:
    """The same in parts of some rows, at least one of them, so that a long table need not be held at once."""
    for first in range(0, max(len(result), 1), PART_ROWS):
        yield _frame(result.rows(slice(first, first + PART_ROWS)))


def _frame(columns: ColumnTable) -> pd.DataFrame:
    import pandas as pd

    flags = [flag_labels(int(each)) for each in columns.get("flags", ())]
    shown: dict[str, Any] = {"cycle": columns.get("cycle", []), "flags": flags}
    for name in columns:
        if name in shown or name in _HIDDEN:
            continue
        if name.startswith(_AT):
            depth, stroke = name[len(_AT) :].rsplit(".", 1)
            shown[f"force_at_{depth.replace(' ', '')}_{stroke}"] = columns[name]
        else:
            shown[name] = columns[name]
    return pd.DataFrame(shown).astype({"cycle": int})
