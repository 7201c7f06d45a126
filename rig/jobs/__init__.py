"""What a rig can be asked to do: each job checked, described and carried out on a reader.

In: a reader, and an order or a checked method. Out: a capture on disk. It may see every part that measures,
and the disk; it knows no daemon, page or terminal, which run its jobs.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.jobs.driving import MethodStoppedError, Watch
    from rig.jobs.guidance import Guidance
    from rig.jobs.guiding import guide_method, moves_by_hand, perform_guided
    from rig.jobs.recording import Progress, Recorded, StopRule, record
    from rig.jobs.running import perform_method, run_method

import_when_used(__name__)
