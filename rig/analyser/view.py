"""One way of reading a recording: its calibration, and what the cycles so far leave for the next.

A recording is read once as it is calibrated, and again with each input of the calibration a little off. Each
reading has contacts of its own, from which its deflections and its set count; cycles are the same in all.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import sqrt

import numpy as np

from rig.analyser.backlash import freed_of_backlash
from rig.analyser.measure import TOE_CURVED, TOE_OWN_U, TOE_SHAPES, Datum, ReadStrokes, measure
from rig.analyser.ragged import Nodes
from rig.analyser.roughness import RoughnessRecord
from rig.analyser.strokes import Columns, Context
from rig.analyser.wander import ZeroRecord
from rig.calibration import Calibration, read_again
from rig.segmenter import Segment

_TOE = (TOE_OWN_U, TOE_CURVED, *(name for pair in TOE_SHAPES for name in pair))


@dataclass(slots=True)
class CalibratedView:
    """Measures segments in order.

    Parameters
    ----------
    calibration
        How this view reads the counts.

    Attributes
    ----------
    first
        Contact of the first cycle, once there is one.
    """

    calibration: Calibration
    first: Datum | None = None
    _carried: Datum | None = None
    _first_toe: dict[str, float] | None = None
    _last_depth_mm: float = np.nan
    _zeros: ZeroRecord = field(default_factory=ZeroRecord)
    _rough: RoughnessRecord = field(default_factory=RoughnessRecord)
    _read: tuple[Segment, ReadStrokes, ZeroRecord] | None = None

    def measure(self, segment: Segment, context: Context) -> Columns:
        """Return all quantities of the cycles of a segment.

        Parameters
        ----------
        segment
            As this view reads it.
        context
            What is known of the recording; frame and backlash are this view's.
        """
        read = None
        if self._read is not None and self._read[0] is segment:
            _, read, self._zeros = self._read
        self._read = None
        context = replace(context, frame=self.calibration.frame)
        freed = self._freed(segment)
        # the turn itself is where backlash shows nothing yet
        columns = measure(
            freed,
            context,
            self._carried,
            self.first,
            turns_in=segment.signals if self.calibration.backlash.mm else None,
            zeros=self._zeros,
            rough=self._rough,
            read=read,
        )
        self._remember(columns, recorded_zero=context.recorded_zero)
        columns |= self._set_columns(columns, context)
        return {name: values for name, values in columns.items() if name not in _TOE}

    def first_strokes(self, segment: Segment, context: Context) -> tuple[Nodes, Nodes]:
        """Return the nodes of the loading and unloading strokes of few cycles, before any is measured."""
        zeros, freed = ZeroRecord(), self._freed(segment)
        context = replace(context, frame=self.calibration.frame)
        read = ReadStrokes.of(freed.signals, freed.cycles, context, zeros)
        # the first segment is measured next, often all of it: it need not be read again
        self._read = self._read or (segment, read, zeros)
        return read.loading, read.unloading

    def _freed(self, segment: Segment) -> Segment:
        backlash_mm = self.calibration.backlash.mm
        return replace(segment, signals=freed_of_backlash(segment.signals, segment.cycles, backlash_mm))

    def reread(self, segment: Segment, before: Calibration) -> Segment:
        """Return a segment that another calibration read, as this view reads it."""
        return replace(segment, signals=read_again(segment.signals, before, self.calibration))

    def _remember(self, columns: Columns, *, recorded_zero: bool) -> None:
        contact, contact_u = columns["contact_mm"], columns["contact_mm_u"]
        known = np.flatnonzero(np.isfinite(contact))
        if len(known):
            self._carried = Datum(float(contact[known[-1]]), float(contact_u[known[-1]]))
            self.first = self.first or Datum(float(contact[known[0]]), float(contact_u[known[0]]))
        elif recorded_zero and self.first is None:
            self.first = self._carried = Datum(0.0, 0.0)
        known = np.flatnonzero(np.isfinite(columns["contact_at_force_mm"]))
        if len(known) and self._first_toe is None:
            self._first_toe = {
                name: float(columns[name][known[0]]) for name in ("contact_at_force_mm", *_TOE)
            }

    def _set_columns(self, columns: Columns, context: Context) -> Columns:
        """Permanent set: shift of the contact at the contact force against the first one.

        Notes
        -----
        A toe region that is not a power of the deflection moves a contact by what its lower parts show. The
        first cycle's contact moves by much the same: only what they differ by, above noise, is left in the
        shift.
        """
        settings = context.settings
        at_force = columns["contact_at_force_mm"]
        first = self._first_toe or dict.fromkeys(("contact_at_force_mm", *_TOE), np.nan)
        origin = columns["contact_mm"]
        if settings.datum == "first" and self.first is not None:
            origin = np.where(np.isfinite(origin), self.first.contact_mm, np.nan)
        shift = at_force - first["contact_at_force_mm"]
        # an exponent that is not known is the same one in all cycles
        curved_u = (columns[TOE_CURVED] - first[TOE_CURVED]) / sqrt(3)
        shift_u2 = columns[TOE_OWN_U] ** 2 + first[TOE_OWN_U] ** 2 + curved_u**2
        for moved, noise in TOE_SHAPES:
            apart = columns[moved] - first[moved]
            shift_u2 += np.maximum(apart**2 - columns[noise] ** 2 - first[noise] ** 2, 0.0)
        shift_u = np.where(shift == 0.0, np.nan, np.sqrt(shift_u2))
        imposed = origin + columns["peak_deflection_mm"] - first["contact_at_force_mm"]
        before = np.concatenate([[self._last_depth_mm], imposed[:-1]])
        if len(imposed):
            self._last_depth_mm = float(imposed[-1])
        result = {"set_mm": shift, "set_mm_u": shift_u}
        with np.errstate(divide="ignore", invalid="ignore"):
            result["set_pct_of_deflection"] = 100 * shift / before
            result["set_pct_of_deflection_u"] = 100 * shift_u / np.abs(before)
        height = settings.free_height_mm
        if height:
            result |= {
                "set_pct_of_height": 100 * shift / height,
                "set_pct_of_height_u": 100 * shift_u / height,
            }
        return result
