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
    """Quantities with their uncertainties, and the readings behind them.

    Parameters
    ----------
    plain
        Without lines, for a pipe.
    """
    table = empty_table(f"{report.method} ({report.file})", plain=plain)
    table.add_column("quantity")
    table.add_column("unit")
    table.add_column("value", justify="right")
    for heading in ("u", "+- (95 %)", "df"):
        table.add_column(heading, justify="right")
    table.add_column("how")
    for each in report.quantities:
        value = "-" if each.value is None else rounded(each.value, each.u or math.nan)
        u = "-" if each.u is None else rounded(each.u, each.u)
        half = "-" if each.half95 is None else rounded(each.half95, each.half95)
        told = f"{each.why}. {each.how}" if each.why else each.how
        table.add_row(each.title, each.unit, value, u, half, _freedom_words(each), told)
        for part in each.parts:
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
