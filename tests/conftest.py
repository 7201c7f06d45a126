"""The order of the tests: folders whose files take long come first.

The suite runs in two processes, file by file. A file of a minute that comes last would keep one of them busy
while the other has nothing left to do.
"""

from __future__ import annotations

from pathlib import Path

import pytest

LONGEST_FIRST = ("truth", "firmware", "cli", "daemon", "analyser", "page", "reader")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    def rank(item: pytest.Item) -> int:
        folder = Path(item.path).parent.name
        return LONGEST_FIRST.index(folder) if folder in LONGEST_FIRST else len(LONGEST_FIRST)

    items.sort(key=rank)  # stable: within a folder the order stays
