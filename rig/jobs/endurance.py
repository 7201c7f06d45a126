"""Squeeze a specimen again and again, for a day and a night, through crashes and unplugged cables.

Problem: eighty thousand squeezes outlast cables and computers, and a count, a datum or a specimen lost on the
way makes the rest worthless. Plan: cycles go in blocks. The intent of each is on disk before it moves
(ledger.py), the device cycles by itself where it can, and what it does is followed live (trend.py). Where
link or host are lost the block is settled from the device's own count; the run goes on only if the plan
says so, the device has not stopped for another reason, the datum was made anew by homing, and a contact check
finds the specimen where it was. At the end come the contact checks of recovery. Cost: that of a
recording, and the live analysis.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from shlex import quote
from typing import Any

from rig.analyser import AnalysisSettings, Columns, Depth, flag_labels
from rig.capture import ENDURANCE, Capture, CaptureWriter, open_capture
from rig.core import counted, kind_of, logger
from rig.errors import CaptureError, RigError
from rig.jobs.driving import Driver, LinkLostError, MethodStoppedError, cause_in_words, must_have_finished
from rig.jobs.job import Bench, HeaderOf, Job, Progress, Recorded, facts_of, stops_outside
from rig.jobs.ledger import By, Intent, Ledger, Settled, reconciled, settle
from rig.jobs.orders import EnduranceOrder, SpecimenCard
from rig.jobs.running import described
from rig.jobs.trend import EMPTY_SQUEEZES, GONE_SHARE, Reference, Trend
from rig.methods import (
    CheckedPlan,
    ContactCheckUntil,
    PressToDepth,
    PressToForce,
    RigLimits,
    StartClock,
    WaitUntil,
    check_plan,
    describe,
    parse_plan,
    plan,
)
from rig.reader import Delivery, MotionRequest
from rig.samples import US_PER_S
from rig.wire import Capability, EventCode, State, StateFlag

LINK_PATIENCE_S = 600.0
"""How long a lost link is waited for, in wall time."""

HALT_PATIENCE_S = 5.0
"""A halted platen stands by then."""

AFTERWARDS_S = 1.5
"""Device time recorded without load at the end: the last cycle needs its force zero."""

MOVED_MM = 1.5
"""A specimen that is met this much earlier or later than last time lies no longer as it lay."""

CLEAR_MM = 1.0
CLEAR_S = 0.4
CLEAR_SAMPLES = 192
"""Before the first squeeze the platen stands clear for so long: force zero and noise are taken there."""

LEAST_SAMPLES = 16
"""A cycle of fewer samples may hide its turns between them."""

TELL_S = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Endured(Recorded):
    """How a run ended; `resumable` from when its specimen was found until its last contact check."""

    done: int
    doubtful: int
    exact: bool
    resumable: bool


@dataclass(frozen=True, slots=True)
class EnduranceJob(Job):
    """Squeezes a specimen until its plan has enough.

    `resumed`: a capture of this plan that was stopped, or whose host was lost: go on with it instead of
    beginning one.
    """

    order: EnduranceOrder
    checked: CheckedPlan
    resumed: Path | None = None

    @property
    def name(self) -> str:
        """Of the plan."""
        return self.checked.plan.name

    @property
    def expected_s(self) -> float | None:
        """Where the plan ends after a time."""
        return self.checked.plan.until.time_s

    @property
    def cycles_wanted(self) -> int | None:
        """Where the plan ends after a count."""
        return self.checked.plan.until.cycles

    @property
    def analysed_with(self) -> AnalysisSettings:
        """Every cycle counts."""
        return AnalysisSettings(free_height_mm=self.card.free_height_mm)

    def describe(self) -> Iterator[str]:
        """Yield the plan, and where the rig stops."""
        yield from describe(self.checked.method)
        yield stops_outside(self.checked.method.rig)

    def perform(self, bench: Bench) -> Endured:
        """Squeeze until the plan has enough."""
        method = {"kind": ENDURANCE, "goes_on": self.checked.plan.goes_on} | described(self.order)
        return perform_endurance(bench, bench.heading(self.card, method), self.checked, take_up=self.resumed)


def endurance_job(order: EnduranceOrder, limits: RigLimits, resumed: Path | None = None) -> EnduranceJob:
    """Check an order against a driven rig.

    Raises InputError if the plan is wrong, or does not fit the rig or the specimen.
    """
    plan = parse_plan(order.text, order.source, recorded=resumed is not None)
    checked = check_plan(plan, limits, facts_of(order.card))
    return EnduranceJob(order, checked, resumed)


def order_of(capture: Path) -> EnduranceOrder:
    """Return the order that began a capture of an endurance run.

    Raises CaptureError if it is no capture, or not one of an endurance run.
    """
    header = open_capture(capture).header
    ordered = header.ordered
    if ordered.kind != ENDURANCE:
        raise CaptureError(f"{capture}: not an endurance run; give the capture of an interrupted one")
    return EnduranceOrder(
        text=ordered.text,
        source=ordered.file or "plan",
        card=SpecimenCard(
            specimen=header.specimen,
            batch=header.batch,
            free_height_mm=header.free_height_mm,
            area_mm2=header.area_mm2,
            stiffness_n_per_mm=ordered.stiffness_n_per_mm,
            operator=header.operator,
        ),
    )


def resume_command(capture: Path, rig_file: Path | None, port: str | None = None) -> str:
    """Return what a person types to resume a run."""
    at_port = f" --port {quote(port)}" if port else ""
    return f"pressrig endure {quote(str(capture))} --resume --rig {quote(str(rig_file or 'RIG'))}{at_port}"


def must_be_resumable_after(stop_cause: int) -> None:
    """Refuse to resume a run on a device that a cause other than a lost host has stopped.

    Raises MethodStoppedError with the cause.
    """
    if stop_cause not in (0, EventCode.HEARTBEAT_LOST):
        cause = cause_in_words(stop_cause)
        raise MethodStoppedError(
            f"not resumed: the device has stopped ({cause}); find its cause, then `pressrig release`"
        )


class _EnoughError(Exception):
    """A criterion is met in the midst of a block; it never leaves this module."""


def perform_endurance(
    bench: Bench, header_of: HeaderOf, checked: CheckedPlan, *, take_up: Path | None = None
) -> Endured:
    """Squeeze until the plan has enough, and record all of it.

    Raises DeviceError if the rig has no drive, or refuses to be made ready; nothing is recorded then. Raises
    CaptureError if there is nothing to take up. Raises RecorderError if the capture cannot be begun.

    `take_up`: a capture of this plan that was stopped, or whose host was lost: go on with it instead of
    beginning one.
    """
    recovers = checked.plan.recovery is not None
    run = _Run(bench, checked, _Before.of(take_up, bench.rig.name, recovers) if take_up else _Before())
    try:
        header = header_of(bench.reader)
        if take_up is None:
            capture = CaptureWriter.create(bench.folder, header)
        else:
            capture = CaptureWriter.resume(take_up, reopen=True)
            for warning in header.warnings:  # as of now, not of when it was begun
                capture.event("warning", text=warning)
        reason, failed = run.driver.record(capture, run.go, run.tallies)
    finally:
        run.driver.leave()
    return Endured(
        path=capture.path,
        reason=reason,
        failed=failed,
        progress=run.progress(),
        done=run.ledger.done,
        doubtful=run.ledger.doubtful,
        exact=run.ledger.exact,
        resumable=run.resumable,
    )


def unfinished(parent: Path, rig_name: str) -> Path | None:
    """Return the newest capture in a folder whose host was lost in an endurance run that is to go on by
    itself.
    """
    found = []
    for folder in sorted(parent.glob("*/")) if parent.is_dir() else []:
        try:
            capture = open_capture(folder)
        except CaptureError:
            continue
        ordered = capture.header.ordered
        same = ordered.kind == ENDURANCE and capture.header.rig.get("name") == rig_name
        if same and ordered.goes_on and capture.ending is None and not (folder / "end.yaml").exists():
            found.append((capture.header.started, folder))
    return max(found)[1] if found else None


def recorded_until_s(capture: Capture, last_us: int | None = None) -> float:
    """Return when a capture's last event was recorded, in Unix time, as it says itself: a copy has other file
    dates.

    `last_us`: when this device time was, instead: that of the last sample, which lies behind the last event,
    or far before it where the samples of some blocks are left out.
    """
    until_s = capture.header.started.timestamp()
    for event in capture.each_event():
        with suppress(ValueError):
            wall_s = datetime.fromisoformat(str(event.get("wall"))).timestamp()
            time_us = event.get("time_us")
            if last_us is None:
                until_s = wall_s
            elif isinstance(time_us, int) and time_us > 0:  # zero: nothing of the device was known yet
                until_s = wall_s + (last_us - time_us) / US_PER_S
    return until_s


@dataclass(frozen=True, slots=True)
class _Before:
    """What a capture that is taken up says of the time before.

    `over`: why its squeezing was enough. `released_s`, `clock_s`: device time at which it was, and from which
    the contact checks of recovery are timed.
    """

    ledger: Ledger | None = None
    contact_mm: float | None = None
    set_mm: float = 0.0
    reference: Reference | None = None
    squeezed_s: float = 0.0
    over: str | None = None
    released_s: float = 0.0
    clock_s: float = 0.0
    why: str = "the host was lost"
    rows: int = 0
    last_seq: int = 0
    last_us: int = 0
    away_s: float = 0.0

    @classmethod
    def of(cls, path: Path, rig_name: str, recovers: bool) -> _Before:
        capture = open_capture(path)
        if capture.header.ordered.kind != ENDURANCE:
            raise CaptureError(f"{path}: not an endurance run; give the capture of an interrupted one")
        recorded_on = capture.header.rig.get("name")
        if recorded_on not in (None, rig_name):
            raise CaptureError(
                f"{path}: was recorded on the rig {recorded_on!r}, not on {rig_name!r}; resume it on that one"
            )
        try:
            known: dict[str, Any] = {"ledger": Ledger.of(capture.each_event())}
            for event in capture.each_event():
                match kind_of(event):
                    case "contact found":
                        known.setdefault("contact_mm", float(event["position_mm"]))
                    case "reference":
                        names = ("stiffness", "peak_force_n", "contact_mm")
                        numbers = (float(event[name]) for name in names)
                        known["reference"] = Reference(int(event["cycle"]), *numbers)
                    case "block settled":
                        known["set_mm"] = float(event.get("set_mm") or 0.0)
                        known["squeezed_s"] = float(event.get("squeezed_s") or 0.0)
                    case "squeezing ended":
                        known["over"] = str(event["reason"])
                        known["released_s"] = known["clock_s"] = float(event["time_us"]) / US_PER_S
                    case "step" if event.get("action") == "start clock" and event.get("phase") == "begin":
                        known["clock_s"] = float(event["time_us"]) / US_PER_S
            over = known.get("over")
            if over is not None and (not _recovers(recovers, over) or capture.how_it_ended == over):
                raise CaptureError(f"{path}: it is complete ({over}); start a new run instead")
            if capture.ending is not None:
                known["why"] = capture.how_it_ended
        except (KeyError, TypeError, ValueError) as problem:
            raise CaptureError(
                f"{path}/events.jsonl: an event of the run cannot be read ({problem!r}), so its count is not "
                "certain; start a new run instead"
            ) from None
        known["rows"] = max((int(row["cycle"]) for row in capture.summary_rows()), default=0)
        last_seq = last_us = 0
        for samples in capture.batches():
            last_seq, last_us = int(samples.seq[-1]), int(samples.time_us[-1])
        away_s = max(time.time() - recorded_until_s(capture, last_us), 0.0)
        return cls(**known, last_seq=last_seq, last_us=last_us, away_s=away_s)


def _recovers(planned: bool, over: str) -> bool:
    """Return whether contact checks of recovery follow: a specimen that slipped or is lost has none."""
    return planned and "specimen" not in over


class _Run:
    """One run: the driver, the account and the trend, and what is to be done next."""

    def __init__(self, bench: Bench, checked: CheckedPlan, before: _Before) -> None:
        reader, calibration, watch = bench.reader, bench.calibration, bench.watch
        self._reader, self._checked, self._plan = reader, checked, checked.plan
        self._watch, self._before = watch, before
        self.ledger = before.ledger or Ledger()
        half_way = Depth.of(f"{checked.depth_mm / 2:.6g} mm")
        to_depth = isinstance(self._plan.squeeze.goal, PressToDepth)
        self._trend = Trend(
            calibration,
            AnalysisSettings(
                contact_force_n=self._plan.contact_check.force_n,
                free_height_mm=checked.method.specimen.free_height_mm,
                at=(half_way,) if to_depth else (),
            ),
            # to a depth, the force at a fixed deflection; to a force, the deflection that it takes
            stiffness=f"at {half_way.label}.loading_n" if to_depth else "secant_n_per_mm",
            reference_after=self._plan.reference_after,
            reference=before.reference,
            on_rows=self._summarise if self._plan.raw_one_in > 1 else None,
        )
        self._calibration_id = calibration.identity
        self.driver = Driver(reader, calibration, checked.rig, replace(watch, see=self._see))
        self.driver.free_height_mm = checked.method.specimen.free_height_mm
        self._referenced = before.reference is not None
        self._measured = False
        self._released_s = before.released_s
        self._began_s: float | None = None
        self._told = 0.0
        self._of_block = 0
        self._earlier = 0
        self._set_before_mm = before.set_mm
        self._rows_before = before.rows
        self.resumable = before.contact_mm is not None

    def progress(self) -> Progress:
        """Return how far it is."""
        return replace(self.driver.progress(self.ledger.done + self._of_block), earlier=self._earlier)

    def tallies(self) -> dict[str, Any]:
        """For the end of the capture."""
        ledger = self.ledger
        return {"endurance": {"cycles": ledger.done, "doubtful": ledger.doubtful, "exact": ledger.exact}}

    def go(self) -> tuple[str, bool]:
        """Everything; why it ended, and whether that is a failure."""
        try:
            if self._before.ledger is None:
                self._begin()
            else:
                self._continue()
            reason = self._before.over or self._squeeze()
            self._recover(reason)
            self.resumable = False
            self.driver.wait(AFTERWARDS_S)
            self._trend.flush()
            self.driver.finish()
        except RigError as problem:
            why, failed = self.driver.end_early(problem, "method stopped")
            # a device behind a link that was lost cannot be asked
            self._settle(None if isinstance(problem, LinkLostError) else self._standing_still())
            where = ", during recovery" if self._released_s and self.resumable else ""
            return why if failed else f"stopped{where}", failed
        return reason, False

    # From the first contact check to the last.

    def _begin(self) -> None:
        plan = self._plan
        self.driver.event("endurance", name=plan.name, source=plan.source, cycles_wanted=plan.until.cycles)
        self.driver.make_ready()
        self.driver.arm()
        place = str(plan.contact_check.place)
        self._tell("contact check")
        contact_mm = self.driver.check_contact(
            plan.contact_check.force_n,
            plan.contact_check.speed_mm_per_s,
            place,
            self.driver.deepest_check_mm(),
        )
        self.driver.set_contact(contact_mm, plan.contact_check.force_n)
        self._must_fit(contact_mm)
        self.driver.event("contact found", position_mm=contact_mm)
        self.resumable = True
        self._stand_clear()

    def _continue(self) -> None:
        """Go on where another process was killed, or where the run was stopped."""
        before = self._before
        if before.contact_mm is None:
            raise MethodStoppedError("the run had not found its specimen yet; start a new one")
        self.driver.continue_after(before.last_seq, before.last_us, before.away_s)
        # with its force, so that what watches a press and bounds a contact check knows where the specimen is
        self.driver.set_contact(before.contact_mm, self._plan.contact_check.force_n)
        self._take_up(before.why)
        self._earlier = self.ledger.done
        if before.over is not None:
            self._note_recovery()

    def _squeeze(self) -> str:
        """Block after block; why it is enough."""
        reason = self._enough()
        while reason is None:
            try:
                self._block()
            except _EnoughError as enough:
                reason = str(enough)
                break
            except LinkLostError as lost:
                if not self._plan.goes_on:
                    raise
                logger.warning("{}; waiting for the rig", lost)
                self._take_up(str(lost))
            reason = self._enough()
        self._released_s = self.driver.device_s
        self.driver.event("squeezing ended", reason=reason, cycles=self.ledger.done)
        self.resumable = _recovers(self._plan.recovery is not None, reason)
        self._sync()
        return reason

    def _enough(self) -> str | None:
        until, standing = self._plan.until, self._trend.standing
        if until.cycles is not None and self.ledger.done >= until.cycles:
            return counted(until.cycles, "cycle")
        if until.time_s is not None and self._squeezed_s() >= until.time_s:
            return f"{until.time_s:g} s of squeezing"
        if standing is None:
            return None
        loss = until.stiffness_loss_pct
        if loss is not None and standing.stiffness_loss_pct >= loss:
            return f"stiffness down by {standing.stiffness_loss_pct:.1f} %"
        limit_mm = self._checked.set_limit_mm
        if limit_mm is not None and standing.set_mm >= limit_mm:
            return f"set of {standing.set_mm:.2f} mm"
        return None

    def _squeezed_s(self) -> float:
        since_s = 0.0 if self._began_s is None else self.driver.device_s - self._began_s
        return self._before.squeezed_s + since_s

    # One block.

    def _block(self) -> None:
        wanted, until = self._plan.block, self._plan.until
        if until.cycles is not None:
            wanted = min(wanted, until.cycles - self.ledger.done)
        # positions can be cycled by the device, forces only by whoever sees them
        identity = self._reader.identity
        cycles = identity is not None and Capability.CYCLES in identity.capabilities
        by: By = "device" if cycles and isinstance(self._plan.squeeze.goal, PressToDepth) else "host"
        intent = self.ledger.next(wanted, by, self.driver.session.state())
        self.driver.keep_raw = (intent.block - 1) % self._plan.raw_one_in == 0
        self.driver.event("block intent", **asdict(intent))
        self.driver.sync()
        self.ledger.begin(intent)
        self._trend.restart()
        self._began_s = self.driver.device_s if self._began_s is None else self._began_s
        try:
            if intent.by == "device":
                self._device_cycles(intent)
            else:
                self._host_cycles(intent)
        except LinkLostError:
            raise  # it is settled once the device can be asked
        except (RigError, _EnoughError):
            self.driver.halt()
            self._settle(self._standing_still())
            raise
        settled = self._close(Settled(intent.cycles, f"the {intent.by}'s own count"))
        if settled.done != intent.cycles or not settled.exact:
            raise MethodStoppedError(
                f"block {intent.block}: the device reports {intent.cycles} cycles, its samples show "
                f"{self.driver.cycles_seen}; {settled.done} are counted"
            )

    def _device_cycles(self, intent: Intent) -> None:
        squeeze, driver = self._plan.squeeze, self.driver
        time_s = intent.cycles * self._cycle_s()
        motion = driver.cycle(
            driver.contact_mm - squeeze.gap_mm,
            driver.contact_mm + self._checked.depth_mm,
            squeeze.speed_mm_per_s,
            intent.cycles,
            rest_s=squeeze.rest_s,
            hold_s=squeeze.hold_s,
            time_s=time_s,
            place=f"block {intent.block}",
        )
        driver.follow(motion, time_s, look=lambda: self._look(motion))
        assert motion.end is not None
        self.ledger.hear(motion.cycles_done)
        must_have_finished(f"block {intent.block}", motion.end)

    def _look(self, motion: MotionRequest) -> None:
        self._of_block = motion.cycles_done
        self.ledger.hear(motion.cycles_done)
        self._tell(f"block {self.ledger.blocks}")
        self._must_be_there()

    def _cycle_s(self) -> float:
        """Return the time of a cycle at full speed; the device's brakes make it longer."""
        squeeze = self._plan.squeeze
        way_mm = 2 * (self._checked.depth_mm + squeeze.gap_mm)
        brakes_s = 4 * squeeze.speed_mm_per_s / self._checked.rig.deceleration_mm_per_s2
        return way_mm / squeeze.speed_mm_per_s + brakes_s + squeeze.hold_s + squeeze.rest_s

    def _host_cycles(self, intent: Intent) -> None:
        squeeze, driver, place = self._plan.squeeze, self.driver, f"block {intent.block}"
        for count in range(1, intent.cycles + 1):
            deepest_mm = driver.contact_mm + self._checked.depth_mm
            if isinstance(squeeze.goal, PressToForce):
                driver.press_until(squeeze.goal.force_n, squeeze.speed_mm_per_s, deepest_mm, place)
            else:
                driver.move_to(deepest_mm, squeeze.speed_mm_per_s, place)
            driver.wait(squeeze.hold_s)
            driver.move_to(driver.contact_mm - squeeze.gap_mm, squeeze.speed_mm_per_s, place)
            driver.event("cycle done", of_block=count)
            self._trend.squeezed()
            self._of_block = count
            self.ledger.hear(count)
            driver.wait(squeeze.rest_s)
            self._tell(place)
            self._must_be_there()

    def _must_be_there(self) -> None:
        """The specimen: squeezing on without it proves nothing, and with it askew breaks something."""
        standing = self._trend.standing
        if standing is not None and standing.peak_share < GONE_SHARE:
            raise _EnoughError(
                "the specimen slipped: the peak force fell to "
                f"{100 * standing.peak_share:.0f} % of its reference"
            )
        if self._trend.empty_squeezes > EMPTY_SQUEEZES:
            raise _EnoughError(f"specimen lost: no contact in the last {self._trend.empty_squeezes} squeezes")

    # Settling what was cut short, and going on.

    def _settle(self, state: State | None) -> None:
        intent = self.ledger.open
        if intent is not None:
            self._close(settle(intent, state, self.ledger.heard))

    def _close(self, settled: Settled) -> Settled:
        """Close the open block; what is counted, once it is compared with what the samples show."""
        standing, intent = self._trend.standing, self.ledger.open
        assert intent is not None
        # the samples cannot tell where some are missing, or they lie too far apart
        rate_hz = self._reader.granted_hz or self._checked.rig.samples_per_s
        unseen = self.driver.holes or rate_hz * self._cycle_s() < LEAST_SAMPLES
        seen = None if intent.by != "device" or unseen else self.driver.cycles_seen
        settled = reconciled(settled, intent, seen)
        self.ledger.close(settled)
        self._of_block = 0
        if standing is not None:
            self._set_before_mm = standing.set_mm
        self.driver.event(
            "block settled",
            block=intent.block,
            done=settled.done,
            how=settled.how,
            doubtful=settled.doubtful,
            exact=settled.exact,
            total=self.ledger.done,
            set_mm=self._set_before_mm,
            stiffness_loss_pct=None if standing is None else standing.stiffness_loss_pct,
            squeezed_s=self._squeezed_s(),
        )
        self._sync()
        reference = self._trend.reference
        if reference is not None and not self._referenced:
            self._referenced = True
            self.driver.event("reference", **asdict(reference))
        return settled

    def _standing_still(self) -> State | None:
        """Return the device's state once nothing moves; None if it does not answer."""
        until = time.monotonic() + HALT_PATIENCE_S
        try:
            state = self.driver.session.state()
            while StateFlag.MOVING in state.flags and time.monotonic() < until:
                self.driver.write(self._reader.get(TELL_S / 4))
                state = self.driver.session.state()
        except RigError:
            return None
        return state

    def _take_up(self, why: str) -> None:
        """Go on after the link or the host was lost: count, datum and specimen must be certain again.

        Raises MethodStoppedError if the device has stopped for another reason, or the specimen is not where
        it was.
        """
        self._measured = False
        self.driver.event("pause", why=why)
        self._tell("waiting for the rig")
        began = time.monotonic()
        while not (self.driver.hears and self.driver.session.identified):
            self.driver.take_one(moving=False)
            if time.monotonic() - began > LINK_PATIENCE_S:
                raise LinkLostError(f"the rig did not come back within {LINK_PATIENCE_S:.0f} s")
        self.driver.halt()
        state = self._standing_still()
        self._settle(state)
        if state is None:
            raise LinkLostError("the device came back but does not report its state")
        must_be_resumable_after(state.stop_cause)
        self.driver.session.clear_stop()
        self.driver.make_ready(home_again=True)
        self.driver.arm()
        self._find_again()
        self.driver.event("taken up", after_s=time.monotonic() - began, cycles=self.ledger.done)

    def _find_again(self) -> None:
        contact_check = self._plan.contact_check
        found_mm = self.driver.check_contact(
            contact_check.force_n,
            contact_check.speed_mm_per_s,
            str(contact_check.place),
            self.driver.deepest_check_mm(),
        )
        shift_mm = found_mm - self.driver.contact_mm
        self.driver.event("contact check", position_mm=found_mm, shift_mm=shift_mm)
        self._stand_clear()
        if not -MOVED_MM <= shift_mm <= max(self._set_before_mm, 0.0) + MOVED_MM:
            raise MethodStoppedError(
                f"not resumed: contact at {shift_mm:+.2f} mm from the first contact, expected from "
                f"{-MOVED_MM:g} to {max(self._set_before_mm, 0.0) + MOVED_MM:.2f} mm; has the specimen moved?"
            )

    def _stand_clear(self) -> None:
        """Leave the specimen alone for a moment. What follows is measured; a contact check is no squeeze."""
        squeeze, rig = self._plan.squeeze, self._checked.rig
        clear_mm = max(self.driver.contact_mm - max(squeeze.gap_mm, CLEAR_MM), rig.travel_mm[0])
        self.driver.move_to(clear_mm, squeeze.speed_mm_per_s, "return")
        self._measured = True
        self.driver.wait(max(CLEAR_S, CLEAR_SAMPLES / (self._reader.granted_hz or rig.samples_per_s)))

    # Recovery.

    def _recover(self, reason: str) -> None:
        recover = self._plan.recovery
        if recover is None or not _recovers(True, reason):
            self._stand_clear()
            return
        self.driver.wait(AFTERWARDS_S)
        self._trend.flush()
        self._measured = False
        self.driver.keep_raw = True
        method = self._checked.method
        steps = replace(method, method=replace(method.method, steps=(recover,)))
        check, missed = 0, False
        for planned in plan(steps):
            action, place = planned.action, str(planned.place)
            if self._before.over is not None and isinstance(action, StartClock):
                self.driver.start_clock(place, self._before.clock_s)
                continue
            step = "recovery"
            if isinstance(action, WaitUntil):
                check += 1
                missed = self.driver.time_until_s(place, action.time_s) < 0 and self._before.over is not None
                step = f"recovery, check {check} of {recover.contact_checks} at {action.time_s:.0f} s"
            if missed:
                continue
            marked = {"place": place, "passes": [], "action": action.kind}
            self.driver.event("step", phase="begin", **marked)
            self._tell(step, now=isinstance(action, WaitUntil))
            action.perform(self.driver, place)
            self.driver.event("step", phase="end", **marked)
            if isinstance(action, ContactCheckUntil):
                self._note_recovery()

    def _note_recovery(self) -> None:
        """Record what the contact check just made says of the recovery."""
        if self.driver.met_mm is not None:
            self.driver.event(
                "recovery contact check",
                after_s=self.driver.met_s - self._released_s,
                position_mm=self.driver.met_mm,
                set_mm=self.driver.met_mm - self.driver.contact_mm,
            )

    # Within.

    def _must_fit(self, contact_mm: float) -> None:
        rig, squeeze = self._checked.rig, self._plan.squeeze
        least_mm, most_mm = contact_mm - squeeze.gap_mm, contact_mm + self._checked.depth_mm
        if least_mm < rig.travel_mm[0] or most_mm > rig.travel_mm[1]:
            raise MethodStoppedError(
                f"from the contact at {contact_mm:.4g} mm the platen would move from {least_mm:.4g} to "
                f"{most_mm:.4g} mm, the rig's travel is {rig.travel_mm[0]:g} to {rig.travel_mm[1]:g} mm; "
                "set the platens for this specimen"
            )

    def _see(self, delivery: Delivery) -> None:
        if self._measured:
            self._trend.take(delivery)
        self._watch.see(delivery)

    def _summarise(self, columns: Columns) -> None:
        """A row for every cycle, since not every sample is kept. Cycles are numbered on over a break."""
        writer = self.driver.writer
        if writer is None:
            return
        names = [name for name in columns if name not in ("cycle", "flags")]
        table = zip(*(columns[name].tolist() for name in names), strict=True)
        numbers, flags = columns["cycle"].tolist(), columns["flags"].tolist()
        writer.rows(
            {
                "cycle": self._rows_before + int(number),
                "calibration": self._calibration_id,
                "flags": flag_labels(int(flag)),
                **dict(zip(names, row, strict=True)),
            }
            for number, flag, row in zip(numbers, flags, table, strict=True)
        )

    def _tell(self, step: str, *, now: bool = False) -> None:
        at_s = time.monotonic()
        if now or at_s - self._told >= TELL_S:
            self._told = at_s
            self._watch.tell(step, self.progress())

    def _sync(self) -> None:
        if self.driver.writer is not None and not self.driver.writer.ended:
            self.driver.writer.sync()
