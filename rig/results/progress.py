"""How a long job shows how far it is."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

Progress = Callable[[str, float], AbstractContextManager[Callable[[float, str], None]]]
"""Shows how far a long job is: takes its name and its total, then how much is done and a word about it."""


@contextmanager
def no_progress(_: str, __: float) -> Iterator[Callable[[float, str], None]]:
    """Show nothing."""
    yield lambda _done, _note: None
