"""What a method asked to have reported, from its recording.

Problem: the numbers a method was run for are spread over holds, contact checks and cycles, and each has its
own arithmetic. Plan: the header's method says what is promised, its `step` events when each step was; only
the samples of the steps that are read are kept while the recording passes by. Quantities of procedures come
from `rig.methods`, those of cycles from the analysis. Cost: one pass over the samples, and memory for a
handful of steps, whatever the repeats.

What cannot be had is an empty field with a reason. No conformity with any standard is claimed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from rig.analyser import (
    CALIBRATION_PART,
    FREEDOM,
    CaptureResult,
    RecoveryFit,
    counted_cycles,
    fit_recovery,
    spoilt,
)
from rig.calibration import Aligner, Calibration, Signals, read_again, shifts
from rig.capture import CaptureHeader
from rig.core import finite, quantity
from rig.core.measured import coverage_factor, effective_freedom
from rig.errors import InputError
from rig.methods import (
    PROCEDURE_QUANTITIES,
    REPORTABLE,
    Course,
    DoneAction,
    Method,
    Outcome,
    Part,
    RecoveryCheck,
    StatedFacts,
    Stretch,
    StretchOf,
    course_of,
    each_step,
    first_contact,
    in_standard_air,
    parse_method,
    procedure_outcome,
    recovery_checks,
)
from rig.methods.steps import ContactCheck, PullOff
from rig.samples import FloatArray, IntArray, Samples
from rig.units import parse

MOST_KEPT = 20_000_000
"""Samples of steps that are held at once, about half a gigabyte; steps beyond are not read, and say so."""

SAME_FORCE = 0.01
"""Contacts at forces that differ by a larger share are not compared."""

RECOVERY = "recovery"
LATEST = ("set_mm",)
"""Quantities that add up over the cycles: of these the last counts, not a mean."""

NO_CONFORMITY = "No conformity with any standard is claimed; only the standard itself is the authority."
EXACT = (
    "Uncertainties include noise, rounding, force zero, contact and the calibration as far as it was "
    "measured; free height, area and spacer are taken as exact."
)
PULLS = (
    "The method pulls: measure the pulls with `pressrig pull`. The figures for its presses assume a "
    "specimen that is not held."
)
INTERVALS = (
    "Intervals are 95 %, by Student's t with the effective degrees of freedom (df; Welch, Satterthwaite), "
    "limited by the few calibration readings."
)


@dataclass(frozen=True, slots=True)
class MethodReport:
    """What came of a method.

    Parameters
    ----------
    follows
        Which published procedure its arithmetic follows and where it departs, in the method's own words.
    quantities
        One for each name that the method promised, in its order; the recovery's stands for its contact
        checks.
    """

    method: str
    file: str
    follows: str
    quantities: tuple[Outcome, ...]
    recovery: tuple[RecoveryCheck, ...]
    notes: tuple[str, ...]

    @property
    def missing(self) -> tuple[Outcome, ...]:
        """Quantities that were promised and cannot be had."""
        return tuple(quantity for quantity in self.quantities if quantity.value is None)

    def recovery_fit(self) -> RecoveryFit | None:
        """Fit the contact checks after release; None without any."""
        if not self.recovery:
            return None
        columns = np.array([(check.after_s, check.set_mm, check.set_mm_u) for check in self.recovery], float)
        return fit_recovery(*columns.T)

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number."""
        return asdict(self)


def method_of(header: CaptureHeader) -> Method:
    """Return the method that a capture was recorded with.

    Raises InputError if it was recorded without one, or its text is no method.
    """
    ordered = header.ordered
    if not ordered.text:
        raise InputError(
            "method: the capture was recorded without one; `pressrig analyse` measures its cycles, "
            "`pressrig pull` its pulls"
        )
    return parse_method(ordered.text, ordered.file or "method", recorded=True)


def contact_force_n(method: Method) -> float | None:
    """Return the force of the method's first contact check: the contact force for an analysis of its
    recording."""
    return next((step.force_n for step in each_step(method.steps) if isinstance(step, ContactCheck)), None)


def sentences_of_pulls(method: Method) -> tuple[str, ...]:
    """Return what a reader of presses has to be told where the method pulls too; empty where it does not."""
    return (PULLS,) if any(isinstance(step, PullOff) for step in each_step(method.steps)) else ()


def needs_cycles(method: Method) -> bool:
    """Return whether it promises quantities of cycles, for which its recording must be analysed."""
    return any(name not in (*PROCEDURE_QUANTITIES, RECOVERY) for name in method.report)


