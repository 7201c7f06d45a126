"""Counts to newtons, millimetres and seconds.

In: raw samples and a calibration. Out: `Signals`, arrays in N, mm and s, force aligned with position.
Must never know: the disk, the wire, or what a specimen is.
"""

from rig.calibration.alignment import Aligner
from rig.calibration.scales import Calibration, Scale
from rig.calibration.signals import Signals

__all__ = ["Aligner", "Calibration", "Scale", "Signals"]
