"""Captures and results in a browser: find them, look into them, overlay them, and run what answers.

In: a folder of captures. Out: routes for the page's process. Results come from the command line, run in
processes of their own, so that a page shows the same numbers and a long one cannot hold up the live page.
It must never know: the daemon, the port, how anything is measured.
"""

from rig.workbench.app import STATIC, workbench_routers
from rig.workbench.forms import FORMS, Field, Form
from rig.workbench.tasks import Task, Tasks

__all__ = ["FORMS", "STATIC", "Field", "Form", "Task", "Tasks", "workbench_routers"]
