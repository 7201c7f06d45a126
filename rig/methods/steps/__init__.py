"""The kinds of steps that a method can have, one file each.

In: what stands in a method's file for one step; a rig, a specimen and the steps before it. Out: its values,
checked, in words, and as actions. Must not depend on: a port, a device's counts, a capture on disk.

Every module in this folder is found and registers its steps with `step_kind` (`rig/methods/step.py`): a new
one needs no other file. The names below are for those who ask for one kind.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.methods.steps.contact_check_step import ContactCheck
    from rig.methods.steps.hold_step import Hold
    from rig.methods.steps.off_rig_step import OffRig
    from rig.methods.steps.press_step import PressToDepth, PressToForce
    from rig.methods.steps.pull_step import PullOff
    from rig.methods.steps.recover_step import Recover
    from rig.methods.steps.repeat_step import Repeat
    from rig.methods.steps.rest_step import Rest
    from rig.methods.steps.return_step import Return

import_when_used(__name__)
