"""Finds every cycle: where contact begins, the platen turns, holds, turns back and lets go.

In: `Signals` of one recording, in parts of any size. Out: `Segment`s, each a contiguous stretch of signals
with the cycles closed in it, as sample indices and flags. Must not depend on: the disk, the wire, stiffness
or energy.

One engine serves the live page and files; what it finds cannot depend on how the recording was cut into
parts.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.segmenter.engine import ON_NOISES, Segmenter, SegmenterSettings
    from rig.segmenter.noise import Noise, single_position_noise_mm
    from rig.segmenter.opening import working_direction
    from rig.segmenter.padding import reduced
    from rig.segmenter.spans import ContactChecks, Cycles, Flag, FlagArray, Segment
    from rig.segmenter.zero import ForceZero, ZeroKind, ZeroPolicy

import_when_used(__name__)
