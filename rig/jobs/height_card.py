"""A height for those who watch a rig: the numbers, and as many sentences as a card holds."""

from __future__ import annotations

from rig.calibration import Height
from rig.jobs.orders import LONGEST_NOTE, MOST_NOTES, HeightCard, HeightLine
from rig.results import HeightReport


def height_card(report: HeightReport) -> HeightCard:
    """Return a height for those who watch, with no more sentences than they can be told each time."""
    notes = list(report.notes)
    if report.unloaded is None:
        notes.append(f"No height without load: {report.why}.")
    if len(notes) > MOST_NOTES:
        left = len(notes) - MOST_NOTES + 1
        notes[MOST_NOTES - 1 :] = [f"{left} more: `pressrig height --piece CAPTURE` lists them all."]
    heights = (report.at_contact, report.at_top, report.unloaded)
    return HeightCard(
        specimen=report.specimen,
        heights=tuple(_line(height) for height in heights if height is not None),
        notes=tuple(note[:LONGEST_NOTE] for note in notes),
    )


def _line(height: Height) -> HeightLine:
    return HeightLine(
        force_n=height.force_n,
        height_mm=height.mm,
        u_mm=height.u_mm,
        low_mm=height.low_mm,
        high_mm=height.high_mm,
        contact_checks=len(height.contact_checks_mm) - (height.first_mm is not None),
    )
