"""The live page and its interface over HTTP and WebSocket, in a process of its own.

In: the path of the daemon's control socket, an address to listen at, and perhaps a token. Out: a page for
people, typed JSON for programs, and orders handed on to the daemon. It may die and be started again while a
job runs. It must not depend on the port, the wire, a capture or a calibration: only on `rig.daemon.bulletin`.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.daemon.page.access import AccessRules, GuardedApp, access_rules, read_token
    from rig.daemon.page.app import make_app
    from rig.daemon.page.rig_link import RigLink

import_when_used(__name__)