def method_report(
    header: CaptureHeader,
    events: Iterable[Mapping[str, Any]],
    batches: Iterable[Samples],
    result: CaptureResult | None,
    *,
    calibration: Calibration | None = None,
    spacer_mm: float | None = None,
) -> MethodReport:
    """Work out what a method promised.

    Parameters
    ----------
    result
        Analysis of the same capture, with the contact force of `contact_force_n`; None leaves quantities of
        cycles empty.
    spacer_mm
        Height of the spacers of a jig; None takes the condition `spacer` of the header, if there is one.

    Raises
    ------
    InputError
        If the capture has no method, or its counts no calibration.
    """
    method = method_of(header)
    calibration = calibration or Calibration.from_dict(header.calibration)
    course = course_of(method, events)
    windows = _Windows(course, calibration)
    if any(name in (*PROCEDURE_QUANTITIES, *LATEST, RECOVERY) for name in method.report):
        windows.gather(batches)
    facts = StatedFacts(header.free_height_mm, header.area_mm2, spacer_mm or _stated_spacer_mm(header))

    def procedure(name: str, read_by: Calibration) -> Outcome:
        return procedure_outcome(name, course, windows.read_with(read_by), facts)

    quantities = []
    contact_checks: tuple[RecoveryCheck, ...] = ()
    for name in method.report:
        if name == RECOVERY:
            outcome, contact_checks = _recovery(course, windows.read_with(calibration))
            outcome = _widened(
                outcome, calibration, lambda other: _recovery(course, windows.read_with(other))[0]
            )
        elif name in PROCEDURE_QUANTITIES:
            outcome = _widened(procedure(name, calibration), calibration, partial(procedure, name))
        else:
            outcome = _of_cycles(name, method, course, result)
            if name in LATEST and outcome.value is not None and result is not None:
                outcome = _set_since_contact(outcome, method, course, windows, result)
        if outcome.u is not None:
            freedom = math.inf if outcome.freedom is None else outcome.freedom
            outcome = replace(outcome, half95=coverage_factor(freedom) * outcome.u)
        quantities.append(outcome)
    notes = (*_notes(method, header, course, windows), *calibration.complaints(header.started.date()))
    return MethodReport(
        method.name, method.source, method.follows.strip(), tuple(quantities), contact_checks, notes
    )


def _widened(outcome: Outcome, calibration: Calibration, under: Callable[[Calibration], Outcome]) -> Outcome:
    """Return an outcome whose uncertainty holds the calibration's part: it is worked out again with each
    of the calibration's inputs off by its standard uncertainty (JCGM 100:2008, 5.1.3 note 2)."""
    if outcome.value is None or outcome.u is None:
        return outcome
    # the outcome's own scatter has no limit of its freedom here: only the calibration's parts have
    variance, fourth = outcome.u**2, 0.0
    for shift in shifts(calibration):
        ways = [under(moved).value for moved in (shift.calibration, shift.opposite) if moved is not None]
        off = [(value - outcome.value) ** 2 for value in ways if value is not None]
        # where both ways were worked out, the mean of their squares
        moved = sum(off) / max(len(off), 1)
        variance += moved
        fourth += moved**2 / shift.degrees_of_freedom
    return replace(outcome, u=math.sqrt(variance), freedom=finite(effective_freedom(variance, fourth)))


