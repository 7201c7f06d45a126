"""What is true of each press, read off the dense course and the dense force by maxima and quadrature.

The definitions are those of "What the numbers mean" in the README. Where that page leaves a choice (does a
press that overshoots its hold end at the overshoot or at the hold?), the truth is the range between both
readings, and a reported value may lie anywhere in it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

CHORD = (0.25, 0.75)
INITIAL = (0.05, 0.15)
RETENTION_S = (1.0, 10.0, 60.0)
GRID = 4000
KNEE_FROM, KNEE_TO, KNEE_DROP, KNEE_CLOSE = 0.05, 0.93, 0.5, 0.06
"""A knee is looked for between these shares of the depth, where the tangent has fallen to half its largest
value; a curve whose smallest share comes within `KNEE_CLOSE` of that half may be said to have one or not."""

RISEN = 0.01
"""Share of the peak force at which a press has begun, whatever came before."""

WORKING_SPEED = 0.9
"""Braking begins where the speed has fallen below this share of the stroke's median."""

RANGES = {
    "contact_mm",
    "contact_at_force_mm",
    "peak_force_n",
    "peak_deflection_mm",
    "secant_n_per_mm",
    "chord_n_per_mm",
    "tangent_n_per_mm",
    "initial_n_per_mm",
    "energy_absorbed_mj",
    "energy_to_break_mj",
    "energy_returned_mj",
    "loss_mj",
    "hysteresis_pct",
    "set_mm",
    "knee_mm",
    "knee_n",
    "at_depth_loading_n",
    "at_depth_unloading_n",
    *(f"force_retention_{after:.0f}s_pct" for after in RETENTION_S),
}


class Stroke(NamedTuple):
    """Deflections in rising order and the forces there."""

    deflection_mm: np.ndarray
    force_n: np.ndarray

    def force_at(self, deflection_mm):
        """Force at a deflection; not-a-number where the stroke does not come by."""
        at_mm = self.deflection_mm
        if not len(at_mm) or not at_mm[0] <= deflection_mm <= at_mm[-1]:
            return np.nan
        return float(np.interp(deflection_mm, at_mm, self.force_n))


@dataclass(frozen=True)
class TruePress:
    """One press as it was.

    Parameters
    ----------
    start_s, end_s
        From contact (or the first instant) to release (or the last).
    hold_s
        Shortest and longest that its hold may be said to be.
    known
        By quantity, the smallest and the largest true value.
    toe
        Positions and forces of loading, for readings at a force that the analysis chooses.
    strokes
        Loading and unloading; None of a press that broke.
    has_knee
        None where the curve comes so near to the criterion that either answer is right.
    break_mm, break_n
        Deflection and force at which it broke; None where it did not.
    """

    start_s: float
    end_s: float
    hold_s: tuple[float, float]
    known: dict[str, tuple[float, float]]
    toe: tuple[np.ndarray, np.ndarray] | None
    has_knee: bool | None
    released: bool
    strokes: tuple[Stroke, Stroke] | None = None
    break_mm: float | None = None
    break_n: float | None = None

    def position_at(self, force_n):
        """Where loading first passes a force; not-a-number where it does not."""
        if self.toe is None:
            return np.nan
        position_mm, force = self.toe
        above = np.flatnonzero(force >= force_n)
        if not len(above) or not above[0]:
            return np.nan
        right = above[0]
        share = (force_n - force[right - 1]) / (force[right] - force[right - 1])
        return float(position_mm[right - 1] + share * (position_mm[right] - position_mm[right - 1]))


class Dense(NamedTuple):
    """Time, position and force at every instant of a course."""

    time_s: np.ndarray
    position_mm: np.ndarray
    force_n: np.ndarray


class Part(NamedTuple):
    """What of a course is recorded, from one instant to another.

    Where the recording begins in contact, deflection counts from `datum_mm`: its own zero of position.
    """

    first: int
    last: int
    datum_mm: float | None = None


def true_presses(course, specimen, dense, part):
    """Truth of every press of a course that is no contact check."""
    return [
        _true_press(number, course, specimen, dense, part)
        for number, press in enumerate(course.presses)
        if not press.is_check
    ]


