"""Run a checked method on a driven rig, and record all of it.

Problem: a method is many motions, and a later reader of the capture must know which sample belongs to which
step. Plan: the driver (driving.py) carries out one planned action after the other; each is marked by an
event at its begin and at its end; whatever stops the driver halts the platen, disarms and ends the
capture with the reason. Nothing is tried again by itself. Cost: two events for each action.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any

from rig.analyser import AnalysisSettings
from rig.capture import CaptureWriter
from rig.errors import DeviceError, RigError
from rig.jobs.driving import Driver, MethodStoppedError
from rig.jobs.job import Bench, HeaderOf, Job, Recorded, Watch, stops_outside
from rig.jobs.orders import EnduranceOrder, MethodOrder
from rig.methods import CheckedMethod, PlannedAction, check_contact, describe, plan


@dataclass(frozen=True, slots=True)
class MethodJob(Job):
    """Runs a method on a driven rig."""

    order: MethodOrder
    checked: CheckedMethod

    @property
    def name(self) -> str:
        """Of the method."""
        return self.checked.method.name

    @property
    def expected_s(self) -> float | None:
        """As its steps and their speeds say."""
        return self.checked.time_s

    @property
    def analysed_with(self) -> AnalysisSettings:
        """Its conditioning cycles are counted separately."""
        return AnalysisSettings(
            conditioning=self.checked.method.conditioning.cycles, free_height_mm=self.card.free_height_mm
        )

    def describe(self) -> Iterator[str]:
        """Yield its steps, and where the rig stops."""
        yield from describe(self.checked)
        yield stops_outside(self.checked.rig)

    def perform(self, bench: Bench) -> Recorded:
        """Run every step."""
        return perform_method(bench, bench.heading(self.card, described(self.order)), self.checked)


def described(order: MethodOrder | EnduranceOrder) -> dict[str, Any]:
    """Return what a capture's header says of the method or plan that was ordered."""
    return {"file": order.source, "text": order.text, "stiffness_n_per_mm": order.card.stiffness_n_per_mm}


def perform_method(bench: Bench, header_of: HeaderOf, checked: CheckedMethod) -> Recorded:
    """Home if needed, set the limits, arm, run every step, disarm; record from the first approach to the end.

    Raises DeviceError if the rig has no drive, or refuses to be made ready; nothing is recorded then;
    RecorderError if the capture cannot be begun.
    """
    watch = bench.watch
    driver = Driver(bench.reader, bench.calibration, checked.rig, watch)
    driver.free_height_mm = checked.specimen.free_height_mm
    driver.must_fit = partial(check_contact, checked)
    try:
        driver.make_ready()
        capture = CaptureWriter.create(bench.folder, header_of(bench.reader))
        reason, failed = driver.record(capture, lambda: _run(driver, checked, watch))
    finally:
        driver.leave()
    return Recorded(path=capture.path, reason=reason, failed=failed, progress=driver.progress())


def _run(driver: Driver, checked: CheckedMethod, watch: Watch) -> tuple[str, bool]:
    """Perform every action of the method; return why it ended, and whether that is a failure."""
    driver.event("method", name=checked.method.name, source=str(checked.method.source))
    try:
        driver.arm()
        for planned in plan(checked):
            watch.tell(str(planned.place), driver.progress())
            _step(driver, planned)
        driver.finish()
    except RigError as problem:
        return driver.end_early(problem, "method stopped")
    return "method finished", False


def _step(driver: Driver, planned: PlannedAction) -> None:
    action = planned.action
    marked = {"place": str(planned.place), "passes": list(planned.passes), "action": action.kind}
    driver.event("step", phase="begin", **marked)
    try:
        action.perform(driver, str(planned.place))
    except MethodStoppedError as stop:
        if str(planned.place) in str(stop):
            raise
        raise type(stop)(f"{planned.place}: {stop}") from stop
    except DeviceError as refusal:
        raise MethodStoppedError(f"{planned.place}: {refusal}") from refusal
    driver.event("step", phase="end", **marked)
