"""The desk: one rig, one job at a time, and orders from whoever may give them.

Problem: several people and programs want something of one platen, which may be unplugged, busy or
stopped, and a halt must not wait for any of them. Plan: the thread that runs the desk holds the reader,
shows what comes on the board, and carries out one job at a time; orders come from other threads, are
checked whole before anything moves, and are refused in words or left for the desk to take. A halt sets
the job's stop and goes to the device at once, from the thread that brings it. Cost: one thread beside
the reader's, and one that prompts while a person is waited for.
"""

from __future__ import annotations

import gc
import importlib
import math
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from loguru import logger

from rig.analyser import AnalysisSettings
from rig.capture import CaptureHeader, open_capture
from rig.daemon.board import Board
from rig.daemon.bulletin import Done, Preview, Refusal
from rig.daemon.live import LiveAnalysis
from rig.errors import CaptureError, DeviceError, InputError, RigError
from rig.jobs.cautions import CautionsRead
from rig.jobs.driving import Watch
from rig.jobs.endurance import perform_endurance, unfinished
from rig.jobs.guidance import Guidance
from rig.jobs.guiding import moves_by_hand, perform_guided
from rig.jobs.heading import complete_header, header_about
from rig.jobs.height import TOUCHED, measure_height
from rig.jobs.height_job import HeightTask, height_task, work_out
from rig.jobs.orders import (
    EnduranceOrder,
    HeightCard,
    HeightOrder,
    MethodOrder,
    Order,
    RecordingOrder,
    ReleaseOrder,
    SpecimenCard,
)
from rig.jobs.recording import Progress, Recorded, StopRule, perform_recording
from rig.jobs.releasing import perform_release
from rig.jobs.running import perform_method
from rig.methods import (
    ENDURANCE_KIND,
    HEIGHT_KIND,
    CheckedMethod,
    CheckedPlan,
    RigLimits,
    SpecimenFacts,
    check_by_hand,
    check_method,
    check_plan,
    describe,
    hard_by_hand,
    parse_method,
    parse_plan,
)
from rig.reader import Delivery, PortAddress, Reader
from rig.rigchecks import standing_of
from rig.rigfile import RigFile
from rig.wire import Capability

IDLE_S = 0.05
"""How long an idle desk waits for a delivery before it looks for an order."""

LOOK_AROUND_S = 2.0
"""An idle device that drives is asked how it stands so often."""

FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 5.0
"""A port that is absent is looked for with growing pauses."""

LOOK_S = 0.1

LOADED_EARLY = ("pandas",)
"""Otherwise loaded when the first samples are written, for 0.4 s in which no heartbeat goes out."""

WARNING_S = 30.0
"""Before a platen moves that was not ordered to move just now: time to read, to halt, and to step back."""

WARN_EVERY_S = 5.0
"""On the console; the page counts every second."""

DISARM_ATTEMPTS = 3
"""Retries while a job is ending; more would delay the next halt."""


class ShownReader(Reader):
    """A reader whose every delivery is seen by others at the moment it is taken.

    Whoever runs a job takes deliveries from it as from any reader; the desk need not ask each of them to
    pass on what they take, nor whether they are still at it.
    """

    def __init__(
        self,
        address: PortAddress,
        rig: RigFile,
        *,
        shown: Callable[[Delivery | None], None],
        lock_places: Sequence[Path] | None = None,
    ) -> None:
        super().__init__(address, rig.wire, rate_hz=rig.rate_hz, lock_places=lock_places)
        self._shown = shown

    def get(self, timeout_s: float) -> Delivery | None:
        """As the reader's; what is taken, or that there was nothing, is shown."""
        delivery = super().get(timeout_s)
        self._shown(delivery)
        return delivery


_Checked = CheckedMethod | CheckedPlan | HeightTask | None
"""What an order asks for, as it may be done; None where nothing had to be checked."""


@dataclass(slots=True)
class _Job:
    """An order that was accepted."""

    number: int
    order: Order
    checked: _Checked
    take_up: Path | None = None
    stopped: threading.Event = field(default_factory=threading.Event)
    proceed: threading.Event = field(default_factory=threading.Event)
    asking: bool = False
    halted_by: str | None = None
    height: HeightCard | None = None

    @property
    def name(self) -> str:
        """Of what is done."""
        match self.checked:
            case CheckedMethod():
                return self.checked.method.name
            case CheckedPlan():
                return self.checked.plan.name
            case HeightTask():
                return HEIGHT_KIND
        return "release" if isinstance(self.order, ReleaseOrder) else "recording"


