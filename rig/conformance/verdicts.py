"""A check and what came of it, as values.

Problem: whoever built the device wants to know which rule it breaks, what was seen, and whether that matters.
Plan: a check carries the rule in plain words and the price of breaking it, beside the function that tries
it; that returns what was found, or raises one of three: the rule is broken, the check could not be
prepared, or it does not apply.
Cost: one small object for each check.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from rig.conformance.stand import Stand

Perform = Callable[[Stand], str]
"""Tries a rule; returns what was found."""

Adding = Callable[[Perform], Perform]


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
    perform: Perform
    arms: bool = False


class CheckGroup(list[Check]):
    """The checks of one group, in the order in which they are performed.

    Parameters
    ----------
    name
        Of the group.
    arms
        Whether the device is armed for its checks, where a check does not say otherwise.
    """

    def __init__(self, name: str, *, arms: bool = False) -> None:
        super().__init__()
        self._name = name
        self._arms = arms

    def add(
        self, name: str, what: str, rule: str, expected: str, cost: str, *, arms: bool | None = None
    ) -> Adding:
        """Return what makes a check of a function; the parameters are those of `Check`."""

        def added(perform: Perform) -> Perform:
            armed = self._arms if arms is None else arms
            self.append(Check(name, self._name, what, rule, expected, cost, perform, armed))
            return perform

        return added


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
