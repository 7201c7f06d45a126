"""What a method asked to have reported, as a table."""

from __future__ import annotations

import math

from rich.table import Table

from rig.core import rounded
from rig.methods import Outcome
from rig.results import MethodReport
from rig.sheets.tables import empty_table

MANY = 1000.0
"""More degrees of freedom than this are not told apart from a normal distribution."""


def method_table(report: MethodReport, *, plain: bool) -> Table:
    """Quantities with their uncertainties, and the readings behind them."""
    title, numbers = f"{report.method} ({report.file})", ("value", "u", "+- (95 %)", "df")
    table = empty_table(title, ("quantity", "unit"), numbers, ("how",), plain=plain)
    for quantity in report.quantities:
        value = "-" if quantity.value is None else rounded(quantity.value, quantity.u or math.nan)
        u = "-" if quantity.u is None else rounded(quantity.u, quantity.u)
        half = "-" if quantity.half95 is None else rounded(quantity.half95, quantity.half95)
        told = f"{quantity.why}. {quantity.how}" if quantity.why else quantity.how
        table.add_row(quantity.title, quantity.unit, value, u, half, _freedom_words(quantity), told)
        for part in quantity.parts:
            part_u = rounded(part.u, part.u) if part.u else ""
            cells = (rounded(part.value, part.u), part_u)
            table.add_row(f"  {part.what}", part.unit, *cells, "", "", "")
    return table


def _freedom_words(outcome: Outcome) -> str:
    """Effective degrees of freedom; beyond some hundred they no longer move the interval."""
    if outcome.u is None:
        return "-"
    if outcome.freedom is None or outcome.freedom > MANY:
        return "many"
    return f"{outcome.freedom:.3g}"
