"""Names and units of quantities as people read them, from the names of the columns."""

from __future__ import annotations

from dataclasses import dataclass

_UNITS = {
    "_n_per_mm": "N/mm",
    "_mm_per_s": "mm/s",
    "_pct_per_s": "%/s",
    "_pct": "%",
    "_mm": "mm",
    "_mj": "mJ",
    "_n": "N",
    "_g": "g",
    "_s": "s",
    "_c": "degC",
}
"""Endings of column names, longer ones first."""

_TITLES = {
    "contact_mm": "contact (zero force)",
    "contact_at_force_mm": "contact at contact force",
    "toe_exponent": "toe exponent",
    "secant_n_per_mm": "secant stiffness at the peak",
    "secant_25pct_n_per_mm": "secant stiffness at 25 % compression",
    "height_lost_mm": "height lost since the first capture",
    "secant_unloading_n_per_mm": "secant stiffness, start of unloading",
    "tangent_n_per_mm": "tangent stiffness at the peak",
    "tangent_unloading_n_per_mm": "tangent stiffness, start of unloading",
    "initial_n_per_mm": "initial stiffness",
    "initial_unloading_n_per_mm": "initial stiffness, unloading",
    "chord_n_per_mm": "chord stiffness",
    "chord_unloading_n_per_mm": "chord stiffness, unloading",
    "break_mm": "deflection at break",
    "break_n": "force at break",
    "set_mm": "permanent set",
    "set_last_mm": "permanent set, last cycle",
    "set_pct_of_height": "permanent set, of free height",
    "set_pct_of_deflection": "permanent set, of imposed deflection",
    "negative_stiffness_mm": "tangent turns negative",
    "rate_mm_per_s": "rate of loading",
    "rate_unloading_mm_per_s": "rate of unloading",
    "rate_pct_per_s": "rate of loading",
    "rate_unloading_pct_per_s": "rate of unloading",
    "zero_n": "force zero",
    "force_retention_1s_pct": "force retention at 1 s",
    "force_retention_10s_pct": "force retention at 10 s",
    "force_retention_60s_pct": "force retention at 60 s",
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """A column as people read it."""

    title: str
    unit: str

    @property
    def heading(self) -> str:
        """Its title and unit: "force retention at 10 s, %"."""
        return f"{self.title}, {self.unit}" if self.unit else self.title


def quantity(column: str) -> Quantity:
    """Return the title and unit of a column.

    Examples
    --------
    >>> quantity("energy_absorbed_mj")
    Quantity(title='energy absorbed', unit='mJ')
    >>> quantity("at 25%.loading_n")
    Quantity(title='force at 25 % compression, loading', unit='N')
    """
    if column.startswith("at ") and "." in column:
        depth, stroke = column[3:].rsplit(".", 1)
        depth = depth.replace("%", " % compression")
        return Quantity(f"force at {depth}, {stroke.removesuffix('_n')}", "N")
    for pct in ("of_height", "of_deflection"):
        if column.endswith(f"_pct_{pct}"):
            return Quantity(_TITLES[column], "%")
    ending = next((unit for unit in _UNITS if column.endswith(unit)), "")
    bare = column.removesuffix(ending).replace("_", " ")
    return Quantity(_TITLES.get(column, bare), _UNITS.get(ending, ""))
