"""A result as one document for programs, and as a data frame for notebooks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from rig import __version__
from rig.analyser import TREND, Budget, CaptureResult, ColumnTable, MonteCarlo, flag_labels, spoilt_quantities
from rig.capture import CaptureHeader
from rig.core import finite

if TYPE_CHECKING:
    import pandas as pd

PART_ROWS = 1024
"""Rows of a table that are held at once."""

_AT = "at "
_HIDDEN = ("knee_resolved",)


def capture_document(name: str, header: CaptureHeader, result: CaptureResult) -> dict[str, Any]:
    """Return one capture's part of the document that `analyse --json` prints.

    Returns
    -------
    Plain mapping without not-a-number: what cannot be had is None, and the warnings say why.
    """
    return document_head(name, header, result) | {"cycles": list(cycle_entries(result))}


def document_head(name: str, header: CaptureHeader, result: CaptureResult) -> dict[str, Any]:
    """Return all of a capture's part but its cycles."""
    return {
        "capture": name,
        "specimen": header.specimen,
        "batch": header.batch,
        "free_height_mm": result.settings.free_height_mm,
        "datum": result.settings.datum,
        "software": f"pressrig {__version__}",
        "settings": result.settings.as_dict() | {"contact_force_n": finite(result.contact_force_n)},
        "calibration": {"name": result.calibration.name or None, "identity": result.calibration.identity},
        "noise": None if result.noise is None else asdict(result.noise),
        "summary": _summary(result),
        "softening": None if result.softening is None else asdict(result.softening),
        "relaxation": None if result.prony is None else asdict(result.prony),
        "zero": None if result.zero is None else asdict(result.zero),
        "contact_checks": result.contact_checks,
        "contact_check_events": _check_events(result),
        "warnings": list(result.warnings),
    }


def _check_events(result: CaptureResult) -> list[dict[str, float | None]]:
    """Return the first contact checks of a recording, one mapping per check."""
    checks = result.checks
    columns = (checks.time_s, checks.contact_mm, checks.peak_n, checks.depth_mm)
    names = ("time_s", "contact_mm", "peak_force_n", "depth_mm")
    return [
        dict(zip(names, map(finite, row), strict=True))
        for row in zip(*(column.tolist() for column in columns), strict=True)
    ]


def cycle_entries(result: CaptureResult) -> Iterator[dict[str, Any]]:
    """Yield the cycles one after another: eighty thousand of them need not be held at once."""
    height_mm = result.settings.free_height_mm
    depths = [(depth.label, depth.deflection_mm(height_mm)) for depth in result.settings.depths()]
    measured = result.quantities()
    for first in range(0, len(result), PART_ROWS):
        part = result.rows(slice(first, first + PART_ROWS))
        # Python's own numbers: picking single ones out of arrays takes most of the time
        columns = {name: values.tolist() for name, values in part.items()}
        for row in range(len(columns["cycle"])):
            yield _cycle(columns, depths, measured, row)


def budget_document(found: Budget) -> dict[str, Any]:
    """Return a budget as a plain mapping: by quantity the value, its uncertainty, and each source's part."""
    return {
        "cycle": found.cycle,
        "quantities": {
            name: {
                "value": finite(found.value[at]),
                "u": finite(found.u[at]),
                "half95": finite(found.half95[at]),
                "parts": {
                    source: finite(part)
                    for source, part in zip(found.sources, found.parts[:, at].tolist(), strict=True)
                },
            }
            for at, name in enumerate(found.names)
        },
    }


def monte_carlo_document(found: MonteCarlo) -> dict[str, Any]:
    """Return draws as a plain mapping, by quantity."""
    return {
        "cycle": found.budget.cycle,
        "draws": found.draws,
        "quantities": {
            name: {
                "u": finite(found.rms[at]),
                "low95": finite(found.low[at]),
                "high95": finite(found.high[at]),
            }
            for at, name in enumerate(found.budget.names)
        },
    }


