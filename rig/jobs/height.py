"""Make contact checks of bare platens and a piece, slowly and several times, and record all of it.

Problem: the height of a soft piece is the difference of two contact checks at a small force, and each must
begin without load and end before anything is squeezed. Plan: for each surface the platen is taken away, a
person clears it or lays the piece in, a quicker search finds it, and slow contact checks from a small gap go
through the small force on to the greater one, where the platen stops. The force at rest before each contact
check is its zero, so that a force that has wandered does not stop it early. Events mark every contact check,
so that the height can be worked out again from the capture. Cost: that of a recording.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from rig.calibration import Scale
from rig.capture import HEIGHT, CaptureWriter
from rig.errors import DeviceError, InputError, RigError
from rig.jobs.driving import Driver, MethodStoppedError, driven_scales
from rig.jobs.job import Bench, HeaderOf, Progress, Recorded, Watch
from rig.methods import (
    CLEARANCE_MM,
    HEIGHT_CHECK,
    NOISES_OF_CONTACT,
    TOP_MARGIN,
    CheckedHeightPlan,
    Surface,
)
from rig.reader import Delivery
from rig.wire import StateFlag

INSTRUCTIONS: dict[Surface, str] = {
    "bare": "Take out the piece. Leave nothing between the platens, and wipe both clean.",
    "piece": "Put in the piece at the centre of the platens, oriented as in use.",
}

MEASURED = "height measured"
"""Why a recording ends in which all contact checks were made."""

STILL_S = 0.4
"""The force at rest, its zero and its noise, are taken over so long."""

SEEN_MM = 0.1
SEEN_WITHIN_S = 5.0
"""Wall time within which the last samples of a motion have been taken."""

SEARCH_NOISES = 8.0
"""A search passes thousands of samples: below this many standard deviations noise alone would end it."""

SEARCH_SHARE = 0.02
"""Of the greater force: a search lasts long enough for the force zero to wander by some hundredths of a
newton."""

BARE_DEPTH_MM = 0.5
"""Past where the bare platens were found; further on they are not the same platens."""

MARGIN_MM = 1.0
"""A piece is not pressed so far that the platens come closer than this."""

MOST_AT_START_N = 0.5
"""A force that changes by more than this share of the greater one when a piece is laid in: the platen
stands on it already."""


def measure_height(
    bench: Bench,
    header_of: HeaderOf,
    checked: CheckedHeightPlan,
    *,
    surfaces: tuple[Surface, ...],
    bare_mm: float | None = None,
) -> Recorded:
    """Make the contact checks of each surface in order, and record them.

    Raises InputError if the contact force lies in the noise of the force; nothing was moved. Raises
    DeviceError if the rig has no drive, or refuses to be made ready; nothing is recorded then. Raises
    RecorderError if the capture cannot be begun.

    `bare_mm`: where the bare platens met before, if that is known: a piece is not pressed as far.
    """
    reader, calibration, watch = bench.reader, bench.calibration, bench.watch
    still = _Still(*driven_scales(calibration))
    driver = Driver(reader, calibration, checked.rig, replace(watch, see=_both(watch.see, still.see)))
    run = _Checking(driver, still, checked, watch, bare_mm)
    try:
        run.refuse_noise()
        was_homed = bool(driver.session.state().flags & StateFlag.HOMED)
        driver.make_ready()
        header = header_of(reader)
        stated = {name: value for name, value in asdict(checked.plan).items() if value is not None}
        about = dict(header.method or {}) | {
            "kind": HEIGHT,
            "surfaces": list(surfaces),
            "homed_now": not was_homed,
            **stated,
        }
        capture = CaptureWriter.create(bench.folder, replace(header, method=about))
        reason, failed = driver.record(capture, lambda: _run(run, surfaces))
    finally:
        driver.leave()
    return Recorded(path=capture.path, reason=reason, failed=failed, progress=run.progress())


def _both(
    first: Callable[[Delivery], None], second: Callable[[Delivery], None]
) -> Callable[[Delivery], None]:
    def see(delivery: Delivery) -> None:
        first(delivery)
        second(delivery)

    return see


def _run(run: _Checking, surfaces: tuple[Surface, ...]) -> tuple[str, bool]:
    """Make all contact checks; return why it ended, and whether that is a failure."""
    driver = run.driver
    try:
        driver.arm()
        for surface in surfaces:
            run.check_surface(surface)
        driver.finish()
    except RigError as problem:
        return driver.end_early(problem, "height stopped")
    return MEASURED, False


class _Still:
    """Gathers the force while nothing moves, and knows where the platen was last seen."""

    def __init__(self, force: Scale, position: Scale) -> None:
        self._force, self._position = force, position
        self.position_mm: float | None = None
        self._parts: list[np.ndarray[Any, np.dtype[np.float64]]] | None = None

    def see(self, delivery: Delivery) -> None:
        if not len(delivery.samples):
            return
        self.position_mm = float(self._position.value(delivery.samples.position[-1]))
        if self._parts is not None:
            self._parts.append(self._force.value(delivery.samples.force))

    def over(self, driver: Driver, duration_s: float, *, moving: bool) -> tuple[float, float]:
        """Return the mean force and its standard deviation over the next stretch of device time, in N."""
        if driver.device_s == 0.0:
            driver.position_now_mm()  # waits for a first sample
        self._parts = []
        try:
            driver.wait(duration_s, moving=moving)
            force_n = np.concatenate([np.empty(0), *self._parts])
        finally:
            self._parts = None
        if len(force_n) < 2:
            raise MethodStoppedError(f"no samples came within {duration_s:g} s of rest")
        return float(force_n.mean()), float(np.diff(force_n).std()) / np.sqrt(2)


class _Checking:
    """Makes the contact checks of one surface after the other."""

    def __init__(
        self, driver: Driver, still: _Still, checked: CheckedHeightPlan, watch: Watch, bare_mm: float | None
    ) -> None:
        self.driver = driver
        self._still, self._checked, self._watch = still, checked, watch
        self._plan, self._rig = checked.plan, checked.rig
        self._bare_mm = bare_mm
        self._noise_n = 0.0
        self._checked_count = 0

    def progress(self) -> Progress:
        """Return how far the recording is; its cycles are the contact checks made."""
        return self.driver.progress(self._checked_count)

    def refuse_noise(self) -> None:
        """Refuse a contact force that noise alone would pass."""
        _, self._noise_n = self._still.over(self.driver, STILL_S, moving=False)
        least_n = NOISES_OF_CONTACT * self._noise_n
        if self._plan.contact_n < least_n:
            raise InputError(
                f"contact force: found {self._plan.contact_n:g} N, but the force at rest has a noise of "
                f"{self._noise_n:.2g} N; expected {least_n:.2g} N or more"
            )

    def check_surface(self, surface: Surface) -> None:
        """Clear the way, have the surface made ready, find it, and make its slow contact checks."""
        driver, rig, plan = self.driver, self._rig, self._plan
        start_mm = rig.travel_mm[0]
        self._go(start_mm, "clear the way")
        before_n, _ = self._still.over(driver, STILL_S, moving=True)
        driver.ask_person(INSTRUCTIONS[surface], 0.0, None)
        zero_n, _ = self._still.over(driver, STILL_S, moving=True)
        if surface == "piece" and zero_n - before_n > MOST_AT_START_N * plan.top_n:
            raise MethodStoppedError(
                f"piece: pressed with {zero_n - before_n:.2f} N at the start of the travel ({start_mm:g} "
                "mm): it is too tall for the rig's travel"
            )
        found_mm = self._search(surface, zero_n)
        clear_mm = found_mm - plan.gap_mm
        if clear_mm < start_mm:
            raise MethodStoppedError(
                f"{surface}: met at {found_mm:.2f} mm, but {plan.gap_mm:g} mm of clearance is needed and "
                f"the travel starts at {start_mm:g} mm; the piece is too tall for this rig, or the gap too "
                "wide"
            )
        if surface == "piece" and self._bare_mm is not None and found_mm >= self._bare_mm - CLEARANCE_MM:
            raise MethodStoppedError(
                f"piece: met at {found_mm:.2f} mm, where the bare platens met ({self._bare_mm:.2f} mm): "
                "there is no piece, or it is too thin to measure"
            )
        self._go(clear_mm, surface)
        for number in range(1, plan.contact_checks + 1):
            self._check_contact(surface, number, found_mm, clear_mm)

    def _search(self, surface: Surface, zero_n: float) -> float:
        driver, plan, speed = self.driver, self._plan, self._checked.search_mm_per_s
        least_n = max(plan.contact_n, SEARCH_NOISES * self._noise_n, SEARCH_SHARE * plan.top_n)
        # bare platens are met hard; a piece is not to be squeezed before its first contact check
        force_n = plan.top_n if surface == "bare" else min(least_n, plan.top_n)
        self._watch.tell(f"{surface}: search at {speed:.2g} mm/s", self.progress())
        driver.event("height search", phase="begin", surface=surface)
        try:
            deepest_mm = None if surface == "bare" or self._bare_mm is None else self._bare_mm
            found_mm = driver.check_contact(zero_n + force_n, speed, surface, deepest_mm)
        except MethodStoppedError as stop:
            if "position limit" not in str(stop):
                raise
            what = (
                "the bare platens do not meet" if surface == "bare" else "the platen does not meet the piece"
            )
            raise MethodStoppedError(
                f"{what} within the travel, which ends at {self._rig.travel_mm[1]:g} mm; set the platens "
                "closer, or extend the travel in the rig file if the rig allows it"
            ) from stop
        driver.event("height search", phase="end", surface=surface, position_mm=found_mm)
        if surface == "bare":
            self._bare_mm = found_mm
        return found_mm

    def _check_contact(self, surface: Surface, number: int, found_mm: float, clear_mm: float) -> None:
        driver, plan = self.driver, self._plan
        driver.wait(max(plan.rest_s - STILL_S, 0.0))
        zero_n, _ = self._still.over(driver, STILL_S, moving=True)
        self._watch.tell(f"{surface}: contact check {number} of {plan.contact_checks}", self.progress())
        driver.event(HEIGHT_CHECK, phase="begin", surface=surface, number=number)
        force_n, deepest_mm = zero_n + TOP_MARGIN * plan.top_n, self._rig.travel_mm[1]
        if surface == "bare":
            deepest_mm = found_mm + BARE_DEPTH_MM
        elif self._bare_mm is not None:
            deepest_mm = max(self._bare_mm - MARGIN_MM, found_mm)
        try:
            driver.press_until(force_n, plan.speed_mm_per_s, deepest_mm, surface)
        except MethodStoppedError:
            raise
        except DeviceError as refusal:
            raise MethodStoppedError(f"{surface}, contact check {number}: {refusal}") from refusal
        driver.event(HEIGHT_CHECK, phase="end", surface=surface, number=number)
        self._go(clear_mm, surface)
        driver.event(HEIGHT_CHECK, phase="clear", surface=surface, number=number)
        self._checked_count += 1

    def _go(self, position_mm: float, place: str) -> None:
        """Go somewhere, and see the platen there: the end of a motion is heard before its last samples are
        taken."""
        self.driver.move_to(position_mm, self._checked.away_mm_per_s, place)
        until = time.monotonic() + SEEN_WITHIN_S
        while self._still.position_mm is None or abs(self._still.position_mm - position_mm) > SEEN_MM:
            if time.monotonic() > until:
                raise MethodStoppedError(f"{place}: went to {position_mm:.2f} mm, but was not found there")
            self.driver.take_one()
