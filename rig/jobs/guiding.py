"""Guide a person at a hand lever through a method, and record what really happened.

Problem: a rig without a drive does nothing by itself, yet its recording should be read like that of a driven
one. Plan: everything is recorded from the first sample; first the force zero is measured untouched, then one
planned action after the other is put in words and followed (hand_strokes.py, hand_waits.py) until the
samples say that it is done. The same `step` events as on a driven rig frame each action, and a
`guided` event says how far, how fast and how much too far it was. Cost: one thread beside the reader's;
a few passes over each batch.

Nothing here moves or stops anything: too deep or too hard is reported as loudly as possible, and no more.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, ClassVar

from rig.calibration import Calibration
from rig.capture import CaptureWriter
from rig.core import EventKind
from rig.errors import InputError, RigError
from rig.jobs.driving import LinkLostError, StoppedByPersonError
from rig.jobs.guidance import ZERO_INSTRUCTION, Guidance, pace_of
from rig.jobs.hand_samples import Follower, HandSamples, SpeedMeter
from rig.jobs.hand_strokes import Aim, Stroke
from rig.jobs.hand_waits import HoldWait, PersonAsked, Quiet, RestWait, note_step_off_rig
from rig.jobs.job import Bench, HeaderOf, Progress, Recorded, Span, Watch
from rig.jobs.recording import SILENCE_S, link_tallies, write_events
from rig.jobs.running import MethodJob, described
from rig.methods import CheckedMethod, PlannedAction, describe, each_step, hard_by_hand, plan
from rig.methods.steps import ContactCheck
from rig.reader import Delivery, Reader
from rig.samples import US_PER_S, Status

WAIT_S = 0.1
"""How long a delivery is waited for before the clock and the person's wish to stop are looked at again."""

QUIET_WARNING_S = 1.0
"""Without a sample for this long the person is informed, and guidance pauses."""

RUN_ON_S = 0.5
"""The recording goes on for so long after the last step: the last cycle needs a rest behind it to close."""

TOO_DEEP_MM = 0.5
TOO_DEEP_SHARE = 0.03
"""So far beyond the method's own deepest step, whichever is more, a person is warned."""

NOISE_IN_CHECK = 6.0
"""A contact force below this many times the noise may be felt without any contact."""

USUAL_CHECK_N = 1.0
"""Where a method has no contact check, this tells pressed from unpressed."""

CLEAR_MM = 0.5
"""A gap of at least so much: the platen is clear of the specimen, and the force zero may be taken."""


@dataclass(frozen=True, slots=True)
class HandJob(MethodJob):
    """Guides a person at a lever through a method."""

    guided: ClassVar[bool] = True

    def describe(self) -> Iterator[str]:
        """Yield its steps, and which of them are hard for a hand."""
        yield from describe(self.checked)
        yield "Moved by hand; only the hand stops it."
        yield from hard_by_hand(self.checked)

    def perform(self, bench: Bench) -> Recorded:
        """Guide through every step."""
        return perform_guided(bench, bench.heading(self.card, described(self.order)), self.checked)


def perform_guided(bench: Bench, header_of: HeaderOf, checked: CheckedMethod) -> Recorded:
    """Guide a person through every step, and record from the first sample to the end.

    Depth is the specimen's own: the platen's position less what the frame gives way. The bench's watch is
    asked for steps off the rig, told each step that begins and each warning, and shown the guidance of each
    moment.

    Parameters
    ----------
    checked
        From `check_by_hand`.

    Raises
    ------
    InputError
        If force or position is not calibrated; nothing is recorded then.
    RecorderError
        If the capture cannot be begun.
    """
    _refuse_uncalibrated(bench.reader, bench.calibration)
    with CaptureWriter.create(bench.folder, header_of(bench.reader)) as writer:
        bench.watch.began(writer.path)
        guide = _Guide(bench.reader, bench.calibration, writer, checked=checked, watch=bench.watch)
        reason, failed = guide.run()
        if not writer.ended:
            writer.end(reason, link_tallies(bench.reader))
    return Recorded(path=writer.path, reason=reason, failed=failed, progress=guide.progress())


