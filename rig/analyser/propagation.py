"""What the calibration's uncertainty does to every quantity of every cycle.

Each independent input of the calibration is moved by its standard uncertainty, the cycles are measured
again, and the difference is that input's contribution (law of propagation in its numerical form,
JCGM 100:2008, 5.1.3 note 2). It is the same in all cycles of a recording, so that a mean over cycles does
not make it smaller: it is kept beside the uncertainty of the reading. Degrees of freedom by Welch and
Satterthwaite (JCGM 100:2008, G.4.1).

Columns that are added to a quantity `x`, whose `x_u` becomes the combined standard uncertainty:
`x_u_calibration`, the calibration's part of it, and `x_freedom`, the effective degrees of freedom of `x_u`.

Cost: each input measures all cycles once more.
"""

from __future__ import annotations

import numpy as np

from rig.analyser.strokes import Columns, Context
from rig.analyser.view import CalibratedView
from rig.calibration import Calibration, shifts
from rig.core.measured import effective_freedom
from rig.samples import FloatArray
from rig.segmenter import Segment

CALIBRATION_PART = "_u_calibration"
FREEDOM = "_freedom"

_Contributions = dict[str, dict[str, FloatArray]]


class Propagation:
    """Measures segments once more for each uncertain input, in order.

    Parameters
    ----------
    calibration
        As the segments are read.
    """

    def __init__(self, calibration: Calibration) -> None:
        self._calibration = calibration
        self._shifts = shifts(calibration)
        self._views = [CalibratedView(shift.calibration) for shift in self._shifts]
        self._opposites = [
            None if shift.opposite is None else CalibratedView(shift.opposite) for shift in self._shifts
        ]

    def __bool__(self) -> bool:
        """Whether anything of the calibration is known to be uncertain."""
        return bool(self._shifts)

    @property
    def sources(self) -> tuple[str, ...]:
        """Names of the inputs, each once, in order."""
        return tuple(dict.fromkeys(shift.source for shift in self._shifts))

    def widen(self, segment: Segment, context: Context, columns: Columns) -> Columns:
        """Return the columns whose uncertainties hold the calibration's part."""
        if not self._shifts:
            return columns
        names = [name for name in columns if f"{name}_u" in columns]
        square = {name: np.zeros_like(columns[name]) for name in names}
        fourth = {name: np.zeros_like(columns[name]) for name in names}
        for _, freedom, moved in self._moved(segment, context, columns, names):
            for name, difference in moved.items():
                squared = difference * difference
                square[name] += squared
                fourth[name] += squared * squared / freedom
        widened = dict(columns)
        for name in names:
            u = np.sqrt(columns[f"{name}_u"] ** 2 + square[name])
            widened[f"{name}_u"] = u
            widened[f"{name}{CALIBRATION_PART}"] = np.where(np.isfinite(u), np.sqrt(square[name]), np.nan)
            widened[f"{name}{FREEDOM}"] = effective_freedom(u**2, fourth[name])
        return widened

    def contributions(self, segment: Segment, context: Context, columns: Columns) -> _Contributions:
        """Contribution of each source to each quantity, shape (m,); sources of many inputs are summed up."""
        names = [name for name in columns if f"{name}_u" in columns]
        found: _Contributions = {source: {} for source in self.sources}
        for source, _, moved in self._moved(segment, context, columns, names):
            for name, difference in moved.items():
                found[source][name] = np.hypot(found[source].get(name, 0.0), difference)
        return found

    def _moved(
        self, segment: Segment, context: Context, columns: Columns, names: list[str]
    ) -> list[tuple[str, float, Columns]]:
        moved = []
        for shift, view, opposite in zip(self._shifts, self._views, self._opposites, strict=True):
            there = self._differences(view, segment, context, columns, names)
            if opposite is not None:
                back = self._differences(opposite, segment, context, columns, names)
                there = {name: np.sqrt((there[name] ** 2 + back[name] ** 2) / 2) for name in names}
            moved.append((shift.source, shift.degrees_of_freedom, there))
        return moved

    def _differences(
        self, view: CalibratedView, segment: Segment, context: Context, columns: Columns, names: list[str]
    ) -> Columns:
        other = view.measure(view.reread(segment, self._calibration), context)
        # a quantity that is only just had on one side has no difference
        return {name: np.nan_to_num(other[name] - columns[name]) for name in names}