def _cycle(
    columns: Mapping[str, list[float]],
    depths: Sequence[tuple[str, float | None]],
    measured: Sequence[str],
    row: int,
) -> dict[str, Any]:
    flags = int(columns["flags"][row])
    cycle: dict[str, Any] = {
        "cycle": int(columns["cycle"][row]),
        "flags": flag_labels(flags),
        "spoilt": spoilt_quantities(flags, measured) if flags else {},
    }
    for name, values in columns.items():
        if name in cycle or name in _HIDDEN or name.startswith(_AT):
            continue
        cycle[name] = finite(values[row])
    cycle["at"] = [_reading(columns, label, deflection_mm, row) for label, deflection_mm in depths]
    return cycle


def _reading(
    columns: Mapping[str, list[float]], label: str, deflection_mm: float | None, row: int
) -> dict[str, Any]:
    """Return the forces at one depth, with the secants there."""
    reading: dict[str, Any] = {"at": label.replace(" ", "")}
    for stroke in ("loading", "unloading"):
        name = f"{_AT}{label}.{stroke}_n"
        force, force_u = (finite(columns[column][row]) for column in (name, f"{name}_u"))
        reading[f"{stroke}_n"], reading[f"{stroke}_n_u"] = force, None if force is None else force_u
        secant = None if force is None or not deflection_mm else force / deflection_mm
        reading[f"secant_{stroke}_n_per_mm"] = secant
    return reading


def _summary(result: CaptureResult) -> dict[str, Any]:
    summary: dict[str, Any] = {}
    readings: dict[str, dict[str, Any]] = {}
    for name, numbers in result.summary.items():
        entry: dict[str, Any] = {key: finite(numbers[key]) for key in ("mean", "u", "half95", "sd")}
        entry["n"] = int(numbers["n"])
        entry |= {key: finite(numbers[key]) for key in TREND if key in numbers}
        if name.startswith(_AT):
            label, stroke = name[len(_AT) :].rsplit(".", 1)
            readings.setdefault(label, {"at": label.replace(" ", "")})[stroke] = entry
        else:
            summary[name] = entry
    return summary | {"at": list(readings.values())}


def cycles_frame(result: CaptureResult) -> pd.DataFrame:
    """Return one row per cycle; column names carry their units, `_u` their standard uncertainties."""
    return _frame(result.columns)


def cycle_frames(result: CaptureResult, beside: ColumnTable | None = None) -> Iterator[pd.DataFrame]:
    """Yield the same in parts of some rows, at least one of them, so that a long table need not be held at
    once.

    Parameters
    ----------
    beside
        Further columns, one value for each cycle, such as its temperature.
    """
    for first in range(0, max(len(result), 1), PART_ROWS):
        part = slice(first, first + PART_ROWS)
        yield _frame(
            dict(result.rows(part)) | {name: values[part] for name, values in (beside or {}).items()}
        )


def _frame_name(name: str) -> str:
    if not name.startswith(_AT):
        return name
    depth, stroke = name[len(_AT) :].rsplit(".", 1)
    return f"force_at_{depth.replace(' ', '')}_{stroke}"


def _frame(columns: ColumnTable) -> pd.DataFrame:
    import pandas as pd  # a fifth of a second, for whoever wants a frame

    numbers = [int(flag) for flag in columns.get("flags", ())]
    measured = [name for name in columns if f"{name}_u" in columns]
    # what flags spoil, such as "not released: loss_mj hysteresis_pct; ..."; few combinations occur
    why = {
        number: "; ".join(
            f"{label}: {' '.join(map(_frame_name, names))}"
            for label, names in spoilt_quantities(number, measured).items()
        )
        for number in set(numbers)
    }
    shown: dict[str, Any] = {
        "cycle": columns.get("cycle", []),
        "flags": [flag_labels(number) for number in numbers],
        "spoilt": [why[number] for number in numbers],
    }
    for name in columns:
        if name in shown or name in _HIDDEN:
            continue
        shown[_frame_name(name)] = columns[name]
    return pd.DataFrame(shown).astype({"cycle": int})
