"""What a notebook asks: cycles of a capture, pieces of many, comparisons and design sheets, as data frames.

Every number is the one that the command of the same name prints: both ask `rig.results`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.analyser import CaptureResult
from rig.calibration import Calibration
from rig.capture import Capture, find_captures, open_capture
from rig.results import (
    Asked,
    ComparedPieces,
    DesignSheet,
    PressedPieces,
    analyse_capture,
    archive_frame,
    cycles_frame,
    known_by_register,
    measure_for_sheet,
    piece_results,
    quantities_of,
    sheet_of,
    studied,
)
from rig.samples import Samples

if TYPE_CHECKING:
    import pandas as pd

Paths = Path | str | Iterable[Path | str]
"""One capture, a folder of captures, a pattern, or several of these."""

captures = archive_frame


@dataclass(frozen=True, slots=True)
class Recording:
    """A capture with its calibration.

    `capture`: on disk.
    `calibration`: the capture's own, or a better one.
    """

    capture: Capture
    calibration: Calibration

    def __repr__(self) -> str:
        return f"<Recording {self.capture.path.name}: {self.capture.header.specimen}>"

    def samples(self) -> Samples:
        """Return all raw samples."""
        return self.capture.samples()

    def analyse(self, *, at: Sequence[str] | str | None = None, **asked: Any) -> CaptureResult:
        """Measure every cycle, as `pressrig analyse` does.

        Raises InputError if a setting makes no sense, or the counts have no calibration.

        `at`: depths at which forces are given, such as ("25%", "5 mm").
        `**asked`: fields of `rig.results.Asked`; what is not given comes from the capture.
        """
        return analyse_capture(self.capture.path, _asked(at, {"calibration": self.calibration} | asked))[1]

    def cycles(self, *, at: Sequence[str] | str | None = None, **asked: Any) -> pd.DataFrame:
        """Return one row per cycle; names of columns carry their units. Parameters: see `analyse`."""
        return cycles_frame(self.analyse(at=at, **asked))


def open_recording(path: Path | str, calibration: Calibration | None = None) -> Recording:
    """Open a capture's folder for analysis.

    Parameters
    ----------
    calibration
        Instead of the capture's own; `rig.calibrationfile.read_calibration(path)` reads one.

    Raises
    ------
    CaptureError
        If there is no readable capture.
    """
    capture = open_capture(path)
    own = Calibration.from_dict(capture.header.calibration, where=f"{path}/capture.yaml: calibration")
    return Recording(capture, calibration or own)


def pieces(
    captures: Paths,
    *,
    register: Path | str | None = None,
    at: Sequence[str] | str | None = None,
    **asked: Any,
) -> PressedPieces:
    """Measure captures, one result each; its `frame()` has one row per capture.

    Parameters
    ----------
    captures
        Captures, folders of captures, or patterns.
    register
        File of a register that holds batch and state of the pieces.
    at, **asked
        As for `Recording.analyse`.
    """
    known = None if register is None else known_by_register(Path(register))
    return piece_results(find_captures(_paths(captures)).paths, _asked(at, asked), known=known)


def compare(
    measured: PressedPieces | Paths,
    quantities: Sequence[str] | None = None,
    *,
    by: str = "batch",
    against: str | None = None,
    **how: Any,
) -> ComparedPieces:
    """Compare groups of pieces, as `pressrig compare` does; its `frame()` has one row per difference.

    Parameters
    ----------
    measured
        Results of `pieces`, or captures.
    quantities
        Names of columns; those that are usually compared if left out.
    by
        What the groups are distinguished by: "batch", "state", "operator" or "method".
    against
        Group that the others are compared with; the first if left out.
    **how
        Margins and more: see `rig.population.compare_groups`.
    """
    results = measured if isinstance(measured, PressedPieces) else pieces(measured)
    if quantities is None:
        quantities = list(how.get("margins") or ()) or quantities_of(results, usual=True)
    return studied(results, quantities, by=by, against=against, **how)


def design_sheet(
    captures: Paths,
    *,
    register: Path | str | None = None,
    at: Sequence[str] | str | None = None,
    asked: Mapping[str, Any] | None = None,
    **sheet: Any,
) -> DesignSheet:
    """Put a design sheet together, as `pressrig sheet` does; `rig.results.sheet_frames` gives its frames.

    Parameters
    ----------
    captures, register, at
        As for `pieces`.
    asked
        Fields of `rig.results.Asked`.
    **sheet
        Model, margins and more: see `rig.results.sheet_of`.
    """
    path = None if register is None else Path(register)
    found = find_captures(_paths(captures), leave_out=True)
    pressed, notes = measure_for_sheet(found.paths, _asked(at, asked or {}), path, optional=found.optional)
    return sheet_of(pressed, notes, register=path, **sheet)


def _asked(at: Sequence[str] | str | None, fields: Mapping[str, Any]) -> Asked:
    return Asked(at=at if at is None or isinstance(at, str) else ",".join(at), **fields)


def _paths(captures: Paths) -> list[Path]:
    return [Path(path) for path in ([captures] if isinstance(captures, Path | str) else captures)]
