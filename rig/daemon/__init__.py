"""What holds the port for as long as a recording lasts, and joins reader, capture and live analysis.

In: a reader, and what to record or which method to run. Out: a capture on disk. It may see every other
package but the command line; nothing but the command line may see it.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.daemon.driving import MethodStoppedError, Watch
    from rig.daemon.guidance import Guidance
    from rig.daemon.guiding import guide_method, moves_by_hand, perform_guided
    from rig.daemon.recording import Progress, Recorded, StopRule, record
    from rig.daemon.running import perform_method, run_method

import_when_used(__name__)
