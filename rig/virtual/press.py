"""The press and the specimen in it: platen travel in, deflection and force out.

Problem: a frame gives way under load, so the specimen is squeezed by less than the platen travels, by an
amount that depends on the force, which depends on the specimen's past. Plan: guess the deflections of a
whole stretch, let the specimen answer, and correct with its tangent until travel = deflection +
compliance x force holds everywhere. The specimen's memory is a value, so each guess starts from the
same past. Cost: one answer with a rigid frame, a handful with a soft one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.errors import InputError
from rig.samples import FloatArray
from rig.virtual.specimens import Specimen

_CLOSE_ENOUGH_MM = 1e-11
"""Far below any count, yet above the rounding of positions of a few hundred mm."""

_MOST_GUESSES = 200


@dataclass(frozen=True, slots=True)
class SqueezedStretch:
    """Deflection in mm and force in N of a stretch, shape (n,), and the specimen's memory at its end."""

    deflection_mm: FloatArray
    force_n: FloatArray
    memory: Any


def squeeze(
    specimen: Specimen, memory: Any, travel_mm: FloatArray, step_s: float, compliance_mm_per_n: float = 0.0
) -> SqueezedStretch:
    """Answer of a specimen in a press.

    Raises InputError if the frame gives way and the specimen's force follows speed, where the two cannot be
    told apart on a grid of time, or if the frame is so soft beside the specimen that no deflection is found.

    `specimen`, `memory`: what is squeezed, and its past.
    `travel_mm`: platen travel past the first contact at the end of each step, shape (n,).
    `compliance_mm_per_n`: how far the frame gives way for each newton.
    """
    if compliance_mm_per_n == 0.0 or not len(travel_mm):
        force_n, after = specimen.respond(memory, travel_mm, step_s)
        return SqueezedStretch(travel_mm, force_n, after)
    if specimen.follows_speed:
        raise InputError(
            f"compliance_mm_per_n: found {compliance_mm_per_n} with {specimen!r}; "
            "expected 0 for a specimen whose force follows speed"
        )
    # Newton's method on travel = deflection + compliance x force, all points of the stretch at once. A slope
    # below 1 (a specimen that softens) would overshoot: the step then takes the force as constant.
    deflection_mm = travel_mm
    for _ in range(_MOST_GUESSES):
        force_n, after = specimen.respond(memory, deflection_mm, step_s)
        error_mm = deflection_mm + compliance_mm_per_n * force_n - travel_mm
        if np.abs(error_mm).max() < _CLOSE_ENOUGH_MM:
            return SqueezedStretch(deflection_mm, force_n, after)
        slope = 1.0 + compliance_mm_per_n * specimen.tangent_n_per_mm(deflection_mm)
        deflection_mm = deflection_mm - error_mm / np.maximum(slope, 1.0)
    raise InputError(
        f"compliance_mm_per_n: found {compliance_mm_per_n}, for which no deflection of {specimen!r} "
        "balances; expected a frame stiffer than the specimen"
    )
