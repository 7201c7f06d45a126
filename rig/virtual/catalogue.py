"""Specimens by name, for the command line. Their numbers are invented."""

from __future__ import annotations

from rig.errors import InputError
from rig.virtual.foam import Foam, FoamCurve, StandardLinearSolid
from rig.virtual.relaxation import Prony
from rig.virtual.specimens import HertzSphere, LinearSpring, Specimen, SpringDashpot, ThinRing

_FLOAT = Foam()

_SPECIMENS: dict[str, Specimen] = {
    "spring": LinearSpring(),
    "sphere": HertzSphere(),
    "ring": ThinRing(),
    "foam": _FLOAT,
    # The autumn mould runs cooler: a softer skin, more relaxation, more set.
    "foam-soft": Foam(
        curve=_FLOAT.curve.scaled(0.75),
        prony=Prony((0.20, 0.14, 0.10), (0.3, 3.0, 60.0)),
        set_share=0.27,
    ),
    # Long in service: already short, nearly done softening, and quick to lose more height.
    "foam-abused": Foam(height_mm=87.0, curve=_FLOAT.curve.scaled(0.95), softened=0.9, set_share=0.6),
    "spring-dashpot": SpringDashpot(),
    "solid": StandardLinearSolid(),
    # Three floats on top of each other bend sideways at a sixth of their height.
    "tall-foam": Foam(
        height_mm=270.0,
        curve=FoamCurve(
            plateau_mm=21.6, rise_n_per_mm=0.23, dense_mm=162.0, bends_at_mm=45.0, bending_n_per_mm=0.4
        ),
    ),
}

SPECIMEN_NAMES = tuple(_SPECIMENS)


def specimen_named(name: str) -> Specimen:
    """A specimen of the catalogue.

    Raises
    ------
    InputError
        If there is none of that name; the message lists those that there are.
    """
    if name not in _SPECIMENS:
        raise InputError(f"specimen {name!r} is not known; choose one of {', '.join(SPECIMEN_NAMES)}")
    return _SPECIMENS[name]
