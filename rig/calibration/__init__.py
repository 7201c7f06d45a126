"""Counts to newtons, millimetres and seconds.

In: raw samples and a calibration. Out: `Signals`, arrays in N, mm and s, force aligned with position.
Must never know: the disk, the wire, or what a specimen is.
"""

from rig.calibration.alignment import Aligner
from rig.calibration.calibration import Calibration, Delay, Play
from rig.calibration.control_chart import BASELINE, ChartLimits, Judgement, Known, judge, learnt_limits
from rig.calibration.creep import Change, CreepResult, creep_and_return
from rig.calibration.evidence import Record, Share
from rig.calibration.frame import Frame
from rig.calibration.height import Height, HeightPart, PlatenTouch, height_at
from rig.calibration.rereading import read_again
from rig.calibration.scales import Scale, ScaleUncertainty
from rig.calibration.shifts import Shift, drawn, shifts
from rig.calibration.signals import Signals
from rig.calibration.verification import (
    CLASSES,
    ERROR_NAMES,
    ClassOutcome,
    Verification,
    VerificationReading,
    VerificationReferences,
    verify_force,
)

__all__ = [
    "BASELINE",
    "CLASSES",
    "ERROR_NAMES",
    "Aligner",
    "Calibration",
    "Change",
    "ChartLimits",
    "ClassOutcome",
    "CreepResult",
    "Delay",
    "Frame",
    "Height",
    "HeightPart",
    "Judgement",
    "Known",
    "PlatenTouch",
    "Play",
    "Record",
    "Scale",
    "ScaleUncertainty",
    "Share",
    "Shift",
    "Signals",
    "Verification",
    "VerificationReading",
    "VerificationReferences",
    "creep_and_return",
    "drawn",
    "height_at",
    "judge",
    "learnt_limits",
    "read_again",
    "shifts",
    "verify_force",
]
