"""What ends a check before it has found something: a broken rule, or that it could not be tried."""

from __future__ import annotations


class BrokenRuleError(Exception):
    """The device broke the rule; the words say what was found. It stays inside this package."""


class UnreadyError(Exception):
    """Something before the check did not work, so that it says nothing. It stays inside this package."""


class NotApplicableError(Exception):
    """The check is not for this device, or no person was there to help. It stays inside this package."""


class InterruptedCheckError(KeyboardInterrupt):
    """Somebody wants to stop. Outside a check it ends the command."""


def require(holds: bool, found: str) -> None:
    """Nothing if the rule holds.

    Raises
    ------
    BrokenRuleError
        If not, with what was found.
    """
    if not holds:
        raise BrokenRuleError(found)
