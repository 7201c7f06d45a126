"""Results of pieces from captures on disk, one a capture, with all that must be equal before they are put
together.

Cycles of one capture follow each other without the piece being taken out: their mean is one value. Where
no contact force was stated, each capture's own noise would set it; all are then measured again with the
largest, so that it is the same for all.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from math import ceil, floor, isfinite, isnan, log10
from pathlib import Path
from statistics import fmean
from typing import TYPE_CHECKING, Any, Generic, Self, TypeVar

import numpy as np

from rig.analyser import CALIBRATION_PART, FREEDOM, CaptureResult, Loop, counted_cycles
from rig.calibration import Calibration
from rig.capture import Capture, CaptureHeader, auxiliary_readings, open_capture
from rig.core import counted, finite, kind_of
from rig.errors import InputError, RigError
from rig.population import BY_HAND, STATES, UNSTATED, Curve, PieceResult
from rig.register import Register
from rig.results.analysing import Asked, calibration_of, examine_capture, last_set_row, noise_contact_force_n
from rig.results.kept import CONTACT, PIECE
from rig.results.many import Measure, Workers, measure_ahead
from rig.results.progress import Progress, no_progress
from rig.results.spilled import SpilledRows

if TYPE_CHECKING:
    import pandas as pd

RIG = "rig"
"""The operator where a method drove the platen."""

SET, LAST_SET = "set_mm", "set_last_mm"

COUNTING = "peak_force_n"
"""A cycle counts as one of a capture if it has a sound peak force."""

CURVED = "chord_n_per_mm"
"""A cycle has a part in the mean curve if it has a sound loading curve."""

FEW_BACK = 3
"""Samples behind the turn, in a loop for drawing, below which there is no unloading to draw."""

SAME_CONTACT = 1.1
"""Contact forces that differ by no larger factor count as the same."""

CURVE_POINTS = 120
"""Points of a piece's mean curve."""

STATED = ("orientation", "platen", "days since moulding", "hours since last squeeze")
"""Conditions that are taken as they were typed."""


@dataclass(frozen=True, slots=True)
class KnownPiece:
    """What else is known of a piece when it was captured; None leaves it to the capture."""

    batch: str | None = None
    state: str | None = None
    free_height_mm: float | None = None


WhatIsKnown = Callable[["CaptureHeader"], KnownPiece]


@dataclass(frozen=True, slots=True)
class PressedPieces:
    """What captures or a table say of pieces.

    Parameters
    ----------
    results
        One a capture, in order of time.
    labels
        By way ("batch", "state", "operator", "method"), then by capture: which group it belongs to; None
        if not stated.
    """

    results: tuple[PieceResult, ...]
    labels: Mapping[str, Mapping[str, str | None]]
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        pieces = len({(result.batch, result.piece) for result in self.results})
        return f"<Pieces: {pieces}, captures: {len(self.results)}; see frame()>"

    def frame(self, columns: Sequence[str] | None = None) -> pd.DataFrame:
        """Return one row per capture with these quantities, or all: a table that can be read again."""
        import pandas as pd

        if columns is None:
            columns = list(dict.fromkeys(name for result in self.results for name in result.values))
        rows = [
            piece_row(result, columns, operator=self.labels["operator"][result.capture])
            for result in self.results
        ]
        return pd.DataFrame(rows)


def piece_row(result: PieceResult, columns: Iterable[str], **more: str | None) -> dict[str, Any]:
    """Return the row of a piece in a table that `read_pieces` can read."""
    row: dict[str, Any] = {
        "piece": result.piece,
        "batch": result.batch,
        "state": result.state,
        "capture": result.capture,
        **more,
    }
    for name in columns:
        row[name], row[f"{name}_u"] = result.values.get(name), result.u.get(name)
        row[f"{name}_u_shared"] = result.u_shared.get(name)
        row[f"{name}_freedom"] = result.freedom.get(name)
    return row | dict(result.circumstances)


@dataclass(frozen=True, slots=True)
class PressedCapture:
    """One capture, measured: where it is, what it holds, its analysis, and that as a piece's result.

    Parameters
    ----------
    result
        Its analysis; columns of single cycles are gone, as they may be many.
    counted, left_out
        Cycles in the means, and those that are not: flagged, or conditioning.
    first_contact_mm, first_contact_u_mm
        Position at the contact force in the first cycle, and its standard uncertainty; None if unknown.
    """

    path: Path
    capture: Capture
    result: CaptureResult
    values: PieceResult
    driven: bool
    counted: int
    left_out: int
    first_contact_mm: float | None = None
    first_contact_u_mm: float | None = None


