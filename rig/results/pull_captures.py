"""Pulls of captures on disk, with all that must be equal before pieces are put together.

The calibration's part is found by moving it: the pulls are read again with each of its inputs off by a
standard uncertainty. A scale that was only compared with loads that press says nothing of loads that pull:
such pulls are flagged and left out, unless somebody says that it goes on straight. A frame was measured
pressing; pulling, it is taken to give as at its first load, and most of that goes with the first give anyway.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot, isfinite
from pathlib import Path

import numpy as np

from rig.aids import COLUMNS, PulledPiece
from rig.analyser import Pull, PullSettings, find_pulls, flagged_beyond
from rig.calibration import Aligner, Calibration, Signals, shifts
from rig.capture import Capture, open_capture
from rig.errors import InputError
from rig.population import UNSTATED, PieceResult
from rig.results.piece_captures import STATED, refuse_copies, stated_circumstances, stated_state, was_driven
from rig.samples import FloatArray, Samples
from rig.segmenter import ZeroPolicy, working_direction

MOST_SAMPLES = 5_000_000
"""Of one capture: three hours at 500 a second; it is held in memory while it is read."""


@dataclass(frozen=True, slots=True)
class PullsAsked:
    """How captures are read.

    Parameters
    ----------
    beyond
        Whether pulls count that go beyond what the calibration was compared with.
    """

    settings: PullSettings
    calibration: Calibration | None = None
    beyond: bool = False


@dataclass(frozen=True, slots=True)
class PulledCapture:
    """Pulls of one capture.

    Parameters
    ----------
    reach_n
        Largest pull that the force was compared with; infinite if its scale was not measured.
    """

    piece: PulledPiece
    pulls: tuple[Pull, ...]
    reach_n: float
    notes: tuple[str, ...]


def pulled_captures(paths: Sequence[Path], asked: PullsAsked) -> list[PulledCapture]:
    """Read the pulls of captures, in order of time; the first one's notes name those left out.

    Raises InputError if one is no capture or is given twice, or if none can be used: each is too long, or has
    no clock, no pull, or none that counts.
    """
    captures = [(path, open_capture(path)) for path in paths]
    refuse_copies(captures)
    captures.sort(key=lambda pair: pair[1].header.started)
    read: list[PulledCapture] = []
    unusable: list[str] = []
    for path, capture in captures:
        try:
            read.append(_read(path, capture, asked))
        except InputError as problem:
            unusable.append(str(problem))
    if not read:
        raise InputError("\n".join(unusable))
    if unusable:
        notes = (*(f"left out: {problem}." for problem in unusable), *read[0].notes)
        read[0] = replace(read[0], notes=notes)
    return read


def _read(path: Path, capture: Capture, asked: PullsAsked) -> PulledCapture:
    count = sum(file.samples for file in capture.files)
    if count > MOST_SAMPLES:
        raise InputError(f"{path}: {count} samples are too many for pulls; expected at most {MOST_SAMPLES}")
    samples = capture.samples()
    where = f"{path}/capture.yaml: calibration"
    stated = asked.calibration or Calibration.from_dict(capture.header.calibration, where=where)
    with_it = stated.for_channels(samples.force_channel, samples.position_channel)
    try:
        signals = _signals(samples, with_it, capture.header.sense)
        pulls = _pulls(signals, with_it, asked.settings, capture)
    except InputError as problem:
        raise InputError(f"{path}: {problem}") from None
    if not pulls:
        raise InputError(
            f"{path}: found no pull, expected forces below zero while the platen moves away (with --sense "
            "tension, of either sign); set the smallest pull with --threshold"
        )
    flagged, reach_n = flagged_beyond(pulls, signals, with_it)
    if not asked.beyond:
        if not any(pull.counts for pull in flagged) and any(pull.counts for pull in pulls):
            raise InputError(f"{path}: {_beyond_words(pulls, reach_n)}, or --beyond-calibration")
        pulls = flagged
    shares = _calibration_shares(samples, with_it, asked.settings, capture, pulls)
    said = [
        f"pull {number}: {', '.join(pull.flags)}; {'its slip is ' if pull.counts else ''}left out of means"
        for number, pull in enumerate(pulls, 1)
        if pull.flags
    ]
    said += _backlash_notes(with_it, signals, pulls)
    if pulls != flagged:
        said.append(f"{_beyond_words(pulls, reach_n)}; as requested, it is extrapolated as a straight line")
    if not with_it.frame.is_rigid:
        said.append(
            "the frame compliance was measured in compression; in tension its value at the first load is used"
        )
    notes = (*(f"{path.name}: {note}." for note in said), *stated.complaints(capture.header.started.date()))
    piece = _piece(path, capture, stated, (pulls, shares), _rate(signals, pulls))
    return PulledCapture(piece, pulls, reach_n, notes)


def _signals(samples: Samples, calibration: Calibration, sense: str) -> Signals:
    """Return the force and position of the same instants; pulls of a recording in tension turned below
    zero."""
    aligner = Aligner(calibration)
    parts = [signals for signals in (aligner.push(samples), aligner.finish()) if signals is not None]
    if not parts:
        raise InputError("has no samples, expected a recording of pulls")
    signals = Signals.concatenate(parts)
    # which sign a pull has there is found as for cycles in tension; a capture of presses has it below zero
    pulling = working_direction(signals) if sense == "tension" else -1
    return signals.turned(-pulling)


def _pulls(
    signals: Signals, calibration: Calibration, settings: PullSettings, capture: Capture
) -> tuple[Pull, ...]:
    header, frame = capture.header, calibration.frame
    return find_pulls(
        signals,
        settings,
        sense=header.sense,
        zero=ZeroPolicy.of(header.zero),
        frame=None if frame.is_rigid else frame,
    )


def _calibration_shares(
    samples: Samples,
    calibration: Calibration,
    settings: PullSettings,
    capture: Capture,
    pulls: Sequence[Pull],
) -> dict[str, float]:
    """Return the relative standard uncertainty of each column from the calibration."""
    parts: dict[str, list[float]] = {name: [] for name in COLUMNS}
    for shift in shifts(calibration):
        signals = _signals(samples, shift.calibration, capture.header.sense)
        moved = _pulls(signals, shift.calibration, settings, capture)
        # an input that is off may let a pull appear or vanish at the threshold: then nothing can be compared
        if len(moved) != len(pulls):
            continue
        for name in COLUMNS:
            # means over all pulls, so that the noise of single ones does not pass for the calibration's part
            pairs = [(getattr(off, name), getattr(on, name)) for off, on in zip(moved, pulls, strict=True)]
            known = [pair for pair in pairs if all(map(isfinite, pair))]
            if whole := sum(on for _, on in known):
                parts[name].append(sum(off for off, _ in known) / whole - 1)
    return {name: hypot(*found) for name, found in parts.items()}


def _beyond_words(pulls: Sequence[Pull], reach_n: float) -> str:
    largest_n = max(pull.peak_n for pull in pulls)
    if largest_n <= reach_n:
        return (
            "pulls go beyond the calibrated positions: calibrate the whole travel (`pressrig calibrate "
            "position`)"
        )
    reach = f"beyond {reach_n:.4g} N of pull" if reach_n > 0 else "for loads that pull"
    return (
        f"pulls reach {largest_n:.4g} N, and there is no force calibration {reach}: add loads hung the "
        "other way, below zero in the table, and calibrate again (`pressrig calibrate force`)"
    )


def _backlash_notes(calibration: Calibration, signals: Signals, pulls: Sequence[Pull]) -> Iterator[str]:
    """Yield a sentence per pull that begins before the platen's way out has taken up the backlash."""
    after = 0
    for number, pull in enumerate(pulls, 1):
        back_mm = float(signals.position_mm[after : pull.begin + 1].max() - signals.position_mm[pull.begin])
        if back_mm < calibration.backlash.mm:
            yield (
                f"pull {number}: starts within the backlash of the position; its travel and work are too "
                "small"
            )
        after = pull.end


