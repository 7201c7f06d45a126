"""Pieces made up for design sheets: straight springs of known stiffness; all numbers are invented."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from rig.population import Curve, PieceResult, SizeReading
from rig.results import CaptureFacts, PieceFacts

HEIGHT_MM = 90.0
DEPTH_MM = 36.0
HOW = {
    "method": "five squeezes",
    "rate": "24 mm/s",
    "temperature": "23.0 degC",
    "calibration": "K1",
    "orientation": "on its side",
}


def pressed(
    name: str,
    stiffness: float,
    *,
    batch: str | None = "spring",
    state: str = "new",
    capture: str | None = None,
    curve: bool = True,
    **unlike: str,
) -> PieceResult:
    """One capture of a straight spring, whose way back is a tenth softer."""
    d = np.linspace(0, DEPTH_MM, 61)
    values = {"secant_n_per_mm": stiffness, "peak_force_n": stiffness * DEPTH_MM, "energy_return_pct": 90.0}
    return PieceResult(
        name,
        batch,
        state,
        capture or f"{name}-{state}",
        values,
        {each: 0.001 * value for each, value in values.items()},
        {each: 0.0005 * value for each, value in values.items()},
        HOW | {words.replace("_", " "): found for words, found in unlike.items()},
        Curve(d, stiffness * d, 0.9 * stiffness * d) if curve else None,
    )


def batch_of(stiffnesses: list[float], batch: str, **more) -> list[PieceResult]:
    return [pressed(f"{batch}-{n}", each, batch=batch, **more) for n, each in enumerate(stiffnesses, start=1)]


def facts_of(
    results: list[PieceResult], *, height_mm: float | None = HEIGHT_MM, **more
) -> list[CaptureFacts]:
    also = {"id": "ab" * 16, "started": datetime(2026, 10, 1, 9, 0, tzinfo=UTC), "cycles": 4} | more
    return [CaptureFacts(capture=each.capture, free_height_mm=height_mm, **also) for each in results]


def known(results: list[PieceResult], *, mass_g: float = 60.0) -> list[PieceFacts]:
    """Mass and two diameters of each piece."""
    pieces = {each.piece: each.batch for each in results}
    return [
        PieceFacts(
            piece=name,
            batch=batch,
            model="F-90",
            drawing_size_mm=90.0,
            mass_g=mass_g + 0.5 * number,
            mass_u_g=0.05,
            mass_how="scale",
            sizes=(
                SizeReading("diameter A", 89.9 + 0.1 * number, 0.05, 1.0),
                SizeReading("diameter B", 90.1, 0.05, 1.0),
            ),
        )
        for number, (name, batch) in enumerate(pieces.items())
    ]
