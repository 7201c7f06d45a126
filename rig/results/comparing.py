"""Groups of pieces compared, with their curves and, of batches, their way over time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.core import first_few, load_json, quantity, read_text
from rig.errors import InputError
from rig.population import (
    BatchDrift,
    Comparison,
    CurveBand,
    CurveDifference,
    GaugeResult,
    PieceResult,
    batch_drift,
    compare_groups,
    curve_band,
    curve_difference,
    grouped,
    known_quantities,
    pooled_although,
    state_rank,
)
from rig.results.piece_captures import Check, PressedPieces

if TYPE_CHECKING:
    import pandas as pd

USUAL = ("secant_n_per_mm", "at 25%.loading_n", "at 40%.loading_n", "hysteresis_pct")
"""Of captures, these are compared unless something else is asked for: how stiff, and how much comes back."""

FEWEST_FOR_DRIFT = 3
"""Two batches over time are a difference."""


@dataclass(frozen=True, slots=True)
class ComparedPieces:
    """A comparison with what is drawn beside it.

    Parameters
    ----------
    curve_differences
        Of each other group less the first.
    drifts
        By quantity, where batches were compared over time.
    """

    comparison: Comparison
    bands: tuple[CurveBand, ...] = ()
    curve_differences: tuple[CurveDifference, ...] = ()
    drifts: Mapping[str, BatchDrift] = field(default_factory=dict)
    sources: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return f"<Comparison by {self.comparison.by} of {', '.join(self.comparison.groups)}: see frame()>"

    def frame(self) -> pd.DataFrame:
        """Return one row per quantity and group: its difference from the first group, with its interval."""
        import pandas as pd

        return pd.DataFrame([difference.as_dict() for difference in self.comparison.differences])


def compared_pieces(
    comparison: Comparison, groups: Mapping[str, Sequence[PieceResult]], sources: Sequence[str] = ()
) -> ComparedPieces:
    """Put curves and, of three batches or more, their way over time beside a comparison.

    Parameters
    ----------
    groups
        As they were compared, batches in order of time.
    """
    bands = [curve_band(name, groups[name]) for name in comparison.groups]
    reference, *others = comparison.groups
    paired = {difference.second for difference in comparison.differences if difference.paired}
    parted = [
        curve_difference((reference, groups[reference]), (name, groups[name]), paired=name in paired)
        for name in others
    ]
    drifts = {}
    if comparison.by == "batch":
        names = [name for name in groups if name in comparison.groups]
        for column in dict.fromkeys(difference.quantity for difference in comparison.differences):
            having = [(n, comparison.figures[n][column]) for n in names if column in comparison.figures[n]]
            if len(having) >= FEWEST_FOR_DRIFT and any(figures.n > 1 for _, figures in having):
                drifts[column] = batch_drift(having)
    return ComparedPieces(
        comparison,
        tuple(band for band in bands if band is not None),
        tuple(part for part in parted if part is not None),
        drifts,
        tuple(sources),
    )


def studied(
    pieces: PressedPieces, columns: Sequence[str], *, by: str, against: str | None = None, **asked: Any
) -> ComparedPieces:
    """Compare pieces in groups; `asked` goes to `rig.population.compare_groups`."""
    if by not in pieces.labels:
        raise InputError(f"by: found {by!r:.60}, expected {', '.join(pieces.labels)}")
    labels = pieces.labels[by]
    _refuse_unlabelled(labels, by)
    groups = grouped(pieces.results, {name: str(label) for name, label in labels.items()})
    if by == "state":
        # in the order of use; batches and others are in order of time
        groups = {name: groups[name] for name in sorted(groups, key=state_rank)}
    if against is not None and against not in groups:
        raise InputError(f"--against: no {by} {against!r:.60}; found {', '.join(groups)}")
    order = sorted(groups, key=lambda name: name != against) if against is not None else list(groups)
    comparison = compare_groups({name: groups[name] for name in order}, columns, by=by, **asked)
    return compared_pieces(comparison, groups, pieces.notes)


def check_stated(by: str, although: Sequence[str], *, strict: bool) -> Check:
    """Return a check that refuses, before captures are measured, what `studied` would refuse in the end."""

    def check(stated: Sequence[PieceResult], labels: Mapping[str, Mapping[str, str | None]]) -> None:
        _refuse_unlabelled(labels[by], by)
        pooled_although(stated, by, although, strict=strict)

    return check


def _refuse_unlabelled(labels: Mapping[str, str | None], by: str) -> None:
    lacking = [name for name, label in labels.items() if label is None]
    if lacking:
        raise InputError(
            f"--by {by}: there is no {by} for {first_few(lacking, 3)}; leave these out, or group by "
            "something else"
        )


def quantities_of(pieces: PressedPieces, *, usual: bool = False) -> list[str]:
    """Return the quantities that a piece has; only those that are usually compared if so asked."""
    found = known_quantities(pieces.results)
    return [name for name in USUAL if name in found] if usual else found


def studies_of(paths: Sequence[Path], columns: Sequence[str]) -> dict[str, GaugeResult]:
    """Return studies of the rig in files, by the quantity that they studied; it is one of the columns."""
    titles = {quantity(name).title: name for name in columns}
    gauges = {}
    for path in paths:
        text = read_text(path, what="study", hint="`pressrig study --json` writes one")
        document = load_json(text, str(path), expected="what `pressrig study --json` says")
        found = document.get("study", document)
        gauge = GaugeResult.from_dict(found, where=str(path))
        if gauge.quantity not in titles:
            raise InputError(
                f"{path}: a study of {gauge.quantity!r}; expected what is compared, {', '.join(titles)}"
            )
        gauges[titles[gauge.quantity]] = gauge
    return gauges
