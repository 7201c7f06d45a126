"""Measures cycles: stiffness, work, hysteresis, permanent set, relaxation, recovery, softening, each with
its uncertainty.

In: samples of one recording with a calibration, in parts of any size. Out: columns of quantities, one row
a cycle, a summary and warnings. Must never know: the disk, the wire, or which batch a specimen belongs to.
"""

from rig.analyser.auxiliary import auxiliary_by_cycle
from rig.analyser.capture_analysis import PART_SAMPLES, CaptureAnalysis
from rig.analyser.recovery import RecoveryFit, RecoveryLaw, SetForecast, fit_recovery
from rig.analyser.relaxation import PronySeries, branch_response, fit_prony
from rig.analyser.result import CaptureResult, Loop, flag_labels, good_cycles
from rig.analyser.rows import ColumnTable, RowStore, part_of
from rig.analyser.settings import AnalysisSettings, Depth
from rig.analyser.softening import Softening, softening
from rig.analyser.strokes import Columns

__all__ = [
    "PART_SAMPLES",
    "AnalysisSettings",
    "CaptureAnalysis",
    "CaptureResult",
    "ColumnTable",
    "Columns",
    "Depth",
    "Loop",
    "PronySeries",
    "RecoveryFit",
    "RecoveryLaw",
    "RowStore",
    "SetForecast",
    "Softening",
    "auxiliary_by_cycle",
    "branch_response",
    "fit_prony",
    "fit_recovery",
    "flag_labels",
    "good_cycles",
    "part_of",
    "softening",
]
