"""Calibrate the force channel as it is mounted and in the sense in which it is used.

In: readings beside masses or a reference cell, centred and off-centre. Out: a scale with its covariance, and
the evidence for it. Falling readings are fitted with the rising ones, and what separates them is a part of
the uncertainty of its own; a load off the centre likewise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from statistics import fmean
from typing import Any

from rig.calibration.provenance import Provenance, Share
from rig.calibration.readings import ReadingTable, refuse_wrong_ways
from rig.calibration.references import (
    AIR_KG_PER_M3,
    MASS_KG_PER_M3,
    Gravity,
    half_range_share,
    mass_load_n,
    mass_shares,
)
from rig.calibration.scale_fitting import (
    FittedScale,
    details_of,
    far_out_cautions,
    fit_readings,
    with_evidence,
)
from rig.calibration.scales import Scale
from rig.errors import InputError

SHARES_FROM = 0.2
"""Loads from this share of the largest on tell reversibility and off-centre errors, as in ISO 7500-1; below
it a step of the converter would look like one."""


@dataclass(frozen=True, slots=True)
class ReferenceFacts:
    """What is known about the references.

    `relative_u`: standard uncertainty over value; None if it was not stated.
    `absolute_u`: standard uncertainty of every value, in the channel's unit.
    """

    text: str = ""
    relative_u: float | None = None
    absolute_u: float = 0.0

    def shares(self, values: Sequence[float]) -> tuple[Share, ...]:
        """Return their part of the uncertainty of a scale that was fitted to these values."""
        if self.relative_u is None:
            return ()
        least = min(abs(value) for value in values if value)
        return (Share("references", self.relative_u, absolute_u=self.absolute_u, least=least),)

    def cautions(self) -> tuple[str, ...]:
        """Return what is to be said where their uncertainty is not stated."""
        if self.relative_u is not None:
            return ()
        return ("the references' uncertainty is missing from the budget; give it with --reference-u",)

    def sentences(self, unit: str) -> tuple[str, ...]:
        """Return what the record says; `unit` is N or mm."""
        text = self.text or "unnamed references"
        known = (
            "no uncertainty was stated, so none is in the budget"
            if self.relative_u is None
            else f"standard uncertainty {self.absolute_u:.3g} {unit} at every value"
            if self.absolute_u
            else f"standard uncertainty {100 * self.relative_u:.3g} %"
        )
        return (f"{text}; {known}",)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Where and in what air masses are used."""

    gravity: Gravity | None = None
    air_kg_per_m3: float = AIR_KG_PER_M3
    mass_kg_per_m3: float = MASS_KG_PER_M3


@dataclass(frozen=True, slots=True, eq=False)
class ChannelCalibration:
    """A calibrated channel and what is to be said of it.

    `used`: indices into the table's readings, in the order of the residuals.
    `figures`: further results under their names, in per cent or mm.
    """

    scale: Scale
    fitted: FittedScale
    table: ReadingTable
    used: tuple[int, ...]
    cautions: tuple[str, ...]
    figures: dict[str, float] = field(default_factory=dict)


def calibrate_force(
    table: ReadingTable,
    *,
    surroundings: Surroundings | None = None,
    references: ReferenceFacts | None = None,
    degree: int | None = None,
    reversed_way: bool = False,
    made: date | None = None,
    expires: date | None = None,
    by: str = "",
) -> ChannelCalibration:
    """Find the force scale.

    Parameters
    ----------
    surroundings
        Needed where the references are masses.
    degree
        1 to 3; None for the lowest that is enough.
    reversed_way
        Whether counts fall while the load rises, and are meant to.

    Raises
    ------
    InputError
        If gravity is missing, a reading does not follow its reference, or the readings cannot carry the
        degree.
    """
    surroundings, references = surroundings or Surroundings(), references or ReferenceFacts()
    loads_n = loads_of(table, surroundings)
    refuse_wrong_ways(table, loads_n, reversed_way=reversed_way)
    used = tuple(index for index, reading in enumerate(table.readings) if reading.centred)
    fitted = fit_readings(table, loads_n, used, unit="N", degree=degree)
    shares, figures = _further_shares(table, loads_n, fitted.scale)
    gravity = surroundings.gravity if table.quantity == "mass" else None
    if gravity is not None:
        shares = (*mass_shares(gravity, surroundings.air_kg_per_m3, surroundings.mass_kg_per_m3), *shares)
    cautions = (*fitted.cautions, *references.cautions(), *_cautions(table, loads_n, fitted, used, shares))
    details: dict[str, Any] = {**details_of(fitted, "N"), **figures, "cautions": list(cautions)}
    sentences = references.sentences("N")
    if gravity is not None:
        details |= {
            "gravity_m_per_s2": gravity.m_per_s2,
            "air_kg_per_m3": surroundings.air_kg_per_m3,
            "mass_kg_per_m3": surroundings.mass_kg_per_m3,
        }
        sentences = (
            *sentences,
            f"{gravity.source}; air of {surroundings.air_kg_per_m3:g} and masses of "
            f"{surroundings.mass_kg_per_m3:g} kg/m^3",
        )
    record = Provenance(made, expires, by, sentences, details)
    scale = with_evidence(fitted.scale, (*references.shares(loads_n), *shares), record)
    return ChannelCalibration(scale, fitted, table, used, cautions, figures)