@dataclass(frozen=True, slots=True)
class _Opened:
    """A capture before it is measured, and how it will be; `values` has what is stated of its piece."""

    path: Path
    capture: Capture
    asked: Asked
    values: PieceResult
    driven: bool


Found = TypeVar("Found", PressedCapture, _Opened)

Check = Callable[[Sequence[PieceResult], Mapping[str, Mapping[str, str | None]]], None]


def piece_results(
    paths: Sequence[Path],
    asked: Asked,
    *,
    known: WhatIsKnown | None = None,
    workers: Workers | None = None,
    check: Check | None = None,
    progress: Progress = no_progress,
) -> PressedPieces:
    """Measure captures, one result each; see `pressed_captures`."""
    measured, notes = _measured_together(
        paths,
        asked,
        _Way(_piece, _kept_piece, keep_piece, PIECE),
        known=known,
        workers=workers,
        check=check,
        progress=progress,
    )
    return pieces_of(measured, notes)


def pieces_of(pressed: Sequence[PressedCapture | _Opened], notes: Sequence[str] = ()) -> PressedPieces:
    """Return the results of captures that were measured, with the groups that they belong to."""
    return PressedPieces(tuple(piece.values for piece in pressed), _labels(pressed), tuple(notes))


def pressed_captures(
    paths: Sequence[Path],
    asked: Asked,
    *,
    known: WhatIsKnown | None = None,
    optional: Collection[Path] = (),
    workers: Workers | None = None,
    check: Check | None = None,
    progress: Progress = no_progress,
) -> tuple[tuple[PressedCapture, ...], tuple[str, ...]]:
    """Measure captures that are to be put together, in order of time, and sentences about it.

    Parameters
    ----------
    known
        What else is known of a piece when it was captured, such as by a register, which can be corrected and
        so goes first. The state is otherwise the capture's condition `state`.
    optional
        Those of the captures that are left out, and said to be, where they cannot be measured.
    check
        Takes what is stated of the captures, and their labels, before any is measured, and may refuse it.

    Raises
    ------
    InputError
        If a capture is given twice, or has no sound cycle, or its state is none that there is; all that
        cannot be used are named.
    """
    return _measured_together(
        paths,
        asked,
        _Way(_pressed),
        known=known,
        optional=optional,
        workers=workers,
        check=check,
        progress=progress,
    )


@dataclass(frozen=True, slots=True)
class _Way(Generic[Found]):
    """How much of a capture is wanted.

    Parameters
    ----------
    measured
        Takes what was opened, and whether it is measured anew.
    kept
        Returns what was kept; None if there is none, or `measured` finds out itself.
    measure, ending
        As of `measure_ahead`.
    """

    measured: Callable[[_Opened, bool], Found]
    kept: Callable[[_Opened], Found | None] = lambda opened: None
    measure: Measure | None = None
    ending: str = ".arrow"


def _measured_together(
    paths: Sequence[Path],
    asked: Asked,
    way: _Way[Found],
    *,
    known: WhatIsKnown | None,
    optional: Collection[Path] = (),
    workers: Workers | None,
    check: Check | None,
    progress: Progress,
) -> tuple[tuple[Found, ...], tuple[str, ...]]:
    # whatever needs no samples is looked at in all captures before the first is measured
    opened, notes = _all_opened(paths, asked, known, optional)
    if check is not None:
        check([piece.values for piece in opened], _labels(opened))
    # where each capture's own noise would set it, all are measured at the largest
    force_n, sentences = _common_contact_n(opened, asked, workers, progress)
    notes += sentences
    while True:
        opened = [replace(piece, asked=replace(piece.asked, contact_force_n=force_n)) for piece in opened]
        kept = {} if asked.fresh else {piece.path: way.kept(piece) for piece in opened}
        tasks = [(piece.path, piece.asked) for piece in opened if kept.get(piece.path) is None]
        new, sentences = measure_ahead(
            tasks, workers, measure=way.measure, ending=way.ending, progress=progress
        )
        notes += sentences
        pressed: list[Found] = []
        with progress("measuring", len(opened)) as show, Refusals(optional, notes) as refusals:
            for done, piece in enumerate(opened):
                show(done, piece.path.name)
                with refusals.of(piece.path):
                    found = kept.get(piece.path)
                    pressed.append(way.measured(piece, asked.fresh and not new) if found is None else found)
        if len(pressed) == len(opened):
            break
        # one that was left out may have been the one whose noise asked for the most
        measured = {piece.path for piece in pressed}
        opened = [piece for piece in opened if piece.path in measured]
        needed_n, _ = _common_contact_n(opened, asked, workers, progress)
        if needed_n == force_n:
            break
        force_n = needed_n
    if asked.contact_force_n is None and force_n is not None:
        notes.append(
            f"Contact is where the force passes {force_n:.2g} N in all captures, the largest value that "
            "the noise of any of them needs. Set it with --contact-force."
        )
    return tuple(_named_apart(sorted(pressed, key=lambda one: one.capture.header.started))), tuple(notes)


