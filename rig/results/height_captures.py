"""Heights read from captures on disk, for the command line and for a daemon that has just recorded them.

Problem: whoever has recorded a piece wants its height from the very files that others will read later. Plan:
open each capture, have its contact checks found and read at both forces, and calculate the height. Cost:
one pass over each capture, held in memory; whoever holds a rig sets a lower limit to that.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rig.calibration import Calibration
from rig.capture import open_capture
from rig.methods import Surface
from rig.results.height_checks import MOST_SAMPLES, CheckedSurface, checked_surface
from rig.results.height_results import HeightReport, height_report


def read_surface(
    path: Path,
    surface: Surface,
    forces_n: tuple[float, float],
    calibration: Calibration | None = None,
    *,
    most_samples: int = MOST_SAMPLES,
) -> CheckedSurface:
    """Return the contact checks of one surface in a capture on disk; see `checked_surface`.

    Raises CaptureError if there is no capture; InputError if no contact check in it can be read.
    """
    capture = open_capture(path)
    return checked_surface(
        str(path),
        capture.header,
        capture.each_event(),
        capture.batches(),
        surface=surface,
        forces_n=forces_n,
        calibration=calibration,
        most_samples=most_samples,
    )


def where_bare_met_mm(bare: Sequence[CheckedSurface]) -> float:
    """Return where bare platens met first, of all their contact checks at the small force."""
    return min(check.position_mm for surface in bare for check in surface.contact_checks(top=False))


def read_height(
    bare: Sequence[Path],
    piece: Path,
    *,
    forces_n: tuple[float, float],
    oldest_bare_s: float,
    calibration: Calibration | None = None,
    most_samples: int = MOST_SAMPLES,
) -> HeightReport:
    """Return the free height from captures; see `height_report`.

    Parameters
    ----------
    bare
        Captures of the bare platens; the piece's own may be one.

    Raises
    ------
    CaptureError
        If one of them is no capture.
    InputError
        If no contact check can be read, or the bare platens meet before the piece is met.
    """
    return height_report(
        [read_surface(path, "bare", forces_n, calibration, most_samples=most_samples) for path in bare],
        read_surface(piece, "piece", forces_n, calibration, most_samples=most_samples),
        forces_n=forces_n,
        oldest_bare_s=oldest_bare_s,
    )
