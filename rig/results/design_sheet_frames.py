"""The numbers of a design sheet as data frames, for files and for notebooks."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from rig.core import quantity
from rig.population import BatchFigures
from rig.results.design_sheet import ComparableSet, DesignSheet
from rig.results.piece_captures import piece_row
from rig.units import us_factor, us_name

if TYPE_CHECKING:
    import pandas as pd


def sheet_frames(sheet: DesignSheet) -> dict[str, pd.DataFrame]:
    """Return unrounded numbers: figures, force, captures, pieces, and recovery where there is one."""
    import pandas as pd

    frames = {
        "figures": pd.DataFrame(_figures(sheet)),
        "force": pd.DataFrame(row for comparable in sheet.sets for row in _forces(comparable)),
        "captures": pd.DataFrame(_captures(sheet)),
        # in the form that `pressrig compare --table` reads
        "pieces": pd.DataFrame(
            piece_row(result, result.values)
            for comparable in sheet.sets
            for results in comparable.groups.values()
            for result in results
        ),
    }
    if sheet.recovery:
        frames["recovery"] = pd.DataFrame(
            {"set": recovery.letter, "group": recovery.group, "after_s": recovery.after_s}
            | _figure(recovery.figures)
            for recovery in sheet.recovery
        )
    return frames


def _figures(sheet: DesignSheet) -> Iterator[dict[str, Any]]:
    for batch, sizes in sheet.sizes.items():
        yield from ({"set": "", "group": batch} | _figure(size) for size in sizes.values())
    for comparable in sheet.sets:
        for group, figures in comparable.figures.items():
            captures = " ".join(result.capture for result in comparable.groups[group])
            for figure in figures.values():
                yield {"set": comparable.letter, "group": group} | _figure(figure) | {"captures": captures}


def _figure(figure: BatchFigures) -> dict[str, Any]:
    shown = quantity(figure.quantity)
    factor = us_factor(shown.unit)
    return {
        "quantity": figure.quantity,
        "title": shown.title,
        "unit": shown.unit,
        "n": figure.n,
        "mean": figure.mean,
        "low_95": figure.low,
        "high_95": figure.high,
        "u": figure.u,
        "u_calibration": figure.shared_u,
        "sd": figure.sd,
        "pieces_low": figure.tolerance_low,
        "pieces_high": figure.tolerance_high,
        "us_mean": None if factor is None else factor * figure.mean,
        "us_unit": us_name(shown.unit),
    }


def _forces(comparable: ComparableSet) -> Iterator[dict[str, Any]]:
    for over, table in (("compression", comparable.compression), ("gap", comparable.gap)):
        for group, rows in table.items():
            for row in rows:
                each = row.loading
                yield {
                    "set": comparable.letter,
                    "group": group,
                    "over": over if comparable.height_mm is not None else "deflection",
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
        result.capture: (comparable.letter, group, result)
        for comparable in sheet.sets
        for group, results in comparable.groups.items()
        for result in results
    }
    for number, listed in enumerate(sheet.captures, start=1):
        letter, group, result = of[listed.capture]
        yield {
            "number": number,
            "capture": listed.capture,
            "id": listed.id,
            "piece": result.piece,
            "batch": result.batch,
            "state": result.state,
            "set": letter,
            "group": group,
            "started": "" if listed.started is None else listed.started.isoformat(),
            "cycles_counted": listed.cycles,
            "cycles_left_out": listed.left_out,
            "operator": listed.operator,
            "calibration": listed.calibration,
            **{name: words for name, words in result.circumstances.items() if name != "calibration"},
        }
