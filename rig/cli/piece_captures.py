"""Results of pieces from captures on disk, one a capture, with all that has to be alike before they are put
together.

Cycles of one capture follow each other without the piece being taken out: their mean is one value. Where
nobody stated a contact force, each capture's own noise would set it; all are then measured again with the
largest, so that it is the same for all.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil, floor, isfinite, log10
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.errors import InputError

if TYPE_CHECKING:
    from rig.analyser import CaptureResult, Loop
    from rig.capture import Capture, CaptureHeader
    from rig.cli.analyse import Asked
    from rig.population import Curve, PieceResult

RIG = "rig"
"""The operator where a method drove the platen."""

BY_HAND = "by hand"
"""The method where there was none, or it only guided a hand."""

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
        where nobody said.
    notes
        Sentences.
    """

    results: tuple[PieceResult, ...]
    labels: Mapping[str, Mapping[str, str | None]]
    notes: tuple[str, ...] = ()

    def rows(self, columns: Sequence[str]) -> list[dict[str, Any]]:
        """One row a capture with these quantities: a table that can be read again."""
        rows = []
        for each in self.results:
            row: dict[str, Any] = {
                "piece": each.piece,
                "batch": each.batch,
                "state": each.state,
                "capture": each.capture,
                "operator": self.labels["operator"][each.capture],
            }
            for name in columns:
                row[name], row[f"{name}_u"] = each.values.get(name), each.u.get(name)
                row[f"{name}_u_shared"] = each.u_shared.get(name)
                row[f"{name}_freedom"] = each.freedom.get(name)
            rows.append(row | dict(each.circumstances))
        return rows


@dataclass(frozen=True, slots=True)
class _Pressed:
    """One capture, measured."""

    path: Path
    capture: Capture
    result: CaptureResult
    values: PieceResult
    driven: bool


def piece_results(paths: Sequence[Path], asked: Asked, *, known: WhatIsKnown | None = None) -> PressedPieces:
    """Measure captures, one result each.

    Parameters
    ----------
    paths
        Of the captures.
    asked
        How they are measured, all alike.
    known
        What else is known of a piece when it was captured, such as by a register. The state is otherwise the
        capture's condition `state`, and "new" where nobody said.

    Raises
    ------
    InputError
        If a capture is given twice, or has no unflagged cycle, or its state is none that there is.
    """
    pressed = [_pressed(path, asked, known) for path in paths]
    notes: list[str] = []
    forces = [each.result.contact_force_n for each in pressed]
    if asked.contact_force_n is None and forces and max(forces) > SAME_CONTACT * min(forces):
        force_n = _two_digits_up(max(forces))
        alike = replace(asked, contact_force_n=force_n)
        pressed = [_pressed(path, alike, known) for path in paths]
        notes.append(
            f"Contact is where the force passes {force_n:.2g} N, in all captures: the largest that the noise "
            "of any of them asks for. --contact-force sets it."
        )
    _refuse_doubles(pressed)
    pressed = _named_apart(sorted(pressed, key=lambda each: each.capture.header.started))
    return PressedPieces(tuple(each.values for each in pressed), _labels(pressed), tuple(notes))


def _pressed(path: Path, asked: Asked, known: WhatIsKnown | None) -> _Pressed:
    from rig.cli.analyse import analyse_capture
    from rig.population import PieceResult
    from rig.sheets import SpilledRows

    with SpilledRows() as store:
        capture, result = analyse_capture(path, asked, store)
        header = capture.header
        values = {name: float(numbers["mean"]) for name, numbers in result.summary.items() if numbers["n"]}
        if not values:
            raise InputError(
                f"{path}: no unflagged cycle after conditioning; `pressrig analyse` says why. "
                "Leave the capture out, or squeeze the piece again"
            )
        told = known(header) if known is not None else KnownPiece()
        driven = header.method is not None and not _guided(capture)
        piece = PieceResult(
            header.specimen,
            told.batch or header.batch,
            _state(path, header, told),
            path.name or path.resolve().name,
            values,
            {name: float(result.summary[name]["u"]) for name in values},
            _shared_u(result, values),
            _circumstances(capture, result, driven=driven),
            _mean_curve(result),
            _shared_freedom(result, values),
        )
    return _Pressed(path, capture, result, piece, driven)


def _state(path: Path, header: CaptureHeader, told: KnownPiece) -> str:
    from rig.population import STATES

    found = str(told.state or header.conditions.get("state", STATES[0])).strip().lower()
    if found not in STATES:
        raise InputError(
            f"{path}/capture.yaml: conditions: field 'state': found {found!r:.40}, "
            f"expected one of {', '.join(STATES)}"
        )
    return found


def _guided(capture: Capture) -> bool:
    """Whether the method only guided a hand."""
    return any(event.get("kind") == "method" and event.get("by") == "hand" for event in capture.each_event())


def _shared_u(result: CaptureResult, values: Mapping[str, float]) -> dict[str, float]:
    """The calibration's part of each mean: the same in all cycles, so that of their mean."""
    import numpy as np

    from rig.analyser import CALIBRATION_PART, good_cycles

    counted = good_cycles(result.columns, result.settings.conditioning)
    shared: dict[str, float] = {}
    for name in values:
        part = result.columns.get(f"{name}{CALIBRATION_PART}")
        if part is not None:
            known = part[counted]
            known = known[np.isfinite(known)]
            shared[name] = float(known.mean()) if len(known) else 0.0
    return shared