def _rate(signals: Signals, pulls: Sequence[Pull]) -> str:
    """Return the mean speed up to the peaks, in words."""
    rates = [
        float(signals.position_mm[pull.begin] - signals.position_mm[pull.peak])
        / float(signals.time_s[pull.peak] - signals.time_s[pull.begin])
        for pull in pulls
        if pull.peak > pull.begin
    ]
    return f"{sum(rates) / len(rates):.2g} mm/s" if rates else UNSTATED


def _piece(
    path: Path,
    capture: Capture,
    calibration: Calibration,
    read: tuple[tuple[Pull, ...], Mapping[str, float]],
    rate: str,
) -> PulledPiece:
    pulls, shares = read
    header = capture.header
    # what a pull depends on; area, contact force and conditioning are a press's
    words = stated_circumstances(capture, calibration, driven=was_driven(capture))
    names = ("method", "temperature", "humidity", "calibration", *STATED)
    result = PieceResult(
        header.specimen,
        header.batch,
        stated_state(path, header),
        path.name or path.resolve().name,
        {},
        {},
        {},
        {name: words[name] for name in names} | {"rate": rate},
        None,
    )

    def column(name: str) -> FloatArray:
        """Return a column; pulls that do not count keep their place, without a number."""
        counts = "counts" if name.startswith(("peak", "work")) else "slip_counts"
        return np.array([getattr(pull, name) if getattr(pull, counts) else np.nan for pull in pulls])

    columns = {title: column(title) for name in COLUMNS for title in (name, f"{name}_u")}
    return PulledPiece(result, columns, dict(shares))
