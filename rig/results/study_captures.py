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
from rig.results.piece_captures import was_driven
from rig.results.spilled import SpilledRows

RIG = "rig"
"""The appraiser where a method drove the platen."""

ONE_VALUE = "Each capture is one trial, by the mean of its sound cycles; single cycles are not trials."
PIECES_WITHIN = "Pieces of one laboratory differ too; their differences are part of the repeatability."
LABORATORY = "laboratory"

COMMON = "These parts leave out what all trials share, such as the calibration's error."

SAME_CONTACT = 1.1
"""Contact forces that differ by no larger factor count as the same."""


@dataclass(frozen=True, slots=True)
class Trials:
    """A table of trials, not yet in order.

    Parameters
    ----------
    columns
        piece, appraiser, trial, value, and perhaps kind and capture, each of n entries.
    quantity
        Name of the column of values, its unit in it.
    where, lines
        Names the table in a refusal, and the line of each row.
    notes
        Sentences.
    """

    columns: Mapping[str, Sequence[Any]]
    quantity: str
    where: str
    lines: Sequence[int]
    notes: tuple[str, ...]

    def by_laboratory(self) -> Trials:
        """Return the same results with each appraiser as a laboratory; all pieces are of one material.

        Raises
        ------
        InputError
            If the table names laboratories already.
        """
        if LABORATORY in self.columns:
            raise InputError(
                f"--laboratories: {self.where} has a column '{LABORATORY}'; leave out the option"
            )
        columns = {LABORATORY if name == "appraiser" else name: each for name, each in self.columns.items()}
        return replace(self, columns=columns, notes=(*self.notes, PIECES_WITHIN))

    def rows(self) -> list[dict[str, Any]]:
        """One mapping a row."""
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
    paths
        Of the captures.
    column
        Name of the quantity, such as "secant_n_per_mm" or "at 25%.loading_n".
    asked
        How they are measured, all in the same way.

    Raises
    ------
    InputError
        If one is given twice, names no operator, or does not have the quantity.
    """

    squeezed = sorted(_all_squeezed(paths, column, asked), key=lambda each: each.capture.header.started)
    seen: dict[str, Path] = {}
    for each in squeezed:
        other = seen.setdefault(each.capture.header.id, each.path)
        if other is not each.path:
            raise InputError(f"{each.path}: the same capture as {other}; each is one trial: give it once")
    if len({_rig_name(each) for each in squeezed if each.driven}) > 1:
        # several driven rigs are several appraisers
        squeezed = [
            replace(each, appraiser=f"{RIG} {_rig_name(each)}") if each.driven else each for each in squeezed
        ]
    count: Counter[tuple[str, str]] = Counter()
    columns: dict[str, list[Any]] = defaultdict(list)
    for each in squeezed:
        piece = each.capture.header.specimen
        count[piece, each.appraiser] += 1
        row = {
            "piece": piece,
            "appraiser": each.appraiser,
            "trial": count[piece, each.appraiser],
            "value": each.value,
            "kind": DRIVEN if each.driven else HAND,
            "capture": each.path.name or each.path.resolve().name,
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


def _all_squeezed(paths: Sequence[Path], column: str, asked: Asked) -> list[_Squeezed]:
    """Return every capture, measured; all that cannot be used are named at once."""
    found, refused = [], []
    for path in paths:
        try:
            found.append(_squeezed(path, column, asked))
        except InputError as refusal:
            refused.append(refusal)
    if len(refused) == 1:
        raise refused[0]
    if refused:
        raise InputError(
            f"{len(refused)} captures cannot be used:\n  " + "\n  ".join(str(refusal) for refusal in refused)
        )
    return found


def _rig_name(each: _Squeezed) -> str:
    return str(each.capture.header.rig.get("name", "without a name"))


def _unlike(squeezed: Sequence[_Squeezed], asked: Asked) -> list[str]:
    """Return what differs between captures that should not, in sentences."""
    said = []
    everywhere: dict[str, list[Any]] = {
        "method": [each.capture.header.ordered.text for each in squeezed],
        "rig": [_rig_name(each) for each in squeezed],
        "loaded area": [each.capture.header.area_mm2 for each in squeezed],
        "conditions": [dict(each.capture.header.conditions) for each in squeezed],
    }
    if asked.calibration is None:
        everywhere["calibration"] = [dict(each.capture.header.calibration) for each in squeezed]
    for name, found in everywhere.items():
        said += _differs(name, squeezed, found)
    for piece in dict.fromkeys(each.capture.header.specimen for each in squeezed):
        of_piece = [each for each in squeezed if each.capture.header.specimen == piece]
        heights = [each.capture.header.free_height_mm for each in of_piece]
        said += _differs(f"free height of {piece}", of_piece, heights)
    forces = [each.contact_force_n for each in squeezed]
    if max(forces) > SAME_CONTACT * min(forces):
        said.append(
            f"These differ between the captures: contact force ({min(forces):.3g} to {max(forces):.3g} N, "
            "from the noise of each); use --contact-force to measure all in the same way."
        )
    return said


def _differs(name: str, squeezed: Sequence[_Squeezed], found: Sequence[Any]) -> list[str]:
    texts = [json.dumps(each, sort_keys=True, default=str) for each in found]
    kinds = list(dict.fromkeys(texts))
    if len(kinds) < 2:
        return []
    one, other = (squeezed[texts.index(kind)].path.name for kind in kinds[:2])
    return [
        f"These differ between the captures: {name} ({len(kinds)} different ones, {one} unlike {other}); "
        "their spread is included in the parts above."
    ]
