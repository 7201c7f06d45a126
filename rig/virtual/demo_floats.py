"""The floats of the demonstration: two batches, and three pieces that were abused in between.

All numbers are invented. Stiffness, loss and set of each float are drawn once, from a fixed seed, about its
mould's; what is measured later never sees these numbers, and has to find out that the autumn mould is softer.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator

from rig.virtual.foam import Foam
from rig.virtual.named_specimens import specimen_named
from rig.virtual.relaxation import Prony

MODEL = "F-90"
FREE_HEIGHT_MM = 90.0
AREA_MM2 = 3000.0
"""Of the net float under the platen."""

PIECES = 8
"""Of each batch."""

ABUSED = 3
"""Pieces of the spring batch that are squeezed again after long service."""

HOLD_S = 62.0
"""Long enough for the force retained after a minute."""

_SEED = 90
_STIFFNESS_SPREAD, _LOSS_SPREAD, _SET_SPREAD = 0.03, 0.04, 0.06
"""Standard deviations of pieces about their mould's stiffness, loss and set, relative."""


@dataclass(frozen=True, slots=True)
class Mould:
    """What a batch was made like."""

    batch: str
    letter: str
    kind: str
    moulded: str
    mass_g: float


MOULDS = (
    Mould("spring", "S", "foam", "2026-03-16", 61.0),
    Mould("autumn", "A", "foam-soft", "2026-09-21", 57.5),
)


@dataclass(frozen=True, slots=True)
class Float:
    """One float in one state, and how it is squeezed.

    `stiffer`, `lossier`, `settling`: its force, relaxation and set against those of its kind.
    `mass_g`, `across_mm`: as a scale and a caliper show them.
    `hold_s`: hold at depth, so that relaxation is seen; none for one that is cycled.
    """

    name: str
    mould: Mould
    kind: str
    stiffer: float
    lossier: float
    settling: float
    mass_g: float
    across_mm: tuple[float, float]
    state: str = "new"
    hold_s: float = 0.0

    def specimen(self) -> Foam:
        """Return a fresh one for the virtual rig."""
        kind = specimen_named(self.kind)
        assert isinstance(kind, Foam)
        return replace(
            kind,
            curve=kind.curve.scaled(self.stiffer),
            prony=Prony(tuple(self.lossier * share for share in kind.prony.shares), kind.prony.times_s),
            set_share=self.settling * kind.set_share,
        )


def floats() -> tuple[Float, ...]:
    """Return all in the order of squeezing: both batches, then the abused, then those held."""
    rng = np.random.default_rng(_SEED)
    new, held = [], []
    for mould in MOULDS:
        for number in range(1, PIECES + 2):
            new.append(
                Float(
                    name=f"{mould.letter}{number}",
                    mould=mould,
                    kind=mould.kind,
                    stiffer=_about_one(rng, _STIFFNESS_SPREAD),
                    lossier=_about_one(rng, _LOSS_SPREAD),
                    settling=_about_one(rng, _SET_SPREAD),
                    mass_g=round(mould.mass_g + 0.8 * float(rng.standard_normal()), 1),
                    across_mm=(_caliper(rng), _caliper(rng)),
                )
            )
        held.append(replace(new.pop(), hold_s=HOLD_S))
    abused = [replace(piece, kind="foam-abused", state="abused") for piece in new[:ABUSED]]
    return (*new, *abused, *held)


def _about_one(rng: Generator, spread: float) -> float:
    return 1.0 + spread * float(rng.standard_normal())


def _caliper(rng: Generator) -> float:
    """Return a diameter as a caliper with a display of 0.1 mm shows it."""
    return round(FREE_HEIGHT_MM + 0.2 * float(rng.standard_normal()), 1)
