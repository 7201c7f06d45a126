"""The quantities of published procedures, from the course of a method and the samples of its steps.

Problem: a method's file promises quantities that no single cycle has: a force after a hold, a height before
and after, a mean over axes. Plan: each is a small function that picks its contact checks, presses and holds
from the course, reads them (gauging.py), and leaves the arithmetic to procedures.py; what is missing becomes
a reason. Uncertainties of readings go through the arithmetic by its derivatives, taken as independent. Cost:
a few readings.

Depths count from the contact check before, in the specimen: the frame's share of the travel is taken off.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from math import hypot, sqrt
from typing import Literal, Protocol

from rig.errors import InputError
from rig.methods.course import Course, DoneAction
from rig.methods.gauging import (
    ContactReading,
    GaugedValue,
    Stretch,
    end_of_hold,
    force_at,
    position_at,
    read_contact,
)
from rig.methods.procedures import (
    BALL_AXES_APART_MM,
    BALL_CONTACT_N,
    BALL_LOAD_N,
    OF_FREE_HEIGHT,
    OF_IMPOSED_DEFLECTION,
    BallDeformation,
    compression_sets,
    compression_stress_kpa,
    hysteresis_return_pct,
    loss_pct,
    mean_over_axes,
    support_factor,
)
from rig.methods.reportable import REPORTABLE
from rig.methods.steps import ContactCheck, PressToDepth, Recover, Return

SQUEEZE_READ = 4
"""CV40 is read in the fourth squeeze."""

HARDNESS_HOLD_S, HARDNESS_HOLD_TOLERANCE_S = 30.0, 1.0
"""Hold before the force of ISO 2439's hardness index is read (recalled); the tolerance is ours."""

SAME_FORCE = 0.01
"""Contact checks whose forces differ by a larger share do not compare heights."""

ZERO_DRIFT_SHARE = 0.25
"""A force zero may have wandered by this share of its difference to the next one."""

_UNITS = {"_kpa": "kPa", "_pct": "%", "_mm": "mm", "_n": "N"}


@dataclass(frozen=True, slots=True)
class Part:
    """One of the readings that a quantity was made of."""

    what: str
    unit: str
    value: float
    u: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """A quantity that a method promised.

    `name`, `title`, `unit`: of `REPORTABLE`; no unit for a ratio.
    `value`, `u`: with its standard uncertainty; None where it cannot be had.
    `how`: whose arithmetic it is, and what is to be known about it.
    `freedom`: effective degrees of freedom of `u`; None where they have no limit, or without `u`.
    `half95`: half width of the 95 % interval; None if not stated, or without `u`.
    """

    name: str
    title: str
    unit: str
    value: float | None
    u: float | None
    why: str = ""
    how: str = ""
    parts: tuple[Part, ...] = ()
    freedom: float | None = None
    half95: float | None = None


@dataclass(frozen=True, slots=True)
class RecoveryCheck:
    """A contact check after release: how long after, and how much farther in the contact was than at the
    first contact check, with its standard uncertainty."""

    after_s: float
    set_mm: float
    set_mm_u: float


@dataclass(frozen=True, slots=True)
class StatedFacts:
    """What a person stated of the specimen and the jig; taken as exact."""

    free_height_mm: float | None = None
    area_mm2: float | None = None
    spacer_mm: float | None = None


class StretchOf(Protocol):
    """Gives the samples of an action, its tail included."""

    def __call__(self, done: DoneAction) -> Stretch:
        """Raises InputError where they are lost."""


def unit_of(name: str) -> str:
    """Unit of a procedure's quantity, from its name."""
    return next((unit for ending, unit in _UNITS.items() if name.endswith(ending)), "")


