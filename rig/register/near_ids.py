"""Ids that are most likely meant to be the same, although they are spelt otherwise.

Problem: F-90-017 and F-90-018 differ by one character and are two pieces; F-90-017 and f90-17 differ by four
and are one. Plan: an id is read as runs of letters and numbers; numbers have to be equal, letters may differ
by a slip of the pen. Cost: one comparison per known id, whose runs are
kept.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from difflib import SequenceMatcher, get_close_matches
from functools import lru_cache

_RUNS = re.compile(r"[^\W\d_]+|\d+")
_ZERO = re.compile(r"(?<=\d)o|o(?=\d)")
_ONE = re.compile(r"(?<=\d)[li]|[li](?=\d)")

_SLIP = 0.7
"""Share of letters that two words have in common where one is most likely a slip of the other."""

_SUGGESTED = 0.7
_MOST = 3


def similar_ids(wanted: str, known: Iterable[str]) -> list[str]:
    """Return known ids that are most likely the same piece spelt otherwise, without the id itself.

    Examples
    --------
    >>> similar_ids("f90-17", ["F-90-017", "F-90-018"])
    ['F-90-017']
    >>> similar_ids("F-90-019", ["F-90-017", "F-90-018"])
    []
    """
    runs = _runs(wanted)
    return [name for name in known if name != wanted and _same(runs, _runs(name))][:_MOST]


def near_ids(wanted: str, known: Iterable[str]) -> list[str]:
    """Return up to three known ids to ask about when one is not known: those spelt nearly so, else similar
    ones.

    Examples
    --------
    >>> near_ids("F-90-17", ["F-90-117", "F-90-017", "N-12"])
    ['F-90-017']
    >>> near_ids("F-90-27", ["F-90-117", "F-90-017", "N-12"])
    ['F-90-117', 'F-90-017']
    """
    every = list(known)
    return similar_ids(wanted, every) or get_close_matches(wanted, every, n=_MOST, cutoff=_SUGGESTED)


@lru_cache(maxsize=65_536)
def _runs(name: str) -> tuple[str, ...]:
    """Return letters and numbers in order, without case, separators and leading zeros."""
    plain = _ONE.sub("1", _ZERO.sub("0", name.casefold()))
    return tuple(str(int(run)) if run.isdecimal() else run for run in _RUNS.findall(plain))


def _same(one: tuple[str, ...], other: tuple[str, ...]) -> bool:
    """Return whether numbers are equal and words differ by a slip of the pen at most."""
    if not one or len(one) != len(other):
        return False
    for a, b in zip(one, other, strict=True):
        if a == b:
            continue
        # numbers tell pieces apart, and of short words every slip is another word
        if a.isdecimal() or b.isdecimal() or min(len(a), len(b)) < 3:
            return False
        if SequenceMatcher(None, a, b).ratio() < _SLIP:
            return False
    return True
