"""A capture for notebooks: open it, and ask for its cycles as a data frame."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.analyser import PART_SAMPLES, AnalysisSettings, CaptureAnalysis, CaptureResult, Depth
from rig.calibration import Calibration
from rig.capture import Capture, open_capture
from rig.results import cycles_frame
from rig.samples import Samples, gathered

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class Recording:
    """A capture with its calibration.

    Parameters
    ----------
    capture
        On disk.
    calibration
        The capture's own, or a better one.
    """

    capture: Capture
    calibration: Calibration

    def samples(self) -> Samples:
        """All raw samples."""
        return self.capture.samples()

    def analyse(self, *, at: tuple[str, ...] | None = None, **settings: Any) -> CaptureResult:
        """Measure every cycle.

        Parameters
        ----------
        at
            Depths at which forces are given, such as ("25%", "5 mm").
        **settings
            Fields of `rig.analyser.AnalysisSettings`; the free height is the capture's unless it is given.

        Raises
        ------
        InputError
            If a setting makes no sense, or the counts have no calibration.
        """
        settings.setdefault("free_height_mm", self.capture.header.free_height_mm)
        if at is not None:
            settings["at"] = tuple(Depth.of(text) for text in at)
        analysis = CaptureAnalysis(self.calibration, AnalysisSettings(**settings))
        for batch in gathered(self.capture.batches(), PART_SAMPLES):
            analysis.push(batch)
        return analysis.finish()

    def cycles(self, *, at: tuple[str, ...] | None = None, **settings: Any) -> pd.DataFrame:
        """One row a cycle; the names of the columns carry their units. Parameters as for `analyse`."""
        return cycles_frame(self.analyse(at=at, **settings))


def open_recording(path: Path | str, calibration: Calibration | None = None) -> Recording:
    """Open a capture's folder for analysis.

    Parameters
    ----------
    calibration
        Instead of the capture's own.

    Raises
    ------
    CaptureError
        If there is no readable capture.
    """
    capture = open_capture(path)
    own = Calibration.from_dict(capture.header.calibration, where=f"{path}/capture.yaml: calibration")
    return Recording(capture, calibration or own)