def procedure_outcome(name: str, course: Course, stretch_of: StretchOf, facts: StatedFacts) -> Outcome:
    """Work out one quantity of a published procedure.

    Parameters
    ----------
    name
        One of `PROCEDURE_QUANTITIES`.
    """
    how, worked_out = _PROCEDURES[name]
    try:
        value, u, note, parts = worked_out(_Bench(course, stretch_of, facts))
    except InputError as reason:
        return Outcome(name, REPORTABLE[name], unit_of(name), None, None, str(reason), how)
    return Outcome(name, REPORTABLE[name], unit_of(name), value, u, "", f"{how}{note}", tuple(parts))


def first_contact(course: Course, stretch_of: StretchOf) -> GaugedValue:
    """Return the position of the first contact check at its force.

    Raises InputError if it cannot be read.
    """
    return _Bench(course, stretch_of, StatedFacts()).first_check().position_mm


def recovery_checks(course: Course, stretch_of: StretchOf) -> tuple[RecoveryCheck, ...]:
    """Contact checks of the watch over a recovery that could be read, in order.

    Times count from the begin of the watch, which starts as the platen stands at the contact again.

    Raises InputError if there was no such watch, or no contact check before it.
    """
    bench = _Bench(course, stretch_of, StatedFacts())
    if course.released_us is None:
        raise InputError("recovery: the method did not reach its recover step")
    first = bench.first_check()
    found = []
    for done in course.of("contact check"):
        if isinstance(done.step, Recover):
            with suppress(InputError):
                look = bench.check(done)
                shift, u = _shift(first, look)
                found.append(RecoveryCheck(look.time_s - course.released_us / 1e6, shift, u))
    return tuple(found)


_Worked = tuple[float, float, str, Sequence[Part]]


@dataclass(slots=True)
class _Bench:
    """Reads contact checks once each, and knows which one a press counts from."""

    course: Course
    stretch_of: StretchOf
    facts: StatedFacts
    _contact_checks: dict[int, ContactReading] = field(default_factory=dict)

    def check(self, done: DoneAction) -> ContactReading:
        key = done.begin_us
        if key not in self._contact_checks:
            assert isinstance(done.step, ContactCheck | Recover)
            before = [reading for at, reading in self._contact_checks.items() if at < key]
            zero = before[-1].zero_n if before else None
            self._contact_checks[key] = read_contact(self.stretch_of(done), done.step.force_n, zero)
        return self._contact_checks[key]

    def contacts(self) -> list[DoneAction]:
        """Contact checks that set the contact."""
        return [done for done in self.course.of("contact check") if isinstance(done.step, ContactCheck)]

    def first_check(self) -> ContactReading:
        contact_checks = self.contacts()
        if not contact_checks:
            raise InputError("contact check: the recording holds no complete one")
        return self.check(contact_checks[0])

    def both_checks(self) -> tuple[ContactReading, ContactReading]:
        """First and last, at the same force."""
        contact_checks = self.contacts()
        if len(contact_checks) < 2:
            raise InputError(
                f"height: needs a contact check before and one after; found {len(contact_checks)}"
            )
        forces = [
            done.step.force_n
            for done in (contact_checks[0], contact_checks[-1])
            if isinstance(done.step, ContactCheck)
        ]
        if abs(forces[0] - forces[1]) > SAME_FORCE * forces[0]:
            raise InputError(f"height: contact checks with {forces[0]:g} N before and {forces[1]:g} N after")
        return self.check(contact_checks[0]), self.check(contact_checks[-1])

    def datum(self, done: DoneAction) -> tuple[GaugedValue, GaugedValue]:
        """Return the contact position and force zero that an action counts from."""
        contact_checks = self.contacts()
        before = [check for check in contact_checks if check.begin_us <= done.begin_us]
        if not before:
            raise InputError("press: no contact check before it is in the recording")
        reading = self.check(before[-1])
        zero = reading.zero_n
        later = contact_checks[len(before) :]
        drift_n = 0.0
        if later:
            with suppress(InputError):
                drift_n = ZERO_DRIFT_SHARE * abs(self.check(later[0]).zero_n.value - zero.value)
        return reading.position_mm, GaugedValue(zero.value, hypot(zero.u, drift_n))

    def height(self) -> float:
        if self.facts.free_height_mm is None:
            raise InputError("free height: it is not in the recording; give it when the method is run")
        return self.facts.free_height_mm

    def held(self, pct: float, *, last: bool = False) -> tuple[DoneAction, DoneAction]:
        """Return the first (or last) press to a compression that a hold came after, and that hold."""
        pairs = []
        for done in self.course.of("press to depth"):
            step, after = done.step, self.course.after(done)
            if not isinstance(step, PressToDepth) or after is None or after.action != "wait loaded":
                continue
            asked = pct if step.depth.unit == "%" else pct / 100 * self.height()
            if abs(step.depth.value - asked) < (1e-6 if step.depth.unit == "%" else 1e-3):
                pairs.append((done, after))
        if not pairs:
            raise InputError(f"force at {pct:g} %: no press to {pct:g} % with a hold is in the recording")
        return pairs[-1 if last else 0]

    def held_force(self, pct: float, *, last: bool = False) -> GaugedValue:
        """Return the force at the end of a hold; how far the platen stood from the depth asked for is in
        its u."""
        press, hold = self.held(pct, last=last)
        contact, zero = self.datum(press)
        stretch = self.stretch_of(hold)
        force, at = end_of_hold(stretch, zero, (hold.end_us - hold.begin_us) / 1e6)
        asked_mm = contact.value + pct / 100 * self.height()
        off_mm = hypot(at.value - asked_mm, contact.u)
        slope = self._slope(press, at)
        return GaugedValue(force.value, hypot(force.u, slope * off_mm), slope)

    def _slope(self, press: DoneAction, at: GaugedValue) -> float:
        """Return the stiffness of the way in just before the platen stood, as far as it can be read."""
        way_in = self.stretch_of(press).way_in()
        try:
            return abs(force_at(way_in, at, GaugedValue(0.0, 0.0), falling=False).slope)
        except InputError:
            return 0.0


