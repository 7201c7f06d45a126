"""Pieces for nips whose curves are known in closed form; all numbers are invented."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from rig.aids import NipPiece
from rig.core.measured import Measured
from rig.population import Curve, PieceResult
from rig.samples import FloatArray

RATE_MM_PER_S = 10.0

SIZE = Measured(90.0)


def curved_piece(
    name: str,
    loading: Callable[[FloatArray], FloatArray],
    *,
    batch: str | None = "spring",
    size: Measured = SIZE,
    rate_mm_per_s: float | None = RATE_MM_PER_S,
    to_mm: float = 30.0,
    back: float = 0.8,
    force_share: float = 0.0,
    position_share: float = 0.0,
) -> NipPiece:
    """A piece whose unloading curve is `back` times its loading curve."""
    x = np.linspace(0.0, to_mm, 301)
    force_n = loading(x)
    values = {"peak_force_n": float(force_n[-1]), "peak_deflection_mm": to_mm}
    if rate_mm_per_s is not None:
        values["rate_mm_per_s"] = rate_mm_per_s
    shared = {
        "peak_force_n": force_share * values["peak_force_n"],
        "peak_deflection_mm": position_share * to_mm,
    }
    circumstances = {"rate": f"{rate_mm_per_s} mm/s", "temperature": "23 degC", "calibration": "one"}
    return NipPiece(
        PieceResult(
            name, batch, "new", f"{name} {rate_mm_per_s}", values, dict(shared), shared, circumstances,
            Curve(x, force_n, back * force_n),
        ),
        size,
    )  # fmt: skip


def spring_piece(name: str, stiffness_n_per_mm: float, **more: object) -> NipPiece:
    """A linear spring."""
    return curved_piece(name, lambda x: stiffness_n_per_mm * x, **more)  # type: ignore[arg-type]
