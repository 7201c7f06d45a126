"""Calibrate the position channel: its scale from readings taken while the platen approaches, and its
backlash.

In: readings beside gauge blocks or an indicator that follows the platen, approached both ways. Out: a scale
with its covariance, the backlash with its uncertainty, and the evidence for both. Going back, a reading with
backlash lags behind and is too high by the backlash; so the readings of the approach make the scale, and what
the others are above it is the backlash.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np

from rig.calibration.calibration import Backlash
from rig.calibration.force_calibration import ChannelCalibration, ReferenceFacts
from rig.calibration.provenance import Provenance
from rig.calibration.readings import Reading, ReadingTable, refuse_wrong_ways
from rig.calibration.scale_fitting import details_of, far_out_cautions, fit_readings, with_evidence
from rig.calibration.scales import Scale
from rig.core.measured import coverage_factor
from rig.errors import InputError
from rig.samples import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class PositionCalibration:
    """A calibrated position channel.

    `backlash`: None where the references were approached from one side only.
    `backlash_differences_mm`: how much more each reference read when it was approached going back, shape
    (references,).
    """

    channel: ChannelCalibration
    backlash: Backlash | None
    backlash_differences_mm: FloatArray


def calibrate_position(
    table: ReadingTable,
    *,
    references: ReferenceFacts | None = None,
    degree: int | None = None,
    zero_counts: float = 0.0,
    reversed_way: bool = False,
    made: date | None = None,
    expires: date | None = None,
    by: str = "",
) -> PositionCalibration:
    """Find the position scale and the backlash.

    Parameters
    ----------
    degree
        1 to 3; None for the lowest that is enough.
    zero_counts
        Reading that means zero: that of the platen at home, since a drive's limits count from there.
    reversed_way
        Whether counts fall while the platen approaches, and are meant to.

    Raises
    ------
    InputError
        If readings do not follow their references, cannot carry the degree, or read less going back.
    """
    references = references or ReferenceFacts()
    # a thicker gauge block stops the platen higher
    sign = -1.0 if table.quantity == "block" else 1.0
    values = [sign * reading.reference for reading in table.readings]
    used = tuple(index for index, reading in enumerate(table.readings) if not reading.falling)
    if not used:
        raise InputError(f"{table.where}: no reading was taken while approaching; those make the scale")
    approaching = replace(table, readings=tuple(table.readings[index] for index in used))
    refuse_wrong_ways(approaching, [values[index] for index in used], reversed_way=reversed_way)
    fitted = fit_readings(table, values, used, unit="mm", degree=degree, zero_counts=zero_counts)
    differences = _going_back(table, values, used, fitted.scale)
    backlash = _backlash(table, differences, abs(fitted.scale.per_count))
    cautions = [*fitted.cautions, *references.cautions(), *far_out_cautions(table, used, fitted, "mm")]
    if backlash is None:
        cautions.append(
            "fewer than two references were approached both ways: the backlash is not known; read them "
            "while returning too"
        )
    details: dict[str, Any] = {**details_of(fitted, "mm"), "cautions": cautions}
    record = Provenance(made, expires, by, references.sentences("mm"), details)
    scale = with_evidence(fitted.scale, references.shares(values), record)
    if backlash is not None:
        backlash = replace(backlash, record=replace(record, details={"differences_mm": differences.tolist()}))
    channel = ChannelCalibration(scale, fitted, table, used, tuple(cautions))
    return PositionCalibration(channel, backlash, differences)


def _going_back(
    table: ReadingTable, values: Sequence[float], used: Sequence[int], scale: Scale
) -> FloatArray:
    """Return the readings going back less those of the approach at the same reference and run, in mm."""
    approached: dict[tuple[str, float], list[Reading]] = {}
    returned: dict[tuple[str, float], list[Reading]] = {}
    for index, reading in enumerate(table.readings):
        into = approached if index in set(used) else returned
        into.setdefault((reading.run, values[index]), []).append(reading)
    # by reference and run, so that a zero that moved between runs does not pass for backlash
    differences = []
    for key, readings in returned.items():
        if key in approached:
            going, back = (
                float(np.mean(scale.value([reading.counts for reading in both])))
                for both in (approached[key], readings)
            )
            differences.append(back - going)
    return np.array(differences)


def _backlash(table: ReadingTable, differences_mm: FloatArray, count_mm: float) -> Backlash | None:
    if len(differences_mm) < 2:
        return None
    mean = float(differences_mm.mean())
    freedom = len(differences_mm) - 1
    u = float(differences_mm.std(ddof=1)) / math.sqrt(len(differences_mm))
    # directions that were exchanged show a backlash with the other sign; less than a count is none
    if mean < -max(u * coverage_factor(freedom), count_mm):
        raise InputError(
            f"{table.where}: going back the position reads {-mean:.3g} mm less than approaching; with "
            "backlash it reads more. Were the directions exchanged?"
        )
    return Backlash(max(mean, 0.0), u, float(freedom))