class Desk:
    """Carries out orders on one rig.

    Parameters
    ----------
    rig
        The rig's file.
    address
        Where its port is.
    out
        Folder that captures are made in.
    board, live
        Where it is shown what happens.
    turned
        Called whenever the loop that holds the rig has turned, in a job or not.
    cautions
        Whether somebody has read this rig's cautions today.
    lock_places
        Directories of lock files; None for the system's.
    """

    def __init__(
        self,
        rig: RigFile,
        address: PortAddress,
        out: Path,
        *,
        board: Board,
        live: LiveAnalysis,
        turned: Callable[[], None] = lambda: None,
        cautions: CautionsRead,
        lock_places: Sequence[Path] | None = None,
    ) -> None:
        self._rig, self._address, self._out = rig, address, out
        self._board, self._live, self._turned = board, live, turned
        self._cautions = cautions
        self._lock_places = lock_places
        self._guard = threading.Lock()
        self._closing = False
        self._stopping = threading.Event()
        self._reader: Reader | None = None
        self._job: _Job | None = None
        self._number = 0
        self._took_up = False
        self._look_due_s = 0.0

    # Orders, from any thread.

    def start(self, order: Order) -> Done | Refusal:
        """Check an order and leave it for the desk, or say why not. Nothing has moved when it returns."""
        try:
            self._must_be_free()
            checked = self._checked(order)
            if isinstance(order, MethodOrder | EnduranceOrder | HeightOrder):
                self._must_be_cautious(order)
            job = self._leave(order, checked)
        except RigError as refusal:
            return Refusal(refused=str(refusal))
        return Done(job=job.number)

    def preview(self, order: Order) -> Preview | Refusal:
        """Say what an order would do on this rig, or why it would be refused."""
        try:
            return Preview(lines=tuple(_lines_about(self._checked(order))))
        except RigError as refusal:
            return Refusal(refused=str(refusal))

    def halt(self, who: str) -> Done | Refusal:
        """Stop the job, and the platen at once; the job ends its capture by itself."""
        job = self._job
        if job is not None:
            job.halted_by = job.halted_by or who
            job.stopped.set()
        logger.info("halt, from {}", who)
        try:
            self._halt_platen()
        except RigError as problem:
            logger.error("the halt was not answered: {}", problem)
            return Refusal(
                refused=f"the halt was sent but not answered ({problem}); without heartbeats the rig stops "
                "by itself, and the emergency stop cuts its power"
            )
        return Done(job=None if job is None else job.number)

    def proceed(self) -> Done | Refusal:
        """The step off the rig is done."""
        job = self._job
        if job is None or not job.asking:
            return Refusal(refused="there is no step off the rig to be done now")
        job.proceed.set()
        return Done(job=job.number)

    def acknowledge(self, who: str) -> Done | Refusal:
        """The cautions have been read today."""
        try:
            self._cautions.confirm(who, self._unit_id())
        except RigError as problem:
            return Refusal(refused=str(problem))
        self._board.cautions_read(today=True)
        return Done()

    def stop(self) -> None:
        """Halt the platen, end the capture, and let `run` return."""
        with self._guard:
            self._closing = True
        self.halt("the end of the daemon")
        # not before: the answer to the halt comes through the reader
        self._stopping.set()

    # The desk's own thread.

    def run(self) -> None:
        """Hold the rig until `stop`; a port that is away is looked for again and again."""
        for module in LOADED_EARLY:
            importlib.import_module(module)
        # a full collection over all that was imported would hold a trip up for tens of milliseconds
        gc.collect()
        gc.freeze()
        pause_s = FIRST_PAUSE_S
        self._board.cautions_read(today=self._cautions_read())
        while not self._stopping.is_set():
            try:
                with ShownReader(
                    self._address, self._rig, shown=self._show, lock_places=self._lock_places
                ) as reader:
                    pause_s = FIRST_PAUSE_S
                    self._attend(reader)
            except RigError as problem:
                logger.debug("the rig is away: {}", problem)
                self._board.away(str(problem))
            except Exception as problem:  # whatever ends a reader, the next one may do better
                logger.opt(exception=problem).error("the rig was lost")
                self._board.away(f"the rig was lost: {problem}")
            self._wait(pause_s)
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)

    def _attend(self, reader: Reader) -> None:
        self._board.reopened(lambda: reader.session.armed)
        self._reader = reader
        self._look_due_s = 0.0
        try:
            while not self._stopping.is_set():
                job = self._job
                if job is not None:
                    self._do(job, reader)
                    continue
                reader.get(IDLE_S)
                self._look_around(reader)
                self._resume_once(reader)
        finally:
            self._reader = None

    def _do(self, job: _Job, reader: Reader) -> None:
        """Carry out a job; whatever comes of it, the desk is free afterwards."""
        logger.info("job {}: {} ({})", job.number, job.name, job.order.card.specimen)
        reason, failed = "stopped", False
        try:
            if job.take_up is not None:
                self._warn_before_moving(job, reader)
            if not job.stopped.is_set():
                reason, failed = self._perform(job, reader)
        except RigError as problem:
            # what was given up because of the person's stop is no failure of the rig
            if not job.stopped.is_set():
                reason, failed = str(problem), True
        except Exception as problem:
            logger.opt(exception=problem).error("job {} broke off", job.number)
            reason, failed = f"broke off: {problem!r}", True
            try:
                self._halt_platen()
            except RigError as unanswered:
                logger.error("the halt was not answered: {}", unanswered)
        finally:
            self._live.end()
            self._disarm(reader)
            self._board.end_job(reason, failed=failed, halted_by=job.halted_by, height=job.height)
            self._look_due_s = 0.0
            with self._guard:
                self._job = None
        logger.info("job {} ended: {}", job.number, reason)

    def _perform(self, job: _Job, reader: Reader) -> tuple[str, bool]:
        """Carry it out; why it ended, and whether that is a failure."""
        if isinstance(job.order, ReleaseOrder):
            assert self._rig.limits is not None
            watch = Watch(job.stopped, partial(self._ask, job), self._tell)
            away_mm = job.order.away_mm
            done = perform_release(reader, self._rig.calibration, self._rig.limits, watch, away_mm=away_mm)
            return done, False
        recorded = self._record(job, reader)
        self._board.job_goes_on(cycles=recorded.progress.cycles)
        return recorded.reason, recorded.failed

    def _record(self, job: _Job, reader: Reader) -> Recorded:
        self._say_how_it_stands()
        began = partial(self._began, job)
        header_of = partial(complete_header, self._about(job))
        watch = Watch(job.stopped, partial(self._ask, job), self._tell, began=began)
        match job.checked:
            case CheckedMethod(rig=limits) if limits.by_hand:
                return perform_guided(
                    reader,
                    self._rig.calibration,
                    header_of,
                    self._out,
                    checked=job.checked,
                    watch=watch,
                    show=self._guide,
                )
            case CheckedMethod():
                return perform_method(
                    reader, self._rig.calibration, header_of, self._out, checked=job.checked, watch=watch
                )
            case CheckedPlan():
                return perform_endurance(
                    reader,
                    self._rig.calibration,
                    header_of,
                    self._out,
                    checked=job.checked,
                    watch=watch,
                    take_up=job.take_up,
                ).recorded
            case HeightTask():
                return self._touch_height(job, job.checked, reader, watch)
        order = job.order
        assert isinstance(order, RecordingOrder)
        return perform_recording(
            reader,
            self._rig.calibration,
            header_of,
            self._out,
            stop=StopRule(order.seconds, order.cycles),
            stopped=job.stopped,
            on_progress=partial(self._tell, ""),
            began=began,
        )

    def _touch_height(self, job: _Job, task: HeightTask, reader: Reader, watch: Watch) -> Recorded:
        """Touch, and work the height out while the rig is still listened to."""
        recorded = measure_height(
            reader,
            self._rig.calibration,
            partial(complete_header, self._about(job)),
            self._out,
            checked=task.checked,
            surfaces=task.surfaces,
            watch=watch,
            bare_mm=task.bare_mm,
        )
        if recorded.reason == TOUCHED:
            self._board.job_goes_on("work the height out", cycles=recorded.progress.cycles)
            with ThreadPoolExecutor(1, "rig-height") as pool:
                working = pool.submit(work_out, task, recorded.path)
                while not working.done():
                    reader.get(IDLE_S)
            job.height = working.result()
        return recorded

    def _about(self, job: _Job) -> CaptureHeader:
        order = job.order
        method: dict[str, Any] | None = None
        if isinstance(order, MethodOrder | EnduranceOrder):
            stiffness = order.card.stiffness_n_per_mm
            method = {"file": order.source, "text": order.text, "stiffness_n_per_mm": stiffness}
        if isinstance(job.checked, CheckedPlan):
            method = {"kind": ENDURANCE_KIND, "goes_on": job.checked.plan.goes_on} | (method or {})
        return header_about(order.card, self._rig, method)

    # What jobs tell.

    def _say_how_it_stands(self) -> None:
        """Show check standards that are outside and calibrations that are overdue, as of now."""
        alarms = standing_of(self._rig).alarms
        for text in alarms:
            logger.warning("{}", text)
        self._board.warn("checks", " ".join(alarms) or None)

    def _show(self, delivery: Delivery | None) -> None:
        self._turned()
        if delivery is not None:
            self._board.take(delivery)
            self._live.put(delivery.samples)

    def _began(self, job: _Job, capture: Path) -> None:
        self._board.job_records(str(capture))
        if isinstance(job.checked, HeightTask):
            return  # its touches are no cycles
        conditioning = job.checked.method.conditioning.cycles if isinstance(job.checked, CheckedMethod) else 0
        height_mm = job.order.card.free_height_mm
        self._live.begin(job.number, AnalysisSettings(conditioning=conditioning, free_height_mm=height_mm))

    def _tell(self, step: str, done: Progress) -> None:
        self._board.job_goes_on(step, cycles=done.cycles)

    def _guide(self, guidance: Guidance) -> None:
        """Show a person at a lever what to do now."""
        parts = (guidance.warning, guidance.instruction, guidance.hint, guidance.before)
        self._board.job_goes_on(" ".join(part for part in parts if part))

    def _ask(self, job: _Job, text: str) -> None:
        """Wait until the person says that a step off the rig is done, or wants to stop."""
        job.proceed.clear()
        job.asking = True
        self._board.job_asks(text)
        try:
            while not job.stopped.is_set() and not job.proceed.wait(LOOK_S):
                pass
        finally:
            job.asking = False
            self._board.job_asks(None)

    # Whether an order can be carried out.

    def _must_be_free(self) -> None:
        job = self._job
        if job is not None:
            raise DeviceError(
                f"a job is under way: {job.name} on {job.order.card.specimen}; halt it, or wait for its end"
            )
        if self._closing:
            raise DeviceError("the daemon is being stopped; start it again first")
        status = self._board.status()
        if self._reader is None or status.state == "away":
            why = "; ".join(status.warnings)
            raise DeviceError(
                f"port {self._address}: the rig is away ({why}); the daemon goes on looking for it"
            )

    def _checked(self, order: Order) -> _Checked:
        if isinstance(order, ReleaseOrder):
            self._must_drive()
            return None
        if isinstance(order, RecordingOrder):
            if order.cycles is not None and order.seconds is not None:
                raise InputError("cycles and seconds: found both, expected one of them at most")
            return None
        facts = facts_of(order.card)
        checked: _Checked
        if isinstance(order, HeightOrder):
            checked = height_task(order, self._limits(), self._out, self._rig.name)
        elif isinstance(order, EnduranceOrder):
            checked = check_plan(parse_plan(order.text, order.source), self._limits(), facts)
        elif self._moves_by_hand():
            checked = check_by_hand(parse_method(order.text, order.source), facts, None)
        else:
            checked = check_method(parse_method(order.text, order.source), self._limits(), facts)
        return checked

    def _cautions_read(self) -> bool:
        """Whether the cautions of this rig, with the device that is on its port now, were confirmed today."""
        return self._cautions.today(self._unit_id())

    def _unit_id(self) -> str | None:
        reader = self._reader
        identity = None if reader is None else reader.identity
        return None if identity is None else identity.unit_id.hex()

    def _moves_by_hand(self) -> bool:
        """Whether a method can only be followed by a person on this rig."""
        reader = self._reader
        return self._rig.limits is None or (reader is not None and moves_by_hand(reader))

    def _limits(self) -> RigLimits:
        """What the rig may do.

        Raises
        ------
        InputError
            If its file does not say.
        DeviceError
            If it has no drive, or a stop is latched.
        """
        limits = self._must_drive()
        device = self._board.status().device
        if device is not None and device.stop_cause is not None:
            raise DeviceError(
                f"the rig has latched a stop ({device.stop_cause}); find its cause, then release it: "
                "`pressrig release`, or the page"
            )
        return limits

    def _must_drive(self) -> RigLimits:
        limits = self._rig.limits
        if limits is None:
            raise InputError(
                f"rig {self._rig.name}: no `drive:` section in its file; a platen needs its rig's limits "
                "before it is moved"
            )
        if self._moves_by_hand():
            raise DeviceError(
                f"rig {self._rig.name}: it does not drive its platen, and a person cannot make this many "
                "squeezes or the slow contact checks of a height"
            )
        return limits

    def _must_be_cautious(self, order: MethodOrder | EnduranceOrder | HeightOrder) -> None:
        if order.cautions_read:
            answer = self.acknowledge(order.card.operator or "an order")
            if isinstance(answer, Refusal):
                logger.warning("{}", answer.refused)
        elif not self._cautions_read():
            raise InputError(
                "cautions: they have not been read today; read them, see that they hold, and confirm them "
                "before the first motion"
            )

    def _leave(
        self,
        order: Order,
        checked: _Checked,
        take_up: Path | None = None,
    ) -> _Job:
        """Leave a job for the desk, which is shown as begun from now on."""
        with self._guard:
            self._must_be_free()
            self._number += 1
            job = _Job(self._number, order, checked, take_up)
            self._board.begin_job(
                job.number,
                order.kind,
                job.name,
                order.card.specimen,
                expected_s=_expected_s(order, checked),
                cycles_wanted=_cycles_wanted(order, checked),
                guided=isinstance(checked, CheckedMethod) and checked.rig.by_hand,
            )
            self._job = job
        return job

    def _resume_once(self, reader: Reader) -> None:
        """Go on with an endurance run whose daemon was lost, if all that allows it still holds.

        Nobody has ordered this motion now, so its plan has to state how old the run may be, the day's
        cautions have to be confirmed for this rig, and a warning goes before it.
        """
        if self._took_up or self._rig.limits is None or reader.identity is None:
            return
        self._took_up = True
        path = unfinished(self._out, self._rig.name)
        if path is None:
            return
        try:
            order = order_of(path)
            # a device that lost its heartbeats has latched a stop; any other stop ends the run when it looks
            limits = self._must_drive()
            checked = check_plan(parse_plan(order.text, order.source), limits, facts_of(order.card))
            self._must_be_resumable(path, checked)
            self._leave(order, checked, path)
        except RigError as problem:
            text = (
                f"{path.name} was cut short and is not resumed by itself: {problem}. Look at the rig, then "
                f"resume it with `pressrig endure {path} --resume`, without this daemon"
            )
            logger.warning("{}", text)
            self._board.warn("unfinished", text)

    def _must_be_resumable(self, path: Path, checked: CheckedPlan) -> None:
        """Refuse a run that a daemon must not go on with by itself.

        Raises
        ------
        DeviceError
            With what is missing.
        """
        within_s = checked.plan.restart_within_s
        if within_s is None:
            raise DeviceError("its plan states no `restart_within`, such as '30 min'")
        age_s = time.time() - max(entry.stat().st_mtime for entry in path.iterdir())
        if not 0 <= age_s <= within_s:
            raise DeviceError(
                f"it was written to {age_s:.0f} s ago by this computer's clock; its plan allows 0 to "
                f"{within_s:.0f} s"
            )
        if open_capture(path).header.identity.get("unit_id") != self._unit_id():
            raise DeviceError("another device is on the port than the one it was begun with")
        if not self._cautions_read():
            raise DeviceError("the cautions of this rig have not been confirmed today")

    def _warn_before_moving(self, job: _Job, reader: Reader) -> None:
        """Count down on page and console before a run goes on after a restart; a halt prevents it.

        Raises
        ------
        DeviceError
            If the rig went away meanwhile, or the cautions no longer hold.
        """
        until_s = time.monotonic() + WARNING_S
        logged_s = math.inf
        while (left_s := until_s - time.monotonic()) > 0 and not job.stopped.is_set():
            text = (
                f"The platen will move by itself in {left_s:.0f} s: {job.name} on "
                f"{job.order.card.specimen} is resumed after a restart of the "
                "daemon. Stand clear, or halt to prevent it"
            )
            if logged_s - left_s >= WARN_EVERY_S:
                logged_s = left_s
                logger.warning("{} (`pressrig halt`, Ctrl-C or the page)", text)
            self._board.job_goes_on(text)
            self._board.warn("resuming", text)
            reader.get(IDLE_S)
            if self._board.away_now():
                break
        self._board.warn("resuming", None)
        if job.stopped.is_set():
            return
        if self._board.away_now() or not self._cautions_read():
            raise DeviceError(
                "not resumed: the rig went away while the warning was shown, or the cautions no longer hold; "
                "look at the rig, then use `pressrig endure CAPTURE --resume`"
            )

    # The platen.

    def _halt_platen(self) -> None:
        reader = self._reader
        identity = None if reader is None else reader.identity
        if reader is not None and identity is not None and identity.capabilities & Capability.DRIVES:
            reader.session.halt()

    def _disarm(self, reader: Reader) -> None:
        """See that a rig is disarmed after a job.

        A halt that comes meanwhile cuts the job's own request to disarm short, and a rig left armed would
        latch a stop for want of heartbeats.
        """
        identity = reader.identity
        if identity is None or not identity.capabilities & Capability.DRIVES:
            return
        for _ in range(DISARM_ATTEMPTS):
            try:
                reader.session.disarm()
            except DeviceError as problem:
                logger.debug("not yet disarmed: {}", problem)
            else:
                return

    def _look_around(self, reader: Reader) -> None:
        """What can change while nobody asks for anything: a stop that is opened, or the day."""
        now_s = time.monotonic()
        if now_s < self._look_due_s:
            return
        self._look_due_s = now_s + LOOK_AROUND_S
        self._board.cautions_read(today=self._cautions_read())
        identity = reader.identity
        if identity is None or not identity.capabilities & Capability.DRIVES:
            return
        try:
            reader.session.state()
        except DeviceError as problem:
            logger.debug("it was not said how the device stands: {}", problem)

    def _wait(self, pause_s: float) -> None:
        """Wait, but not beyond the wish to stop; the loop turns meanwhile."""
        until_s = time.monotonic() + pause_s
        while time.monotonic() < until_s and not self._stopping.wait(LOOK_S):
            self._turned()