def _all_opened(
    paths: Sequence[Path], asked: Asked, known: WhatIsKnown | None, optional: Collection[Path]
) -> tuple[list[_Opened], list[str]]:
    """Open captures, without those that a person left out; and sentences about it."""
    opened: list[_Opened] = []
    notes: list[str] = []
    with Refusals(optional, notes) as refusals:
        for path in paths:
            with refusals.of(path):
                opened.append(_opened(path, asked, known))
    for piece in opened:
        if (record := piece.capture.exclusions.capture) is not None:
            by = f" by {record.by}" if record.by else ""
            notes.append(f"Left out: {piece.path}: {record.reason} ({record.wall[:10]}{by}).")
    opened = [piece for piece in opened if piece.capture.exclusions.capture is None]
    refuse_copies((piece.path, piece.capture) for piece in opened)
    return opened, notes


def refuse_copies(captures: Iterable[tuple[Path, Capture]]) -> None:
    """Refuse captures of which one is given twice, perhaps as a copy."""
    seen: dict[str, Path] = {}
    for path, capture in captures:
        other = seen.setdefault(capture.header.id, path)
        if other is not path:
            raise InputError(f"{path}: the same capture as {other}; give it once")


class Refusals:
    """Why captures cannot be used: all of it is raised at the end, but of an optional one it is a note."""

    def __init__(self, optional: Collection[Path], notes: list[str]) -> None:
        self._optional, self._notes = optional, notes
        self._found: list[InputError] = []

    @contextmanager
    def of(self, path: Path) -> Iterator[None]:
        """Keep what is refused about one capture, and go on with the next."""
        try:
            yield
        except InputError as refusal:
            if path in self._optional:
                self._notes.append(f"Left out: {refusal}.")
            else:
                self._found.append(refusal)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None and len(self._found) == 1:
            raise self._found[0]
        if kind is None and self._found:
            told = "\n  ".join(str(refusal) for refusal in self._found)
            raise InputError(f"{len(self._found)} captures cannot be used:\n  {told}")


def _common_contact_n(
    opened: Sequence[_Opened], asked: Asked, workers: Workers | None, progress: Progress
) -> tuple[float | None, list[str]]:
    """Return the contact force that is stated, or that all captures need; None where each has its own."""
    if asked.contact_force_n is not None or len(opened) < 2:
        return asked.contact_force_n, []
    kept = (
        {}
        if asked.fresh
        else {
            piece.path: piece.asked.of_opening().kept_at(piece.path).read_contact_force_n()
            for piece in opened
        }
    )
    tasks = [(piece.path, piece.asked.of_opening()) for piece in opened if kept.get(piece.path) is None]
    new, notes = measure_ahead(tasks, workers, measure=keep_opening, ending=CONTACT, progress=progress)
    forces = []
    for piece in opened:
        with suppress(InputError):  # told when it is measured
            again = replace(piece.asked, fresh=asked.fresh and not new)
            found = kept.get(piece.path)
            forces.append(noise_contact_force_n(piece.path, again, piece.capture) if found is None else found)
    if not forces or not isfinite(max(forces)) or max(forces) <= SAME_CONTACT * min(forces):
        return None, notes
    # rounded up to two digits, as it is shown and can be typed again
    step = 10.0 ** (floor(log10(max(forces))) - 1)
    return ceil(max(forces) / step) * step, notes


def keep_opening(path: Path, asked: Asked) -> None:
    """Judge the noise of one capture's opening and keep what follows: the task of a worker."""
    with suppress(RigError):  # met again when the capture is measured
        noise_contact_force_n(path, asked)


