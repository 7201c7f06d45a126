"""The zero-force contact of single touches: where the platen met the piece, before it pushed.

Problem: a sphere is squeezed by tenths of a millimetre before it pushes with a force that can be read.
Plan: the fit of a power law to the toe region, as for cycles (toe.py), on touches that were read already.
Cost: one small fit for each touch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.analyser.roughness import Roughness
from rig.analyser.settings import MeasuringNoise
from rig.analyser.toe import ToeZone, fit_toes
from rig.calibration import Frame
from rig.samples import FloatArray

NO_LOAD_SHARE = 0.5
NO_LOAD_MM = 0.1
"""Of the way from the small force to the greatest, and so much at the least, is fitted before the contact."""


@dataclass(frozen=True, slots=True)
class Approach:
    """One touch up to its greatest force, arrays of shape (n,).

    Parameters
    ----------
    x_mm, force_n
        Platen position, rising, and force above its zero.
    contact_mm
        Where it passes the contact force.
    zero_u_n
        Standard uncertainty of the force zero.
    """

    x_mm: FloatArray
    force_n: FloatArray
    contact_mm: float
    zero_u_n: float


def zero_force_contacts(
    touches: Sequence[Approach], noise: MeasuringNoise, *, contact_force_n: float, frame: Frame
) -> tuple[FloatArray, FloatArray]:
    """Platen position, the frame's deflection taken off, at which each touch began.

    Parameters
    ----------
    touches
        At least one.
    noise
        Of single samples.
    contact_force_n
        At which contact was detected.
    frame
        What gives besides the piece.

    Returns
    -------
    Contacts and their standard uncertainties in mm, shape (m,); not-a-number where there is no toe region to
    fit.
    """
    offsets = np.concatenate([[0], np.cumsum([len(touch.x_mm) for touch in touches])])[:-1]
    ends = [_places(touch) for touch in touches]
    first, contact, last = (offsets + np.array(column) for column in zip(*ends, strict=True))
    zone = ToeZone(
        np.concatenate([touch.x_mm for touch in touches]),
        np.concatenate([touch.force_n for touch in touches]),
        first,
        contact,
        last,
        np.zeros(len(touches)),
        np.zeros(len(touches)),
        np.array([touch.zero_u_n for touch in touches]),
        Roughness.of_opening(noise, len(touches)),
        frame,
    )
    peak_n = np.array([float(touch.force_n.max()) for touch in touches])
    toe = fit_toes(
        zone, peak_n, noise, detection_n=contact_force_n, contact_force_n=contact_force_n, exponent=None
    )
    return toe.contact_mm, toe.contact_u_mm


def _places(touch: Approach) -> tuple[int, int, int]:
    """Return the samples at which the fit begins, contact was detected, and the load ends."""
    last = len(touch.x_mm) - 1
    before_mm = max(NO_LOAD_SHARE * (float(touch.x_mm[-1]) - touch.contact_mm), NO_LOAD_MM)
    contact = min(int(np.argmax(touch.x_mm >= touch.contact_mm)), last)
    first = int(np.argmax(touch.x_mm >= touch.contact_mm - before_mm))
    return first, contact, last