class _Windows:
    """Keeps the samples of the steps that are read, while a recording passes by."""

    def __init__(self, course: Course, calibration: Calibration) -> None:
        self._calibration = calibration
        self._wanted = [done for done in course.kept if done.action not in ("by hand", "press to force")]
        self._found: dict[int, list[Signals]] = {}
        self._kept = 0
        self.left_out = 0
        self.frame = calibration.frame

    def gather(self, batches: Iterable[Samples]) -> None:
        """Take the whole recording."""
        aligner = Aligner(self._calibration)
        starts = np.array([done.begin_us for done in self._wanted], np.int64)
        # a hold ends before the next motion; of a motion, the tail may have come after its end was known
        stops = np.array(
            [done.end_us if done.action == "wait loaded" else done.until_us for done in self._wanted],
            np.int64,
        )
        for batch in batches:
            self._take(aligner.push(batch), starts, stops)
        self._take(aligner.finish(), starts, stops)

    def _take(self, signals: Signals | None, starts: IntArray, stops: IntArray) -> None:
        if signals is None or not len(signals):
            return
        time_us = signals.time_s * 1e6
        if not math.isfinite(time_us[0]):
            return
        for number in np.flatnonzero((starts <= time_us[-1]) & (stops >= time_us[0])).tolist():
            first, last = np.searchsorted(time_us, [starts[number], stops[number] + 1])
            if self._kept + int(last - first) > MOST_KEPT:
                self.left_out += 1
            elif last > first:
                part = signals[int(first) : int(last)]
                self._kept += len(part)
                # copies, free of the large arrays that they are cut from
                arrays = ("time_s", "force_n", "position_mm", "status", "lost")
                part = replace(part, **{name: getattr(part, name).copy() for name in arrays})
                self._found.setdefault(int(starts[number]), []).append(part)

    def read_with(self, calibration: Calibration) -> StretchOf:
        """Return what gives the samples of actions as a calibration reads them."""
        return partial(self._stretch, calibration=calibration)

    def _stretch(self, done: DoneAction, calibration: Calibration) -> Stretch:
        """Return the samples of an action, the frame's share and the backlash taken off.

        Raises InputError if there are none.
        """
        parts = self._found.get(done.begin_us)
        if parts is None:
            raise InputError(f"{done.step.place.label}: no sample of it is in the recording")
        signals = read_again(Signals.concatenate(parts), self._calibration, calibration)
        position_mm = signals.position_mm - calibration.frame.deflection_mm(signals.force_n)
        if calibration.backlash.mm and done.action == "move":
            # behind its deepest point the platen goes out, and the reading lags
            position_mm[int(np.argmax(signals.position_mm)) + 1 :] -= calibration.backlash.mm
        return Stretch(
            signals.time_s,
            position_mm,
            signals.force_n,
            signals.force_resolution_n,
            signals.position_resolution_mm,
        )


def _stated_spacer_mm(header: CaptureHeader) -> float | None:
    stated = header.conditions.get("spacer") or header.conditions.get("spacer height")
    if stated is None:
        return None
    value = parse(str(stated), "mm")
    if not value > 0:
        raise InputError(f"condition spacer: found {stated!r}, expected a height such as 45 mm")
    return value


def _recovery(course: Course, stretch_of: StretchOf) -> tuple[Outcome, tuple[RecoveryCheck, ...]]:
    """Return the contact checks; their last stands in the table. A fit is another matter."""
    title = REPORTABLE[RECOVERY]
    how = "Shift of the contact relative to the first contact check; no published procedure."
    try:
        contact_checks = recovery_checks(course, stretch_of)
    except InputError as reason:
        return Outcome(RECOVERY, title, "mm", None, None, str(reason), how), ()
    if not contact_checks:
        why = "recovery: none of its contact checks could be read"
        return Outcome(RECOVERY, title, "mm", None, None, why, how), ()
    last = contact_checks[-1]
    parts = tuple(
        Part(f"set after {check.after_s:.3g} s", "mm", check.set_mm, check.set_mm_u)
        for check in contact_checks
    )
    title = f"{title}: last contact check, after {last.after_s:.4g} s"
    return Outcome(RECOVERY, title, "mm", last.set_mm, last.set_mm_u, "", how, parts), contact_checks


def _of_cycles(name: str, method: Method, course: Course, result: CaptureResult | None) -> Outcome:
    """Return the mean of a column over the method's own presses after conditioning, or its last value."""
    shown = quantity(name)
    how = "From the cycles; no published procedure."

    def missing(why: str) -> Outcome:
        return Outcome(name, shown.title, shown.unit, None, None, why, how)

    if result is None or name not in result.columns:
        return missing("cycles: the recording was not analysed, or holds none")
    rows = _rows_of_presses(course, result)[method.conditioning.cycles :]
    sound = ~spoilt(result.columns["flags"], [name])[0]
    good = [row for row in rows if sound[row]]
    values, u = result.columns[name], result.columns[f"{name}_u"]
    known = [row for row in good if math.isfinite(values[row])]
    if not known:
        why = "no counted cycle has it; see `pressrig analyse`"
        if not rows:
            why = f"of {len(course.presses)} presses, none is left after conditioning"
        elif not good:
            reasons = ", ".join(dict.fromkeys(label for row in rows for label in result.flags[row]))
            why = f"all {len(rows)} after conditioning are flagged ({reasons})"
        return missing(f"cycles: {why}")
    if name in LATEST:
        row = known[-1]
        how = f"From the last cycle ({int(result.columns['cycle'][row])}); no published procedure."
        why = "" if math.isfinite(u[row]) else "u: set counts from this first contact"
        freedom = finite(effective_freedom(float(u[row]) ** 2, float(_fourth(result, name, [row])[0])))
        stated = (float(values[row]), finite(u[row]))
        return Outcome(name, shown.title, shown.unit, *stated, why, how, freedom=freedom)
    picked, picked_u = values[known], u[known]
    mean = float(picked.mean())
    # what single cycles share, such as a contact or a zero, no mean takes off
    # standard uncertainty of one cycle: the root mean square of all
    u2_mean = float(np.mean(picked_u**2))
    u_mean = math.sqrt(u2_mean)
    freedom = finite(effective_freedom(u2_mean, float(np.mean(_fourth(result, name, known)))))
    parts: tuple[Part, ...] = ()
    if len(known) > 1:
        parts = (Part("standard deviation of the cycles", shown.unit, float(picked.std(ddof=1)), 0.0),)
    counted = "1 cycle" if len(known) == 1 else f"Mean of {len(known)} cycles"
    how = f"{counted} after {method.conditioning.cycles} of conditioning; u is for one cycle."
    why = "" if math.isfinite(u_mean) else "u: not known for all cycles"
    return Outcome(name, shown.title, shown.unit, mean, finite(u_mean), why, how, parts, freedom)


