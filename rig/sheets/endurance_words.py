"""What came of an endurance run, as a table and in sentences."""

from __future__ import annotations

from rich.table import Table

from rig.results import EnduranceReport
from rig.sheets.recovery_words import recovery_sentences
from rig.sheets.tables import empty_table

SHOWN_PAUSES = 12


def endurance_table(report: EnduranceReport, *, plain: bool) -> Table:
    """Return the run's numbers, and the set at each contact check of its recovery."""
    table = empty_table(f"endurance: {report.name}", ("quantity",), ("value",), ("unit",), plain=plain)
    table.add_row("cycles counted", str(report.cycles), "")
    table.add_row("cycles cut short, not counted", str(report.doubtful), "")
    for title, value, unit in (
        ("set at the end of squeezing", report.set_mm, "mm"),
        ("stiffness lost by then", report.stiffness_loss_pct, "%"),
    ):
        table.add_row(title, "-" if value is None else f"{value:.2f}", unit)
    for check in report.recovery:
        table.add_row(f"set {check.after_s:.0f} s after the last squeeze", f"{check.set_mm:.3f}", "mm")
    return table


def endurance_sentences(report: EnduranceReport) -> list[str]:
    """Return why it ended and was interrupted, how sure the count is, and what the recovery says."""
    said = ["Squeezing has not ended." if report.reason is None else f"It ended because: {report.reason}."]
    if not report.exact:
        said.append("The device lost its count at least once; unreported cycles are not counted.")
    said += [f"Interrupted: {why}" for why in report.pauses[:SHOWN_PAUSES]]
    if len(report.pauses) > SHOWN_PAUSES:
        said.append(f"... and {len(report.pauses) - SHOWN_PAUSES} more times.")
    said.append(
        "These figures were taken during the run, without uncertainty; `pressrig analyse` gives each cycle "
        "with its uncertainty."
    )
    return said + ([] if report.fit is None else recovery_sentences(report.fit))
