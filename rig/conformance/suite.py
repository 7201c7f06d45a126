"""All checks in their order, performed one after another, and what came of them.

Problem: one broken rule must not hide the others, and whatever happens the device must be left disarmed.
Plan: each check begins and ends at rest; what it could not rest on is distinguished from what it found. The
end is in a `finally`, which no wish to stop can skip. Cost: minutes on a rig at 2 mm/s, most of it motion.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any

from rig.conformance import (
    abilities,
    arming,
    channels,
    commands,
    garbage,
    heartbeats,
    identity,
    limits,
    motions,
    phases,
    pushes,
    resetting,
    sample_rates,
    sequence,
    switches,
    throughout,
    trips,
)
from rig.conformance.exceptions import (
    BrokenRuleError,
    InterruptedCheckError,
    NotApplicableError,
    UnreadyError,
)
from rig.conformance.stand import Kind, Stand
from rig.conformance.verdicts import Check, CheckOutcome, Verdict
from rig.errors import DeviceError

ALL_CHECKS: tuple[Check, ...] = (
    *identity.CHECKS,
    *abilities.CHECKS,
    *sample_rates.CHECKS,
    *channels.CHECKS,
    *sequence.CHECKS,
    *resetting.CHECKS,
    *commands.CHECKS,
    *garbage.CHECKS,
    *arming.CHECKS,
    *motions.CHECKS,
    *heartbeats.CHECKS,
    *switches.CHECKS,
    *trips.CHECKS,
    *limits.CHECKS,
    *pushes.CHECKS,
    *phases.CHECKS,
    *throughout.CHECKS,
)
"""In the order in which they are performed: what moves comes after what must hold before anything may,
and what was watched all along comes last."""

GROUPS: tuple[str, ...] = tuple(dict.fromkeys(check.group for check in ALL_CHECKS))

_LISTENING_ONLY = frozenset(
    {"numbers-rise", "time-rises", "time-pace", "frames-whole", "number-wraps", "time-wraps"}
)
_TALKING = _LISTENING_ONLY | {
    "identity-protocol",
    "identity-capabilities",
    "identity-words",
    "identity-repeated",
}
_BY_KIND: dict[Kind, frozenset[str]] = {Kind.LINES: _LISTENING_ONLY, Kind.TALKS: _TALKING}


@dataclass(frozen=True, slots=True)
class ConformanceReport:
    """What came of a suite.

    Parameters
    ----------
    device
        Who it says it is: a few words by name.
    outcomes
        One for each check of the groups asked for.
    disarmed
        Whether it says that it was left disarmed; None if it has no drive, or did not answer.
    interrupted
        Somebody stopped it, or the port failed; the words say which. Empty if it came to its end.
    stopped
        It was somebody's wish.
    """

    device: dict[str, Any]
    outcomes: tuple[CheckOutcome, ...]
    disarmed: bool | None = None
    interrupted: str = ""
    stopped: bool = False

    def of(self, verdict: Verdict) -> tuple[CheckOutcome, ...]:
        """Return the outcomes with this verdict."""
        return tuple(outcome for outcome in self.outcomes if outcome.verdict is verdict)

    @property
    def passed(self) -> bool:
        """Whether nothing failed or was blocked; what was not tried for other reasons does not count."""
        return (
            not self.interrupted
            and self.disarmed is not False
            and not self.of(Verdict.FAILED)
            and not any(outcome.blocked for outcome in self.outcomes)
        )


def run_suite(
    stand: Stand,
    groups: Collection[str] = GROUPS,
    *,
    motion: bool = True,
    tell: Callable[[CheckOutcome], None] = lambda outcome: None,
) -> ConformanceReport:
    """Perform all checks of some groups on a device that has been met.

    Parameters
    ----------
    stand
        The device, after `Stand.meet`.
    groups
        Names out of `GROUPS`, or of checks.
    motion
        False to arm nothing.
    tell
        Receives each outcome as soon as it is there.

    Returns
    -------
    The report. The device is disarmed and its stream stopped, as far as it answers.
    """
    outcomes: list[CheckOutcome] = []
    interrupted = ""
    stopped = False
    disarmed: bool | None = None
    try:
        for check in ALL_CHECKS:
            if check.group not in groups and check.name not in groups:
                continue
            if interrupted:
                outcome = CheckOutcome(check, Verdict.NOT_TRIED, why=interrupted)
            else:
                try:
                    outcome = _performed(stand, check, motion)
                except InterruptedCheckError:
                    interrupted, stopped = "the run was stopped before this check", True
                    outcome = CheckOutcome(
                        check, Verdict.NOT_TRIED, why="the run was stopped during this check"
                    )
                except DeviceError as problem:
                    interrupted = f"the port or the bench failed before: {problem}"
                    outcome = CheckOutcome(check, Verdict.NOT_TRIED, why=str(problem), blocked=True)
            outcomes.append(outcome)
            tell(outcome)
    finally:
        try:
            disarmed = stand.leave()
        except DeviceError as problem:
            interrupted = interrupted or f"at the end the port failed: {problem}"
    return ConformanceReport(_device_words(stand), tuple(outcomes), disarmed, interrupted, stopped)


def _performed(stand: Stand, check: Check, motion: bool) -> CheckOutcome:
    why = _not_for(stand, check, motion)
    if why:
        return CheckOutcome(check, Verdict.NOT_TRIED, why=why)
    stand.talk.forget()
    stand.talk.record.clear()
    try:
        try:
            return CheckOutcome(check, Verdict.PASSED, check.perform(stand))
        finally:
            stand.rest()
            throughout.look(stand, check.name)
    except BrokenRuleError as found:
        return CheckOutcome(check, Verdict.FAILED, str(found))
    except NotApplicableError as why_not:
        return CheckOutcome(check, Verdict.NOT_TRIED, why=str(why_not))
    except UnreadyError as unready:
        why = f"a check that it depends on failed: {unready}"
        return CheckOutcome(check, Verdict.NOT_TRIED, why=why, blocked=True)
    except (ArithmeticError, LookupError, ValueError) as odd:
        # whatever somebody's firmware sends, the other checks go on and it is left disarmed
        why = f"what the device sent cannot be worked with: {odd}"
        return CheckOutcome(check, Verdict.NOT_TRIED, why=why, blocked=True)


def _not_for(stand: Stand, check: Check, motion: bool) -> str:
    """Return why a check is not for this device; empty if it is."""
    if check.name not in _BY_KIND.get(stand.kind, {check.name}):
        return f"the device sends {stand.kind.value} and accepts no commands"
    if check.arms and not stand.drives:
        return "it has no drive"
    if check.arms and not motion:
        return "arming is disabled (--no-motion)"
    if check.arms and not stand.may_move:
        return "what may be moved is unknown; give --rig FILE with a `drive:` section"
    return ""


def _device_words(stand: Stand) -> dict[str, Any]:
    words: dict[str, Any] = {"speaks": stand.kind.value}
    known = stand.identity
    if known is not None:
        words |= {
            "name": known.name,
            "unit_id": known.unit_id.decode("ascii", "replace").rstrip("\x00"),
            "firmware": f"{known.major}.{known.minor}",
            "protocol": known.protocol,
            "capabilities": int(known.capabilities),
            "highest_rate_hz": known.rate_mhz / 1000,
        }
    return words