def _fourth(result: CaptureResult, name: str, rows: list[int]) -> FloatArray:
    """Return the squares of the variances of some cycles over their degrees of freedom; zero where nothing
    limits them."""
    freedom = result.columns.get(f"{name}{FREEDOM}")
    if freedom is None:
        return np.zeros(len(rows))
    return np.asarray(result.columns[f"{name}_u"][rows] ** 4 / freedom[rows], np.float64)


def _set_since_contact(
    outcome: Outcome, method: Method, course: Course, windows: _Windows, result: CaptureResult
) -> Outcome:
    """Return the set of the last cycle against the first contact check, if its force was the contact force.

    The first cycle stops at the contact force, and relaxes there: its own contact is poorly read.
    """
    check_n = contact_force_n(method)
    if check_n is None or abs(result.contact_force_n - check_n) > SAME_FORCE * check_n:
        return outcome
    try:
        reached = first_contact(course, windows.read_with(result.calibration))
    except InputError:
        return outcome
    # the last cycle whose set is known
    known = counted_cycles(result.columns, 0, "set_mm")
    rows = _rows_of_presses(course, result)[method.conditioning.cycles :]
    row = next(row for row in reversed(rows) if known[row])
    last = float(result.columns["contact_at_force_mm"][row])
    # what the calibration does to a position, it does to the contact check as well; set knows what is left of
    # it
    u2 = reached.u**2 + float(result.columns["contact_at_force_mm_u"][row]) ** 2
    for name, sign in (("contact_at_force_mm", -1.0), ("set_mm", 1.0)):
        part = result.columns.get(f"{name}{CALIBRATION_PART}")
        u2 += 0.0 if part is None else sign * float(part[row]) ** 2
    met_mm = reached.value + float(windows.frame.deflection_mm(np.array(check_n)))
    how = f"Contact of the last cycle at {check_n:g} N from the first contact check; no published procedure."
    variance = max(u2, 0.0)
    freedom = finite(effective_freedom(variance, float(np.nan_to_num(_fourth(result, "set_mm", [row])[0]))))
    return replace(outcome, value=last - met_mm, u=math.sqrt(variance), why="", how=how, freedom=freedom)


def _rows_of_presses(course: Course, result: CaptureResult) -> list[int]:
    """Return the rows of the cycles that the method's presses belong to, in order, each once."""
    begins_s = result.columns["start_s"]
    if not course.presses:
        return []
    ends_s = np.array([end for _, end in course.presses]) / 1e6
    # a press belongs to the last cycle that began before the press ended
    rows = np.searchsorted(begins_s, ends_s, side="right") - 1
    return sorted({int(row) for row in rows if row >= 0})


def _notes(method: Method, header: CaptureHeader, course: Course, windows: _Windows) -> Iterable[str]:
    yield NO_CONFORMITY
    yield EXACT
    yield from sentences_of_pulls(method)
    yield INTERVALS
    if not course.presses and not course.kept:
        yield "The recording has no step marks: it was not made with `pressrig run`."
    elif not course.finished:
        yield "The method did not run to its end."
    if windows.left_out:
        yield f"Samples of {windows.left_out} parts of steps were left out: these steps are too long."
    if method.conditioning.standard_air:
        yield _about_air(header)


def _about_air(header: CaptureHeader) -> str:
    stated = header.conditions
    try:
        temperature_c = parse(str(stated["temperature"]), "degC")
        humidity_pct = parse(str(stated["humidity"]), "%")
    except (KeyError, InputError):
        return "The method requires standard laboratory air; temperature and humidity are not stated."
    verdict = "is" if in_standard_air(temperature_c, humidity_pct) else "is not"
    return (
        f"The stated air, {temperature_c:g} C and {humidity_pct:g} % RH, {verdict} standard laboratory air."
    )
