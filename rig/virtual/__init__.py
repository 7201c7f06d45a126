"""A press rig made of software, with specimens whose truth is known.

In: a specimen, a scripted run or the host's commands, a measuring chain, faults, a seed.
Out: the bytes that such a rig would send, through a pseudo-terminal or step by step, and the truth.
Must not depend on: captures, calibrations, the segmenter, the analyser, or who reads the port.

Not for Windows, which has no pseudo-terminals.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.virtual.bench import FIRST_CONTACT_MM, ORDERS, SentSamples, VirtualRig
    from rig.virtual.caps import PressedCap
    from rig.virtual.chain import Chain
    from rig.virtual.channels import VirtualChannel
    from rig.virtual.climate import Climate
    from rig.virtual.demo_floats import AREA_MM2, FREE_HEIGHT_MM, MODEL, Float, floats
    from rig.virtual.drive import DriveSettings
    from rig.virtual.faults import FAULT_NAMES
    from rig.virtual.foam import Foam, FoamCurve, StandardLinearSolid
    from rig.virtual.named_specimens import SPECIMEN_NAMES, specimen_named
    from rig.virtual.order_socket import OrderSocket
    from rig.virtual.port import VirtualPort
    from rig.virtual.relaxation import Prony
    from rig.virtual.scripts import MotionKind, Plan, Script, make_script
    from rig.virtual.specimens import (
        ElasticSpecimen,
        HertzSphere,
        LinearSpring,
        Specimen,
        SpringDashpot,
        ThinRing,
    )
    from rig.virtual.truth import CycleCurve, CycleTruth, Truth

import_when_used(__name__)
