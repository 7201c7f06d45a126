"""Where messages stay: details of unforeseen errors, and all of a recording in a rotating file."""

from __future__ import annotations

import platform
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from rig import __version__
from rig.core import visible

LOG_SIZE = "5 MB"
LOGS_KEPT = 4
"""Together 20 MB at most."""

LARGEST_DETAILS = 1 << 20
"""Bytes of details of unforeseen errors, about a hundred of them, before the older ones are put aside."""


def keep_details(problem: BaseException) -> Path | None:
    """Write an unforeseen error with its traceback into the user's log folder; None if that fails."""
    import platformdirs

    try:
        folder = Path(platformdirs.user_log_dir("pressrig", appauthor=False))
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / "unforeseen-errors.log"
        if path.exists() and path.stat().st_size > LARGEST_DETAILS:
            path.replace(path.with_suffix(".old.log"))
        lines = traceback.format_exception(problem)
        now = datetime.now(UTC).isoformat(timespec="seconds")
        said = f"{now} pressrig {__version__}, Python {platform.python_version()}: {sys.argv[1:]}\n"
        with path.open("a", encoding="utf-8", errors="backslashreplace") as file:
            file.write(visible(said + "".join(lines)) + "\n")
    except OSError:
        return None
    return path


@contextmanager
def log_to_file() -> Iterator[Path | None]:
    """Keep everything in a rotating file of the user's log folder; None where there can be none."""
    import platformdirs

    from rig.core import logger

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
