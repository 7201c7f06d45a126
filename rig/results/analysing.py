"""One capture from disk, measured: every number of every cycle, by its own header and what was asked for.

In: the folder of a capture. Out: its analysis, and what its uncertainty is made of where that was asked for.
"""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from rig.analyser import (
    PART_SAMPLES,
    AnalysisSettings,
    Budget,
    CaptureAnalysis,
    CaptureResult,
    Depth,
    MonteCarlo,
    RowStore,
    auxiliary_by_cycle,
    budget,
    counted_cycles,
    monte_carlo,
    opening_contact_force_n,
)
from rig.calibration import Calibration
from rig.capture import Capture, auxiliary_readings, auxiliary_units, open_capture
from rig.errors import InputError
from rig.results.kept import KeptResult
from rig.results.method_results import method_of, sentences_of_pulls
from rig.results.progress import Progress, no_progress
from rig.samples import FloatArray, Sense, gathered
from rig.segmenter import ZeroPolicy

TABLE_POINTS = 10
"""A recording of no more samples is a table read by hand: its own points are the depths asked for."""

OPENING_SAMPLES = 1024
"""Pushed at once until the opening is over, most often in the first part."""


@dataclass(frozen=True, slots=True)
class Asked:
    """How captures are measured, before a capture's own header fills the rest.

    Parameters
    ----------
    conditioning
        First cycles that are left out of the means; None for as many as the capture's method says, else none.
    at
        Depths at which forces are given, with commas between, such as "10%,5 mm".
    datum
        Where deflection begins: "cycle" at each cycle's contact, "first" at the first one's.
    examine, draws
        Cycles examined for a budget, and draws of a Monte Carlo; 0 for none.
    fresh
        Whether results that were kept are left alone, and everything is worked out anew.
    """

    contact_force_n: float | None = None
    conditioning: int | None = None
    at: str | None = None
    datum: str = "cycle"
    free_height_mm: float | None = None
    toe_exponent: float | None = None
    sense: Sense | None = None
    zero: str | None = None
    calibration: Calibration | None = None
    examine: int = 0
    draws: int = 0
    fresh: bool = False

    def kept_at(self, path: Path) -> KeptResult:
        """Return the place of the result of a capture that is measured like this."""
        names = (field.name for field in fields(self) if field.name not in _NOT_OF_NUMBERS)
        plain = {name: getattr(self, name) for name in names}
        plain["calibration"] = None if self.calibration is None else self.calibration.identity
        return KeptResult(path, plain)

    def of_opening(self) -> Asked:
        """Return all of this that bears on the noise of an opening."""
        return Asked(sense=self.sense, zero=self.zero, calibration=self.calibration, fresh=self.fresh)


_NOT_OF_NUMBERS = ("calibration", "examine", "draws", "fresh")
"""What numbers of cycles do not depend on; the calibration goes by its identity."""


@dataclass(frozen=True, slots=True)
class Doubts:
    """Where the uncertainty of a capture's numbers comes from, as far as it was asked for."""

    budget: Budget | None = None
    draws: MonteCarlo | None = None


class Analysed(NamedTuple):
    """One capture, measured."""

    path: Path
    capture: Capture
    result: CaptureResult
    doubts: Doubts


def analyse_capture(
    path: Path, asked: Asked | None = None, store: RowStore | None = None, *, progress: Progress = no_progress
) -> tuple[Capture, CaptureResult]:
    """Analyse one capture from disk; rows go into the store, or into memory.

    Raises InputError if it is no capture, or its counts have no calibration.
    """
    found = examine_capture(path, asked or Asked(), store, progress=progress)
    return found.capture, found.result


def noise_contact_force_n(path: Path, asked: Asked, capture: Capture | None = None) -> float:
    """Return the force that counts as contact if not stated: the noise of the opening decides.

    It is what an analysis of the whole capture would find, from the samples before the first motion alone.

    Raises InputError if it is no capture, or its counts have no calibration.
    """
    asked = asked.of_opening()
    kept = asked.kept_at(path)
    found = None if asked.fresh else kept.read_contact_force_n()
    if found is None:
        capture = capture or open_capture(path)
        parts = (
            batch[start : start + OPENING_SAMPLES]
            for batch in capture.batches()
            for start in range(0, len(batch), OPENING_SAMPLES)
        )
        found = opening_contact_force_n(parts, calibration_of(capture, asked), _settings(capture, asked))
        kept.write_contact_force_n(found)
    return found


def calibration_of(capture: Capture, asked: Asked) -> Calibration:
    """Return what a capture's counts are read with: what was asked for, or its own."""
    where = f"{capture.path}/capture.yaml: calibration"
    return asked.calibration or Calibration.from_dict(capture.header.calibration, where=where)


