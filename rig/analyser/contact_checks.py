"""The zero-force contact of single contact checks: where the platen met the piece, before it pushed.

Problem: a sphere is squeezed by tenths of a millimetre before it pushes with a force that can be read.
Plan: the fit of a power law to the toe region, as for cycles (toe.py), on contact checks that were read
already. Cost: one small fit for each contact check.
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
    """One contact check up to its greatest force, arrays of shape (n,).

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
    contact_checks: Sequence[Approach], noise: MeasuringNoise, *, contact_force_n: float, frame: Frame
) -> tuple[FloatArray, FloatArray]:
    """Platen position, the frame's deflection taken off, at which each contact check began.

    Parameters
    ----------
    contact_checks
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
    offsets = np.concatenate([[0], np.cumsum([len(check.x_mm) for check in contact_checks])])[:-1]
    ends = [_places(check) for check in contact_checks]
    first, contact, last = (offsets + np.array(column) for column in zip(*ends, strict=True))
    zone = ToeZone(
        np.concatenate([check.x_mm for check in contact_checks]),
        np.concatenate([check.force_n for check in contact_checks]),
        first,
        contact,
        last,
        np.zeros(len(contact_checks)),
        np.zeros(len(contact_checks)),
        np.array([check.zero_u_n for check in contact_checks]),
        Roughness.of_opening(noise, len(contact_checks)),
        frame,
    )
    peak_n = np.array([float(check.force_n.max()) for check in contact_checks])
    toe = fit_toes(
        zone, peak_n, noise, detection_n=contact_force_n, contact_force_n=contact_force_n, exponent=None
    )
    return toe.contact_mm, toe.contact_u_mm


def _places(check: Approach) -> tuple[int, int, int]:
    """Return the samples at which the fit begins, contact was detected, and the load ends."""
    last = len(check.x_mm) - 1
    before_mm = max(NO_LOAD_SHARE * (float(check.x_mm[-1]) - check.contact_mm), NO_LOAD_MM)
    contact = min(int(np.argmax(check.x_mm >= check.contact_mm)), last)
    first = int(np.argmax(check.x_mm >= check.contact_mm - before_mm))
    return first, contact, last
