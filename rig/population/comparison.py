"""Groups of pieces beside each other: how far they differ, and what it comes to.

Problem: is this batch the last one, is an abused piece still like a new one, does a hand find what the rig
finds? And among many quantities one always differs by chance. Plan: each group against the first, with pieces
as the unit, refused where they were measured under different conditions; differences are held against their
margins, with all chances corrected for their number. Cost: some quantiles for each quantity.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rig.core import quantity as quantity_of
from rig.core.measured import LEVEL
from rig.errors import InputError
from rig.population.batch import BatchFigures, batch_figures, having
from rig.population.differences import Difference, difference_between
from rig.population.effects import holm
from rig.population.equivalence import BEYOND, SIGNIFICANCE, MarginVerdict, judge_margin
from rig.population.gauge import GaugeResult
from rig.population.pieces import PieceResult, known_quantities
from rig.population.pooling import BATCH, pooled_although, unstated_circumstances

MOST_NAMED = 8
"""Pieces of a group that a sentence names; of more it gives the number."""

MOST_GROUPS = 50
"""More batches than this belong on a chart of their own, a few at a time."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Groups of pieces, compared.

    `by`: what they are distinguished by: "batch", "state", "operator" or "method".
    `groups`: names; the first is what the others are held against.
    `figures`: by group, then by quantity.
    `differences`: of each quantity, of each other group less the first.
    """

    by: str
    groups: tuple[str, ...]
    figures: Mapping[str, Mapping[str, BatchFigures]]
    differences: tuple[Difference, ...]
    notes: tuple[str, ...]

    @property
    def beyond(self) -> bool:
        """Whether a difference is beyond its margin."""
        return any(
            difference.outcome is not None and difference.outcome.verdict == BEYOND
            for difference in self.differences
        )

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number."""
        return {
            "by": self.by,
            "groups": list(self.groups),
            "figures": {
                group: {name: figure.as_dict() for name, figure in figures.items()}
                for group, figures in self.figures.items()
            },
            "differences": [difference.as_dict() for difference in self.differences],
            "notes": list(self.notes),
        }


def compare_groups(
    groups: Mapping[str, Sequence[PieceResult]],
    quantities: Sequence[str],
    *,
    by: str = BATCH,
    margins: Mapping[str, float] | None = None,
    although: Sequence[str] = (),
    level: float = LEVEL,
    gauges: Mapping[str, GaugeResult] | None = None,
    wanted: Mapping[str, float] | None = None,
    strict: bool = False,
) -> Comparison:
    """Compare groups of pieces with the first of them.

    Parameters
    ----------
    groups
        By name: results, one a capture. Captures of one piece are averaged.
    quantities
        Names of columns. Those that a group lacks are left out, and a note says so.
    by
        What the groups are distinguished by.
    margins
        By quantity: the largest difference that does not matter.
    although
        Circumstances that may differ; see `pooled_although`.
    gauges, wanted
        By quantity, for `batch_figures`.
    strict
        See `pooled_although`.

    Raises
    ------
    InputError
        If there are too few or too many groups, what was measured differs in what was not allowed, or no
        group has a quantity that has a margin.
    """
    margins, everything = margins or {}, [result for results in groups.values() for result in results]
    _check(groups, quantities, margins, everything)
    notes = [*pooled_although(everything, by, although, strict=strict), *unstated_circumstances(everything)]
    notes += [*_repeated(groups), *_missing(groups, quantities)]
    figures: dict[str, dict[str, BatchFigures]] = {name: {} for name in groups}
    differences: list[Difference] = []
    reference, *others = groups
    for quantity in quantities:
        lacking = [name for name, results in groups.items() if quantity not in known_quantities(results)]
        for name, results in groups.items():
            if name not in lacking:
                figures[name][quantity] = batch_figures(
                    results,
                    quantity,
                    level=level,
                    gauge=(gauges or {}).get(quantity),
                    wanted=(wanted or {}).get(quantity),
                )
        if reference not in lacking:
            differences += [
                difference_between((reference, groups[reference]), (name, groups[name]), quantity, level)
                for name in others
                if name not in lacking
            ]
    judged = _judged(differences, margins)
    return Comparison(by, tuple(groups), figures, tuple(judged), tuple(dict.fromkeys(notes)))


