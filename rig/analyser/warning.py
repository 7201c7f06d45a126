"""What a reader of the numbers has to be told, in sentences."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from rig.analyser.relaxation import RETENTION_AFTER_S
from rig.analyser.result import CaptureResult
from rig.analyser.spoiling import SPOILS, Basis
from rig.analyser.strokes import depth_name
from rig.analyser.tally import NAMED_CYCLES, ColumnTally
from rig.core import counted
from rig.samples import FloatArray
from rig.segmenter import Flag, ForceZero

FEW_POINTS = 10
"""A loading stroke of fewer points than this is a table read by hand."""

_KIND_WORDS = {
    Basis.PEAK_FORCE: "peak force",
    Basis.PEAK_PLACE: "peak deflection",
    Basis.TOE: "contact and what is measured from it",
    Basis.TOE_SHAPE: "initial stiffness",
    Basis.LOADING: "loading curve",
    Basis.UNLOADING: "unloading curve",
    Basis.WHOLE_LOADING: "energy absorbed",
    Basis.RELEASE: "energy returned",
    Basis.HOLD: "force retention",
    Basis.SET: "set",
}

ORIGIN_SHARE = 0.02
"""A line through such points that misses the origin by this share of their largest force is worth a word."""


@dataclass(frozen=True, slots=True)
class Start:
    """How a recording began.

    Parameters
    ----------
    timed
        Whether its samples have times.
    recorded_zero
        Whether its positions have a zero of their own.
    points
        Position in mm and force in N of the first loading stroke; None if there is none.
    """

    timed: bool
    recorded_zero: bool
    points: tuple[FloatArray, FloatArray] | None


def warnings_about(result: CaptureResult, start: Start, tally: ColumnTally) -> tuple[str, ...]:
    """Return the sentences for a result: what was left out, what could not be had and why."""
    return (
        *_about_start(result, start, tally),
        *_about_points(start),
        *_about_flags(result, tally),
        *_about_missing(result, start, tally),
    )


def _about_start(result: CaptureResult, start: Start, tally: ColumnTally) -> Iterator[str]:
    if result.contact_checks:
        many = f"{result.contact_checks} contact checks" if result.contact_checks > 1 else "1 contact check"
        yield f"{many} (light presses beside the main ones) not counted as cycles."
    yield from _about_zero(result.zero)
    if not tally.cycles:
        yield (
            f"No cycle was found: the force never rose above {result.contact_force_n:.3g} N while the "
            "platen moved. Check the calibration, the contact force and the signs: if loads are negative, "
            "`--sense tension` changes the sign of force and position. `pressrig pull` measures pull-offs."
        )
        return
    if (tally.first_flags & Flag.STARTS_IN_CONTACT) and start.recorded_zero:
        yield "The recording starts in contact: deflection counts from the recorded zero of position."
    if not start.timed:
        yield "There is no time column: rates, holds and force retention are empty."


def _about_zero(zero: ForceZero | None) -> Iterator[str]:
    """Yield which force zero was used, wherever that is not plainly the untouched start."""
    if zero is None:
        return
    asked = " as asked" if zero.asked else ""
    began = (
        f"the recording begins at {zero.start_n:.3g} N" if zero.start_n else "the recording begins at zero"
    )
    if zero.kind == "as-recorded":
        why = "" if zero.asked else "; no untouched stretch at its start: set it with --zero"
        yield f"Force zero: as recorded{asked} ({began}{why})."
    elif zero.kind == "stated":
        yield f"Force zero: {zero.value_n:.6g} N{asked} ({began})."
    elif not zero.untouched_s:
        yield (
            f"Force zero: {zero.value_n:.3g} N, the lowest force of the opening, good to {zero.u_n:.2g} N "
            f"({began}, with no untouched stretch)."
        )
    elif zero.asked:
        yield f"Force zero: {zero.value_n:.3g} N, the mean of the untouched start{asked} ({began})."


def _about_points(start: Start) -> Iterator[str]:
    if start.points is None or not 2 <= len(start.points[0]) < FEW_POINTS:
        return
    position_mm, force_n = start.points
    count = len(position_mm)
    yield f"{count} points are few: between them the curve is taken as straight."
    if count < 3 or not start.recorded_zero or np.ptp(position_mm) == 0:
        return
    intercept_n = np.polynomial.Polynomial.fit(position_mm, force_n, 1)(0.0)
    if abs(intercept_n) > ORIGIN_SHARE * np.abs(force_n).max():
        yield (
            f"The straight line through the {count} points misses the origin by {intercept_n:.2f} N: "
            "a zero error of force or position, or a stiff start of the specimen. No point at zero was added."
        )


def _about_flags(result: CaptureResult, tally: ColumnTally) -> Iterator[str]:
    if not tally.cycles:
        return
    for flag in Flag:
        seen = tally.flagged.get(flag)
        if seen is not None:
            named = ", ".join(map(str, seen.first)) + (" ..." if seen.count > NAMED_CYCLES else "")
            yield f"{counted(seen.count, 'cycle')} flagged ({flag.label}): {named}. {_spoils(flag)}"
            if flag == Flag.OUTSIDE_CALIBRATION:
                yield (
                    "The calibration covers "
                    f"{result.calibration.coverage()}: calibrate over all that you press, "
                    "then read this capture again with `--calibration FILE`."
                )
    if not any(numbers["n"] for numbers in result.summary.values()):
        conditioning = result.settings.conditioning
        yield f"No cycle is left for the means: all are flagged, or among the first {conditioning}."


def _about_missing(result: CaptureResult, start: Start, tally: ColumnTally) -> Iterator[str]:
    if not tally.cycles:
        return
    settings, empty = result.settings, tally.always_missing

    yield "Set is measured from the contact of the first cycle, whose own set is therefore zero."
    if settings.free_height_mm is None:
        yield "No compression in per cent: the free height is not given (--free-height)."
    unreached = [
        depth.label.replace("%", " %")
        for depth in settings.depths()
        if empty(f"{depth_name(depth)}.loading_n")
    ]
    if unreached and settings.free_height_mm is not None:
        yield f"No force at {_listed(unreached)}: no cycle goes that deep."
    if empty("knee_mm"):
        share = 100 * settings.knee_drop
        found = f"the tangent of loading stays above {share:.0f} % of its largest value"
        yield f"No knee: {found if tally.knee_resolved else 'there are too few samples for a tangent'}."
    if empty("negative_stiffness_mm"):
        yield "No negative stiffness: the tangent of loading stays above zero."
    if tally.ever_missing("initial_unloading_n_per_mm"):
        yield "No initial unloading stiffness for some cycles: the part lost contact inside the fit window."
    short = [
        f"{after_s:g} s" for after_s in RETENTION_AFTER_S if empty(f"force_retention_{after_s:.0f}s_pct")
    ]
    if short and start.timed:
        yield f"No force retention at {_listed(short)}: no hold is that long."
    if result.softening is None:
        yield "No softening: it needs three unflagged cycles."
    if empty("loss_factor"):
        yield "No loss factor: it needs cyclic squeezes that never lose contact."


def _listed(names: list[str]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else names[0]


def _spoils(flag: Flag) -> str:
    """Return what a flag keeps out of means, in a sentence."""
    kinds = SPOILS.get(flag, ~Basis(0))
    if not kinds:
        return "It does not affect the means."
    if kinds == ~Basis(0):
        return "They are left out of means."
    names = [_KIND_WORDS[kind] for kind in Basis if kind in kinds and kind in _KIND_WORDS]
    return f"Left out of means: {', '.join(names)}; their other quantities count."
