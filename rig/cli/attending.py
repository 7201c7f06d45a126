"""A person at the terminal beside a rig that moves: cautions read, and steps done by hand waited for."""

from __future__ import annotations

import os
import select
import sys
import time
from typing import TYPE_CHECKING

import click

from rig.cli.output import say
from rig.errors import InputError, RecorderError
from rig.jobs.cautions import CAUTIONS, HAND_CAUTIONS, SHORT_CAUTION, SHORT_HAND_CAUTION, CautionsRead

if TYPE_CHECKING:
    from rig.cli.stopping import StopWish
    from rig.jobs.orders import RigRef
    from rig.reader import Reader

LOOK_S = 0.2

MOVING_QUESTION = "Can you see the platen, and is no one trapped or within its reach?"
"""Before a platen moves that has stopped by itself."""


def have_cautions_read(rig: RigRef, who: str | None, *, already: bool, by_hand: bool = False) -> CautionsRead:
    """Show the cautions of a rig, and have them confirmed by a person once a day.

    Raises InputError if they are not confirmed; nothing has moved then.

    `rig`: name and port: two rigs that share a name have cautions of their own.
    `who`: whoever confirms; None if that was not said.
    `already`: the person has said so beforehand.
    `by_hand`: a hand moves the platen; whoever has read the cautions for that has not read those for a motor.

    Returns what was confirmed, to be compared with the device once it has said who it is.
    """
    cautions = CautionsRead(rig, by_hand)
    if cautions.today():
        say(f"caution: {SHORT_HAND_CAUTION if by_hand else SHORT_CAUTION}", err=True)
        return cautions
    for caution in HAND_CAUTIONS if by_hand else CAUTIONS:
        say(f"caution: {caution}", err=True)
    if not already and not confirmed("Are all of these met?"):
        raise InputError("the cautions were not confirmed, so nothing moved")
    try:
        cautions.confirm(who or "the command line")
    except RecorderError as problem:
        say(f"pressrig: {problem}; you will be asked again next time", err=True)
    return cautions


def answered(question: str) -> str | None:
    """Return the line that a person answers, without blanks around it; None where the input has ended."""
    say(question, nl=False)
    line = sys.stdin.readline()
    return line.strip() if line else None


def confirmed(question: str) -> bool:
    """Ask a person to confirm; where no person is there to answer, nothing is confirmed."""
    try:
        return click.confirm(question, default=False, err=True)
    except click.Abort:
        say(err=True)  # the answer to come stands on a line of its own
        return False


def must_hold_for(cautions: CautionsRead, reader: Reader, *, already: bool) -> None:
    """See that the device on the port is the one that the day's confirmation holds for.

    Raises InputError if it is another; nothing has moved then.
    """
    identity = reader.identity
    if already or identity is None or cautions.today(identity.unit_id.hex()):
        return
    raise InputError(
        f"cautions: the device on the port is not the one confirmed today (now "
        f"{identity.name!r}, unit {identity.unit_id.hex()}); read them again and give --cautions-read"
    )


def await_enter(stopped: StopWish) -> None:
    """Wait for a line of standard input, or for the wish to stop.

    Where standard input has ended, no person can confirm that a step is done: that is a wish to stop.
    """
    if os.name != "posix":
        if not sys.stdin.readline():
            stopped.set()
        return
    try:
        while not stopped.is_set():
            if entered(stopped, LOOK_S):
                return
    except EOFError:
        say("pressrig: standard input has ended, so the step cannot be confirmed", err=True)
        stopped.set()


def entered(stopped: StopWish, patience_s: float, *, listens: bool = True) -> bool:
    """Return whether a line was entered within a moment; a wish to stop ends the wait at once.

    Raises EOFError if standard input has ended, or its terminal is gone.

    `listens`: False only waits.
    """
    if os.name != "posix":
        time.sleep(patience_s)
        return False
    heard = select.select([sys.stdin] * listens + [stopped], [], [], patience_s)[0]
    if stopped.is_set() or sys.stdin not in heard:
        return False
    try:
        line = sys.stdin.readline()
    except OSError as gone:
        raise EOFError from gone
    if not line:
        raise EOFError
    return True