def examine_capture(
    path: Path,
    asked: Asked,
    store: RowStore | None = None,
    *,
    capture: Capture | None = None,
    progress: Progress = no_progress,
) -> Analysed:
    """Analyse one capture from disk, with the budget and the Monte Carlo that were asked for."""
    capture = capture or open_capture(path)
    calibration = calibration_of(capture, asked)
    # a budget needs the samples of its cycles, which no result holds
    kept = None if asked.examine else asked.kept_at(path)
    found = None if kept is None or asked.fresh else kept.read(calibration)
    if found is not None:
        if store is not None:
            if len(found):
                store.add(dict(found.columns))
            found = replace(found, columns=store.table())
        return Analysed(path, capture, found, Doubts())
    # batch by batch: a recording of any length is never held as a whole
    analysis = CaptureAnalysis(
        calibration,
        _settings(capture, asked),
        store=store,
        examine=asked.examine,
        recorded_on=capture.header.started.date(),
    )
    total = sum(file.samples for file in capture.files)
    done = 0
    with progress(f"analysing {path.name}", total) as show:
        for batch in gathered(capture.batches(), PART_SAMPLES):
            analysis.push(batch)
            done += len(batch)
            show(done, f"{done} samples")
    result = analysis.finish()
    damage = [
        f"{damaged.file} at byte {damaged.offset}: {damaged.lost} could not be read"
        for damaged in capture.damage
    ]
    warnings = (*_about_amendments(capture), *damage, *_about_pulls(capture), *result.warnings)
    result = replace(result, warnings=warnings)
    if kept is not None:
        kept.write(result)
    return Analysed(path, capture, result, _doubts(path, analysis, asked, progress))


def _about_amendments(capture: Capture) -> list[str]:
    """Return what was mended or left out since the recording; an excluded capture can still be looked at."""
    sentences = [
        f"Amended on {record.sentence}." for record in capture.amendments if record.kind == "amended"
    ]
    left_out = capture.exclusions
    if left_out.capture is not None:
        sentences.append(f"This capture is left out of results since {left_out.capture.sentence}.")
    records = {id(record): record for record in left_out.cycles.values()}
    return [*sentences, *(f"Left out since {record.sentence}." for record in records.values())]


def _about_pulls(capture: Capture) -> list[str]:
    """Return what to say of a capture of a method that pulls: presses are not all that it holds."""
    if "pull:" not in capture.header.ordered.text:
        return []
    with suppress(InputError):  # presses are measured whatever their method's text has become
        return [*sentences_of_pulls(method_of(capture.header))]
    return []


def _doubts(path: Path, analysis: CaptureAnalysis, asked: Asked, progress: Progress) -> Doubts:
    if not analysis.examined.cycles:
        return Doubts()
    if not asked.draws:
        return Doubts(budget(analysis.examined, analysis.applied, analysis.settings.conditioning))
    with progress(f"drawing {path.name}", asked.draws) as show:
        found = monte_carlo(
            analysis.examined,
            analysis.applied,
            asked.draws,
            conditioning=analysis.settings.conditioning,
            show=lambda done: show(done, f"{done} draws"),
        )
    return Doubts(found.budget, found)


def _settings(capture: Capture, asked: Asked) -> AnalysisSettings:
    depths = (
        None if asked.at is None else tuple(Depth.of(text) for text in asked.at.split(",") if text.strip())
    )
    samples = sum(file.samples for file in capture.files)
    if depths is None and capture.header.position.unit != "counts" and samples <= TABLE_POINTS:
        position_mm = Calibration().position_mm(capture.samples())
        depths = tuple(
            Depth(f"{value:g}mm", mm=float(value)) for value in sorted({*position_mm.tolist()}) if value > 0
        )
    return AnalysisSettings(
        contact_force_n=asked.contact_force_n,
        conditioning=_conditioning_of(capture) if asked.conditioning is None else asked.conditioning,
        at=depths,
        datum="first" if asked.datum == "first" else "cycle",
        free_height_mm=asked.free_height_mm or capture.header.free_height_mm,
        toe_exponent=asked.toe_exponent,
        sense=asked.sense or capture.header.sense,
        zero=ZeroPolicy.of(asked.zero or capture.header.zero),
        excluded=tuple(capture.exclusions.cycles),
    )


def _conditioning_of(capture: Capture) -> int:
    """Return the number of conditioning cycles of the capture's method; 0 if it has none."""
    with suppress(InputError):  # presses are measured whatever their method's text has become
        return method_of(capture.header).conditioning.cycles
    return 0


def climate_by_cycle(capture: Capture, result: CaptureResult) -> dict[str, FloatArray]:
    """Return temperature, humidity and further channels of each cycle, shape (cycles,), where they were
    measured; names end in their units."""
    if not len(result):
        return {}
    start_s, end_s = result.columns["start_s"], result.columns["end_s"]
    units = auxiliary_units(capture)
    found = {}
    for name, (time_s, values) in auxiliary_readings(capture).items():
        if len(time_s) > 1:  # a single one was typed, and stands in the header
            unit = units.get(name, "%" if name == "humidity" else "degC")
            ending = {"degC": "c", "%": "pct"}.get(unit) or re.sub(r"[^a-z0-9]+", "_", unit.lower()).strip(
                "_"
            )
            found[f"{name}_{ending or 'raw'}"] = auxiliary_by_cycle(time_s, values, start_s, end_s)
    return found


def last_set_row(result: CaptureResult) -> int | None:
    """Return the row of the last counted cycle that has a permanent set: the mean over cycles lags behind."""
    if not len(result):
        return None
    counted = counted_cycles(result.columns, result.settings.conditioning, "set_mm")
    # the first cycle has none by definition
    known = np.flatnonzero(counted & (result.columns["cycle"] > 1))
    return int(known[-1]) if len(known) else None
