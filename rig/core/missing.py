"""What cannot be had: not-a-number inside, `None` outside, where documents and records are written."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any


def finite(value: float | None) -> float | None:
    """Return a number; None where it is not a number, or has no limit."""
    return None if value is None or not math.isfinite(value) else float(value)


def all_finite(value: Any) -> Any:
    """Return a plain value with `None` for each number that is not finite, all the way down.

    Examples
    --------
    >>> all_finite({"set_mm": float("nan"), "times_s": (1.0, float("inf")), "n": 3})
    {'set_mm': None, 'times_s': [1.0, None], 'n': 3}
    """
    if hasattr(value, "tolist"):  # NumPy's arrays and numbers
        value = value.tolist()
    if isinstance(value, Mapping):
        return {name: all_finite(entry) for name, entry in value.items()}
    if isinstance(value, list | tuple):
        return [all_finite(entry) for entry in value]
    return finite(value) if isinstance(value, float) else value
