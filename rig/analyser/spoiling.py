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
from rig.analyser.rows import ColumnTable
from rig.samples import FloatArray
from rig.segmenter import Flag


class Kind(IntFlag):
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


_ALL = ~Kind(0)
_DEFLECTION = Kind.TOE
_LOOP = Kind.WHOLE_LOADING | Kind.UNLOADING | Kind.RELEASE

_NAMED: dict[str, Kind] = {
    "contact_mm": Kind.TOE,
    "contact_at_force_mm": Kind.TOE,
    "toe_exponent": Kind.TOE | Kind.TOE_SHAPE,
    "peak_force_n": Kind.PEAK_FORCE,
    "peak_deflection_mm": Kind.PEAK_PLACE | _DEFLECTION,
    "deflection_at_peak_force_mm": Kind.PEAK_FORCE | _DEFLECTION,
    "peak_compression_pct": Kind.PEAK_PLACE | _DEFLECTION,
    "secant_n_per_mm": Kind.PEAK_FORCE | Kind.PEAK_PLACE | _DEFLECTION,
    "secant_unloading_n_per_mm": Kind.PEAK_PLACE | _DEFLECTION | Kind.UNLOADING,
    "tangent_n_per_mm": Kind.PEAK_FORCE | Kind.PEAK_PLACE,
    "tangent_unloading_n_per_mm": Kind.PEAK_PLACE | Kind.UNLOADING,
    "initial_n_per_mm": Kind.TOE | Kind.TOE_SHAPE | Kind.PEAK_PLACE,
    "initial_unloading_n_per_mm": Kind.TOE | Kind.PEAK_PLACE | Kind.UNLOADING | Kind.RELEASE,
    "chord_n_per_mm": Kind.TOE | Kind.PEAK_PLACE | Kind.LOADING,
    "chord_unloading_n_per_mm": Kind.TOE | Kind.PEAK_PLACE | Kind.UNLOADING,
    "energy_absorbed_mj": Kind.WHOLE_LOADING | Kind.PEAK_PLACE | Kind.LOADING,
    "energy_returned_mj": Kind.UNLOADING | Kind.RELEASE | Kind.PEAK_PLACE,
    "loss_mj": _LOOP | Kind.PEAK_PLACE | Kind.LOADING,
    "hysteresis_pct": _LOOP | Kind.PEAK_PLACE | Kind.LOADING,
    "energy_return_pct": _LOOP | Kind.PEAK_PLACE | Kind.LOADING,
    # a cyclic squeeze about a mean keeps contact on both sides
    "loss_factor": Kind.UNLOADING | Kind.PEAK_PLACE | Kind.LOADING,
    "knee_mm": Kind.TOE | Kind.LOADING,
    "knee_n": Kind.LOADING,
    "negative_stiffness_mm": Kind.TOE | Kind.LOADING,
    "rate_unloading_mm_per_s": Kind.RATE | Kind.RELEASE,
    "rate_unloading_pct_per_s": Kind.RATE | Kind.RELEASE,
    "hold_s": Kind.HOLD,
    "break_mm": Kind.TOE,
    "break_n": Kind.PEAK_FORCE,
    "energy_to_break_mj": Kind.WHOLE_LOADING,
}
"""Quantities by name; those of families stand in `_FAMILIES`."""

_FAMILIES: dict[str, Kind] = {
    "force_retention_": Kind.HOLD | Kind.PEAK_FORCE,
    "set_pct_of_deflection": Kind.SET | Kind.TOE | Kind.PEAK_PLACE,
    "set_": Kind.SET | Kind.TOE,
    "rate_": Kind.RATE,
    "zero_n": Kind(0),
}