def keep_piece(path: Path, asked: Asked) -> None:
    """Measure one capture and keep what it says of its piece: the task of a worker."""
    with suppress(RigError):  # met again by whoever asks for it
        _piece(_opened(path, asked, None), asked.fresh)


def known_by_register(path: Path) -> WhatIsKnown:
    """Return a function that gives batch, state and height of pieces as a register has them.

    Raises InputError if there is no register at that path.
    """
    with Register(path, make=False) as register:
        specimens = {specimen.id: specimen for specimen in register.specimens()}

    def known(header: CaptureHeader) -> KnownPiece:
        specimen = specimens.get(header.specimen)
        if specimen is None:
            return KnownPiece()
        heights_mm = [
            size.mm
            for size in specimen.newest_sizes
            if size.direction.strip().lower() in ("height", "free height")
        ]
        height_mm = fmean(heights_mm) if heights_mm else None
        return KnownPiece(specimen.batch, specimen.state_at(header.started), height_mm)

    return known


def _opened(path: Path, asked: Asked, known: WhatIsKnown | None) -> _Opened:
    """Open a capture and say of its piece what needs no samples."""
    capture = open_capture(path)
    header = capture.header
    told = known(header) if known is not None else KnownPiece()
    if header.free_height_mm is None and asked.free_height_mm is None:
        asked = replace(asked, free_height_mm=told.free_height_mm)
    driven = was_driven(capture)
    values = PieceResult(
        header.specimen,
        told.batch or header.batch,
        stated_state(path, header, told.state),
        path.name or path.resolve().name,
        {},
        {},
        {},
        stated_circumstances(capture, calibration_of(capture, asked), driven=driven),
        None,
    )
    return _Opened(path, capture, asked, values, driven)


def _piece(opened: _Opened, fresh: bool) -> _Opened:
    """Return a capture with what its piece's result is, kept or measured."""
    found = None if fresh else _kept_piece(opened)
    if found is None:
        kept = opened.asked.kept_at(opened.path)
        found = replace(opened, values=_pressed(opened, fresh).values)
        kept.write_piece(_parts(found.values))
    return found


def _kept_piece(opened: _Opened) -> _Opened | None:
    parts = opened.asked.kept_at(opened.path).read_piece()
    found = None if parts is None else _joined(opened.values, parts)
    return None if found is None else replace(opened, values=found)


_MEASURED_WORDS = ("rate", "contact force", "conditioning", "datum")
"""Circumstances that an analysis tells; the others are stated, perhaps outside the capture."""


def _parts(piece: PieceResult) -> dict[str, Any]:
    """Return what was measured of a piece, as it is kept."""
    nan = float("nan")
    # one column per quantity, with not-a-number where it has no such part
    numbers = [
        (value, piece.u[name], piece.u_shared.get(name, nan), piece.freedom.get(name, nan))
        for name, value in piece.values.items()
    ]
    curve = piece.curve
    return {
        "names": tuple(piece.values),
        "numbers": np.array(numbers).T.ravel(),
        "words": {name: piece.circumstances[name] for name in _MEASURED_WORDS},
        "curve": np.zeros(0)
        if curve is None
        else np.concatenate([curve.deflection_mm, curve.loading_n, curve.unloading_n]),
    }


def _joined(stated: PieceResult, parts: Mapping[str, Any]) -> PieceResult | None:
    """Return what is stated of a piece with what was measured of it; None if that is not sound."""
    try:
        names, words = parts["names"], parts["words"]
        columns = parts["numbers"].reshape(4, len(names)).tolist()
        values, u, u_shared, freedom = (dict(zip(names, column, strict=True)) for column in columns)
        curve = parts["curve"].reshape(3, -1)
        return replace(
            stated,
            values=values,
            u=u,
            # not-a-number stands for what a quantity does not have
            u_shared={name: part for name, part in u_shared.items() if not isnan(part)},
            freedom={name: number for name, number in freedom.items() if not isnan(number)},
            circumstances=dict(stated.circumstances) | {name: str(words[name]) for name in _MEASURED_WORDS},
            curve=Curve(*curve) if curve.size else None,
        )
    except (AttributeError, KeyError, TypeError, ValueError):
        return None


