"""A person at the terminal beside a rig that moves: cautions read, and steps done by hand waited for."""

from __future__ import annotations

import os
import select
import sys
import threading

import click

from rig.cli.output import say
from rig.errors import InputError, RecorderError

LOOK_S = 0.2


def have_cautions_read(rig_name: str, who: str | None, *, already: bool, by_hand: bool = False) -> None:
    """Show the cautions of a rig, and have them confirmed by a person once a day.

    Parameters
    ----------
    rig_name
        As its file calls it.
    who
        Whoever confirms; None if that was not said.
    already
        The person has said so beforehand.
    by_hand
        A hand moves the platen; whoever has read the cautions for that has not read those for a motor.

    Raises
    ------
    InputError
        If they are not confirmed; nothing has moved then.
    """
    from rig.daemon.cautions import (
        CAUTIONS,
        HAND_CAUTIONS,
        SHORT_CAUTION,
        SHORT_HAND_CAUTION,
        cautions_read_today,
        confirm_cautions,
    )

    name = f"{rig_name}, by hand" if by_hand else rig_name
    if cautions_read_today(name):
        say(f"caution: {SHORT_HAND_CAUTION if by_hand else SHORT_CAUTION}", err=True)
        return
    for caution in HAND_CAUTIONS if by_hand else CAUTIONS:
        say(f"caution: {caution}", err=True)
    if not already:
        try:
            already = click.confirm("Do all of these hold?", default=False, err=True)
        except click.Abort:  # nobody is there to answer
            already = False
    if not already:
        raise InputError("the cautions were not confirmed: nothing was moved")
    try:
        confirm_cautions(name, who or "the command line")
    except RecorderError as problem:
        say(f"pressrig: {problem}; they are asked for again next time", err=True)


def await_enter(stopped: threading.Event) -> None:
    """Wait for a line of standard input, or for the wish to stop."""
    if os.name != "posix":
        sys.stdin.readline()
        return
    while not stopped.is_set():
        if select.select([sys.stdin], [], [], LOOK_S)[0]:
            sys.stdin.readline()
            return
