"""Trials from captures: which piece, who squeezed it, and the one value of the capture.

Cycles of one capture follow each other without the piece being taken out, so they are no trials of their own:
their mean is one value. Captures that were measured under different conditions are named, since their
spread is then no gauge's.
"""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from rig.analyser import CaptureResult
from rig.capture import Capture
from rig.errors import InputError
from rig.population import DRIVEN, HAND
from rig.renamed import refuse_old_name
from rig.results.analysing import Asked, analyse_capture
from rig.results.piece_captures import RIG, SAME_CONTACT, Refusals, refuse_copies, was_driven
from rig.results.spilled import SpilledRows

ONE_VALUE = "Each capture is one trial, by the mean of its sound cycles; single cycles are not trials."
PIECES_WITHIN = "Pieces of one laboratory differ too; their differences are part of the repeatability."
LABORATORY = "laboratory"

COMMON = "These parts leave out what all trials share, such as the calibration's error."


@dataclass(frozen=True, slots=True)
class Trials:
    """A table of trials, not yet in order.

    Parameters
    ----------
    columns
        piece, appraiser, trial, value, and perhaps kind and capture, each of n entries.
    where, lines
        Names the table in a refusal, and the line of each row.
    """

    columns: Mapping[str, Sequence[Any]]
    quantity: str
    where: str
    lines: Sequence[int]
    notes: tuple[str, ...]

    def by_laboratory(self) -> Trials:
        """Return the same results with each appraiser as a laboratory; all pieces are of one material.

        Raises InputError if the table names laboratories already.
        """
        if LABORATORY in self.columns:
            raise InputError(
                f"--laboratories: {self.where} has a column '{LABORATORY}'; leave out the option"
            )
        columns = {
            LABORATORY if name == "appraiser" else name: column for name, column in self.columns.items()
        }
        return replace(self, columns=columns, notes=(*self.notes, PIECES_WITHIN))

    def rows(self) -> list[dict[str, Any]]:
        """Return one mapping per row."""
        return [
            dict(zip(self.columns, cells, strict=True)) for cells in zip(*self.columns.values(), strict=True)
        ]


@dataclass(frozen=True, slots=True)
class _Squeezed:
    """One capture, measured."""

    path: Path
    capture: Capture
    appraiser: str
    driven: bool
    value: float
    contact_force_n: float


def trials_of_captures(paths: Sequence[Path], column: str, asked: Asked) -> Trials:
    """Measure captures, and make a table of trials of one of their quantities.

    Parameters
    ----------
    column
        Name of the quantity, such as "secant_n_per_mm" or "at 25%.loading_n".

    Raises
    ------
    InputError
        If one is given twice, names no operator, or does not have the quantity.
    """
    squeezed: list[_Squeezed] = []
    with Refusals((), []) as refusals:
        for path in paths:
            with refusals.of(path):
                squeezed.append(_squeezed(path, column, asked))
    squeezed.sort(key=lambda press: press.capture.header.started)
    refuse_copies((press.path, press.capture) for press in squeezed)
    if len({_rig_name(press) for press in squeezed if press.driven}) > 1:
        # several driven rigs are several appraisers
        squeezed = [
            replace(press, appraiser=f"{RIG} {_rig_name(press)}") if press.driven else press
            for press in squeezed
        ]
    count: Counter[tuple[str, str]] = Counter()
    columns: dict[str, list[Any]] = defaultdict(list)
    for press in squeezed:
        piece = press.capture.header.specimen
        count[piece, press.appraiser] += 1
        row = {
            "piece": piece,
            "appraiser": press.appraiser,
            "trial": count[piece, press.appraiser],
            "value": press.value,
            "kind": DRIVEN if press.driven else HAND,
            "capture": press.path.name or press.path.resolve().name,
        }
        for name, cell in row.items():
            columns[name].append(cell)
    notes = (ONE_VALUE, COMMON, *_unlike(squeezed, asked))
    return Trials(columns, column, "captures", range(1, len(squeezed) + 1), notes)


def _squeezed(path: Path, column: str, asked: Asked) -> _Squeezed:
    with SpilledRows() as store:
        capture, result = analyse_capture(path, asked, store)
        value = _value(path, column, result)
    driven = was_driven(capture)
    operator = RIG if driven else (capture.header.operator or "").strip()
    if not operator:
        raise InputError(
            f"{path}/capture.yaml: field 'operator' is empty; give who squeezed it (`pressrig amend "
            "--operator`), since no method drove the rig"
        )
    return _Squeezed(path, capture, operator, driven, value, result.contact_force_n)


def _value(path: Path, column: str, result: CaptureResult) -> float:
    refuse_old_name("--quantity", column)
    found = result.summary.get(column)
    if found is None and len(result):
        names = ", ".join(result.quantities())
        raise InputError(f"{path}: no quantity {column!r:.60}; found {names}")
    if found is None or not found["n"]:
        raise InputError(
            f"{path}: no cycle after conditioning has a sound {column}; see `pressrig analyse`. Leave out "
            "the piece everywhere, or squeeze it again"
        )
    return float(found["mean"])


def _rig_name(press: _Squeezed) -> str:
    return str(press.capture.header.rig.get("name", "without a name"))


def _unlike(squeezed: Sequence[_Squeezed], asked: Asked) -> list[str]:
    """Return what differs between captures that should not, in sentences."""
    said = []
    everywhere: dict[str, list[Any]] = {
        "method": [press.capture.header.ordered.text for press in squeezed],
        "rig": [_rig_name(press) for press in squeezed],
        "loaded area": [press.capture.header.area_mm2 for press in squeezed],
        "conditions": [dict(press.capture.header.conditions) for press in squeezed],
    }
    if asked.calibration is None:
        everywhere["calibration"] = [dict(press.capture.header.calibration) for press in squeezed]
    for name, found in everywhere.items():
        said += _differs(name, squeezed, found)
    for piece in dict.fromkeys(press.capture.header.specimen for press in squeezed):
        of_piece = [press for press in squeezed if press.capture.header.specimen == piece]
        heights = [press.capture.header.free_height_mm for press in of_piece]
        said += _differs(f"free height of {piece}", of_piece, heights)
    forces = [press.contact_force_n for press in squeezed]
    if max(forces) > SAME_CONTACT * min(forces):
        said.append(
            f"These differ between the captures: contact force ({min(forces):.3g} to {max(forces):.3g} N, "
            "from the noise of each); use --contact-force to measure all in the same way."
        )
    return said


def _differs(name: str, squeezed: Sequence[_Squeezed], found: Sequence[Any]) -> list[str]:
    texts = [json.dumps(entry, sort_keys=True, default=str) for entry in found]
    kinds = list(dict.fromkeys(texts))
    if len(kinds) < 2:
        return []
    one, other = (squeezed[texts.index(kind)].path.name for kind in kinds[:2])
    return [
        f"These differ between the captures: {name} ({len(kinds)} kinds; {one} differs from {other}); "
        "their spread is included in the parts above."
    ]
