"""Weigh pieces at the terminal: put on one after the other, each told by the change that it makes.

Questions and answers go to standard error, so that a result in JSON stays clean. What happens on the pan
while somebody types waits in the reader's queue, and is gone through in its order.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from rig.calibration import PlateauRule
from rig.cli.options import local_gravity, read_quantity
from rig.cli.output import progress, say
from rig.cli.stopping import stop_on_signals
from rig.errors import InputError
from rig.jobs.weighing import Pan, PanWatch
from rig.population import RestingStretch, by_difference, slope_u, told_by_few, zero_drift_g_per_s
from rig.reader import Reader
from rig.rigfile import read_rig_file

if TYPE_CHECKING:
    from rig.jobs.weighing import Change, Level
    from rig.population import Weighing


TARE = "tare"

FIRST_REST_S = 60.0
"""Wall time for an empty pan to settle."""

TARED_STEPS = 2.0
"""A display within this many steps of zero was tared, if the zero of these weighings was elsewhere."""

SCALE_UNSAID = "The uncertainty leaves out the scale's own error; give it with --scale-u."

LOST = "the scale was disconnected or reset: its next settled reading is the new zero"


@dataclass(frozen=True, slots=True)
class Weighings:
    """What was seen beside the masses.

    `knocks`: disturbances after which the reading was the same.
    `zero_drift_g_per_s`: how fast the zero was seen to move; None where the pan was not empty twice.
    """

    knocks: int
    zero_drift_g_per_s: float | None
    resolution_g: float
    notes: tuple[str, ...]


def weigh_pieces(
    ids: Sequence[str],
    given: dict[str, Any],
    relative_u: float,
    refuse: Callable[[str], None],
    kept: Callable[[str, Weighing, str], str],
) -> Weighings:
    """Weigh pieces on a scale or on the rig's own cell.

    Raises InputError if the device says no mass, or a piece does not come in time. Raises DeviceError if the
    device is lost; what was weighed before is kept.

    `ids`: in the order in which the pieces are put on; none to ask for each.
    `relative_u`: of the scale itself, as a share.
    `kept`: keeps a mass and how it was had, and says it in words.
    """
    rig = read_rig_file(given["rig_file"], weighs=True)
    step_g = read_quantity("--resolution", given["resolution"], "g")
    gravity = local_gravity(given["gravity"], given["latitude"], given["altitude"], "--altitude")
    # at a prompt Ctrl-C has to end the prompt; every mass is on disk by then
    stopping = stop_on_signals(suspends=False) if ids else nullcontext(threading.Event())
    with stopping as stopped, Reader(rig.address(given["port"]), rig.wire, rate_hz=rig.rate_hz) as reader:
        pan = Pan.of(reader.empty(), rig.calibration, gravity=gravity, step_g=step_g, relative_u=relative_u)
        with progress("pan", None) as show:
            watched = PanWatch(
                reader,
                pan,
                rule=PlateauRule(given["settle_s"]),
                stopped=stopped,
                on_progress=lambda g, hint: show(0.0, f"{g:.4g} g {hint}"),
                on_lost=lambda: say(LOST, err=True),
            )
            say("empty the pan", err=True)
            pan_record = _PanRecord(watched, pan, watched.rest(FIRST_REST_S), given["wait_s"])
            for name in iter(ids) if ids else _asked(pan_record, refuse):
                weighing = pan_record.next_piece(name)
                if weighing is None:
                    break
                say(kept(name, weighing, pan.source), err=True)
    return pan_record.summary(given["scale_u_pct"] is not None or pan.calibration is not None)


def _asked(pan_record: _PanRecord, refuse: Callable[[str], None]) -> Iterator[str]:
    """Ids that a person types, until an empty line."""
    while True:
        said = click.prompt("put on a piece; its id", default="", show_default=False, err=True).strip()
        if not said:
            return
        if said.lower() == TARE:
            pan_record.tare()
            say("  zero taken", err=True)
            continue
        try:
            refuse(said)
        except InputError as problem:
            say(f"  {problem}", err=True)
            continue
        yield said


class _PanRecord:
    """Zeros, changes and what they say so far."""

    def __init__(self, watched: PanWatch, pan: Pan, empty: Level, wait_s: float) -> None:
        self._watched = watched
        self._pan = pan
        self._wait_s = wait_s
        self._level = empty
        self._zeros = [rest_of(empty)]
        self._on_pan_g: list[float] = []
        self._knocks = 0
        self._notes: list[str] = []

    def tare(self) -> None:
        """What rests on the pan now is the new zero."""
        self._begin(self._watched.anew(FIRST_REST_S))

    def _begin(self, level: Level) -> None:
        self._level, self._zeros, self._on_pan_g = level, [rest_of(level)], []

    def next_piece(self, name: str) -> Weighing | None:
        """Return the next piece put on; None when it was stopped."""
        say(f"put on {name}", err=True)
        while True:
            try:
                change = self._watched.change(self._wait_s)
            except InputError as problem:
                step = f"{self._watched.step_g:.3g} g"
                raise InputError(
                    f"{problem} Was {name} put on? A piece lighter than about two steps of the scale "
                    f"({step}) does not show"
                ) from None
            if change is None:
                return None
            if change.before.first_s != self._level.first_s:  # a new zero after the scale was lost
                self._begin(change.before)
            self._level = change.after
            self._knocks += change.before.knocks
            if change.g > 0:
                weighing = self._weighing(change)
                self._on_pan_g.append(weighing.mass_g)
                return weighing
            self._taken_off(change)

    def _weighing(self, change: Change) -> Weighing:
        before, after = rest_of(change.before), rest_of(change.after)
        return by_difference(
            before,
            after,
            resolution_g=change.after.step_g,
            zero_drift_g_per_s=zero_drift_g_per_s(self._zeros) or 0.0,
            scale_u_g=self._pan.scale_u_g(before.last_g, after.first_g),
        )

    def _taken_off(self, change: Change) -> None:
        """A lower level: the pan is empty again, was tared, or holds fewer pieces."""
        after, zero = rest_of(change.after), self._zeros[-1]
        near_g = TARED_STEPS * change.after.step_g
        if abs(after.first_g) <= near_g < abs(zero.last_g):
            self._begin(change.after)
            self._note("The scale was tared.")
        # less than half the lightest piece is left, so none is
        elif self._on_pan_g and abs(after.first_g - zero.last_g) < min(self._on_pan_g) / 2:
            moved_g, self._on_pan_g = after.first_g - zero.last_g, []
            self._zeros.append(after)
            self._note(f"The pan was empty again; the zero had moved by {moved_g:+.3g} g.")
        else:
            say(f"{-change.g:.4g} g taken off", err=True)

    def _note(self, sentence: str) -> None:
        self._notes.append(sentence)
        say(sentence, err=True)

    def summary(self, scale_known: bool) -> Weighings:
        """Return what was seen beside the masses."""
        notes = []
        if self._knocks:
            notes.append(f"The pan was disturbed {self._knocks} times with nothing put on it.")
        if not scale_known:
            notes.append(SCALE_UNSAID)
        return Weighings(
            self._knocks, zero_drift_g_per_s(self._zeros), self._watched.step_g, (*self._notes, *notes)
        )


def rest_of(level: Level) -> RestingStretch:
    """Return a rest in grams, its uncertainties widened for the few blocks that told them."""
    step_g, first, last = level.step_g, level.first, level.last
    first_u_g, last_u_g = (
        told_by_few(part.u_counts * step_g, part.degrees_of_freedom) for part in (first, last)
    )
    return RestingStretch(
        first.counts * step_g,
        first_u_g,
        level.first_s,
        last.counts * step_g,
        last_u_g,
        level.last_s,
        first.drift_counts * step_g / first.seconds if first.seconds > 0 else 0.0,
        slope_u(first_u_g, first.seconds) if first.seconds > 0 else 0.0,
    )