def loads_of(table: ReadingTable, surroundings: Surroundings) -> list[float]:
    """Return loads in newtons, in the order of the table's readings.

    Raises InputError if they are masses and gravity is not known.
    """
    if table.quantity != "mass":
        return [reading.reference for reading in table.readings]
    if surroundings.gravity is None:
        raise InputError(
            f"{table.where}: masses press with their weight: state the local gravity, --gravity "
            '"9.8145 m/s^2", or where the rig stands, --latitude 54.3 --height "12 m"'
        )
    return [
        mass_load_n(
            reading.reference,
            surroundings.gravity.m_per_s2,
            air_kg_per_m3=surroundings.air_kg_per_m3,
            mass_kg_per_m3=surroundings.mass_kg_per_m3,
        )
        for reading in table.readings
    ]


def _further_shares(
    table: ReadingTable, loads_n: Sequence[float], scale: Scale
) -> tuple[tuple[Share, ...], dict[str, float]]:
    """Return what falling and off-centre loads add, as shares and as figures in per cent."""
    shares: list[Share] = []
    figures: dict[str, float] = {}
    # a reading lies anywhere between rising and falling: half of what lies between is the half range
    reversibility = _largest_reversal(table, loads_n, scale)
    if reversibility is not None:
        figures["reversibility_pct"] = 100 * reversibility
        shares.append(half_range_share("reversibility", abs(reversibility) / 2))
    senses = _between_senses(table, loads_n, scale)
    if senses is not None:
        figures["pull_against_press_pct"] = 100 * senses
        shares.append(half_range_share("pull against press", abs(senses) / 2))
    off_centre = _largest_off_centre(table, loads_n, scale)
    if off_centre is not None:
        figures["off_centre_half_range_pct"] = 100 * off_centre
        shares.append(half_range_share("off-centre load", off_centre))
    return tuple(shares), figures


def _by_load(table: ReadingTable, loads_n: Sequence[float]) -> dict[float, list[int]]:
    """Return the indices of the readings of each load that is large enough to tell a share."""
    least = SHARES_FROM * max(map(abs, loads_n))
    groups: dict[float, list[int]] = {}
    for index, load_n in enumerate(loads_n):
        if abs(load_n) >= least:
            groups.setdefault(load_n, []).append(index)
    return groups


def _largest_reversal(table: ReadingTable, loads_n: Sequence[float], scale: Scale) -> float | None:
    """Return the largest difference of a falling from the rising reading of its run, as a share of the
    load."""
    found: list[float] = []
    for load_n, indices in _by_load(table, loads_n).items():
        readings = [table.readings[index] for index in indices if table.readings[index].centred]
        for run in {reading.run for reading in readings}:
            rising = [reading.counts for reading in readings if reading.run == run and not reading.falling]
            falling = [reading.counts for reading in readings if reading.run == run and reading.falling]
            if rising and falling:
                # counts times the slope of the scale there: the runs have zeros of their own
                between = fmean(falling) - fmean(rising)
                found.append(between * float(scale.slope(rising[0])) / load_n)
    return max(found, key=abs) if found else None


def _between_senses(table: ReadingTable, loads_n: Sequence[float], scale: Scale) -> float | None:
    """Return what one curve for both senses leaves between loads that pull and loads that press, as a
    share of them: a cell need not be equal in both. None where there is only one sense."""
    changes: dict[bool, list[float]] = {True: [], False: []}
    for load_n, indices in _by_load(table, loads_n).items():
        for index in indices:
            reading = table.readings[index]
            zeros = [
                other.counts
                for other, other_n in zip(table.readings, loads_n, strict=True)
                if other.run == reading.run and other_n == 0 and other.centred
            ]
            if reading.centred and zeros:
                change_n = float(scale.value(reading.counts)) - float(scale.value(fmean(zeros)))
                changes[load_n < 0].append(change_n / load_n - 1)
    if not (changes[True] and changes[False]):
        return None
    return fmean(changes[True]) - fmean(changes[False])


def _largest_off_centre(table: ReadingTable, loads_n: Sequence[float], scale: Scale) -> float | None:
    """Return the largest half range of one load at several places, as a share of the load."""
    found: list[float] = []
    for load_n, indices in _by_load(table, loads_n).items():
        readings = [table.readings[index] for index in indices]
        places: dict[str, list[float]] = {}
        for reading in readings:
            places.setdefault("" if reading.centred else reading.place.lower(), []).append(reading.counts)
        if len(places) > 1:
            means = [fmean(counts) for counts in places.values()]
            span = max(means) - min(means)
            found.append(span / 2 * abs(float(scale.slope(means[0])) / load_n))
    return max(found) if found else None


def _cautions(
    table: ReadingTable,
    loads_n: Sequence[float],
    fitted: FittedScale,
    used: Sequence[int],
    shares: Sequence[Share],
) -> tuple[str, ...]:
    cautions = list(far_out_cautions(table, used, fitted, "N"))
    if not any(load_n == 0 for load_n in loads_n):
        cautions.append("no reading without load: forces below the smallest load were not compared")
    sources = {share.source for share in shares}
    if min(loads_n) < 0 < max(loads_n) and "pull against press" not in sources:
        cautions.append(
            "no zero reading with the loads in tension or with those in compression: the budget leaves out "
            "how far the two differ"
        )
    if "off-centre load" not in sources:
        cautions.append(
            "no load was placed off the centre: the budget leaves out the error of an off-centre specimen"
        )
    if "reversibility" not in sources:
        cautions.append("no falling readings: the budget leaves out reversibility")
    return tuple(cautions)