def _lines_about(checked: _Checked) -> Iterator[str]:
    """Yield what a checked order will do, and what stops it."""
    match checked:
        case CheckedMethod():
            method, rig = checked, checked.rig
        case CheckedPlan():
            method, rig = checked.method, checked.method.rig
        case HeightTask():
            plan, rig = checked.checked.plan, checked.checked.rig
            yield (
                f"Touch {' and '.join(checked.surfaces)} {plan.touches} times each at "
                f"{plan.speed_mm_per_s:g} mm/s, up to {plan.top_n:g} N."
            )
        case None:
            return
    if not isinstance(checked, HeightTask):
        yield from describe(method)
        if rig.by_hand:
            yield "Moved by hand; nothing but the hand stops it."
            yield from hard_by_hand(method)
            return
    (least_n, most_n), (top_mm, bottom_mm) = rig.force_n, rig.travel_mm
    yield f"The rig stops outside {least_n:g} to {most_n:g} N and {top_mm:g} to {bottom_mm:g} mm."


def facts_of(card: SpecimenCard) -> SpecimenFacts:
    """What a method is checked against."""
    return SpecimenFacts(card.free_height_mm, card.area_mm2, card.stiffness_n_per_mm)


def order_of(capture: Path) -> EnduranceOrder:
    """The order that began a capture of an endurance run.

    Raises
    ------
    CaptureError
        If it is no capture, or not one of an endurance run.
    """
    header = open_capture(capture).header
    method = header.method or {}
    if method.get("kind") != ENDURANCE_KIND:
        raise CaptureError(f"{capture}: is no endurance run; give the capture of one that was cut short")
    return EnduranceOrder(
        text=method.get("text", ""),
        source=method.get("file", "plan"),
        card=SpecimenCard(
            specimen=header.specimen,
            batch=header.batch,
            free_height_mm=header.free_height_mm,
            area_mm2=header.area_mm2,
            stiffness_n_per_mm=method.get("stiffness_n_per_mm"),
            operator=header.operator,
        ),
    )


def _expected_s(order: Order, checked: _Checked) -> float | None:
    match checked:
        case CheckedMethod():
            return checked.time_s
        case CheckedPlan():
            return checked.plan.until.time_s
    return order.seconds if isinstance(order, RecordingOrder) else None


def _cycles_wanted(order: Order, checked: _Checked) -> int | None:
    if isinstance(checked, HeightTask):
        return checked.touches
    if isinstance(checked, CheckedPlan):
        return checked.plan.until.cycles
    return order.cycles if isinstance(order, RecordingOrder) else None