def _refuse_uncalibrated(reader: Reader, calibration: Calibration) -> None:
    kinds = reader.empty()
    names = ("force", "position")
    known = calibration.covers(kinds.force_channel, kinds.position_channel)
    missing = [name for name, covered in zip(names, known, strict=True) if not covered]
    if missing:
        raise InputError(
            f"{', '.join(missing)}: in counts without a calibration; give per_count in the rig file, since "
            "guidance needs N and mm"
        )


class _Guide:
    """Follows one person through one method."""

    def __init__(
        self,
        reader: Reader,
        calibration: Calibration,
        writer: CaptureWriter,
        *,
        checked: CheckedMethod,
        watch: Watch,
    ) -> None:
        self._reader, self._calibration, self._writer = reader, calibration, writer
        self._checked, self._watch = checked, watch
        contact_checks = [
            step.force_n for step in each_step(checked.method.steps) if isinstance(step, ContactCheck)
        ]
        self._check_n = min(contact_checks, default=USUAL_CHECK_N)
        self._deepest_mm = checked.deepest_mm + max(TOO_DEEP_MM, TOO_DEEP_SHARE * checked.deepest_mm)
        self._zero_n = 0.0
        self._contact_mm: float | None = None
        self._waiting = HandSamples.nothing()
        self._meter = SpeedMeter()
        self._clocks: dict[str, float] = {}
        self._marked: dict[str, Any] = {}
        self._shown = Guidance("start", (), "zero", ZERO_INSTRUCTION, "", 0.0)
        self._stood_s: float | None = None
        self._presses = 0
        self._before = ""
        self._warning: str | None = None
        self._span = Span()
        self._now_s = self._now_mm = self._now_n = 0.0
        self._saturated = False
        self._fresh = time.monotonic()

    def progress(self) -> Progress:
        """Return how far the recording is."""
        return Progress(self._span.seconds, self._writer.samples, 0)

    def run(self) -> tuple[str, bool]:
        """Go through every step; return why it ended, and whether that is a failure."""
        method = self._checked.method
        self._event("method", name=method.name, source=method.source, by="hand")
        try:
            self._measure_zero()
            for planned in plan(self._checked):
                self._step(planned)
            until = time.monotonic() + RUN_ON_S
            while time.monotonic() < until:
                self._listen()
        except StoppedByPersonError:
            return "stopped", False
        except RigError as problem:
            if not self._writer.ended:
                self._event("method stopped", why=str(problem))
            return str(problem), True
        return "method finished", False

    # Steps.

    def _measure_zero(self) -> None:
        quiet = Quiet(self._check_n)
        self._watch.tell(ZERO_INSTRUCTION, self.progress())
        self._follow(quiet, self._shown)
        self._take_zero(quiet)
        if self._check_n < NOISE_IN_CHECK * quiet.noise_n:
            text = (
                f"The force wavers by {quiet.noise_n:.2g} N, and the contact force is {self._check_n:.3g} N: "
                "contact may be reported where there is none."
            )
            self._event("hand warning", text=text)
            self._watch.tell(text, self.progress())

    def _take_zero(self, quiet: Quiet) -> None:
        self._zero_n += quiet.force_n
        self._waiting = self._waiting.less(quiet.force_n)
        self._now_n -= quiet.force_n
        self._event("force zero", zero_n=self._zero_n, noise_n=quiet.noise_n)

    def _step(self, planned: PlannedAction) -> None:
        action, place = planned.action, str(planned.place)
        self._marked = {"place": place, "passes": list(planned.passes), "action": action.kind}
        self._watch.tell(place, self.progress())
        self._event("step", phase="begin", **self._marked)
        words = action.instruct(self._checked.specimen.free_height_mm, self._deflection_mm)
        self._shown = Guidance(
            place, planned.passes, action.kind, words, "", 0.0, presses=self._checked.presses
        )
        action.perform(self, place)
        self._event("step", phase="end", **self._marked)

    # What actions are made of; how each is followed is shown to the person.

    def find_contact(self, force_n: float, speed_mm_per_s: float, place: str, *, sets_contact: bool) -> None:
        """Follow an approach until the force is felt."""
        passed_mm = self._stroke(Aim(1, speed_mm_per_s, None, force_n, stands=False)).passed_mm
        if passed_mm is not None:
            if sets_contact:
                self._contact_mm = passed_mm
            self._event("contact found" if sets_contact else "contact checked", position_mm=passed_mm)

    def press_to_depth(self, deflection_mm: float, speed_mm_per_s: float, place: str) -> None:
        """Follow a press to a deflection."""
        self._stroke(Aim(1, speed_mm_per_s, deflection_mm))
        self._presses += 1

    def press_to_force(self, force_n: float, stop_mm: float, speed_mm_per_s: float, place: str) -> None:
        """Follow a press to a force."""
        self._stroke(Aim(1, speed_mm_per_s, stop_mm, force_n))
        self._presses += 1

    def move_away(self, deflection_mm: float, speed_mm_per_s: float, place: str) -> None:
        """Follow a way to a deflection."""
        # a gap is left open however wide it is already; a contact may be come to from both sides
        away = deflection_mm < 0 or (self._deflection_mm or 0.0) > 0
        self._stroke(Aim(-1 if away else 1, speed_mm_per_s, deflection_mm))

    def stay(self, duration_s: float, *, loaded: bool) -> None:
        """Follow a hold, from when the platen came to stand, or a rest."""
        if not loaded:
            self._rest(self._now_s + duration_s)
            return
        since_s = self._now_s if self._stood_s is None else self._stood_s
        self._wait(HoldWait(duration_s, since_s, self._contact_mm or 0.0))

    def start_clock(self, place: str) -> None:
        """Set the clock of a step to zero."""
        self._clocks[place] = self._now_s

    def stay_until(self, time_s: float, place: str) -> None:
        """Follow a rest until a step's clock shows a time."""
        self._rest(self._clocks[place] + time_s)

    def ask_person(self, instruction: str, least_s: float, most_s: float | None) -> None:
        """Wait until a step off the rig is reported as done."""
        began_s = self._now_s
        with PersonAsked(self._watch.ask, instruction) as asked:
            self._follow(asked.until(began_s + least_s), self._shown)
        note_step_off_rig(instruction, self._now_s - began_s, most_s, self._event)

    def _stroke(self, aim: Aim) -> Stroke:
        stroke = Stroke(aim, self._contact_mm or 0.0)
        shown = replace(
            self._shown,
            target_mm=aim.goal_mm if aim.goal_n is None else None,
            target_n=aim.goal_n,
            asked_mm_per_s=aim.speed_mm_per_s,
        )
        self._follow(stroke, shown, aim.sign)
        self._event("guided", **self._marked, **stroke.did())
        # what the next steps need of one that is over
        self._stood_s, self._before = stroke.stood_s, stroke.in_words()
        return stroke

    def _rest(self, until_s: float) -> None:
        rest = RestWait(until_s, self._now_s, self._check_n)
        self._wait(rest)
        clear = self._deflection_mm is not None and self._deflection_mm < -CLEAR_MM
        if clear and rest.quiet.still:
            self._take_zero(rest.quiet)

    def _wait(self, wait: HoldWait | RestWait) -> None:
        self._follow(wait, self._shown)
        self._event("guided", **self._marked, **wait.did())
        self._stood_s = None

    # Samples.

    @property
    def _deflection_mm(self) -> float | None:
        return None if self._contact_mm is None else self._now_mm - self._contact_mm

    def _follow(self, follower: Follower, shown: Guidance, sign: int = 1) -> None:
        """Listen until an action is over; what was heard after it is kept for the next."""
        over: int | None = None
        self._show(shown, follower, sign)
        while over is None:
            heard, self._waiting = self._waiting, HandSamples.nothing()
            if not len(heard):
                heard = self._listen()
            if len(heard):
                over = follower.take(heard)
                self._waiting = HandSamples.nothing() if over is None else heard[over + 1 :]
                self._look(heard if over is None else heard[: over + 1])
            self._show(shown, follower, sign)

    def _look(self, heard: HandSamples) -> None:
        """Note where the platen is, and whether that has to be warned of."""
        self._now_s, self._now_mm, self._now_n = heard.last
        self._meter.take(heard)
        most_n = self._checked.rig.force_n[1]
        largest_n = float(heard.force_n.max())
        deepest_mm = None if self._contact_mm is None else float(heard.position_mm.max()) - self._contact_mm
        if largest_n > most_n:
            self._warn(f"TOO HARD: {largest_n:.0f} N, at most {most_n:g} N; ease off slowly")
        elif deepest_mm is not None and deepest_mm > self._deepest_mm:
            self._warn(
                f"TOO DEEP: {deepest_mm:.1f} mm, this method goes to {self._checked.deepest_mm:.1f} mm; "
                "ease off slowly"
            )
        elif self._saturated:
            self._warn("THE FORCE SENSOR IS AT ITS LIMIT: ease off slowly")
        else:
            self._warning = None

    def _warn(self, text: str) -> None:
        """Say it once loudly when it begins, and show it as long as it holds."""
        kind = text.partition(":")[0]
        if self._warning is None or not self._warning.startswith(kind):
            self._event("hand warning", text=text)
            self._watch.tell(text, self.progress())
        self._warning = text

    def _show(self, shown: Guidance, follower: Follower, sign: int) -> None:
        speed = sign * self._meter.speed_mm_per_s
        asked = shown.asked_mm_per_s
        quiet_s = time.monotonic() - self._fresh
        silence = f"NO SAMPLES: none for {quiet_s:.0f} s; wait" if quiet_s > QUIET_WARNING_S else None
        self._watch.guide(
            replace(
                shown,
                hint=follower.hint,
                force_n=self._now_n,
                deflection_mm=self._deflection_mm,
                speed_mm_per_s=speed,
                pace=pace_of(speed, asked) if asked is not None and follower.share < 1.0 else None,
                share=follower.share,
                time_left_s=follower.time_left_s,
                presses_done=self._presses,
                before=self._before,
                warning=silence or self._warning,
            )
        )

    def _listen(self) -> HandSamples:
        """One delivery, written; none of its samples may be there.

        Raises MethodStoppedError if the person stops, or samples and positions cannot be relied on any more.
        """
        delivery = self._reader.get(WAIT_S)
        if delivery is None:
            self._writer.tick()
        else:
            self._write(delivery)
        if self._watch.stopped.is_set():
            raise StoppedByPersonError("stopped by the operator")
        now = time.monotonic()
        if delivery is None or not len(delivery.samples):
            if now - self._fresh > SILENCE_S:
                raise LinkLostError(f"no sample for {SILENCE_S:.0f} s")
            return HandSamples.nothing()
        self._fresh = now
        samples = delivery.samples
        force_n = self._calibration.force_n(samples) - self._zero_n
        # the specimen's own depth: the platen's position less what the frame gives way
        position_mm = self._calibration.position_mm(samples) - self._calibration.frame.deflection_mm(force_n)
        self._saturated = bool((samples.status & Status.FORCE_SATURATED).any())
        return HandSamples(samples.time_us / US_PER_S, position_mm, force_n)

    def _write(self, delivery: Delivery) -> None:
        self._span.take(delivery.samples)
        write_events(self._writer, delivery)
        self._writer.append(delivery.samples)
        self._watch.see(delivery)
        for event in delivery.events:
            if event.kind in ("reset", "link_lost") and self._contact_mm is not None:
                what = "the device was reset" if event.kind == "reset" else "the link was lost"
                raise LinkLostError(f"{what}: the contact position was lost; start again")

    def _event(self, kind: EventKind, **fields: object) -> None:
        """Record that something happened, with the device time of the sample that showed it."""
        self._writer.event(kind, time_us=round(self._now_s * US_PER_S), **fields)
