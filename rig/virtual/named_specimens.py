"""Specimens by name, for the command line. Their numbers are invented."""

from __future__ import annotations

from rig.errors import InputError
from rig.virtual.caps import PressedCap
from rig.virtual.foam import Foam, FoamCurve, StandardLinearSolid
from rig.virtual.relaxation import Prony
from rig.virtual.specimens import HertzSphere, LinearSpring, Specimen, SpringDashpot, ThinRing

_FLOAT = Foam()

_SPECIMENS: dict[str, Specimen] = {
    "spring": LinearSpring(),
    "sphere": HertzSphere(),
    "ring": ThinRing(),
    "foam": _FLOAT,
    # A float moulded denser, for hard squeezes.
    "foam-dense": Foam(
        curve=FoamCurve(plateau_n=280.0, plateau_mm=10.0, rise_n_per_mm=5.0, dense_n=350.0),
        softening_floor=0.9,
        set_share=0.05,
    ),
    # 100 mm by 100 mm and 50 mm high, cut from the float's foam: soft, then nearly solid from 70 % on.
    "block": Foam(
        height_mm=50.0,
        curve=FoamCurve(plateau_n=30.0, plateau_mm=3.0, rise_n_per_mm=0.6, dense_n=430.0, dense_mm=35.0),
        prony=Prony((0.08, 0.06), (0.5, 8.0)),
        softening_floor=0.92,
        set_share=0.012,
    ),
    # A hollow ball of 66 mm that pushes back less than it was pushed, and forgets it between two axes.
    "ball": Foam(
        height_mm=66.0,
        curve=FoamCurve(plateau_n=8.0, plateau_mm=2.0, rise_n_per_mm=10.0, dense_n=120.0, dense_mm=36.0),
        prony=Prony((0.06, 0.05), (1.0, 10.0)),
        softening_floor=1.0,
        set_share=0.18,
        set_fading=1e9,
        set_stays=0.0,
        recovery_times_s=(0.5, 3.0),
    ),
    # Nothing between the platens: where they meet, the frame is all that gives.
    "platens": LinearSpring(2000.0, 5.0),
    # The autumn mould runs cooler: a softer skin, more relaxation, more set.
    "foam-soft": Foam(
        curve=_FLOAT.curve.scaled(0.75),
        prony=Prony((0.20, 0.14, 0.10), (0.3, 3.0, 60.0)),
        set_share=0.27,
    ),
    # Long in service: already short, nearly done softening, and quick to lose more height.
    "foam-abused": Foam(height_mm=87.0, curve=_FLOAT.curve.scaled(0.95), softened=0.9, set_share=0.6),
    # A cap on its plug, to be pulled off.
    "cap": PressedCap(),
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
    """Return a specimen of the catalogue.

    Raises InputError if there is none of that name; the message lists those that there are.
    """
    if name not in _SPECIMENS:
        raise InputError(f"specimen {name!r} is not known; choose one of {', '.join(SPECIMEN_NAMES)}")
    return _SPECIMENS[name]
