"""Tell a capture that is being recorded from one whose recorder was killed.

Both lack their end. The plan: the recorder holds an advisory lock on its samples file, which the system
releases when the recorder's process ends, however it ends. The cost: nothing is known where a file system or
Windows has no such locks, and the answer then says so.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path


def hold(file: int) -> None:
    """Lock an open samples file for as long as it stays open; do without where that is impossible."""
    try:
        import fcntl  # noqa: PLC0415  (absent on Windows)
    except ImportError:
        return
    # a reader may look at this very moment: then it takes the recorder for killed, which harms nothing
    with suppress(OSError):
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


def is_held(path: Path) -> bool | None:
    """Return whether a recorder holds a samples file; None if unknown."""
    try:
        import fcntl  # noqa: PLC0415  (absent on Windows)

        # a named pipe in the place of the file would wait for a writer
        file = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    except (ImportError, OSError):
        return None
    try:
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return None
    finally:
        os.close(file)
    return False
