"""The program's own messages, by loguru.

Problem: loguru takes a quarter of a short command's start to load, and most commands never log. Plan: modules
that log import `logger` from here, so that it is loaded with the first of them, and shows from then on what
was chosen before. Cost: none where nothing logs.
"""

from __future__ import annotations

import sys
from importlib import import_module
from typing import TYPE_CHECKING

from rig.core.escaping import visible

if TYPE_CHECKING:
    from loguru import Logger, Record
    from loguru import logger as logger  # noqa: PLC0414  a public name of this module

_FORMAT = "<level>{level: <7}</level> {message}"

_chosen: list[str] = []
"""The level from which messages are shown; empty where loguru is left as it is."""


def __getattr__(name: str) -> Logger:
    if name != "logger":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found: Logger = import_module("loguru").logger
    globals()[name] = found
    if _chosen:
        _show(found)
    return found


def log_to_stderr(level: str) -> None:
    """Send messages from a level on to standard error, and nowhere else."""
    _chosen[:] = [level]
    if "logger" in globals():
        _show(logger)


def _show(logger: Logger) -> None:
    logger.remove()
    # What is logged may quote a device, a file or a person.
    logger.configure(patcher=_show_as_text)
    if sys.stderr is not None:
        logger.add(_write, level=_chosen[0], format=_FORMAT, colorize=sys.stderr.isatty())


def _write(message: str) -> None:
    """Write a message above a line of progress: while one is shown, it stands in for standard error."""
    if sys.stderr is not None:
        sys.stderr.write(message)
        sys.stderr.flush()


def _show_as_text(record: Record) -> None:
    record["message"] = visible(record["message"])
