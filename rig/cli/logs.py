"""Where the program's own messages go: to standard error, and to a rotating file while recording."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from loguru import logger

_LEVELS = ("WARNING", "INFO", "DEBUG")
_FORMAT = "<level>{level: <7}</level> {message}"

LOG_SIZE = "5 MB"
LOGS_KEPT = 4
"""Together 20 MB at most."""


def log_to_stderr(verbose: int) -> None:
    """Send messages of the level asked for to standard error, and nowhere else."""
    logger.remove()
    if sys.stderr is not None:
        logger.add(sys.stderr, level=_LEVELS[min(verbose, len(_LEVELS) - 1)], format=_FORMAT)


@contextmanager
def log_to_file() -> Iterator[Path | None]:
    """Keep everything in a rotating file of the user's log folder; None where there can be none."""
    import platformdirs

    path = Path(platformdirs.user_log_dir("pressrig", appauthor=False)) / "recording.log"
    try:
        sink = logger.add(
            path, level="DEBUG", rotation=LOG_SIZE, retention=LOGS_KEPT, enqueue=False, catch=True
        )
    except OSError as problem:
        logger.warning("no log file at {}: {}", path, problem)
        yield None
        return
    try:
        yield path
    finally:
        logger.remove(sink)