def _pressed(opened: _Opened, fresh: bool) -> PressedCapture:
    with SpilledRows() as store:
        asked = replace(opened.asked, fresh=fresh)
        result = examine_capture(opened.path, asked, store, capture=opened.capture).result
        values = {name: float(numbers["mean"]) for name, numbers in result.summary.items() if numbers["n"]}
        if not values:
            raise InputError(
                f"{opened.path}: no sound cycle after conditioning; `pressrig analyse` gives the flags: "
                "leave out the capture, or squeeze the piece again"
            )
        u = {name: float(result.summary[name]["u"]) for name in values}
        shared_u, freedom = _from_calibration(result, values)
        row = last_set_row(result)
        if row is not None:
            values[LAST_SET], u[LAST_SET] = (float(result.columns[f"{SET}{end}"][row]) for end in ("", "_u"))
            part = result.columns.get(f"{SET}{CALIBRATION_PART}")
            if part is not None:
                shared_u[LAST_SET] = float(np.nan_to_num(part[row]))
        if SET in freedom:
            freedom[LAST_SET] = freedom[SET]
        piece = replace(
            opened.values,
            values=values,
            u=u,
            u_shared=shared_u,
            circumstances=_circumstances(opened.values.circumstances, result),
            curve=_mean_curve(result),
            freedom=freedom,
        )
        # counted by the peak force, which every sound cycle has
        cycles = int(counted_cycles(result.columns, result.settings.conditioning, COUNTING).sum())
        left_out = len(result) - cycles
        contact = _first_contact(result)
    return PressedCapture(
        opened.path, opened.capture, result, piece, opened.driven, cycles, left_out, *contact
    )


def _first_contact(result: CaptureResult) -> tuple[float | None, float | None]:
    """Return the position at the contact force in the first cycle, and its standard uncertainty."""
    name = "contact_at_force_mm"
    found = [finite(result.columns[column][0]) if len(result) else None for column in (name, f"{name}_u")]
    return found[0], found[1]


def stated_state(path: Path, header: CaptureHeader, known: str | None = None) -> str:
    """Return the state of a piece, as it is known or as its capture states it.

    Raises InputError if it is none of `STATES`.
    """
    found = str(known or header.conditions.get("state") or UNSTATED).strip().lower()
    if found not in (*STATES, UNSTATED):
        raise InputError(
            f"{path}/capture.yaml: conditions: field 'state': found {found!r:.40}, "
            f"expected one of {', '.join(STATES)}"
        )
    return found


def was_driven(capture: Capture) -> bool:
    """Return whether the rig moved the platen; without an order, or with one that guided a hand, a person
    did."""
    by_hand = any(kind_of(event) == "method" and event.get("by") == "hand" for event in capture.each_event())
    return capture.header.method is not None and not by_hand


def _from_calibration(
    result: CaptureResult, names: Collection[str]
) -> tuple[dict[str, float], dict[str, float]]:
    """Return the calibration's part of each mean, the same in all cycles and so that of their mean; and its
    degrees of freedom, where they have a limit."""
    shared: dict[str, float] = {}
    freedom: dict[str, float] = {}
    for name in names:
        part, limit = (result.columns.get(f"{name}{end}") for end in (CALIBRATION_PART, FREEDOM))
        if part is None:
            continue
        counted = counted_cycles(result.columns, result.settings.conditioning, name)
        part = part[counted]
        known = part[np.isfinite(part)]
        shared[name] = float(known.mean()) if len(known) else 0.0
        if limit is None:
            continue
        # of u only the calibration's part has few degrees of freedom: u^4/freedom = part^4/its own
        fourth = result.columns[f"{name}_u"][counted] ** 4 / limit[counted]
        sound = np.isfinite(fourth) & np.isfinite(part)
        if sound.any() and (left := float(fourth[sound].mean())) > 0:
            freedom[name] = max(float(part[sound].mean()) ** 4 / left, 1.0)
    return shared, freedom


def stated_circumstances(capture: Capture, calibration: Calibration, *, driven: bool) -> dict[str, str]:
    """Return circumstances in their order; those that only an analysis tells are not stated yet."""
    header, air = capture.header, auxiliary_readings(capture)
    typed = header.typed_conditions
    words = {
        "method": header.ordered.title_and_mark if driven else BY_HAND,
        "rate": UNSTATED,
        "temperature": mean_words(air.get("ambient_temperature"), "degC"),
        "humidity": mean_words(air.get("humidity"), "%"),
        "area": f"{header.area_mm2:.4g} mm^2" if header.area_mm2 else UNSTATED,
        "calibration": calibration_words(calibration),
        **dict.fromkeys(("contact force", "conditioning", "datum"), UNSTATED),
    }
    return words | {name: str(typed.get(name) or UNSTATED).strip().lower() for name in STATED}


