"""A job carried out by the command itself, where no daemon holds the rig."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from rig.cli.attending import await_enter
from rig.cli.guidance import guidance_shown
from rig.cli.logs import log_to_file
from rig.cli.ordering import FAILED, NOT_DONE
from rig.cli.output import progress, say, time_left
from rig.cli.starting import reader_of
from rig.cli.stopping import stop_on_signals
from rig.core import counted
from rig.jobs import Bench, Recorded, Watch

if TYPE_CHECKING:
    from rig.jobs import Ended, Job, Progress
    from rig.reader import Reader
    from rig.rigfile import RigFile


def perform_alone(rig: RigFile, port: str | None, folder: Path, job_for: Callable[[Reader], Job]) -> Ended:
    """Open a rig, and carry a job out on it; Ctrl-C halts.

    Raises RigError if the rig cannot be opened, the device is refused, or the job could not be begun.

    `port`: instead of the rig file's.
    `folder`: that the capture is made in.
    `job_for`: gives the job once the rig is open, or refuses the device that is there.
    """
    reader = reader_of(rig, port)
    with log_to_file(), stop_on_signals() as stopped, reader, ExitStack() as shown:
        job = job_for(reader)
        wanted = job.cycles_wanted

        def ask(instruction: str) -> None:
            if not job.guided:  # otherwise it stands in the guidance
                say(f"\nby hand: {instruction}\nPress Enter when done.", err=True)
            await_enter(stopped)

        if job.guided:
            guide = shown.enter_context(guidance_shown())
            return job.perform(
                Bench(reader, rig, folder, Watch(stopped, ask, lambda step, done: None, guide=guide))
            )
        show = shown.enter_context(progress(job.name, wanted or job.expected_s))

        def tell(step: str, done: Progress) -> None:
            left = time_left(done.left_s(wanted)) if wanted else ""
            note = f"{step}, {counted(done.cycles, 'cycle')}{left}" if wanted else step
            show(done.cycles if wanted else done.seconds, note)

        return job.perform(Bench(reader, rig, folder, Watch(stopped, ask, tell)))


def ending_words(ended: Ended) -> str:
    """Return why a job ended, for the end of its summary; a failure has a line of its own."""
    return "" if ended.failed else f"; ended: {ended.reason}"


def say_failure(ended: Ended) -> None:
    """Say what failed, and whether the recording is still there."""
    gone = isinstance(ended, Recorded) and not ended.path.exists()
    say(f"pressrig: {ended.reason}" + ("" if gone else "; everything recorded so far is kept"), err=True)


def exit_code_of(ended: Ended) -> int:
    """Say what failed; the exit code of a command whose job ended so."""
    if ended.failed:
        say_failure(ended)
        return FAILED
    return NOT_DONE if ended.reason.startswith("stopped") else 0
