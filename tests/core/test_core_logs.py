"""The program's own messages: what is shown of them, and that whoever logs nothing does without loguru."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

RIG = Path(__file__).parents[2] / "rig"
SAY = "logger.debug('quiet'); logger.warning('a\\x1b[2Jb')"


def standard_error(*lines: str) -> str:
    """What a program writes there in a process of its own, where nothing is loaded yet."""
    return subprocess.run(
        [sys.executable, "-c", "\n".join(lines)], capture_output=True, text=True, check=True
    ).stderr


@pytest.mark.parametrize("loaded_first", [False, True])
def test_messages_are_shown_as_chosen_whenever_the_logger_is_loaded(loaded_first):
    lines = ["from rig.core import log_to_stderr", "log_to_stderr('WARNING')"]
    load = "from rig.core import logger"
    assert standard_error(*([load, *lines] if loaded_first else [*lines, load]), SAY) == (
        "WARNING a\\x1b[2Jb\n"
    )


def test_a_notebook_keeps_the_messages_that_it_has_set_up():
    own = ["import sys, loguru", "loguru.logger.remove()", "loguru.logger.add(sys.stderr, format='own')"]
    assert standard_error(*own, "from rig.core import logger", SAY) == "own\nown\n"


@pytest.mark.parametrize("command", ["status", "halt", "captures", "analyse", "compare"])
def test_a_command_that_logs_nothing_does_without_loguru(command):
    standard_error(f"import sys, rig.cli.main, rig.cli.{command}", "assert 'loguru' not in sys.modules")


def test_the_logger_is_loaded_in_one_place():
    loads = re.compile(r"import loguru|from loguru|\"loguru\"")
    found = {
        path.relative_to(RIG).as_posix()
        for path in RIG.rglob("*.py")
        if loads.search(path.read_text(encoding="utf-8"))
    }
    # the page is a process of its own, with messages of its own
    assert found == {"core/logs.py", "daemon/page/__main__.py", "daemon/page/app.py"}
