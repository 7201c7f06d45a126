"""One way of reading a recording: its calibration, and what the cycles so far leave for the next.

A recording is read once as it is calibrated, and again with each input of the calibration a little off. Each
reading has contacts of its own, from which its deflections and its set count; cycles are the same in all.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from rig.analyser.backlash import freed_of_backlash
from rig.analyser.measure import Datum, measure
from rig.analyser.roughness import RoughnessRecord
from rig.analyser.strokes import Columns, Context
from rig.analyser.wander import ZeroRecord
from rig.calibration import Calibration, read_again
from rig.segmenter import Segment


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
    _first_at_force: Datum | None = None
    _last_depth_mm: float = np.nan
    _zeros: ZeroRecord = field(default_factory=ZeroRecord)
    _rough: RoughnessRecord = field(default_factory=RoughnessRecord)

    def measure(self, segment: Segment, context: Context) -> Columns:
        """All quantities of the cycles of a segment.

        Parameters
        ----------
        segment
            As this view reads it.
        context
            What is known of the recording; frame and backlash are this view's.
        """
        backlash_mm = self.calibration.backlash.mm
        context = replace(context, frame=self.calibration.frame)
        freed = replace(segment, signals=freed_of_backlash(segment.signals, segment.cycles, backlash_mm))
        # the turn itself is where backlash shows nothing yet
        columns = measure(
            freed,
            context,
            self._carried,
            self.first,
            turns_in=segment.signals if backlash_mm else None,
            zeros=self._zeros,
            rough=self._rough,
        )
        self._remember(columns, recorded_zero=context.recorded_zero)
        return columns | self._set_columns(columns, context)

    def reread(self, segment: Segment, before: Calibration) -> Segment:
        """A segment that another calibration read, as this view reads it."""
        return replace(segment, signals=read_again(segment.signals, before, self.calibration))

    def _remember(self, columns: Columns, *, recorded_zero: bool) -> None:
        contact, contact_u = columns["contact_mm"], columns["contact_mm_u"]
        known = np.flatnonzero(np.isfinite(contact))
        if len(known):
            self._carried = Datum(float(contact[known[-1]]), float(contact_u[known[-1]]))
            self.first = self.first or Datum(float(contact[known[0]]), float(contact_u[known[0]]))
        elif recorded_zero and self.first is None:
            self.first = self._carried = Datum(0.0, 0.0)
        at_force = columns["contact_at_force_mm"]
        known = np.flatnonzero(np.isfinite(at_force))
        if len(known) and self._first_at_force is None:
            self._first_at_force = Datum(
                float(at_force[known[0]]), float(columns["contact_at_force_mm_u"][known[0]])
            )

    def _set_columns(self, columns: Columns, context: Context) -> Columns:
        """Permanent set: shift of the contact at the contact force against the first one."""
        settings = context.settings
        at_force, at_force_u = columns["contact_at_force_mm"], columns["contact_at_force_mm_u"]
        first = self._first_at_force or Datum(np.nan, np.nan)
        origin = columns["contact_mm"]
        if settings.datum == "first" and self.first is not None:
            origin = np.where(np.isfinite(origin), self.first.contact_mm, np.nan)
        shift = at_force - first.contact_mm
        is_reference = shift == 0.0
        shift_u = np.where(is_reference, np.nan, np.hypot(at_force_u, first.contact_u_mm))
        imposed = origin + columns["peak_deflection_mm"] - first.contact_mm
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
