"""A device's refusal in words: what was asked, what it said, what to do.

Problem: a number between 1 and 8 does not help a person beside a press. Plan: a sentence of advice for each
result, and a better one where the command makes the cause certain. Cost: two tables.
"""

from __future__ import annotations

import re
from dataclasses import fields

from rig.errors import DeviceError
from rig.wire import ClearStop, Command, Limits, ReleaseCurrent, Reply, ReplyResult

_ADVICE = {
    ReplyResult.UNKNOWN_COMMAND: "its firmware does not know this command; use a rig that has it",
    ReplyResult.BAD_ARGUMENT: "give a speed above 0 that the rig can go, low below high, a count above 0",
    ReplyResult.NOT_ARMED: "arm it first",
    ReplyResult.BUSY: "wait until the motion under way has ended, or halt it",
    ReplyResult.STOP_LATCHED: "find and remove the cause of the stop, then clear it",
    ReplyResult.OUTSIDE_LIMITS: "stay within the limits that are set; if a limit was passed by pressing, "
    "release the part first (`pressrig release`); if nothing is pressed, the zero of force was never set "
    "(force.zero_counts)",
    ReplyResult.LIMITS_NOT_SET: "set the limits first",
    ReplyResult.NOT_HOMED: "home it first",
}

_ADVICE_ON: dict[tuple[type[Command], ReplyResult], str] = {
    (Limits, ReplyResult.OUTSIDE_LIMITS): "limits may only narrow those that are built into the device",
    (Limits, ReplyResult.BAD_ARGUMENT): "each least value must lie below its largest",
    (ReleaseCurrent, ReplyResult.BUSY): "disarm it, and wait until it stands still",
    (ClearStop, ReplyResult.STOP_LATCHED): "the emergency stop is pressed; release it when all is safe, and "
    "clear the stop then",
}

_WORD = re.compile(r"(?<!^)(?=[A-Z])")


def refusal(command: Command, reply: Reply) -> DeviceError:
    """Return the error to raise for a reply that is not an acceptance."""
    result = reply.result
    said = f"device: it refused to {in_words(command)} ({name_of(result)})"
    if not isinstance(result, ReplyResult):
        return DeviceError(f"{said}; see what its firmware means by that")
    return DeviceError(f"{said}; {_ADVICE_ON.get((type(command), result), _ADVICE.get(result, ''))}")


def in_words(command: Command) -> str:
    """Return a command and its values for a person, without its request id."""
    name = _WORD.sub(" ", type(command).__name__).lower()
    name = {"limits": "set the limits"}.get(name, name)
    values = [
        f"{field.name.replace('_', ' ')} {getattr(command, field.name)}"
        for field in fields(command)
        if field.name != "request"
    ]
    return f"{name}: {', '.join(values)}" if values else name


def name_of(result: ReplyResult | int) -> str:
    """Return a reply's result in words."""
    if isinstance(result, ReplyResult):
        return result.name.lower().replace("_", " ")
    return f"result {result}, unknown to this version"
