"""Counts to newtons, millimetres and seconds.

In: raw samples and a calibration. Out: `Signals`, arrays in N, mm and s, force aligned with position.
Must never know: the disk, the wire, or what a specimen is.
"""

from rig.calibration.alignment import Aligner
from rig.calibration.calibration import Calibration, Delay, Play
from rig.calibration.evidence import Record, Share
from rig.calibration.frame import Frame
from rig.calibration.scales import Scale, ScaleUncertainty
from rig.calibration.signals import Signals

__all__ = [
    "Aligner",
    "Calibration",
    "Delay",
    "Frame",
    "Play",
    "Record",
    "Scale",
    "ScaleUncertainty",
    "Share",
    "Signals",
]
