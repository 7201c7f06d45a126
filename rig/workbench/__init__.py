"""Captures and results in a browser: find them, look into them, overlay them, and run what answers.

In: a folder of captures. Out: routes for the page's process. Results come from the command line, which runs
in separate processes: a page shows the same numbers, and a long computation cannot delay the live page.
Must never depend on: the daemon, the port, how anything is measured.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.workbench.app import STATIC, workbench_routers
    from rig.workbench.forms import FORMS, Field, Form
    from rig.workbench.tasks import Task, Tasks

import_when_used(__name__)