def _cv40(bench: _Bench) -> _Worked:
    area_mm2 = bench.facts.area_mm2
    if area_mm2 is None:
        raise InputError("area: it is not in the recording; give it when the method is run")
    presses = bench.course.of("press to depth")
    if len(presses) < SQUEEZE_READ:
        raise InputError(f"fourth squeeze: {len(presses)} are in the recording")
    press = presses[SQUEEZE_READ - 1]
    contact, zero = bench.datum(press)
    at = GaugedValue(contact.value + 0.4 * bench.height(), contact.u)
    force = force_at(bench.stretch_of(press).way_in(), at, zero, falling=False)
    stress = compression_stress_kpa(force.value, area_mm2)
    u = compression_stress_kpa(force.u, area_mm2)
    return stress, u, "", [Part("force at 40 % in the fourth squeeze", "N", force.value, force.u)]


def _hardness_index(bench: _Bench) -> _Worked:
    _, hold = bench.held(40)
    held_s = (hold.end_us - hold.begin_us) / 1e6
    if abs(held_s - HARDNESS_HOLD_S) > HARDNESS_HOLD_TOLERANCE_S:
        raise InputError(f"hold at 40 %: found {held_s:.1f} s, expected {HARDNESS_HOLD_S:g} s")
    force = bench.held_force(40)
    return force.value, force.u, "", []


def _support(bench: _Bench) -> _Worked:
    low, high = bench.held_force(25), bench.held_force(65)
    factor = support_factor(low.value, high.value)
    u = abs(factor) * hypot(low.u / low.value, high.u / high.value)
    parts = [
        Part("force at 25 % at the end of its hold", "N", low.value, low.u),
        Part("force at 65 % at the end of its hold", "N", high.value, high.u),
    ]
    return factor, u, "", parts


