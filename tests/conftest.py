"""Ctrl-C for the tests' commands, and the order of all test files.

Those that work and those that wait take turns, and long ones come first.
Several processes take whole files from one list. Motion is mostly waited for, and arithmetic and simulated
chips keep a core busy: side by side they fill the machine, each kind by itself does not.
"""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

WORKING = ("firmware", "truth", "recordings", "conformance", "analyser")
WAITING = ("workbench", "page", "daemon", "cli", "reader")
TESTS = Path(__file__).parent


def pytest_configure() -> None:
    # where Python keeps no bytecode, each command of a test would compile the whole program anew
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    # a shell starts a command in its background deaf to Ctrl-C, and so would be each command of a test
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    places = turns(list(dict.fromkeys(item.path for item in items)))
    items.sort(key=lambda item: places[item.path])  # stable: within a file the order stays


def turns(files: list[Path]) -> dict[Path, tuple[int, float]]:
    """Return the place of each file: folders of both kinds from their first to their last side by side."""
    places = {path: (1, float(number)) for number, path in enumerate(files)}
    for folders in (WORKING, WAITING):
        known = [path for path in files if path.parent.parent == TESTS and path.parent.name in folders]
        known.sort(key=lambda path: folders.index(path.parent.name))
        places |= {path: (0, (number + 0.5) / len(known)) for number, path in enumerate(known)}
    return places
