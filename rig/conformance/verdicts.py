"""A check and what came of it, as values.

Problem: whoever built the device wants to know which rule it breaks, what was seen, and whether that matters.
Plan: a check carries the rule in plain words and the price of breaking it; performing it returns what was
found, or raises one of three: the rule is broken, the check could not be prepared, or it does not apply.
Cost: one small object for each check.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.conformance.stand import Stand


class Verdict(StrEnum):
    """What came of a check."""

    PASSED = "passed"
    FAILED = "failed"
    NOT_TRIED = "not tried"


@dataclass(frozen=True, slots=True)
class Check:
    """One rule and how it is tried.

    Parameters
    ----------
    name
        Short, unique, with hyphens.
    group
        One of `rig.conformance.GROUPS`.
    what
        What is looked at.
    rule
        The protocol's rule in plain words.
    expected
        What a device that keeps it shows.
    cost
        What a device that breaks it costs its user.
    perform
        Tries it; returns what was found.
    arms
        Whether the device is armed for it.
    """

    name: str
    group: str
    what: str
    rule: str
    expected: str
    cost: str
    perform: Callable[[Stand], str]
    arms: bool = False


@dataclass(frozen=True, slots=True)
class CheckOutcome:
    """What came of one check.

    Parameters
    ----------
    check
        Which.
    verdict
        What came of it.
    found
        What the device did; empty if it was not tried.
    why
        Why it was not tried; empty otherwise.
    blocked
        It was not tried because the device did not do what comes before it: more is wrong than what failed.
    """

    check: Check
    verdict: Verdict
    found: str = ""
    why: str = ""
    blocked: bool = False