def _check(
    groups: Mapping[str, Sequence[PieceResult]],
    quantities: Sequence[str],
    margins: Mapping[str, float],
    everything: Sequence[PieceResult],
) -> None:
    if not 2 <= len(groups) <= MOST_GROUPS:
        found = ", ".join(groups) or "none"
        raise InputError(
            f"comparison: found {len(groups)} group{'s' * (len(groups) != 1)} ({found:.200}), expected 2 to "
            f"{MOST_GROUPS}"
        )
    for name in margins:
        if name not in quantities:
            raise InputError(f"margin: {name!r:.60} is not among the quantities {', '.join(quantities)}")
    for name in quantities:
        having(everything, name)


def _repeated(groups: Mapping[str, Sequence[PieceResult]]) -> Iterator[str]:
    """Yield which pieces of a group have several captures, in sentences."""
    for name, results in groups.items():
        counts = Counter((result.batch, result.piece) for result in results)
        again = [piece for (_, piece), captures in counts.items() if captures > 1]
        if again:
            named = ", ".join(again) if len(again) <= MOST_NAMED else f"{len(again)} pieces"
            yield f"{name}: several captures of {named}; the mean of a piece counts once."


def _missing(groups: Mapping[str, Sequence[PieceResult]], quantities: Sequence[str]) -> Iterator[str]:
    """Yield which pieces of a group lack which quantities, in sentences."""
    for name, results in groups.items():
        everyone = {(result.batch, result.piece): result.piece for result in results}
        lacking: dict[str, list[str]] = {}
        for column in quantities:
            having_it = {
                (result.batch, result.piece) for result in results if column in known_quantities([result])
            }
            without = ", ".join(
                dict.fromkeys(piece for key, piece in everyone.items() if key not in having_it)
            )
            if without:
                lacking.setdefault(without if having_it else "any piece", []).append(
                    quantity_of(column).title
                )
        for without, titles in lacking.items():
            yield (
                f"{name}: no value of {'; '.join(titles)} for {without}. `pressrig analyse` gives the reason "
                "for each capture."
            )


def _judged(differences: Sequence[Difference], margins: Mapping[str, float]) -> list[Difference]:
    """Return the differences with their chances corrected for their number, and held against their margins.

    Notes
    -----
    "All are within" needs no correction: it is wrong at most as often as its weakest part. "One is beyond"
    does.
    """
    known = [place for place, difference in enumerate(differences) if difference.p is not None]
    corrected = dict(zip(known, holm([differences[place].p or 0.0 for place in known]), strict=True))
    # a verdict of "beyond" that does not outlast the correction is judged again, at its part of the errors
    held = [place for place in known if differences[place].quantity in margins]
    alone = [_held(differences[place], margins, SIGNIFICANCE) for place in held]
    chances = holm([difference.p_beyond for difference in alone])
    outcomes = {
        place: _held(differences[place], margins, SIGNIFICANCE / len(held))
        if found.verdict == BEYOND and chance > SIGNIFICANCE
        else found
        for place, found, chance in zip(held, alone, chances, strict=True)
    }
    return [
        replace(difference, p_holm=corrected.get(place), outcome=outcomes.get(place))
        for place, difference in enumerate(differences)
    ]


def _held(difference: Difference, margins: Mapping[str, float], beyond: float) -> MarginVerdict:
    """Return the verdict at its margin, with this share of wrong verdicts of "beyond"."""
    estimate = difference.estimate
    assert estimate is not None
    return judge_margin(
        estimate,
        margins[difference.quantity],
        with_pieces=difference.with_pieces,
        beyond_significance=beyond,
    )
