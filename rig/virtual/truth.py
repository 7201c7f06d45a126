"""What a scripted run truly was, squeeze by squeeze, computed from the specimen and never from counts.

Problem: the analysis is judged against numbers that must be better than any it can measure. Plan: the
specimen is squeezed again along the exact motion, on a grid fine beside the samples and with the turns
on it, without noise, counts or timing. A specimen without memory gives work and contact in closed form
instead. Cost: some ten thousand points for each second of the run, when first asked for.

Definitions, the same for every specimen:

* The *position axis* is the one the counts give: position counts times their size, the zero and its
  random fraction included. Positions are platen travel, frame compliance included.
* *Contact* is where the force first leaves zero in a loading; at a force, where it first reaches it. A foam
  that still lags from the squeeze before is met later than one at rest. A cycle that begins in
  contact has none (None).
* *Deflection* counts from the cycle's own contact, or from the first one of the run where the cycle has
  none; the frame's share of travel is taken off.
* Peaks are the largest force and the largest deflection; the secant is their ratio. Energies are
  integrals of force over deflection: in, from the beginning of the cycle to its deepest point; out, from
  the end of the hold to the end of the cycle.
* *Set* is the shift of contact against the first cycle's.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np

from rig.errors import InputError
from rig.samples import FloatArray
from rig.virtual.chain import Chain
from rig.virtual.press import squeeze
from rig.virtual.scripts import Script
from rig.virtual.specimens import ElasticSpecimen, Specimen

FINE_STEP_S = 1e-4
"""At 10 mm/s a step is 1 um, and what a straight line misses within it is far below a count."""

_MOST_POINTS = 3e7
"""A run of many hours is worked out on coarser steps, so that its truth takes seconds."""

_COARSEST_STEP_S = 1e-3
_TANGENT_HALF_WIDTH_MM = 0.02

Stroke = Literal["loading", "unloading"]


@dataclass(frozen=True, slots=True)
class CycleTruth:
    """Truth of one squeeze, in the names that the analysis uses. Times count from the script's start."""

    cycle: int
    full: bool
    start_s: float
    end_s: float
    contact_mm: float | None
    peak_force_n: float
    peak_deflection_mm: float
    secant_n_per_mm: float | None
    energy_absorbed_mj: float
    energy_returned_mj: float
    loss_mj: float
    hysteresis_pct: float | None
    set_mm: float | None


@dataclass(frozen=True, slots=True, eq=False)
class CycleCurve:
    """One squeeze on the fine grid, arrays of shape (n,).

    Loading is `[: deepest + 1]`, the hold `[deepest : returns + 1]`, unloading and rest `[returns :]`.
    `travel_mm` is on the position axis; deflection counts from the cycle's own contact.
    """

    time_s: FloatArray
    travel_mm: FloatArray
    deflection_mm: FloatArray
    force_n: FloatArray
    deepest: int
    returns: int

    def stroke(self, which: Stroke) -> tuple[FloatArray, FloatArray]:
        """Return the deflection and force of one stroke, in the order of time."""
        part = slice(None, self.deepest + 1) if which == "loading" else slice(self.returns, None)
        return self.deflection_mm[part], self.force_n[part]


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """A cycle before its contact is known; `squeezed_mm` counts from the specimen's very first contact."""

    time_s: FloatArray
    travel_mm: FloatArray
    squeezed_mm: FloatArray
    force_n: FloatArray
    deepest: int
    returns: int