def _hysteresis_return(bench: _Bench) -> _Worked:
    inward = bench.held_force(25)
    deep, hold = bench.held(65)
    way_back = bench.course.after(hold)
    if way_back is None or not isinstance(way_back.step, Return):
        raise InputError("way out: no return after the hold at 65 % is in the recording")
    contact, zero = bench.datum(deep)
    at = GaugedValue(contact.value + 0.25 * bench.height(), contact.u)
    outward = force_at(bench.stretch_of(way_back).way_out(), at, zero, falling=True)
    pct = hysteresis_return_pct(inward.value, outward.value)
    u = hypot(100 * outward.u / inward.value, pct * inward.u / inward.value)
    parts = [
        Part("force at 25 % during loading, at the end of its hold", "N", inward.value, inward.u),
        Part("force at 25 % during unloading, in passing", "N", outward.value, outward.u),
    ]
    return pct, u, "", parts


def _ball(bench: _Bench, name: Literal["forward_mm", "return_mm"]) -> _Worked:
    """Return one of the deformations of a ball, over its axes."""
    axes = []
    for press in bench.course.of("press to depth"):
        after = bench.course.after(press)
        if after is not None and after.action == "move":
            axes.append(_axis(bench, press, after))
    mean, within = mean_over_axes([value for value, _ in axes])
    found = [(getattr(value, name), getattr(u, name)) for value, u in axes]
    parts = [Part(f"axis {number}", "mm", value, u) for number, (value, u) in enumerate(found, start=1)]
    verdict = "No two axes differ" if within else "Two axes differ"
    note = f" {verdict} by more than {BALL_AXES_APART_MM:g} mm, in forward or return deformation."
    return getattr(mean, name), sqrt(sum(u**2 for _, u in found)) / len(found), note, parts


def _axis(bench: _Bench, press: DoneAction, way_back: DoneAction) -> tuple[BallDeformation, BallDeformation]:
    """Return the deformation along one axis, and its standard uncertainties."""
    contact, zero = bench.datum(press)
    reached = [done for done in bench.contacts() if done.begin_us <= press.begin_us][-1]
    if not isinstance(reached.step, ContactCheck) or abs(reached.step.force_n - BALL_CONTACT_N) > 0.01:
        raise InputError(f"contact load: the contact check must be at {BALL_CONTACT_N:.2f} N (3.5 lbf)")
    inward = position_at(bench.stretch_of(press).way_in(), BALL_LOAD_N, zero, falling=False)
    outward = position_at(bench.stretch_of(way_back).way_out(), BALL_LOAD_N, zero, falling=True)
    return (
        BallDeformation(inward.value - contact.value, outward.value - contact.value),
        BallDeformation(hypot(inward.u, contact.u), hypot(outward.u, contact.u)),
    )


def _shift(first: ContactReading, last: ContactReading) -> tuple[float, float]:
    """Return how much farther in the last contact check was, mm."""
    value = last.position_mm.value - first.position_mm.value
    return value, hypot(first.position_mm.u, last.position_mm.u)


def _heights(bench: _Bench) -> tuple[float, GaugedValue, list[Part]]:
    """Free height, height at the last contact check, and the shift between the contact checks."""
    free_mm = bench.height()
    shift_mm, u = _shift(*bench.both_checks())
    parts = [
        Part("free height as stated", "mm", free_mm, 0.0),
        Part("height lost between the first and the last contact check", "mm", shift_mm, u),
    ]
    return free_mm, GaugedValue(free_mm - shift_mm, u), parts


def _set_of_height(bench: _Bench) -> _Worked:
    free_mm, left, parts = _heights(bench)
    spacer_mm = bench.facts.spacer_mm
    pct, *other = _both_bases(free_mm, left, spacer_mm)
    note = f" Basis: {OF_FREE_HEIGHT}."
    if spacer_mm is None:
        note += f' With --spacer "45 mm" the set {OF_IMPOSED_DEFLECTION} is given beside it.'
    else:
        parts = [*parts, _spacer(spacer_mm), *other]
    return pct.value, pct.u, note, parts


def _both_bases(free_mm: float, left: GaugedValue, spacer_mm: float | None) -> list[Part]:
    """Return the set of the free height and, where the spacer is known, that of the imposed deflection."""
    return [
        Part(
            f"compression set {found.basis}, {found.follows}",
            "%",
            found.pct,
            100 * left.u / (free_mm if found.basis == OF_FREE_HEIGHT else free_mm - (spacer_mm or 0.0)),
        )
        for found in compression_sets(free_mm, left.value, spacer_mm)
    ]


