"""A free height as tables: at each force, and where its uncertainty comes from."""

from __future__ import annotations

import math

from rich.table import Table

from rig.calibration import Height
from rig.core import rounded
from rig.results import HeightReport
from rig.sheets.tables import empty_table


def height_table(report: HeightReport, *, plain: bool) -> Table:
    """Return the heights at each force, with their 95 % intervals."""
    numbers = ("height\nmm", "u\nmm", "95 % interval\nmm", "checks", "sd bare\num", "sd piece\num")
    table = empty_table(f"height of {report.specimen}", ("at",), numbers, plain=plain)
    for height in (report.at_contact, report.at_top, report.unloaded):
        if height is None:
            table.add_row("no load (extrapolated)", "-", "-", report.why, "", "", "")
            continue
        u = height.u_mm if height.u_mm is not None else math.nan
        interval = "-"
        if height.low_mm is not None and height.high_mm is not None:
            interval = f"{rounded(height.low_mm, u)} to {rounded(height.high_mm, u)}"
        name = f"{height.force_n:g} N" if height.force_n else "no load (extrapolated)"
        spreads = [
            "-" if sd is None else f"{1000 * sd:.2g}" for sd in (height.sd_bare_mm, height.sd_piece_mm)
        ]
        contact_checks = str(len(height.contact_checks_mm) - (height.first_mm is not None))
        table.add_row(name, rounded(height.mm, u), rounded(u, u), interval, contact_checks, *spreads)
    return table


def height_budget_table(height: Height, *, plain: bool) -> Table:
    """Return where the uncertainty of a height comes from, the largest part first."""
    at = f"at {height.force_n:g} N" if height.force_n else "without load"
    title, numbers = f"uncertainty of the height {at}", ("u\num", "degrees of\nfreedom", "share\n%")
    table = empty_table(title, ("part",), numbers, ("how",), plain=plain)
    square = (height.u_mm or math.nan) ** 2
    for part in sorted(height.parts, key=lambda part: (not part.counts, -(part.u_mm or 0.0))):
        u = "-" if part.u_mm is None else f"{1000 * part.u_mm:.3g}"
        freedom = f"{part.degrees_of_freedom:.3g}" if math.isfinite(part.degrees_of_freedom) else "many"
        share = f"{100 * part.u_mm**2 / square:.0f}" if part.counts and part.u_mm is not None else ""
        table.add_row(part.source, u, freedom, share if share != "nan" else "-", part.why)
    return table
