"""Results of pieces made up for tests; all numbers are invented."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from rig.population import Curve, PieceResult

STIFFNESS = "secant_n_per_mm"
ALIKE = {"method": "squeeze", "rate": "2 mm/s", "temperature": "23.0 degC", "calibration": "K1"}


def piece(
    name: str,
    value: float,
    *,
    batch: str | None = "spring",
    state: str = "new",
    capture: str | None = None,
    u: float = 0.0,
    shared: float = 0.0,
    freedom: float | None = None,
    curve: Curve | None = None,
    quantity: str = STIFFNESS,
    **unlike: str,
) -> PieceResult:
    """One capture of one piece."""
    how = ALIKE | {words.replace("_", " "): found for words, found in unlike.items()}
    return PieceResult(
        name, batch, state, capture or f"{name} {batch} {state} {value}", {quantity: value}, {quantity: u},
        {quantity: shared}, how, curve, {} if freedom is None else {quantity: freedom},
    )  # fmt: skip


def pieces(values: Iterable[float], *, batch: str = "spring", **more) -> list[PieceResult]:
    """One capture of each of some pieces of a batch."""
    return [
        piece(f"{batch}-{number}", float(value), batch=batch, **more) for number, value in enumerate(values)
    ]


def curves(forces: Sequence[np.ndarray], deflection_mm: np.ndarray, *, batch: str) -> list[PieceResult]:
    """Pieces with a curve each; on the way back the force is a tenth lower."""
    return [
        piece(f"{batch}-{number}", 1.0, batch=batch, curve=Curve(deflection_mm, force, 0.9 * force))
        for number, force in enumerate(forces)
    ]
