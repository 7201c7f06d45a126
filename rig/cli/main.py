"""The command's root: finds the module of a subcommand, and turns errors into sentences and exit codes."""

from __future__ import annotations

import importlib
import io
import os
import sys
from typing import Any

import click

from rig import __version__
from rig.cli.output import say
from rig.cli.stopping import interrupt_on_signals
from rig.cli.units_option import with_units
from rig.core import forget_units
from rig.errors import RecorderError, RigError

_COMMANDS = {
    "guide": ("rig.cli.guide", "Show the user's guides."),
    "demo": ("rig.cli.demo", "Squeeze floats on the virtual rig and print what they are like."),
    "simulate": ("rig.cli.simulate", "Run a virtual rig on a pseudo-terminal."),
    "check-device": ("rig.cli.check_device", "Check a device against every rule of the wire protocol."),
    "ports": ("rig.cli.ports", "List serial ports without opening any."),
    "setup": ("rig.cli.setup", "Write a rig file by answering questions."),
    "record": ("rig.cli.record", "Record presses from a rig into a capture."),
    "session": ("rig.cli.session", "Squeeze piece after piece by hand, weigh each, write their sheet."),
    "run": ("rig.cli.run", "Run a method on a driven rig, or guide a hand through it, and record it."),
    "endure": ("rig.cli.endure", "Squeeze a specimen many times, and watch how it recovers."),
    "serve": ("rig.cli.serve", "Hold a rig day and night, with a page to watch and order from."),
    "status": ("rig.cli.status", "Say what a rig is doing that is held by `serve`."),
    "halt": ("rig.cli.halt", "Halt the platen of a rig that is held by `serve`."),
    "calibrate": ("rig.cli.calibrate", "Measure scales, delay and frame, with their uncertainty."),
    "verify": ("rig.cli.verify", "Show that a rig reads right, by references or a check standard."),
    "release": ("rig.cli.release", "Clear a latched stop, and take the platen slowly away."),
    "browse": ("rig.cli.browse", "Look into captures and results in a browser, without a rig."),
    "captures": ("rig.cli.captures", "List captures."),
    "show": ("rig.cli.show", "Show what a capture says about itself."),
    "amend": ("rig.cli.amend", "Mend what a capture says about itself, by a dated record."),
    "exclude": ("rig.cli.exclude", "Leave a capture or some of its cycles out of results."),
    "restore": ("rig.cli.restore", "Take back into results what was left out."),
    "delete": ("rig.cli.delete", "Move captures into a bin folder; nothing is erased."),
    "import": ("rig.cli.importing", "Make a capture of a table that you already have."),
    "export": ("rig.cli.exporting", "Write a capture's samples as CSV or Parquet."),
    "analyse": ("rig.cli.analyse", "Measure the presses of captures: stiffness, hysteresis, set."),
    "compare": ("rig.cli.compare", "Compare batches, states, operators or methods."),
    "sheet": ("rig.cli.sheet", "Write a design sheet: one page that a machine can be built from."),
    "nip": ("rig.cli.nip", "Gap, grip and speed of rollers that squeeze a piece."),
    "lift": ("rig.cli.lift", "Balance of a long piece, and the torques of lifting it off its centre."),
    "pull": ("rig.cli.pull", "How firmly a pressed-on cap holds, from captures in tension."),
    "study": ("rig.cli.study", "Split the spread of repeated results into gauge and pieces."),
    "specimens": ("rig.cli.specimens", "Register of pieces: what each weighs, measures and went through."),
    "weigh": ("rig.cli.weigh", "Weigh pieces on a scale or the rig's own cell, or note masses."),
    "height": ("rig.cli.height", "Free height of a soft piece, touched against bare platens."),
    "report": ("rig.cli.reporting", "Give the quantities that a capture's method promises."),
}

_CAUTION = (
    "A driven press crushes fingers: read firmware_notes/safety.md before the first motion. "
    "Local rules and a competent person come first."
)


UNFORESEEN = 70
"""Exit code of an error of the program itself, by the convention of sysexits.h (EX_SOFTWARE)."""


class _Family(click.Group):
    """Subcommands by name; a module is imported when its command runs, never to list it."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        command: click.Command = importlib.import_module(_COMMANDS[cmd_name][0]).command
        with_units(command)
        return command

    def invoke(self, ctx: click.Context) -> Any:
        forget_units()
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            # Whoever read the output has seen enough; left to click, the exit code would be 1.
            _discard_unprinted()
            raise click.exceptions.Exit(0) from None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, summary) for name, (_, summary) in _COMMANDS.items()])


@click.command(cls=_Family, epilog=_CAUTION, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="pressrig")
@click.option("-v", "--verbose", count=True, help="Say more on standard error; twice for everything.")
def _pressrig(verbose: int) -> None:
    """Squeeze soft parts on a serial-connected press rig and report numbers to design from."""
    from rig.cli.logs import log_to_stderr

    log_to_stderr(verbose)


def main() -> None:
    """Run the command line and exit with its code."""
    # A terminal or pipe that cannot show a character gets its escape, not the end of the command.
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")
    interrupt_on_signals()
    try:
        code = _pressrig.main(prog_name="pressrig", standalone_mode=False)
    except RigError as refusal:
        say(f"pressrig: {refusal}", err=True)
        code = refusal.exit_code
    except click.ClickException as misuse:
        words = io.StringIO()
        misuse.show(file=words)
        say(words.getvalue(), err=True, nl=False)
        code = misuse.exit_code
    except (click.Abort, KeyboardInterrupt):
        say("pressrig: interrupted", err=True)
        code = 130
    except OSError as problem:
        # a full disk, a folder without the right to write: expected of any command that writes
        _discard_unprinted()
        where = f"{problem.filename}: " if problem.filename else ""
        say(f"pressrig: {where}{problem.strerror or problem}", err=True)
        code = RecorderError.exit_code
    except Exception as problem:
        code = _own_up(problem)
    sys.exit(code if isinstance(code, int) else 0)


def _own_up(problem: Exception) -> int:
    """Say that the fault is the program's, in a sentence; the details go where they can be reported from."""
    from rig.cli.logs import keep_details

    details = keep_details(problem)
    where = "" if details is None else f" with the end of {details}"
    what = " ".join(f"{type(problem).__name__}: {problem}".split())[:200]
    say(
        f"pressrig: an unexpected error ended this command ({what}). What was recorded is kept. "
        f"Please report it{where}.",
        err=True,
    )
    return UNFORESEEN


def _discard_unprinted() -> None:
    """Drop output that cannot be printed, so that Python does not try and fail again at exit."""
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
