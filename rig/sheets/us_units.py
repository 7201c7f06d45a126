"""US units beside metric ones: how they are read, and how people write them."""

from __future__ import annotations

from functools import lru_cache

from rig.units import factor

US_UNITS = {
    "N": ("N", "lbf", "lbf"),
    "mm": ("mm", "in", "in"),
    "N/mm": ("N/mm", "lbf/in", "lbf/in"),
    "mJ": ("mJ", "in*lbf", "in lbf"),
    "N mm": ("N*mm", "in*lbf", "in lbf"),
    "g": ("g", "oz", "oz"),
    "mm/s": ("mm/s", "in/s", "in/s"),
    "m/s": ("m/s", "ft/s", "ft/s"),
}
"""By unit: itself and the US one as `rig.units` writes them, and the US one as people do."""


@lru_cache(maxsize=32)
def us_factor(unit: str) -> float | None:
    """US units in one of these; None where both worlds use the same."""
    if unit not in US_UNITS:
        return None
    own, us, _ = US_UNITS[unit]
    return factor(own, us)


def us_name(unit: str) -> str:
    """The US unit as people write it; empty where both worlds use the same."""
    return US_UNITS[unit][2] if unit in US_UNITS else ""