def _true_press(number, course, specimen, dense, part):
    time_s, position_mm, force_n = dense
    press = course.presses[number]
    first, last = max(press.first, part.first), min(press.last, part.last)
    deepest = first + int(np.argmax(position_mm[first : last + 1]))
    # the last loose instant before the force has clearly risen: a broken specimen is loose again later
    risen = first + int(np.argmax(force_n[first : deepest + 1] > RISEN * force_n[first : deepest + 1].max()))
    loose = np.flatnonzero(force_n[first : risen + 1] <= 0)
    begins_in_contact = not len(loose)
    contact = first if begins_in_contact else first + int(loose[-1])
    broken_press = specimen.breaks is not None and specimen.breaks.press == number
    holding = first + int(np.argmax(force_n[first : last + 1])) if broken_press else deepest
    after = np.flatnonzero(force_n[holding : last + 1] <= 0)
    released = bool(len(after))
    release = holding + int(after[0]) if released else last
    if broken_press:
        return _true_break(number, specimen, dense, contact, release, released=released)
    # between two instants the face is where the specimen has it
    face_mm = specimen.contact_mm + specimen.lowered_mm(number)
    contact_mm = float(np.clip(face_mm, position_mm[contact], position_mm[min(contact + 1, last)]))
    if begins_in_contact:
        contact_mm = face_mm if part.datum_mm is None else part.datum_mm

    # where loading may be said to end, and unloading to begin
    ends = sorted({min(deepest, press.hold_last), press.arrived, press.hold_first, press.hold_last})
    depths = [float(position_mm[each] - contact_mm) for each in ends]
    peak_n = float(force_n[contact : release + 1].max())
    known = {"peak_force_n": _range(peak_n), "peak_deflection_mm": _range(depths)}
    # where the force falls before the turn, the secant to the largest force is another one
    largest = contact + int(np.argmax(force_n[contact : release + 1]))
    known["secant_n_per_mm"] = _range(peak_n / np.array([*depths, position_mm[largest] - contact_mm]))
    known |= _energies(dense, contact, release, ends, released=released)
    loaded = first + int(np.argmax(position_mm[first : press.hold_first + 1]))
    loading = slice(contact, loaded + 1)
    moving = np.concatenate([[True], np.diff(np.maximum.accumulate(position_mm[loading])) > 0])
    along_mm, along_n = position_mm[loading][moving], force_n[loading][moving]
    at_mm = along_mm - contact_mm
    for name, shares in (("chord_n_per_mm", CHORD), ("initial_n_per_mm", INITIAL)):
        known[name] = _range([_slope_between(at_mm, along_n, depth, shares) for depth in depths])
    known["tangent_n_per_mm"] = _range(
        [_end_slope(number, course, specimen, dense, float(position_mm[each])) for each in ends]
    )
    toe, has_knee = None, None
    if not begins_in_contact:
        known["contact_mm"] = _range(contact_mm)
        toe = along_mm, along_n
        has_knee, knee = _knee(at_mm, along_n, max(depths))
        known |= knee
    hold_s, left = _hold(press, dense, ends, peak_n, last)
    known |= left
    back = slice(press.hold_last, release + 1)
    going = Stroke((position_mm[back] - contact_mm)[::-1], force_n[back][::-1])
    return TruePress(
        float(time_s[contact]),
        float(time_s[release]),
        hold_s,
        known,
        toe,
        has_knee,
        released,
        (Stroke(at_mm, along_n), going),
    )


def _true_break(number, specimen, dense, contact, release, *, released):
    """Of a press in which the specimen gives way: its contact, the peak before the break, and its place."""
    time_s, position_mm, force_n = dense
    contact_mm = float(position_mm[contact])
    at_mm = specimen.contact_mm + specimen.lowered_mm(number) + specimen.breaks.at_mm - contact_mm
    peak_n = float(force_n[contact : release + 1].max())
    known = {"contact_mm": _range(contact_mm), "peak_force_n": _range(peak_n)}
    broken = contact + int(np.flatnonzero(position_mm[contact:] >= contact_mm + at_mm)[0])
    work_mj = np.trapezoid(force_n[contact : broken + 1], position_mm[contact : broken + 1])
    known["energy_to_break_mj"] = _range(work_mj)
    before = slice(contact, contact + int(np.argmax(force_n[contact : release + 1])) + 1)
    return TruePress(
        float(time_s[contact]),
        float(time_s[release]),
        (0.0, 0.0),
        known,
        (position_mm[before], force_n[before]),
        None,
        released,
        None,
        float(at_mm),
        peak_n,
    )