class Truth:
    """Truth of a scripted run.

    Parameters
    ----------
    specimen, script, chain
        What is squeezed, how, and in which frame.
    contact_mm
        First contact of a fresh specimen, on the platen's own axis.
    zero_mm
        What the position axis of the counts reads at the platen's own zero.
    """

    def __init__(
        self, specimen: Specimen, script: Script, chain: Chain, *, contact_mm: float, zero_mm: float
    ) -> None:
        self.specimen = specimen
        self.script = script
        self.first_contact_mm = contact_mm + zero_mm
        """Where a fresh specimen is first reached, on the position axis."""
        self._contact_mm = contact_mm
        self._chain = chain
        self._memories: list[Any] = []
        points = script.end_s / FINE_STEP_S
        self._step_s = FINE_STEP_S * min(max(points / _MOST_POINTS, 1.0), _COARSEST_STEP_S / FINE_STEP_S)

    @cached_property
    def cycles(self) -> tuple[CycleTruth, ...]:
        """Every squeeze in order, half presses included."""
        found: list[CycleTruth] = []
        self._memories.clear()
        # The wait and any approach before the first cycle matter to a specimen with a memory.
        approach_s = self._grid(0.0, float(self.script.begins_s[0]))
        memory = self._squeeze(self.specimen.fresh(), approach_s)[2]
        for index in range(len(self.script.begins_s)):
            self._memories.append(memory)
            run, memory = self._run(index, memory)
            found.append(self._measure(index, run, found[0] if found else None))
        return tuple(found)

    def curve(self, cycle: int) -> CycleCurve:
        """Return one squeeze on the fine grid; cycles count from 1.

        Raises InputError if the run has no such cycle.
        """
        truth = self._cycle(cycle)
        run = self._run(cycle - 1, self._memories[cycle - 1])[0]
        datum_mm = self._datum_mm(truth.contact_mm, self.cycles[0])
        return CycleCurve(
            run.time_s, run.travel_mm, run.squeezed_mm - datum_mm, run.force_n, run.deepest, run.returns
        )

    def contact_at_force_mm(self, cycle: int, force_n: float) -> float | None:
        """Return where loading first reaches a force; None if it begins above it or never does."""
        specimen = self.specimen
        if isinstance(specimen, ElasticSpecimen):
            truth = self._cycle(cycle)
            if truth.contact_mm is None or force_n > truth.peak_force_n:
                return None
            share_mm = self._chain.compliance_mm_per_n * force_n
            return self.first_contact_mm + specimen.deflection_at_mm(force_n) + share_mm
        curve = self.curve(cycle)
        force, travel = curve.force_n[: curve.deepest + 1], curve.travel_mm[: curve.deepest + 1]
        return _first_reached(travel, force, force_n)

    def set_mm(self, cycle: int, force_n: float) -> float | None:
        """Return the shift of the contact at a force against the first cycle's; None if either has none."""
        first, now = self.contact_at_force_mm(1, force_n), self.contact_at_force_mm(cycle, force_n)
        return None if first is None or now is None else now - first

    def force_n(self, cycle: int, deflection_mm: float, stroke: Stroke = "loading") -> float | None:
        """Return the force where a stroke passes a deflection; None if it does not get there."""
        curve = self.curve(cycle)
        deflection, force = curve.stroke(stroke)
        if stroke == "unloading":
            deflection, force = deflection[::-1], force[::-1]
        return _first_reached(force, deflection, deflection_mm)

    def tangent_n_per_mm(self, cycle: int, deflection_mm: float, stroke: Stroke = "loading") -> float | None:
        """Return the slope of a stroke at a deflection; None if the stroke does not reach past it."""
        if isinstance(self.specimen, ElasticSpecimen):
            self._cycle(cycle)
            return float(self.specimen.tangent_n_per_mm(np.array([deflection_mm]))[0])
        below = self.force_n(cycle, deflection_mm - _TANGENT_HALF_WIDTH_MM, stroke)
        above = self.force_n(cycle, deflection_mm + _TANGENT_HALF_WIDTH_MM, stroke)
        return None if below is None or above is None else (above - below) / (2 * _TANGENT_HALF_WIDTH_MM)

    def as_dict(self, contact_force_n: float = 0.05) -> dict[str, Any]:
        """Return everything as plain values, contacts at a force among them."""
        rows = []
        for truth in self.cycles:
            at_force = {
                "contact_at_force_mm": self.contact_at_force_mm(truth.cycle, contact_force_n),
                "set_at_force_mm": self.set_mm(truth.cycle, contact_force_n),
            }
            rows.append({**asdict(truth), **at_force})
        return {
            "specimen": repr(self.specimen),
            "height_mm": self.specimen.height_mm,
            "contact_force_n": contact_force_n,
            "first_contact_mm": self.first_contact_mm,
            "cycles": rows,
        }

    def to_json(self, contact_force_n: float = 0.05) -> str:
        """Return `as_dict` as a JSON document."""
        return json.dumps(self.as_dict(contact_force_n), indent=2)

    def _cycle(self, cycle: int) -> CycleTruth:
        if not 1 <= cycle <= len(self.cycles):
            raise InputError(f"cycle: found {cycle}, expected 1 to {len(self.cycles)}")
        return self.cycles[cycle - 1]

    def _datum_mm(self, contact_mm: float | None, first: CycleTruth | None) -> float:
        """Return what `squeezed_mm` reads at a cycle's contact, or at the first cycle's if it has none."""
        if contact_mm is None and first is not None:
            contact_mm = first.contact_mm
        return 0.0 if contact_mm is None else contact_mm - self.first_contact_mm

    def _run(self, index: int, memory: Any) -> tuple[_Run, Any]:
        script = self.script
        bounds = (script.begins_s, script.deepest_s, script.returns_s, script.ends_s)
        begin_s, deepest_s, returns_s, end_s = (float(times[index]) for times in bounds)
        parts = []
        after = memory
        for left_s, right_s in ((begin_s, deepest_s), (deepest_s, returns_s), (returns_s, end_s)):
            time_s = self._grid(left_s, right_s)
            squeezed_mm, force_n, after = self._squeeze(after, time_s)
            parts.append((time_s[1:], squeezed_mm, force_n))
        time_s, squeezed_mm, force_n = (np.concatenate(columns) for columns in zip(*parts, strict=True))
        travel_mm = script.trajectory.positions_mm(time_s) - self._contact_mm + self.first_contact_mm
        deepest = len(parts[0][0]) - 1
        returns = deepest + len(parts[1][0])
        return _Run(time_s, travel_mm, squeezed_mm, force_n, deepest, returns), after

    def _grid(self, left_s: float, right_s: float) -> FloatArray:
        """Return even steps from one instant to another, both on the grid."""
        return np.linspace(left_s, right_s, 1 + math.ceil((right_s - left_s) / self._step_s - 1e-9))

    def _squeeze(self, memory: Any, time_s: FloatArray) -> tuple[FloatArray, FloatArray, Any]:
        if len(time_s) < 2:
            return np.empty(0), np.empty(0), memory
        travel_mm = self.script.trajectory.positions_mm(time_s[1:]) - self._contact_mm
        step_s = float(time_s[-1] - time_s[0]) / (len(time_s) - 1)
        answer = squeeze(self.specimen, memory, travel_mm, step_s, self._chain.compliance_mm_per_n)
        return answer.deflection_mm, answer.force_n, answer.memory

    def _measure(self, index: int, run: _Run, first: CycleTruth | None) -> CycleTruth:
        contact_mm = self._contact(run)
        datum_mm = self._datum_mm(contact_mm, first)
        peak_force_n = float(run.force_n.max())
        peak_deflection_mm = float(run.squeezed_mm.max()) - datum_mm
        energy_absorbed_mj, energy_returned_mj = self._energies(run)
        loss_mj = energy_absorbed_mj - energy_returned_mj
        origin = first.contact_mm if first is not None else contact_mm
        return CycleTruth(
            index + 1,
            bool(self.script.full[index]),
            float(self.script.begins_s[index]),
            float(self.script.ends_s[index]),
            contact_mm,
            peak_force_n,
            peak_deflection_mm,
            peak_force_n / peak_deflection_mm if peak_deflection_mm > 0 else None,
            energy_absorbed_mj,
            energy_returned_mj,
            loss_mj,
            100 * loss_mj / energy_absorbed_mj if energy_absorbed_mj > 0 else None,
            None if contact_mm is None or origin is None else contact_mm - origin,
        )

    def _contact(self, run: _Run) -> float | None:
        force, travel = run.force_n[: run.deepest + 1], run.travel_mm[: run.deepest + 1]
        if force[0] > 0 or not (force > 0).any():
            return None
        if isinstance(self.specimen, ElasticSpecimen):
            return self.first_contact_mm
        # Between the last point without force and the first with it: the next step's slope, carried back.
        reached = int(np.argmax(force > 0))
        if reached + 1 >= len(force) or force[reached + 1] <= force[reached]:
            return float(travel[reached])
        slope = (force[reached + 1] - force[reached]) / (travel[reached + 1] - travel[reached])
        extrapolated = float(travel[reached] - force[reached] / slope)
        return min(max(extrapolated, float(travel[reached - 1])), float(travel[reached]))

    def _energies(self, run: _Run) -> tuple[float, float]:
        squeezed, force = run.squeezed_mm, run.force_n
        if isinstance(self.specimen, ElasticSpecimen):
            at_mm = [max(float(squeezed[i]), 0.0) for i in (0, run.deepest, run.returns, -1)]
            begin, deepest, returns, end = (self.specimen.work_mj(depth) for depth in at_mm)
            return deepest - begin, returns - end
        into = np.trapezoid(force[: run.deepest + 1], squeezed[: run.deepest + 1])
        out = -np.trapezoid(force[run.returns :], squeezed[run.returns :])
        return float(into), float(out)


def _first_reached(answer: FloatArray, rising: FloatArray, level: float) -> float | None:
    """Answer where `rising` first passes a level, straight in between; None if it begins there or above."""
    if rising[0] >= level or not (rising >= level).any():
        return None
    above = int(np.argmax(rising >= level))
    share = (level - rising[above - 1]) / (rising[above] - rising[above - 1])
    return float(answer[above - 1] + share * (answer[above] - answer[above - 1]))
