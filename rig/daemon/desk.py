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
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from rig.capture import open_capture
from rig.core import kind_of, logger
from rig.daemon.board import Board
from rig.daemon.bulletin import Done, Preview, Refusal
from rig.daemon.live import LiveAnalysis
from rig.errors import DeviceError, InputError, RigError
from rig.jobs import Bench, Ended, Job, Standing, Watch, check_job
from rig.jobs.cautions import CautionsRead
from rig.jobs.driving import PlatenRunsOnError
from rig.jobs.endurance import endurance_job, order_of, recorded_until_s, resume_command, unfinished
from rig.jobs.guidance import Guidance
from rig.jobs.motion_watch import IntendedMotion, MotionWatch
from rig.jobs.orders import Order
from rig.methods import CheckedPlan
from rig.reader import MANY_BOOTS, Delivery, PortAddress, Reader, restarts
from rig.rigchecks import standing_of
from rig.rigfile import RigFile, read_rig_file
from rig.samples import US_PER_S

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

CLOCK_BEGINS_ANEW = frozenset(("reset", "link_restored", "streaming"))
"""Events behind which time and position may count from elsewhere."""


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
        super().__init__(
            address, rig.wire, rate_hz=rig.rate_hz, disagreement=rig.disagreement, lock_places=lock_places
        )
        self._shown = shown

    def get(self, timeout_s: float) -> Delivery | None:
        """As the reader's; what is taken, or that there was nothing, is shown."""
        delivery = super().get(timeout_s)
        self._shown(delivery)
        return delivery


@dataclass(slots=True)
class _UnderWay:
    """A job that was accepted, and what has happened to it since."""

    number: int
    job: Job
    warned: bool = False
    stopped: threading.Event = field(default_factory=threading.Event)
    proceed: threading.Event = field(default_factory=threading.Event)
    asking: bool = False
    halted_by: str | None = None


