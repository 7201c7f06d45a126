"""The calculator on a design sheet's page: its data, taken from the curves of the pieces, and its form.

Problem: a table answers for its own rows only, and a designer has a gap or a force of his own. Plan: the page
carries the mean curve of every piece, so that its script reads gaps and forces as `pressrig nip` does; half
the widths of intervals are worked out here on a grid and read between its points. Cost: about 2 KB per piece.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from importlib.resources import files
from typing import Any

import numpy as np

from rig.core import json_visible
from rig.population import BatchFigures, PieceResult, average_pieces
from rig.results.design_sheet_forces import force_at_gaps, gaps_at_forces
from rig.sheets.page import Embedded

GRID = 60
"""Rows in which the widths of intervals are worked out; they change slowly between them."""

FORM = """<form class="calculator screen" hidden>
<h2>Calculator</h2>
<p>Read a gap or a force from the measured curves. Works offline.</p>
<div class="fields">
<label>I know the <select name="known"><option value="gap">gap</option>
<option value="force">force</option></select></label>
<label>value <input name="value" inputmode="decimal" size="8" value="{value}">
<span class="value-unit"></span></label>
<label>pieces of <select name="group"></select></label>
<label>piece <select name="piece"></select></label>
<label>lengths in <select name="length-unit"><option>mm</option><option{us}>in</option></select></label>
<label>forces in <select name="force-unit"><option>N</option><option{us}>lbf</option></select></label>
<label>wheel diameter (optional) <input name="wheel" inputmode="decimal" size="8"></label>
<label>coefficient of friction (optional) <input name="friction" inputmode="decimal" size="6"></label>
</div>
<output aria-live="polite"></output>
</form>
<script type="application/json" id="calculator-data">{data}</script>
<script>{script}</script>"""


def calculator(
    groups: Mapping[str, Sequence[PieceResult]],
    heights_mm: Mapping[str, float],
    height_mm: float,
    *,
    us: bool = False,
) -> Embedded | None:
    """Return the calculator of some groups of pieces; None where no piece has a curve.

    `groups`: results, one per capture.
    `heights_mm`, `height_mm`: free height by capture, and their mean.
    `us`: whether it begins with inches and pounds-force.
    """
    data = calculator_data(groups, heights_mm, height_mm)
    if not data["groups"]:
        return None
    # three quarters of the height, or halfway to where some piece was pressed no further
    curves = [curve for group in data["groups"] for curve in group["pieces"]]
    narrowest = max(curve["height"] - curve["deflection"][-1] for curve in curves)
    start_mm = 0.75 * height_mm if narrowest < 0.75 * height_mm else (height_mm + narrowest) / 2
    text = json_visible(json.dumps(data, allow_nan=False, ensure_ascii=False, separators=(",", ":")))
    # a script element ends at the first "</", wherever it stands
    text = text.replace("<", "\\u003c")
    script = (files("rig.sheets") / "calculator.js").read_text(encoding="utf-8")
    value = f"{start_mm / 25.4:.3g}" if us else f"{start_mm:.4g}"
    return Embedded(FORM.format(value=value, us=" selected" if us else "", data=text, script=script))


def calculator_data(
    groups: Mapping[str, Sequence[PieceResult]], heights_mm: Mapping[str, float], height_mm: float
) -> dict[str, Any]:
    """Return what the page's script reads: curves of pieces, and half widths of intervals along them."""
    found = []
    content = 90.0
    for name, results in groups.items():
        pieces = [piece for piece in average_pieces(results) if piece.curve is not None]
        if not pieces:
            continue
        height_of = {piece.piece: _mean_height(results, piece, heights_mm) for piece in pieces}
        curves = [_curve(piece, height_of[piece.piece]) for piece in pieces]
        reach_n = min(curve["force"][-1] for curve in curves)
        narrowest = max(curve["height"] - curve["deflection"][-1] for curve in curves)
        gaps_mm = np.linspace(narrowest, height_mm, GRID).tolist()
        forces_n = np.linspace(reach_n / GRID, reach_n, GRID).tolist()
        at_gap = force_at_gaps({name: results}, heights_mm, height_mm, gaps_mm)[name]
        at_force = gaps_at_forces({name: results}, heights_mm, forces_n)
        if at_gap:
            content = at_gap[0].loading.content_pct
        found.append(
            {
                "name": name,
                "pieces": curves,
                "at_gap": _widths([(row.gap_mm or 0.0, row.loading) for row in at_gap]),
                "at_force": _widths([(row.force_n, row.gaps[name]) for row in at_force]),
            }
        )
    return {"groups": found, "content": content}


def _mean_height(
    results: Sequence[PieceResult], piece: PieceResult, heights_mm: Mapping[str, float]
) -> float:
    own = [
        heights_mm[result.capture]
        for result in results
        if (result.batch, result.piece) == (piece.batch, piece.piece)
    ]
    return float(np.mean(own))


def _curve(piece: PieceResult, height_mm: float) -> dict[str, Any]:
    """One piece's loading curve, in which one force has one gap."""
    curve = piece.curve
    assert curve is not None
    known = np.isfinite(curve.loading_n)
    deflection_mm, force_n = curve.deflection_mm[known], np.maximum.accumulate(curve.loading_n[known])
    rising = np.concatenate([[True], np.diff(force_n) > 0])
    return {
        "name": piece.piece,
        "height": round(height_mm, 6),
        "deflection": [round(float(value), 6) for value in deflection_mm[rising]],
        "force": [round(float(value), 6) for value in force_n[rising]],
    }


def _widths(rows: Sequence[tuple[float, BatchFigures]]) -> dict[str, list[float | None]]:
    """Return how far the ends of intervals lie from the mean, along a rising axis."""
    ordered = sorted(rows, key=lambda row: row[0])
    return {
        "x": [x for x, _ in ordered],
        "below": [None if figures.low is None else figures.mean - figures.low for _, figures in ordered],
        "above": [None if figures.high is None else figures.high - figures.mean for _, figures in ordered],
        "pieces": [
            None if figures.tolerance_high is None else figures.tolerance_high - figures.mean
            for _, figures in ordered
        ],
    }
