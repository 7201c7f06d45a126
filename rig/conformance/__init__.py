"""Whether a device keeps the wire protocol: every rule tried on the device itself, one check for each.

In: an open port, what the rig may do in counts, and somebody or something that provokes the trips.
Out: one outcome for each check, with the rule, what was found, what was expected, and what a failure costs.
Must not depend on: captures, calibrations, newtons and millimetres, the terminal.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.conformance.dialogue import Dialogue, Port
    from rig.conformance.provoking import BenchOrders, Nobody, Provocation, Provoker
    from rig.conformance.stand import Bounds, Kind, Stand
    from rig.conformance.suite import ALL_CHECKS, GROUPS, ConformanceReport, run_suite
    from rig.conformance.verdicts import Check, CheckOutcome, Verdict

import_when_used(__name__)