def _spacer(spacer_mm: float) -> Part:
    return Part("spacer as stated", "mm", spacer_mm, 0.0)


def _set_of_deflection(bench: _Bench) -> _Worked:
    free_mm, left, parts = _heights(bench)
    spacer_mm = bench.facts.spacer_mm
    if spacer_mm is None:
        raise InputError('spacer: give its height, --spacer "45 mm"')
    of_height, pct = _both_bases(free_mm, left, spacer_mm)
    parts = [*parts, _spacer(spacer_mm), of_height]
    return pct.value, pct.u, f" Basis: {OF_IMPOSED_DEFLECTION}.", parts


def _thickness_loss(bench: _Bench) -> _Worked:
    free_mm, left, parts = _heights(bench)
    return loss_pct(free_mm, left.value), 100 * left.u / free_mm, "", parts


def _hardness_loss(bench: _Bench) -> _Worked:
    before, after = bench.held(40), bench.held(40, last=True)
    if before[0].begin_us == after[0].begin_us:
        raise InputError("hardness: needs a hold at 40 % before and one after; the recording has one")
    first, last = bench.held_force(40), bench.held_force(40, last=True)
    pct = loss_pct(first.value, last.value)
    u = 100 * hypot(last.u / first.value, last.value * first.u / first.value**2)
    parts = [
        Part("force at 40 % at the end of the first hold", "N", first.value, first.u),
        Part("force at 40 % at the end of the last hold", "N", last.value, last.u),
    ]
    return pct, u, "", parts


_PROCEDURES: dict[str, tuple[str, Callable[[_Bench], _Worked]]] = {
    "cv40_kpa": (
        "Arithmetic of ISO 3386-1: 1000 F40/A, during loading of the fourth squeeze, "
        "40 % counted from the contact check.",
        _cv40,
    ),
    "hardness_index_n": (
        "Arithmetic of ISO 2439: force at 40 % after 30 s, 40 % counted from the contact check before.",
        _hardness_index,
    ),
    "support_factor": (
        "Arithmetic of ASTM D3574 test B1 and ISO 2439: F65/F25, each at the end of its hold.",
        _support,
    ),
    "hysteresis_return_pct": (
        "Arithmetic of ASTM D3574 test B1: 100 F25 out/F25 in; in at the end of the hold, out in passing.",
        _hysteresis_return,
    ),
    "forward_deformation_mm": (
        "Arithmetic of the ITF Rules of Tennis, Appendix I: 3.5 lbf to 18 lbf during loading, "
        "mean of three axes.",
        partial(_ball, name="forward_mm"),
    ),
    "return_deformation_mm": (
        "Arithmetic of the ITF Rules of Tennis, Appendix I: 3.5 lbf during loading to 18 lbf during "
        "unloading, mean of three axes.",
        partial(_ball, name="return_mm"),
    ),
    "set_of_height_pct": (
        "Arithmetic of ISO 1856 and ASTM D3574 test D: 100 (h0 - hr)/h0, heights by contact checks.",
        _set_of_height,
    ),
    "set_of_deflection_pct": (
        "Arithmetic of ISO 815-1 and ASTM D395 method B: 100 (h0 - hr)/(h0 - hs), heights by contact checks.",
        _set_of_deflection,
    ),
    "thickness_loss_pct": (
        "Arithmetic of ISO 3385: height lost from the first to the last contact check, of the first height.",
        _thickness_loss,
    ),
    "hardness_loss_pct": (
        "Arithmetic of ISO 3385: loss of the force at the end of the 40 % hold, "
        "40 % counted from the contact check before each.",
        _hardness_loss,
    ),
}

PROCEDURE_QUANTITIES = tuple(_PROCEDURES)
"""Names of `REPORTABLE` that are worked out here."""
