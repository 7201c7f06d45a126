"""The command's root: finds the module of a subcommand, and turns errors into sentences and exit codes."""

from __future__ import annotations

import io
import os
import sys
from typing import Any, TextIO

import click

from rig import __version__
from rig.cli.families import Family
from rig.cli.logs import keep_details
from rig.cli.output import say
from rig.cli.stopping import interrupt_on_signals
from rig.core import forget_units, log_to_stderr
from rig.errors import RecorderError, RigError

_COMMANDS = {
    "guide": ("rig.cli.guide", "Show the user's guides."),
    "demo": ("rig.cli.demo", "Squeeze floats on the virtual rig and print the results."),
    "simulate": ("rig.cli.simulate", "Run a virtual rig on a pseudo-terminal."),
    "check-device": ("rig.cli.check_device", "Check a device against every rule of the wire protocol."),
    "ports": ("rig.cli.ports", "List serial ports without opening any."),
    "setup": ("rig.cli.setup", "Write a rig file by answering questions."),
    "record": ("rig.cli.record", "Record presses from a rig into a capture."),
    "session": ("rig.cli.session", "Squeeze pieces by hand, weigh each, and write their sheet."),
    "run": ("rig.cli.run", "Run a method on a driven rig, or guide a hand through it, and record it."),
    "endure": ("rig.cli.endure", "Squeeze a specimen many times and follow its recovery."),
    "serve": ("rig.cli.serve", "Hold a rig day and night, with a page to watch and control it."),
    "status": ("rig.cli.status", "Show what the rigs held by `serve` are doing."),
    "halt": ("rig.cli.halt", "Halt the platens of rigs held by `serve`."),
    "calibrate": ("rig.cli.calibrate", "Measure scales, delay and frame, with their uncertainty."),
    "verify": ("rig.cli.verify", "Check a rig with references or a check standard."),
    "release": ("rig.cli.release", "Clear a latched stop and move the platen away slowly."),
    "browse": ("rig.cli.browse", "Show captures and results in a browser, without a rig."),
    "captures": ("rig.cli.captures", "List captures."),
    "show": ("rig.cli.show", "Show the facts recorded with a capture."),
    "amend": ("rig.cli.amend", "Correct a capture's header with a dated record."),
    "exclude": ("rig.cli.exclude", "Leave captures or cycles out of results."),
    "restore": ("rig.cli.restore", "Take captures or cycles back into results."),
    "delete": ("rig.cli.delete", "Move captures into a bin folder; nothing is erased."),
    "import": ("rig.cli.importing", "Make captures from tables that you already have."),
    "export": ("rig.cli.exporting", "Write a capture's samples as CSV or Parquet."),
    "analyse": ("rig.cli.analyse", "Measure the presses of captures: stiffness, hysteresis, set."),
    "compare": ("rig.cli.compare", "Compare batches, states, operators or methods."),
    "sheet": ("rig.cli.sheet", "Write a design sheet for the designer of a machine."),
    "nip": ("rig.cli.nip", "Find gap, grip and speed of rollers that squeeze a piece."),
    "lift": ("rig.cli.lift", "Find the balance of a long piece and the torques of lifting it."),
    "pull": ("rig.cli.pull", "Measure how firmly a cap holds, from captures in tension."),
    "study": ("rig.cli.study", "Divide the spread of results: gauge, laboratories, pieces."),
    "specimens": ("rig.cli.specimens", "Keep a register of pieces with masses, sizes and history."),
    "weigh": ("rig.cli.weigh", "Weigh pieces on a scale or the rig, or note masses."),
    "height": ("rig.cli.height", "Measure the free height of a soft piece."),
    "report": ("rig.cli.reporting", "Report the quantities of a capture's method."),
}

_CAUTION = (
    "A driven press crushes fingers: read `pressrig guide safety` before the first motion. "
    "Local rules and a competent person come first."
)


INTERRUPTED = 130
"""Exit code of a command that a signal or a closed terminal ended, as shells give it for Ctrl-C."""

LEVELS = ("WARNING", "INFO", "DEBUG")
"""Messages that are shown, by how often `--verbose` was given."""

UNFORESEEN = 70
"""Exit code of an error of the program itself, by the convention of sysexits.h (EX_SOFTWARE)."""


class _Root(Family):
    """Forgets the units of a command before it, and takes a reader who has seen enough for no failure."""

    def invoke(self, ctx: click.Context) -> Any:
        forget_units()
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            # Whoever read the output has seen enough; left to click, the exit code would be 1.
            _discard_unprinted(sys.stdout)
            raise click.exceptions.Exit(0) from None


@click.group(
    cls=_Root, rows=_COMMANDS, epilog=_CAUTION, context_settings={"help_option_names": ["-h", "--help"]}
)
@click.version_option(__version__, prog_name="pressrig")
@click.option(
    "-v", "--verbose", count=True, help="Print more on standard error; give it twice for everything."
)
def _pressrig(verbose: int) -> None:
    """Squeeze soft parts on a serial-connected press rig and report numbers to design from."""
    log_to_stderr(LEVELS[min(verbose, len(LEVELS) - 1)])


def main() -> None:
    """Run the command line and exit with its code."""
    # A terminal or pipe that cannot show a character gets its escape, not the end of the command.
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")
    interrupt_on_signals()
    # no matrix here is large enough for a second thread, which costs each start and waits in a busy loop
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        code = _pressrig.main(prog_name="pressrig", standalone_mode=False)
    except RigError as refusal:
        _told(f"pressrig: {refusal}")
        code = refusal.exit_code
    except click.ClickException as misuse:
        words = io.StringIO()
        misuse.show(file=words)
        _told(words.getvalue().removesuffix("\n"))
        code = misuse.exit_code
    except (click.Abort, KeyboardInterrupt) as end:
        # a question is still open on its line
        _told("\npressrig: interrupted" if isinstance(end, click.Abort) else "pressrig: interrupted")
        code = INTERRUPTED
    except OSError as problem:
        # a full disk, a folder without the right to write: expected of any command that writes
        _discard_unprinted(sys.stdout)
        where = f"{problem.filename}: " if problem.filename else ""
        heard = _told(f"pressrig: {where}{problem.strerror or problem}")
        # what could not be written was meant for a terminal that has been closed
        code = RecorderError.exit_code if heard else INTERRUPTED
    except Exception as problem:
        code = _own_up(problem)
    sys.exit(code if isinstance(code, int) else 0)


def _told(words: str) -> bool:
    """Say the last words of a command; False where the output is closed, which changes no exit code to 1."""
    try:
        say(words, err=True)
    except OSError:
        _discard_unprinted(sys.stderr)
        return False
    return True


def _own_up(problem: Exception) -> int:
    """Say that the fault is the program's, in a sentence; the details go where they can be reported from."""
    details = keep_details(problem)
    where = "" if details is None else f" with the end of {details}"
    what = " ".join(f"{type(problem).__name__}: {problem}".split())[:200]
    _told(
        f"pressrig: an unexpected error ended this command ({what}). What was recorded is kept. "
        f"Please report it{where}."
    )
    return UNFORESEEN


def _discard_unprinted(stream: TextIO) -> None:
    """Drop output that cannot be printed, so that Python does not try and fail again at exit."""
    try:
        stream.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