class Desk:
    """Carries out orders on one rig.

    `turned`: called whenever the loop that holds the rig has turned, in a job or not.
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
        self._under_way: _UnderWay | None = None
        self._number = 0
        self._took_up = False
        self._look_due_s = 0.0
        self._stands: MotionWatch | None = None
        self._boots = 0
        self._moves_logged_s = -math.inf

    # Orders, from any thread.

    def start(self, order: Order) -> Done | Refusal:
        """Check an order and leave it for the desk, or say why not. Nothing has moved when it returns."""
        try:
            self._must_be_free()
            job = check_job(order, self._standing())
            self._must_be_as_read(job)
            self._must_be_cautious(job)
            number = self._leave(job).number
        except RigError as refusal:
            return Refusal(refused=str(refusal))
        return Done(job=number)

    def preview(self, order: Order) -> Preview | Refusal:
        """Say what an order would do on this rig, or why it would be refused."""
        try:
            return Preview(lines=tuple(check_job(order, self._standing()).describe()))
        except RigError as refusal:
            return Refusal(refused=str(refusal))

    def halt(self, who: str) -> Done | Refusal:
        """Stop the job, and the platen at once; the job ends its capture by itself."""
        under_way = self._under_way
        if under_way is not None:
            under_way.halted_by = under_way.halted_by or who
            under_way.stopped.set()
        logger.info("halt, from {}", who)
        try:
            self._halt_platen()
        except RigError as problem:
            logger.error("the halt was not answered: {}", problem)
            return Refusal(
                refused=f"the halt was sent but not answered ({problem}); without heartbeats the rig stops "
                "by itself, and the emergency stop cuts its power"
            )
        return Done(job=None if under_way is None else under_way.number)

    def proceed(self) -> Done | Refusal:
        """The step off the rig is done."""
        under_way = self._under_way
        if under_way is None or not under_way.asking:
            return Refusal(refused="no manual step is waiting now")
        under_way.proceed.set()
        return Done(job=under_way.number)

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
                logger.debug("the rig is disconnected: {}", problem)
                self._board.away(str(problem))
            except Exception as problem:  # whatever ends a reader, the next one may do better
                logger.opt(exception=problem).error("the rig was lost")
                self._board.away(f"the rig was lost: {problem}")
            until_s = time.monotonic() + pause_s
            while time.monotonic() < until_s and not self._stopping.wait(LOOK_S):
                self._turned()
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)

    def _attend(self, reader: Reader) -> None:
        self._board.reopened(lambda: reader.session.armed)
        self._reader = reader
        self._look_due_s = 0.0
        self._stands, self._boots = None, reader.boots
        try:
            while not self._stopping.is_set():
                under_way = self._under_way
                if under_way is not None:
                    self._do(under_way, reader)
                    self._stands = None
                    continue
                delivery = reader.get(IDLE_S)
                if delivery is not None:
                    self._must_stand(delivery, reader)
                self._look_around(reader)
                self._resume_once(reader)
        finally:
            self._reader = None

    def _do(self, under_way: _UnderWay, reader: Reader) -> None:
        """Carry out a job; whatever comes of it, the desk is free afterwards."""
        job, number = under_way.job, under_way.number
        logger.info("job {}: {} ({})", number, job.name, job.card.specimen)
        for about in ("moves", "armed"):
            self._board.warn(about, None)
        ended = Ended(reason="stopped")
        try:
            if under_way.warned:
                self._warn_before_moving(under_way, reader)
            if not under_way.stopped.is_set():
                ended = self._perform(under_way, reader)
        except RigError as problem:
            # given up because of the person's stop: no failure of the rig, unless its platen goes on
            if not under_way.stopped.is_set() or isinstance(problem, PlatenRunsOnError):
                ended = Ended(reason=str(problem), failed=True)
        except Exception as problem:
            logger.opt(exception=problem).error("job {} failed", number)
            ended = Ended(reason=f"broke off: {problem!r}", failed=True)
            try:
                self._halt_platen()
            except RigError as unanswered:
                logger.error("the halt was not answered: {}", unanswered)
        finally:
            self._live.end()
            self._disarm(reader)
            self._board.end_job(
                ended.reason, failed=ended.failed, halted_by=under_way.halted_by, height=ended.height
            )
            self._look_due_s = 0.0
            with self._guard:
                self._under_way = None
        logger.log("ERROR" if ended.failed else "INFO", "job {} ended: {}", number, ended.reason)

    def _perform(self, under_way: _UnderWay, reader: Reader) -> Ended:
        # check standards that are outside and calibrations that are overdue, as of now
        alarms = standing_of(self._rig).alarms
        for text in alarms:
            logger.warning("{}", text)
        self._board.warn("checks", " ".join(alarms) or None)
        watch = Watch(
            under_way.stopped,
            partial(self._ask, under_way),
            lambda step, done: self._board.job_goes_on(step, cycles=done.cycles, earlier=done.earlier),
            began=partial(self._began, under_way),
            guide=self._guide,
        )
        ended = under_way.job.perform(Bench(reader, self._rig, self._out, watch))
        self._board.job_goes_on(cycles=ended.progress.cycles)
        return ended

    # What jobs tell.

    def _show(self, delivery: Delivery | None) -> None:
        self._turned()
        if delivery is not None:
            self._board.take(delivery)
            self._live.put(delivery.samples)

    def _began(self, under_way: _UnderWay, capture: Path) -> None:
        self._board.job_records(str(capture))
        settings = under_way.job.analysed_with
        if settings is not None:
            self._live.begin(under_way.number, settings)

    def _guide(self, guidance: Guidance) -> None:
        """Show a person at a lever what to do now."""
        parts = (guidance.warning, guidance.instruction, guidance.hint, guidance.before)
        self._board.job_goes_on(" ".join(part for part in parts if part))

    def _ask(self, under_way: _UnderWay, text: str) -> None:
        """Wait until the person says that a step off the rig is done, or wants to stop."""
        under_way.proceed.clear()
        under_way.asking = True
        self._board.job_asks(text)
        try:
            while not under_way.stopped.is_set() and not under_way.proceed.wait(LOOK_S):
                pass
        finally:
            under_way.asking = False
            self._board.job_asks(None)

    # Whether an order can be carried out.

    def _must_be_free(self) -> None:
        under_way = self._under_way
        if under_way is not None:
            raise DeviceError(
                f"a job is under way: {under_way.job.name} on {under_way.job.card.specimen}; halt it, or "
                "wait until it ends"
            )
        if self._closing:
            raise DeviceError("the daemon is stopping; start it again first")
        status = self._board.status()
        if self._reader is None or status.state == "away":
            why = "; ".join(status.warnings)
            raise DeviceError(
                f"port {self._address}: the rig is disconnected ({why}); the daemon keeps looking for it"
            )

    def _must_be_as_read(self, job: Job) -> None:
        """Refuse an order by a rig file that was changed: whoever gives it reads other limits in it.

        A release is not refused: a person may be trapped.

        Raises InputError if the file or its calibration is not what the daemon has read, or cannot be read.
        """
        if self._rig.path is None or job.order.kind == "release":
            return
        now = read_rig_file(self._rig.path)
        if now.source != self._rig.source or now.calibration.identity != self._rig.calibration.identity:
            raise InputError(
                f"{self._rig.path}: the rig file or its calibration was changed after this daemon read it: "
                "its limits may have changed; restart `pressrig serve`"
            )

    def _standing(self) -> Standing:
        """Return the rig as an order is checked against it."""
        device = self._board.status().device
        return Standing(
            self._rig,
            self._out,
            by_hand=self._rig.limits is None or (self._reader is not None and not self._reader.drives),
            stop_cause=None if device is None else device.stop_cause,
        )

    def _cautions_read(self) -> bool:
        """Whether the cautions of this rig, with the device that is on its port now, were confirmed today."""
        return self._cautions.today(self._unit_id())

    def _unit_id(self) -> str | None:
        reader = self._reader
        identity = None if reader is None else reader.identity
        return None if identity is None else identity.unit_id.hex()

    def _must_be_cautious(self, job: Job) -> None:
        if job.cautions_read:
            answer = self.acknowledge(job.card.operator or "an order")
            if isinstance(answer, Refusal):
                logger.warning("{}", answer.refused)
        elif job.cautions_read is not None and not self._cautions_read():
            raise InputError(
                "cautions: not confirmed today; read them, make sure that they are met, and confirm them "
                "before the first motion"
            )

    def _leave(self, job: Job, *, warned: bool = False) -> _UnderWay:
        """Leave a job for the desk, which is shown as begun from now on."""
        with self._guard:
            self._must_be_free()
            self._number += 1
            under_way = _UnderWay(self._number, job, warned)
            self._board.begin_job(
                under_way.number,
                job.order.kind,
                job.name,
                job.card.specimen,
                expected_s=job.expected_s,
                cycles_wanted=job.cycles_wanted,
                guided=job.guided,
            )
            self._under_way = under_way
        return under_way

    def _resume_once(self, reader: Reader) -> None:
        """Go on with an endurance run whose daemon was lost, if all that allows it still holds.

        No person has ordered this motion now, so its plan has to state how old the run may be, the day's
        cautions have to be confirmed for this rig, and a warning goes before it.
        """
        if self._took_up or self._rig.limits is None or reader.identity is None:
            return
        self._took_up = True
        path = unfinished(self._out, self._rig.name)
        if path is None:
            return
        try:
            # a device that lost its heartbeats has latched a stop; any other stop ends the run when it looks
            job = endurance_job(order_of(path), self._standing().drive(), path)
            self._must_be_resumable(path, job.checked)
            self._leave(job, warned=True)
        except RigError as problem:
            text = (
                f"{path.name} was interrupted and is not resumed automatically: {problem}. Check the rig, "
                f"end this daemon, then type `{resume_command(path, self._rig.path)}`"
            )
            logger.warning("{}", text)
            self._board.warn("unfinished", text)

    def _must_be_resumable(self, path: Path, checked: CheckedPlan) -> None:
        """Refuse a run that a daemon must not go on with by itself.

        Raises DeviceError with what is missing.
        """
        within_s = checked.plan.restart_within_s
        if within_s is None:
            raise DeviceError("its plan states no `restart_within`, such as '30 min'")
        capture = open_capture(path)
        age_s = time.time() - recorded_until_s(capture)
        if not 0 <= age_s <= within_s:
            raise DeviceError(
                f"it was written to {age_s:.0f} s ago by this computer's clock; its plan allows 0 to "
                f"{within_s:.0f} s"
            )
        if any(kind_of(event) == "squeezing ended" for event in capture.each_event()):
            raise DeviceError("its squeezing has ended, and only contact checks of its recovery are left")
        if capture.header.identity.get("unit_id") != self._unit_id():
            raise DeviceError("the device on the port is not the one that the run started with")
        if not self._cautions_read():
            raise DeviceError("the cautions of this rig have not been confirmed today")

    def _warn_before_moving(self, under_way: _UnderWay, reader: Reader) -> None:
        """Count down on page and console before a run goes on after a restart; a halt prevents it.

        Raises DeviceError if the rig went away meanwhile, or the cautions no longer hold.
        """
        until_s = time.monotonic() + WARNING_S
        logged_s = math.inf
        while (left_s := until_s - time.monotonic()) > 0 and not under_way.stopped.is_set():
            text = (
                f"The platen will move by itself in {left_s:.0f} s: {under_way.job.name} on "
                f"{under_way.job.card.specimen} resumes after a restart of the daemon. Stand clear, or "
                "halt to prevent it"
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
        if under_way.stopped.is_set():
            return
        if self._board.away_now() or not self._cautions_read():
            raise DeviceError(
                "not resumed: the rig was disconnected during the warning, or the cautions are no longer "
                "confirmed; check the rig, end this daemon, then use `pressrig endure CAPTURE --resume --rig "
                "RIG`"
            )

    # The platen.

    def _halt_platen(self) -> None:
        reader = self._reader
        if reader is not None and reader.drives:
            reader.session.halt()

    def _disarm(self, reader: Reader) -> None:
        """See that a rig is disarmed after a job.

        A halt that comes meanwhile cuts the job's own request to disarm short, and a rig left armed would
        latch a stop for want of heartbeats.
        """
        if not reader.drives:
            return
        for _ in range(DISARM_ATTEMPTS):
            try:
                reader.session.disarm()
            except DeviceError as problem:
                logger.debug("not yet disarmed: {}", problem)
            else:
                return

    def _must_stand(self, delivery: Delivery, reader: Reader) -> None:
        """Warn of a platen that moves while no job is under way, and send a halt.

        The rig is disarmed: a device that moves it all the same may do so again. Where the rig's file states
        no drive, or the device says that its motor has no current, a hand moves the platen.
        """
        limits, samples = self._rig.limits, delivery.samples
        if any(event.kind in CLOCK_BEGINS_ANEW for event in delivery.events):
            self._stands = None
        calibration = self._rig.calibration
        covered = calibration.covers(samples.force_channel, samples.position_channel)
        if limits is None or not reader.drives or not len(samples) or not all(covered):
            return
        device = self._board.status().device
        if device is not None and device.motor_current is False:
            self._stands = None
            return
        if self._stands is None:
            self._stands = MotionWatch(IntendedMotion("no job is under way", "stand", 0.0), limits)
        found = self._stands.look(
            samples.time_us / US_PER_S, calibration.position_mm(samples), calibration.force_n(samples)
        )
        if found is None:
            return
        self._stands = None
        reader.session.halt_unanswered()
        text = f"{found}. Stand clear, and press the emergency stop if it goes on"
        self._board.warn("moves", text)
        if time.monotonic() - self._moves_logged_s >= WARN_EVERY_S:
            self._moves_logged_s = time.monotonic()
            logger.critical("{}", text)

    def _look_around(self, reader: Reader) -> None:
        """What can change without a request: a stop that is opened, or the day."""
        now_s = time.monotonic()
        if now_s < self._look_due_s:
            return
        self._look_due_s = now_s + LOOK_AROUND_S
        self._board.cautions_read(today=self._cautions_read())
        boots, self._boots = reader.boots - self._boots, reader.boots
        self._board.warn("restarts", restarts(boots) if boots >= MANY_BOOTS else None)
        if not reader.drives:
            return
        try:
            reader.session.state()
        except DeviceError as problem:
            logger.debug("the device did not report its state: {}", problem)
        armed = "the device is armed, or does not say that it is not, although no job is under way"
        self._board.warn("armed", f"{armed}: do not reach in" if reader.session.armed else None)
