"""What holds a rig's port day and night: the desk that takes orders, the board that shows, socket and page.

In: a rig's file and orders from other processes. Out: the jobs of `rig.jobs`, one at a time, and how the rig
stands. Only the command line may see it.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.daemon.control import ControlClient, NoDaemonError, daemon_of, daemons_of

import_when_used(__name__)
