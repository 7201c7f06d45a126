"""What a rig can be asked to do: each job checked, described and carried out on a reader.

In: a reader, and an order or a checked method. Out: a capture on disk. It may see every part that measures,
and the disk; it imports no daemon, page or terminal, which run its jobs.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.jobs.checking import check_job
    from rig.jobs.driving import MethodStoppedError
    from rig.jobs.guidance import Guidance
    from rig.jobs.guiding import perform_guided
    from rig.jobs.job import Bench, Ended, Job, Progress, Recorded, Standing, Watch
    from rig.jobs.recording import StopRule, record
    from rig.jobs.running import perform_method

import_when_used(__name__)
