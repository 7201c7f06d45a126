"""Orders given to the daemon that holds a rig, and followed to their end."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

from rig.cli.attending import entered
from rig.cli.output import progress, say, time_left
from rig.cli.stopping import stop_on_signals
from rig.core import counted
from rig.daemon import NoDaemonError, daemon_of, daemons_of
from rig.daemon.bulletin import Refusal
from rig.errors import DeviceError, InputError
from rig.jobs.orders import RigRef

if TYPE_CHECKING:
    from rig.cli.stopping import StopWish
    from rig.daemon import ControlClient
    from rig.daemon.bulletin import EndCard, JobCard
    from rig.jobs.orders import Order
    from rig.rigfile import RigFile

LOOK_S = 0.2
FAILED = 3
NOT_DONE = 1
"""No failure, but the order was not completed, or it is not known whether it was."""

FOLLOWER = "the command that gave the order"
"""Who halts on Ctrl-C."""


def meant_rig(rig: RigFile, port: str | None) -> RigRef:
    """Return which rig an order is for: its file's name, and the port given or the file's, if any."""
    if port is None and rig.port is None:
        return RigRef(name=rig.name)
    return RigRef(name=rig.name, port=str(rig.address(port)))


def named_rig(rig_file: Path, port: str | None) -> RigRef:
    """Return which rigs a person asks about: all of that name, whatever their port, unless one is given."""
    from rig.rigfile import read_rig_file

    rig = read_rig_file(rig_file)
    return RigRef(name=rig.name) if port is None else meant_rig(rig, port)


def order_through_daemon(rig: RigRef, order: Order) -> int | None:
    """Give an order to the daemon that holds a rig, and follow it to its end.

    Ctrl-C halts. What a step off the rig asks is shown, and Enter says that it is done. The capture's path
    is the last line printed.

    Raises InputError if the daemon refuses the order, in its words. Raises DeviceError if the daemon goes
    away.

    `rig`: which is meant; the daemon refuses the order if it holds another.

    Returns the exit code, or None if no daemon is running for this rig: then do it alone.
    """
    daemon = daemon_if_up(rig)
    if daemon is None:
        return None
    with daemon:
        end = followed_to_its_end(daemon, rig, order)
    return _say_end(end)


def daemon_if_up(rig: RigRef) -> ControlClient | None:
    """Return a connection to the daemon that holds a rig, or None if no daemon is running for it.

    Raises InputError if several rigs named are held, and no port says which is meant.
    """
    try:
        return daemon_of(rig)
    except NoDaemonError:
        for held, client in daemons_of(RigRef(name=rig.name)):
            client.close()
            say(f"pressrig: a daemon holds {held}; this order is for {rig} and runs without it", err=True)
        return None


def followed_to_its_end(daemon: ControlClient, rig: RigRef, order: Order) -> EndCard | None:
    """Give an order to a daemon and follow it, as `order_through_daemon` does; its end is not printed.

    Returns how the job ended; None if another one has ended since.
    """
    # before the order goes out: the process must not be killed between it and the watch over it
    with stop_on_signals() as stopped:
        answer = daemon.start(order)
        if isinstance(answer, Refusal):
            raise InputError(answer.refused)
        assert answer.job is not None
        say(f"job {answer.job} of the daemon that holds {rig}; Ctrl-C halts it", err=True)
        try:
            return _follow(daemon, answer.job, stopped)
        except DeviceError as problem:
            raise DeviceError(
                f"{problem}; without the daemon's heartbeats the rig stops by itself"
            ) from problem


def _follow(daemon: ControlClient, number: int, stopped: StopWish) -> EndCard | None:
    """Show how a job goes on until it has ended; None if another one has ended since."""
    asked: str | None = None
    halted, listens = False, True
    with progress("the daemon works", 1.0) as show:
        while True:
            if stopped.is_set() and not halted:
                halted = True
                answer = daemon.halt(FOLLOWER)
                if isinstance(answer, Refusal):
                    say(f"pressrig: {answer.refused}", err=True)
            status = daemon.status()
            if status.last is not None and status.last.number >= number:
                return status.last if status.last.number == number else None
            job = status.job
            if job is None or job.number != number:
                raise DeviceError(f"the daemon was restarted and has no job {number}")
            left = time_left(job.left_s)
            note = f"{job.step} {job.elapsed_s:.0f} s, {cycles_of(job)}{left}"
            show(job.done or 0.0, note.strip())
            if job.asks is not None and job.asks != asked:
                say(f"\nby hand: {job.asks}\nPress Enter when done.", err=True)
            asked = job.asks
            if halted:
                time.sleep(LOOK_S)
            else:
                try:
                    if entered(stopped, LOOK_S, listens=listens and asked is not None):
                        daemon.proceed()
                except EOFError:
                    listens = False  # the page may be used instead


def cycles_of(job: JobCard | EndCard, wanted: int | None = None) -> str:
    """Return how many cycles a job has made, perhaps of those wanted, by what they are."""
    made = "" if wanted is None else f"{job.cycles} of "
    many = job.cycles if wanted is None else wanted
    return made + counted(many, "contact check" if job.kind == "height" else "cycle")


def _say_end(end: EndCard | None) -> int:
    if end is None:
        say("the job has ended, and another one since; find its capture with `pressrig captures`")
        return NOT_DONE
    say(f"{cycles_of(end)}; ended: {end.reason}")
    if end.failed:
        say(f"pressrig: {end.reason}; everything recorded so far is kept", err=True)
    if end.halted_by is not None:
        say(f"pressrig: halted by {end.halted_by}; everything recorded so far is kept", err=True)
    # a recording is ended by a stop; everything else was cut short by it
    stopped = NOT_DONE if end.kind != "recording" and end.reason.startswith("stopped") else 0
    code = FAILED if end.failed else stopped
    # before its first cycle a run may not have found its specimen yet, and starts anew as well
    if code and end.kind == "endurance" and end.capture is not None and end.cycles:
        from rig.jobs.endurance import resume_command

        say(f"To resume it, end the daemon, then: {resume_command(Path(end.capture), None)}", err=True)
    if end.capture is not None:
        say(end.capture)
    return code
