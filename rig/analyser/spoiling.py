"""Which quantities of a cycle each flag spoils.

Problem: a press without a recorded unloading has a sound peak, and one whose contact is unclear has a sound
hysteresis; leaving out whole cycles loses both. Plan: one table from flags to kinds of quantities. A spoilt
quantity of a cycle is left out of that quantity's means; all its others still count. A kind is found from the
name of the column, since names carry their stroke and their unit. Cost: a bit mask a column.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntFlag, auto
from functools import cache

import numpy as np

from rig.analyser.ragged import BoolArray
from rig.analyser.row_store import ColumnTable
from rig.samples import FloatArray
from rig.segmenter import Flag


class Basis(IntFlag):
    """What a quantity rests on; one can rest on several."""

    PEAK_FORCE = auto()
    """The largest force of loading, and what is read at the turn."""
    PEAK_PLACE = auto()
    """How deep the press goes, and all that is measured at shares of that depth."""
    TOE = auto()
    """The contact, from which deflections count."""
    TOE_SHAPE = auto()
    """The curve of force just above the contact."""
    LOADING = auto()
    """The curve of loading in between."""
    UNLOADING = auto()
    """The curve of unloading."""
    WHOLE_LOADING = auto()
    """Loading from contact to the turn."""
    RELEASE = auto()
    """Unloading down to where the specimen lets go."""
    HOLD = auto()
    """A hold at depth."""
    SET = auto()
    """The contact against that of the first cycle."""
    RATE = auto()
    """Times and travel."""


_ALL = ~Basis(0)
_DEFLECTION = Basis.TOE
_LOOP = Basis.WHOLE_LOADING | Basis.UNLOADING | Basis.RELEASE

_NAMED: dict[str, Basis] = {
    "contact_mm": Basis.TOE,
    "contact_at_force_mm": Basis.TOE,
    "toe_exponent": Basis.TOE | Basis.TOE_SHAPE,
    "peak_force_n": Basis.PEAK_FORCE,
    "peak_deflection_mm": Basis.PEAK_PLACE | _DEFLECTION,
    "deflection_at_peak_force_mm": Basis.PEAK_FORCE | _DEFLECTION,
    "peak_compression_pct": Basis.PEAK_PLACE | _DEFLECTION,
    "secant_n_per_mm": Basis.PEAK_FORCE | Basis.PEAK_PLACE | _DEFLECTION,
    "secant_unloading_n_per_mm": Basis.PEAK_PLACE | _DEFLECTION | Basis.UNLOADING,
    "tangent_n_per_mm": Basis.PEAK_FORCE | Basis.PEAK_PLACE,
    "tangent_unloading_n_per_mm": Basis.PEAK_PLACE | Basis.UNLOADING,
    "initial_n_per_mm": Basis.TOE | Basis.TOE_SHAPE | Basis.PEAK_PLACE,
    "initial_unloading_n_per_mm": Basis.TOE | Basis.PEAK_PLACE | Basis.UNLOADING | Basis.RELEASE,
    "chord_n_per_mm": Basis.TOE | Basis.PEAK_PLACE | Basis.LOADING,
    "chord_unloading_n_per_mm": Basis.TOE | Basis.PEAK_PLACE | Basis.UNLOADING,
    "energy_absorbed_mj": Basis.WHOLE_LOADING | Basis.PEAK_PLACE | Basis.LOADING,
    "energy_returned_mj": Basis.UNLOADING | Basis.RELEASE | Basis.PEAK_PLACE,
    "loss_mj": _LOOP | Basis.PEAK_PLACE | Basis.LOADING,
    "hysteresis_pct": _LOOP | Basis.PEAK_PLACE | Basis.LOADING,
    "energy_return_pct": _LOOP | Basis.PEAK_PLACE | Basis.LOADING,
    # a cyclic squeeze about a mean keeps contact on both sides
    "loss_factor": Basis.UNLOADING | Basis.PEAK_PLACE | Basis.LOADING,
    "knee_mm": Basis.TOE | Basis.LOADING,
    "knee_n": Basis.LOADING,
    "negative_stiffness_mm": Basis.TOE | Basis.LOADING,
    "rate_unloading_mm_per_s": Basis.RATE | Basis.RELEASE,
    "rate_unloading_pct_per_s": Basis.RATE | Basis.RELEASE,
    "hold_s": Basis.HOLD,
    "break_mm": Basis.TOE,
    "break_n": Basis.PEAK_FORCE,
    "energy_to_break_mj": Basis.WHOLE_LOADING,
}
"""Quantities by name; those of families stand in `_FAMILIES`."""

_FAMILIES: dict[str, Basis] = {
    "force_retention_": Basis.HOLD | Basis.PEAK_FORCE,
    "set_pct_of_deflection": Basis.SET | Basis.TOE | Basis.PEAK_PLACE,
    "set_": Basis.SET | Basis.TOE,
    "rate_": Basis.RATE,
    "zero_n": Basis(0),
}

SPOILS: dict[Flag, Basis] = {
    # Where the loading begins above zero, neither the contact nor what lies below the first sample is known;
    # a recorded zero of position stands for the contact where there is one.
    Flag.STARTS_IN_CONTACT: Basis.TOE_SHAPE | Basis.SET,
    Flag.CONTACT_KEPT_BEFORE: Basis.TOE_SHAPE | Basis.SET | Basis.WHOLE_LOADING,
    Flag.CONTACT_KEPT_AFTER: Basis.RELEASE,
    # A recording that ends during unloading still holds its loading.
    Flag.NOT_RELEASED: Basis.UNLOADING | Basis.RELEASE,
    Flag.ONE_WAY: Basis.UNLOADING | Basis.RELEASE,
    # Single readings were replaced by their neighbours' line: the rest is sound.
    Flag.SPIKE: Basis(0),
    # A platen that moves on adds force to what is left of it.
    Flag.HOLD_CREPT: Basis.HOLD,
    # The top of the curve is cut off, and its place was not recorded.
    Flag.FORCE_SATURATED: _ALL & ~(Basis.TOE | Basis.TOE_SHAPE | Basis.SET | Basis.RATE),
    Flag.POSITION_FAULT: _ALL,
    Flag.EXCLUDED: _ALL,
    # The press was cut short: what was read before is sound.
    Flag.FORCE_TRIP: Basis.PEAK_FORCE | Basis.PEAK_PLACE | Basis.UNLOADING | Basis.HOLD,
    Flag.SAMPLES_LOST: _ALL,
    # A held reading bends the curve where it is, and no other part of it.
    Flag.READING_HELD_AT_CONTACT: Basis.TOE | Basis.TOE_SHAPE | Basis.SET | Basis.WHOLE_LOADING,
    Flag.READING_HELD_IN_LOADING: Basis.LOADING | Basis.WHOLE_LOADING,
    Flag.READING_HELD_AT_PEAK: _ALL & ~(Basis.TOE | Basis.TOE_SHAPE | Basis.SET),
    Flag.READING_HELD_IN_UNLOADING: Basis.UNLOADING | Basis.RELEASE,
    # The zero of the other side is taken for both; what the two strokes differ by holds the drift.
    Flag.ONE_SIDED_BASELINE: Basis(0),
    Flag.FEW_SAMPLES: _ALL & ~(Basis.PEAK_FORCE | Basis.RATE),
    Flag.SHALLOW: Basis.PEAK_FORCE | Basis.PEAK_PLACE | Basis.UNLOADING | Basis.HOLD,
    # A curve that broke off is another specimen's afterwards; what came before the drop was reached.
    Flag.BREAK: ~(
        Basis.PEAK_FORCE | Basis.TOE | Basis.TOE_SHAPE | Basis.SET | Basis.RATE | Basis.WHOLE_LOADING
    ),
    # The stroke passes some depths three times.
    Flag.UNEVEN_STROKE: Basis.LOADING | Basis.WHOLE_LOADING | Basis.TOE_SHAPE | Basis.RATE,
    Flag.TOE_REGION_UNCLEAR: Basis.TOE | Basis.TOE_SHAPE | Basis.SET,
    Flag.OUTSIDE_CALIBRATION: _ALL,
    # A force that belongs to an earlier position bends both strokes apart, and moves the contact.
    Flag.FORCE_LAGS: _ALL & ~(Basis.HOLD | Basis.RATE),
}  # fmt: skip
"""What each flag spoils."""


@cache
def kind_of(name: str) -> Basis:
    """Return what a column rests on; everything if its name is not known."""
    if name in _NAMED:
        return _NAMED[name]
    if name.endswith(".loading_n"):
        return Basis.TOE | Basis.LOADING
    if name.endswith(".unloading_n"):
        return Basis.TOE | Basis.PEAK_PLACE | Basis.UNLOADING
    return next((kind for start, kind in _FAMILIES.items() if name.startswith(start)), _ALL)


@cache
def spoiling_flags(name: str) -> int:
    """Bits of the flags that spoil a quantity; a flag that is not in the table spoils all.

    Examples
    --------
    >>> Flag.NOT_RELEASED & spoiling_flags("hysteresis_pct") != 0
    True
    >>> Flag.NOT_RELEASED & spoiling_flags("peak_force_n") != 0
    False
    """
    kind = kind_of(name)
    return sum(int(flag) for flag in Flag if SPOILS.get(flag, _ALL) & kind)


def spoilt(flags: FloatArray, names: Iterable[str]) -> BoolArray:
    """Return which quantities of which cycles are spoilt, shape (names, cycles)."""
    masks = np.array([spoiling_flags(name) for name in names], np.int64)
    found: BoolArray = (flags.astype(np.int64)[None, :] & masks[:, None]) != 0
    return found


def counted_cycles(columns: ColumnTable, conditioning: int, name: str) -> BoolArray:
    """Return which cycles count in the means of a quantity: it is known, not spoilt, and behind the
    conditioning."""
    if name not in columns:
        return np.zeros(len(columns["cycle"]) if len(columns) else 0, bool)
    sound = ~spoilt(columns["flags"], [name])[0]
    counted: BoolArray = sound & (columns["cycle"] > conditioning) & np.isfinite(columns[name])
    return counted


def spoilt_quantities(flags: int, names: Iterable[str]) -> dict[str, list[str]]:
    """Return the names of the quantities that each flag of a cycle spoils, by the flag's label."""
    listed = list(names)
    return {
        flag.label: [name for name in listed if SPOILS.get(flag, _ALL) & kind_of(name)]
        for flag in Flag
        if flags & flag
    }