def _energies(dense, contact, release, ends, *, released):
    """Work along the whole press by the trapezoidal rule over its instants."""
    _, position_mm, force_n = dense
    mean_n = (force_n[contact + 1 : release + 1] + force_n[contact:release]) / 2
    work = np.concatenate([[0.0], np.cumsum(mean_n * np.diff(position_mm[contact : release + 1]))])
    absorbed = [work[each - contact] for each in ends]
    if not released:
        return {"energy_absorbed_mj": _range(absorbed)}
    returned = [each - work[-1] for each in absorbed]
    # all that is lost, or what lies between the strokes without what a creeping hold takes
    losses = [work[-1], absorbed[0] - returned[-1]]
    return {
        "energy_absorbed_mj": _range(absorbed),
        "energy_returned_mj": _range(returned),
        "loss_mj": _range(losses),
        "hysteresis_pct": _range([100 * loss / energy for loss in losses for energy in absorbed]),
    }


def _range(values):
    values = np.atleast_1d(values)
    return float(values.min()), float(values.max())


def _slope_between(at_mm, at_n, depth_mm, shares):
    ends = np.array(shares) * depth_mm
    return float(np.diff(np.interp(ends, at_mm, at_n))[0] / np.diff(ends)[0])


def _end_slope(number, course, specimen, dense, here):
    """Slope of the loading curve at a position, as it would go on without braking."""
    time_s, position_mm, _ = dense
    press = course.presses[number]
    if not specimen.branches:
        return specimen.slope(here - specimen.contact_mm - specimen.lowered_mm(number), number)
    steps = np.diff(position_mm[press.first : press.arrived + 1])
    usual = float(np.median(steps[steps > 0]))
    brakes = press.first + int(np.flatnonzero(steps >= WORKING_SPEED * usual)[-1]) + 1
    further = max(int(np.ceil((here - position_mm[brakes]) / usual)), 0) + 3
    going_on = np.concatenate(
        [position_mm[: brakes + 1], position_mm[brakes] + usual * np.arange(1, further + 1)]
    )
    course_of_it = [*course.presses[:number], replace(press, last=len(going_on) - 1)]
    times = np.arange(len(going_on)) * (time_s[1] - time_s[0])
    force_n = specimen.without_break().force_n(times, going_on, course_of_it)
    at = min(int(np.searchsorted(going_on[brakes:], here)) + brakes, len(going_on) - 2)
    return float((force_n[at + 1] - force_n[at - 1]) / (going_on[at + 1] - going_on[at - 1]))


def _knee(at_mm, at_n, depth_mm):
    """Whether there is a knee, and where: the largest tangent before it may or may not be one of the toe."""
    grid = np.linspace(0.0, depth_mm, GRID)
    slope = np.gradient(np.interp(grid, at_mm, at_n), grid)
    # the grid is finer than some strokes' own instants: a short running mean takes the steps off
    slope = np.convolve(np.pad(slope, 10, mode="edge"), np.ones(21) / 21, mode="valid")
    inside = (grid > KNEE_FROM * depth_mm) & (grid < KNEE_TO * depth_mm)
    found = []
    for largest in (np.maximum.accumulate(slope)[inside], np.maximum.accumulate(slope[inside])):
        share = slope[inside] / largest
        below = np.flatnonzero(share <= KNEE_DROP)
        if abs(share.min() - KNEE_DROP) <= KNEE_CLOSE or (len(below) and not 0 < below[0] < 0.9 * len(share)):
            return None, {}
        found.append(float(grid[inside][below[0]]) if len(below) else None)
    if None in found:
        return (None if any(found) else False), {}
    return True, {"knee_mm": _range(found), "knee_n": _range(np.interp(found, at_mm, at_n))}


def _hold(press, dense, ends, peak_n, last):
    """Shortest and longest length of the hold, and what is left of the force after stated times."""
    time_s, _, force_n = dense
    if press.hold_last == press.hold_first:
        return (0.0, 0.0), {}
    begins = sorted({ends[0], press.arrived, press.hold_first})
    stop = min(press.hold_last, last)
    known = {}
    for after_s in RETENTION_S:
        left = [
            100 * float(np.interp(time_s[begin] + after_s, time_s, force_n)) / peak_n
            for begin in begins
            if time_s[begin] + after_s <= time_s[stop]
        ]
        if len(left) == len(begins):
            known[f"force_retention_{after_s:.0f}s_pct"] = _range(left)
    return (float(time_s[stop] - time_s[begins[-1]]), float(time_s[stop] - time_s[begins[0]])), known