def _shared_freedom(result: CaptureResult, values: Mapping[str, float]) -> dict[str, float]:
    """Degrees of freedom of the calibration's part of each mean; those without a limit are left out."""
    import numpy as np

    from rig.analyser import CALIBRATION_PART, FREEDOM, good_cycles

    counted = good_cycles(result.columns, result.settings.conditioning)
    found: dict[str, float] = {}
    for name in values:
        if f"{name}{FREEDOM}" not in result.columns:
            continue
        u, part, freedom = (
            result.columns[f"{name}{end}"][counted] for end in ("_u", CALIBRATION_PART, FREEDOM)
        )
        # of u only the calibration's part has few degrees of freedom (Welch, Satterthwaite)
        fourth = u**4 / freedom
        known = np.isfinite(fourth) & np.isfinite(part)
        if known.any() and (left := float(fourth[known].mean())) > 0:
            found[name] = max(float(part[known].mean()) ** 4 / left, 1.0)
    return found


def _circumstances(capture: Capture, result: CaptureResult, *, driven: bool) -> dict[str, str]:
    from rig.capture import auxiliary_readings
    from rig.population import UNSTATED

    header, air = capture.header, auxiliary_readings(capture)
    typed = {name.strip().lower().replace("_", " "): text for name, text in header.conditions.items()}
    rate = result.summary.get("rate_mm_per_s", {})
    words = {
        "method": _method_words(header) if driven else BY_HAND,
        "rate": f"{rate['mean']:.2g} mm/s" if rate.get("n") else UNSTATED,
        "temperature": _mean_words(air.get("ambient_temperature"), "degC"),
        "humidity": _mean_words(air.get("humidity"), "%"),
        "area": f"{header.area_mm2:.4g} mm^2" if header.area_mm2 else UNSTATED,
        "calibration": _calibration_words(result),
        "contact force": f"{result.contact_force_n:.3g} N",
        "conditioning": f"{result.settings.conditioning} cycles",
        "datum": result.settings.datum,
    }
    return words | {name: str(typed.get(name) or UNSTATED).strip().lower() for name in STATED}


def _method_words(header: CaptureHeader) -> str:
    """Name of the method, and a mark of its content: two that are called alike need not be alike."""
    about = header.method or {}
    name = Path(str(about.get("file") or about.get("kind") or "method")).name
    text = str(about.get("text") or "")
    return f"{name} {hashlib.sha256(text.encode()).hexdigest()[:6]}" if text else name


def _calibration_words(result: CaptureResult) -> str:
    """Name, and a mark of its content."""
    identity = result.calibration.identity[:8]
    return f"{result.calibration.name} {identity}".strip()


def _mean_words(readings: tuple[Any, Any] | None, unit: str) -> str:
    from rig.population import UNSTATED

    if readings is None or not len(readings[1]):
        return UNSTATED
    return f"{float(readings[1].mean()):.1f} {unit}"


def _mean_curve(result: CaptureResult) -> Curve | None:
    """Mean of the counted cycles that are kept for drawing, as far as all of them go."""
    import numpy as np

    from rig.analyser import good_cycles
    from rig.population import Curve

    counted = {
        int(number)
        for number in result.columns["cycle"][good_cycles(result.columns, result.settings.conditioning)]
    }
    loops = [loop for loop in result.loops if loop.cycle in counted and len(loop.force_n) > 2]
    if not loops:
        return None
    grid = np.linspace(0.0, min(float(loop.deflection_mm.max()) for loop in loops), CURVE_POINTS)
    strokes = [_strokes(loop, grid) for loop in loops]
    return Curve(
        grid,
        np.mean([loading for loading, _ in strokes], axis=0),
        np.mean([unloading for _, unloading in strokes], axis=0),
    )


def _strokes(loop: Loop, grid: Any) -> tuple[Any, Any]:
    """Force of loading and unloading on a grid; noise of position must not turn a stroke back."""
    import numpy as np

    turn = int(np.argmax(loop.deflection_mm))
    parts = (slice(0, turn + 1), slice(None, turn - 1 if turn else None, -1))
    read = []
    for part in parts:
        x, force = np.maximum.accumulate(loop.deflection_mm[part]), loop.force_n[part]
        forward = np.concatenate([[True], np.diff(x) > 0])
        read.append(np.interp(grid, x[forward], force[forward], left=np.nan, right=np.nan))
    return read[0], read[1]


def _refuse_doubles(pressed: Sequence[_Pressed]) -> None:
    seen: dict[str, Path] = {}
    for each in pressed:
        other = seen.setdefault(each.capture.header.id, each.path)
        if other is not each.path:
            raise InputError(f"{each.path}: the same capture as {other}; give each once")


def _named_apart(pressed: list[_Pressed]) -> list[_Pressed]:
    """Captures of one name in several folders go by their paths."""
    names = [each.values.capture for each in pressed]
    if len(set(names)) == len(names):
        return pressed
    return [
        replace(each, values=replace(each.values, capture=each.path.as_posix()))
        if names.count(each.values.capture) > 1
        else each
        for each in pressed
    ]


def _labels(pressed: Sequence[_Pressed]) -> dict[str, dict[str, str | None]]:
    labels: dict[str, dict[str, str | None]] = {"batch": {}, "state": {}, "operator": {}, "method": {}}
    for each in pressed:
        name, header = each.values.capture, each.capture.header
        labels["batch"][name] = each.values.batch
        labels["state"][name] = each.values.state
        labels["operator"][name] = RIG if each.driven else (header.operator or "").strip() or None
        labels["method"][name] = _method_words(header) if each.driven else BY_HAND
    return labels


def _two_digits_up(force_n: float) -> float:
    if not (isfinite(force_n) and force_n > 0):
        return force_n
    step = 10.0 ** (floor(log10(force_n)) - 1)
    return ceil(force_n / step) * step