SPOILS: dict[Flag, Kind] = {
    # Where the loading begins above zero, neither the contact nor what lies below the first sample is known;
    # a recorded zero of position stands for the contact where there is one.
    Flag.STARTS_IN_CONTACT: Kind.TOE_SHAPE | Kind.SET,
    Flag.CONTACT_KEPT_BEFORE: Kind.TOE_SHAPE | Kind.SET | Kind.WHOLE_LOADING,
    Flag.CONTACT_KEPT_AFTER: Kind.RELEASE,
    # A recording that ends on the way out still holds its loading.
    Flag.NOT_RELEASED: Kind.UNLOADING | Kind.RELEASE,
    Flag.ONE_WAY: Kind.UNLOADING | Kind.RELEASE,
    # Single readings were replaced by their neighbours' line: the rest is sound.
    Flag.SPIKE: Kind(0),
    # A platen that moves on adds force to what is left of it.
    Flag.HOLD_CREPT: Kind.HOLD,
    # The top of the curve is cut off, and its place was not recorded.
    Flag.FORCE_SATURATED: _ALL & ~(Kind.TOE | Kind.TOE_SHAPE | Kind.SET | Kind.RATE),
    Flag.POSITION_FAULT: _ALL,
    Flag.EXCLUDED: _ALL,
    # The press was cut short: what was read before is sound.
    Flag.FORCE_TRIP: Kind.PEAK_FORCE | Kind.PEAK_PLACE | Kind.UNLOADING | Kind.HOLD,
    Flag.SAMPLES_LOST: _ALL,
    Flag.READING_HELD: _ALL,
    # The zero of the other side is taken for both; what the two strokes differ by holds the drift.
    Flag.ONE_SIDED_BASELINE: Kind(0),
    Flag.FEW_SAMPLES: _ALL & ~(Kind.PEAK_FORCE | Kind.RATE),
    Flag.SHALLOW: Kind.PEAK_FORCE | Kind.PEAK_PLACE | Kind.UNLOADING | Kind.HOLD,
    # A curve that broke off is another specimen's afterwards; what came before the drop was reached.
    Flag.BREAK: ~(Kind.PEAK_FORCE | Kind.TOE | Kind.TOE_SHAPE | Kind.SET | Kind.RATE | Kind.WHOLE_LOADING),
    # The stroke passes some depths three times.
    Flag.UNEVEN_STROKE: Kind.LOADING | Kind.WHOLE_LOADING | Kind.TOE_SHAPE | Kind.RATE,
    Flag.TOE_REGION_UNCLEAR: Kind.TOE | Kind.TOE_SHAPE | Kind.SET,
    Flag.OUTSIDE_CALIBRATION: _ALL,
}  # fmt: skip
"""What each flag spoils."""


@cache
def kind_of(name: str) -> Kind:
    """What a column rests on; everything if its name is not known."""
    if name in _NAMED:
        return _NAMED[name]
    if name.endswith(".loading_n"):
        return Kind.TOE | Kind.LOADING
    if name.endswith(".unloading_n"):
        return Kind.TOE | Kind.PEAK_PLACE | Kind.UNLOADING
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
    """Which quantities of which cycles are spoilt, shape (names, cycles)."""
    masks = np.array([spoiling_flags(name) for name in names], np.int64)
    found: BoolArray = (flags.astype(np.int64)[None, :] & masks[:, None]) != 0
    return found


def counted_cycles(columns: ColumnTable, conditioning: int, name: str) -> BoolArray:
    """Which cycles count in the means of a quantity: it is known, not spoilt, and behind the conditioning."""
    if name not in columns:
        return np.zeros(len(columns["cycle"]) if len(columns) else 0, bool)
    sound = ~spoilt(columns["flags"], [name])[0]
    counted: BoolArray = sound & (columns["cycle"] > conditioning) & np.isfinite(columns[name])
    return counted


def spoilt_quantities(flags: int, names: Iterable[str]) -> dict[str, list[str]]:
    """Names of the quantities that each flag of a cycle spoils, by the flag's label."""
    listed = list(names)
    return {
        flag.label: [name for name in listed if SPOILS.get(flag, _ALL) & kind_of(name)]
        for flag in Flag
        if flags & flag
    }
