"""Serves the workbench's pages as `pressrig browse` does: in a process of its own, on a free port."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ORDER = {"x-pressrig": "test", "content-type": "application/json"}
PLAIN = {"trust_env": False, "verify": False, "timeout": 60.0}


def origin(port: int, name: str = "127.0.0.1", scheme: str = "http") -> str:
    """Where a page comes from that this machine, or another, serves."""
    return f"{scheme}://{name}:{port}"


@contextmanager
def browsing(captures: Path, reports: Path, rig: Path | None = None) -> Iterator[str]:
    """Yield the address at which the pages answer for as long as the block lasts.

    Parameters
    ----------
    rig
        File of a rig to ask about; None for pages without one.
    """
    words = [sys.executable, "-m", "rig.daemon.page", "--http", "0"]
    words += ["--captures", str(captures), "--reports", str(reports)]
    words += [] if rig is None else ["--rig", str(rig)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as page:
        assert page.stdin is not None and page.stderr is not None
        line = page.stderr.readline()
        found = re.search(r"listening at 127\.0\.0\.1 port (\d+)", line)
        assert found, line + page.stderr.read()
        try:
            yield origin(int(found[1]))
        finally:
            page.stdin.close()
            page.stderr.read()