def _circumstances(stated: Mapping[str, str], result: CaptureResult) -> dict[str, str]:
    rate, cycles = result.summary.get("rate_mm_per_s", {}), result.settings.conditioning
    return {
        **stated,
        "rate": f"{rate['mean']:.2g} mm/s" if rate.get("n") else UNSTATED,
        "contact force": f"{result.contact_force_n:.3g} N",
        "conditioning": counted(cycles, "cycle"),
        "datum": result.settings.datum,
    }


def calibration_words(calibration: Calibration) -> str:
    """Return the name of a calibration, and a mark of its content."""
    return f"{calibration.name} {calibration.identity[:8]}".strip()


def mean_words(readings: tuple[Any, Any] | None, unit: str) -> str:
    """Return the mean of slow readings with its unit; not stated where there are none."""
    if readings is None or not len(readings[1]):
        return UNSTATED
    return f"{float(readings[1].mean()):.1f} {unit}"


def _mean_curve(result: CaptureResult) -> Curve | None:
    """Return the mean of the counted cycles that are kept for drawing, as far as all of them go."""
    counted = {
        int(number)
        for number in result.columns["cycle"][
            counted_cycles(result.columns, result.settings.conditioning, CURVED)
        ]
    }
    loops = [loop for loop in result.loops if loop.cycle in counted and len(loop.force_n) > 2]
    if not loops:
        return None
    # on a common grid as far as the shortest loop goes: a mean that loses cycles on its way would jump
    grid = np.linspace(0.0, min(_reach_mm(loop) for loop in loops), CURVE_POINTS)
    strokes = [_strokes(loop, grid) for loop in loops]
    # presses of one way have no unloading: the others give its mean
    back = [unloading for _, unloading in strokes if np.isfinite(unloading).any()]
    return Curve(
        grid,
        np.mean([loading for loading, _ in strokes], axis=0),
        np.mean(back, axis=0) if back else np.full(len(grid), np.nan),
    )


def _reach_mm(loop: Loop) -> float:
    """Return how far both strokes go, in mm."""
    if loop.load_end is None or loop.unload_start is None or _one_way(loop):
        return float(loop.deflection_mm.max())
    return float(
        min(loop.deflection_mm[: loop.load_end + 1].max(), loop.deflection_mm[loop.unload_start :].max())
    )


def _one_way(loop: Loop) -> bool:
    """Return whether the recording has no more of the unloading than a few samples at the turn."""
    return loop.unload_start is not None and len(loop.force_n) - loop.unload_start <= FEW_BACK


def _strokes(loop: Loop, grid: Any) -> tuple[Any, Any]:
    """Return the force of loading and unloading on a grid; noise of position must not turn a stroke back."""
    turn = int(np.argmax(loop.deflection_mm))
    # a hold is of neither stroke: its force falls where it stands
    end, start = loop.load_end, loop.unload_start
    end, start = turn if end is None else end, turn if start is None else start
    parts = (slice(0, end + 1), slice(None, start - 1 if start else None, -1))
    read = []
    for part in parts:
        # each deflection once, at its first force: interpolation needs a rising axis
        x, force = np.maximum.accumulate(loop.deflection_mm[part]), loop.force_n[part]
        forward = np.concatenate([[True], np.diff(x) > 0])
        read.append(np.interp(grid, x[forward], force[forward], left=np.nan, right=np.nan))
    return read[0], np.full(len(grid), np.nan) if _one_way(loop) else read[1]


def _named_apart(pressed: list[Found]) -> list[Found]:
    """Return the captures; those of one name in several folders are called by their paths."""
    names = Counter(found.values.capture for found in pressed)
    return [
        replace(found, values=replace(found.values, capture=found.path.as_posix()))
        if names[found.values.capture] > 1
        else found
        for found in pressed
    ]


def _labels(pressed: Sequence[PressedCapture | _Opened]) -> dict[str, dict[str, str | None]]:
    labels: dict[str, dict[str, str | None]] = {"batch": {}, "state": {}, "operator": {}, "method": {}}
    for piece in pressed:
        name, header, state = piece.values.capture, piece.capture.header, piece.values.state
        labels["batch"][name] = piece.values.batch
        labels["state"][name] = state
        labels["operator"][name] = RIG if piece.driven else (header.operator or "").strip() or None
        labels["method"][name] = header.ordered.title_and_mark if piece.driven else BY_HAND
    return labels
