"""The numbers of a design sheet: what somebody needs who builds a machine around the piece.

Problem: captures of many pieces, batches, states, rates and temperatures have to become one sheet on which
nothing is mixed that was measured under different conditions, and nothing is claimed without a measurement.
Plan: captures fall into sets that are equal in all circumstances; within a set pieces are grouped by batch
and state, and are the unit of every figure; groups are compared within their set only. What is not there is
named. Cost: some quantiles for each quantity and group.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from math import nan
from typing import Any

from rig import __version__
from rig.analyser import Softening
from rig.core import first_few
from rig.errors import InputError
from rig.methods import RecoveryCheck
from rig.population import (
    UNSTATED,
    BatchFigures,
    Comparison,
    CurveBand,
    GaugeResult,
    PieceResult,
    SizeReading,
    batch_figures,
    compare_groups,
    joined_circumstances,
    known_quantities,
    size_up,
    state_rank,
    unlike_circumstances,
    unstated_circumstances,
)
from rig.results.design_sheet_forces import ForceRow, GapTables, force_bands, force_tables, gap_tables
from rig.results.design_sheet_headline import (
    KEY_FORCE,
    KEY_STIFFNESS,
    PieceStanding,
    standing_heights,
    with_headline,
)
from rig.results.design_sheet_recovery import RecoveryFigures, recovery_figures

COMPARED = (KEY_FORCE, KEY_STIFFNESS, "at 40%.loading_n", "hysteresis_pct")
"""Quantities in which groups are compared: how stiff they are, and how much energy they lose."""

COMPARED_WITHOUT_HEIGHT = ("secant_n_per_mm", "hysteresis_pct")

STIFFNESS = (
    KEY_STIFFNESS, "initial_n_per_mm", "chord_n_per_mm", "secant_n_per_mm", "tangent_n_per_mm",
    "initial_unloading_n_per_mm", "chord_unloading_n_per_mm", "secant_unloading_n_per_mm",
    "tangent_unloading_n_per_mm",
)  # fmt: skip
PEAK = ("peak_force_n", "peak_deflection_mm", "peak_compression_pct")
ENERGY = (
    "energy_absorbed_mj",
    "energy_returned_mj",
    "loss_mj",
    "hysteresis_pct",
    "energy_return_pct",
    "loss_factor",
)
RELAXATION = ("force_retention_1s_pct", "force_retention_10s_pct", "force_retention_60s_pct")
PERMANENT_SET = ("set_last_mm", "set_mm", "set_pct_of_height", "set_pct_of_deflection")
KNEE = ("knee_mm", "knee_n", "negative_stiffness_mm")
MASS, DIAMETER, ROUNDNESS = "mass_g", "diameter_mm", "roundness_mm"

NO_BATCH = "batch not stated"

MOST_NAMES = 4
"""More names of pieces do not fit into a title."""

MOST_SETS = 6
"""More than this is a series of its own, too long for a sheet."""

MOST_CAPTURES = 1000

INVENTED = "invented"
"""Stands in the notes of invented numbers."""

LETTERS = "ABCDEF"


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceFacts:
    """What is known of a piece besides its captures; None and empty if not stated."""

    piece: str
    batch: str | None = None
    model: str | None = None
    drawing_size_mm: float | None = None
    moulded: str | None = None
    mass_g: float | None = None
    mass_u_g: float | None = None
    mass_how: str | None = None
    sizes: tuple[SizeReading, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureFacts:
    """What stands behind the result of a capture.

    Parameters
    ----------
    capture, id
        Name as in `PieceResult.capture`, and the capture's own id.
    cycles, left_out
        Cycles in the means, and cycles that are not: flagged, or conditioning.
    calibration, made, expires
        Name and identity of the calibration, the day it was made and the last day on which it holds.
    contact_mm, contact_u_mm
        Position of the first contact at the contact force, and its standard uncertainty.
    position_zero
        What the position reading counts from; empty if unknown.
    """

    capture: str
    id: str = ""
    started: datetime | None = None
    operator: str | None = None
    rig: str = ""
    cycles: int = 0
    left_out: int = 0
    free_height_mm: float | None = None
    calibration: str = ""
    made: str | None = None
    expires: str | None = None
    has_uncertainty: bool = False
    notes: str = ""
    warnings: tuple[str, ...] = ()
    softening: Softening | None = None
    recovery: tuple[RecoveryCheck, ...] = ()
    contact_mm: float | None = None
    contact_u_mm: float | None = None
    position_zero: str = ""

    @property
    def standing(self) -> PieceStanding:
        """Return what the height lost between captures is read from."""
        return PieceStanding(self.contact_mm, self.contact_u_mm, self.position_zero, self.free_height_mm)


@dataclass(frozen=True, slots=True)
class Photo:
    """A photograph of a piece: what it shows, and its PNG or JPEG file.

    Raises InputError if the bytes are neither.
    """

    caption: str
    data: bytes

    def __post_init__(self) -> None:
        if not self.ending:
            raise InputError(f"photo {self.caption!r:.60}: neither PNG nor JPEG; convert it to one of these")

    @property
    def ending(self) -> str:
        """Return the ending of its file by what the bytes begin with; empty for anything else."""
        starts = {b"\x89PNG\r\n\x1a\n": ".png", b"\xff\xd8\xff": ".jpg"}
        return next((ending for start, ending in starts.items() if self.data.startswith(start)), "")


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparableSet:
    """Captures that were measured under the same conditions.

    Parameters
    ----------
    circumstances
        How it was measured, by name; ends of a range where numbers lie close.
    groups
        By batch and state: results, one a capture.
    height_mm
        Mean free height of its pieces; None where it is not known for all of them.
    compression, gap
        By group: force at compressions (or at deflections, without a height), and at gaps.
    compression_bands, gap_bands
        Curves of each group over compression in % (deflection in mm without a height), and over how far the
        gap is closed from `height_mm`.
    rounded
        By system of units ("metric", "us"): force at round gaps and gaps at round forces.
    stands_mm
        By capture: how tall the piece is, after what it has lost; empty where no height is known.
    """

    letter: str
    circumstances: Mapping[str, str]
    groups: Mapping[str, tuple[PieceResult, ...]]
    figures: Mapping[str, Mapping[str, BatchFigures]]
    height_mm: float | None
    compression: Mapping[str, tuple[ForceRow, ...]]
    gap: Mapping[str, tuple[ForceRow, ...]]
    compression_bands: tuple[CurveBand, ...]
    gap_bands: tuple[CurveBand, ...]
    comparisons: tuple[Comparison, ...]
    notes: tuple[str, ...]
    rounded: Mapping[str, GapTables] = field(default_factory=dict)
    stands_mm: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignSheet:
    """All numbers of a sheet.

    Parameters
    ----------
    recovery, unlike_recovery
        Set that is left after release, by group; and sentences about groups whose contact checks were too
        different.
    invented
        Names of captures and pieces whose notes say that the numbers are invented.
    missing
        Sentences: what was not measured, and what would give it.
    """

    title: str
    model: str | None
    sets: tuple[ComparableSet, ...]
    sizes: Mapping[str, Mapping[str, BatchFigures]]
    pieces: tuple[PieceFacts, ...]
    captures: tuple[CaptureFacts, ...]
    size_notes: tuple[str, ...] = ()
    recovery: tuple[RecoveryFigures, ...] = ()
    unlike_recovery: tuple[str, ...] = ()
    invented: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default_factory=tuple)
    supplier: str = ""
    revision: str = ""
    photos: tuple[Photo, ...] = ()

    def __repr__(self) -> str:
        return f"<Design sheet {self.title}, captures: {len(self.captures)}; see as_dict()>"

    @property
    def all_invented(self) -> bool:
        """Whether every capture is."""
        return bool(self.captures) and all(capture.capture in self.invented for capture in self.captures)

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number."""
        return {
            "title": self.title,
            "model": self.model,
            "supplier": self.supplier,
            "revision": self.revision,
            "invented": list(self.invented),
            "sets": [_set_dict(comparable) for comparable in self.sets],
            "sizes": {
                batch: {name: figure.as_dict() for name, figure in figures.items()}
                for batch, figures in self.sizes.items()
            },
            "captures": [
                {
                    "capture": capture.capture,
                    "id": capture.id,
                    "cycles": capture.cycles,
                    "left_out": capture.left_out,
                    "recovery": [[check.after_s, check.set_mm] for check in capture.recovery],
                }
                for capture in self.captures
            ],
            "recovery": [recovery.as_dict() for recovery in self.recovery],
            "missing": list(self.missing),
            "notes": list(self.notes),
            "software": f"pressrig {__version__}",
        }


def design_sheet(
    results: Sequence[PieceResult],
    captures: Sequence[CaptureFacts],
    pieces: Sequence[PieceFacts] = (),
    *,
    title: str = "",
    model: str | None = None,
    margins: Mapping[str, float] | None = None,
    although: Sequence[str] = (),
    gauges: Mapping[str, GaugeResult] | None = None,
    notes: Sequence[str] = (),
    supplier: str = "",
    revision: str = "",
    photos: Sequence[Photo] = (),
    strict: bool = False,
) -> DesignSheet:
    """Put a sheet together.

    Parameters
    ----------
    results
        One a capture, in order of time.
    pieces
        What is known of the pieces, those too that were not pressed.
    margins
        By quantity: the largest difference between groups that does not matter.
    strict
        List captures by hand separately as soon as their speeds differ as a drive's may not.

    Raises
    ------
    InputError
        If there is no result, or they fall into too many different sets, or a margin is of a quantity that
        none has.
    """
    standing = {capture.capture: capture.standing for capture in captures}
    results = with_headline(results, standing)
    _check(results, captures, margins or {}, although)
    gathered = alike_sets(results, although, strict=strict)
    if len(gathered) > MOST_SETS:
        raise InputError(_too_many(results, len(gathered), although, strict=strict))
    heights = {capture.capture: capture.free_height_mm for capture in captures}
    sets = [
        _alike_set(
            letter,
            comparable,
            heights,
            standing_heights(results, standing),
            margins=margins or {},
            although=although,
            gauges=gauges or {},
            strict=strict,
        )
        for letter, comparable in zip(LETTERS, gathered, strict=False)
    ]
    # the pieces by name, or their batches where there are many
    named = list(dict.fromkeys(result.piece for result in results))
    batches = list(dict.fromkeys(result.batch for result in results if result.batch))
    named = batches if len(named) > MOST_NAMES and batches else named
    sizes, size_notes = _sizes(pieces)
    recovery, unlike = recovery_figures(
        {
            (comparable.letter, group): results
            for comparable in sets
            for group, results in comparable.groups.items()
        },
        {capture.capture: capture.recovery for capture in captures},
    )
    invented = [capture.capture for capture in captures if INVENTED in capture.notes.lower()]
    invented += [piece.piece for piece in pieces if INVENTED in " ".join(piece.notes).lower()]
    return DesignSheet(
        title=title or f"Design sheet: {model or ', '.join(named)}",
        model=model,
        sets=tuple(sets),
        sizes=sizes,
        pieces=tuple(pieces),
        captures=tuple(captures),
        size_notes=tuple(size_notes),
        recovery=recovery,
        unlike_recovery=unlike,
        invented=tuple(invented),
        missing=(*_missing(results, sizes, pieces, captures), *_not_measured(sets, captures)),
        notes=tuple(notes),
        supplier=supplier,
        revision=revision,
        photos=tuple(photos),
    )


def alike_sets(
    results: Sequence[PieceResult], although: Sequence[str] = (), *, strict: bool = False
) -> list[list[PieceResult]]:
    """Return results in sets that were measured under the same conditions; states and batches may differ.

    Parameters
    ----------
    results
        In order of time; each joins the first set with which it agrees in all circumstances.
    """
    sets: list[list[PieceResult]] = []
    for result in results:
        # the first set with which it agrees in everything takes it
        for comparable in sets:
            differing = unlike_circumstances([*comparable, result], strict=strict)
            if all(unlike.name in although for unlike in differing):
                comparable.append(result)
                break
        else:
            sets.append([result])
    return sets


def group_name(batch: str | None, state: str) -> str:
    """Return the pieces of a batch in one state, as the sheet calls them."""
    return f"{batch or NO_BATCH}" if state == UNSTATED else f"{batch or NO_BATCH}, {state}"


def _check(
    results: Sequence[PieceResult],
    captures: Sequence[CaptureFacts],
    margins: Mapping[str, float],
    although: Sequence[str],
) -> None:
    if not 0 < len(results) <= MOST_CAPTURES:
        raise InputError(f"design sheet: found {len(results)} captures, expected 1 to {MOST_CAPTURES}")
    lacking = {result.capture for result in results} - {capture.capture for capture in captures}
    if lacking:
        raise InputError(f"design sheet: nothing is known of capture {min(lacking)}; expected facts of each")
    known = known_quantities(results)
    for name in margins:
        if name not in known:
            raise InputError(f"margin: no piece has {name!r:.60}; found {', '.join(sorted(known)):.400}")
    circumstances = {name for result in results for name in result.circumstances}
    for name in although:
        if name not in circumstances:
            found = ", ".join(sorted(circumstances))
            raise InputError(f"although: no circumstance {name!r:.40}; found {found}")


def _too_many(results: Sequence[PieceResult], count: int, although: Sequence[str], *, strict: bool) -> str:
    differing = [
        circumstance
        for circumstance in unlike_circumstances(results, strict=strict)
        if circumstance.name not in although
    ]
    told = "; ".join(difference.sentence for difference in differing)
    names = ", ".join(difference.name for difference in differing)
    return (
        f"not on one sheet: these captures were measured under {count} different conditions, expected at "
        f'most {MOST_SETS}: {told}. Leave some out, or pool them with --although "{names}"'
    )


def _alike_set(
    letter: str,
    results: Sequence[PieceResult],
    heights: Mapping[str, float | None],
    stands: Mapping[str, float],
    *,
    margins: Mapping[str, float],
    although: Sequence[str],
    gauges: Mapping[str, GaugeResult],
    strict: bool,
) -> ComparableSet:
    by_name: dict[str, list[PieceResult]] = {}
    for result in sorted(results, key=lambda result: state_rank(result.state)):
        by_name.setdefault(group_name(result.batch, result.state), []).append(result)
    groups = {name: tuple(members) for name, members in by_name.items()}
    figures = {
        group: {
            name: batch_figures(members, name, gauge=gauges.get(name)) for name in known_quantities(members)
        }
        for group, members in groups.items()
    }
    known = {result.capture: height for result in results if (height := heights[result.capture]) is not None}
    # a compression in per cent needs the height of every piece
    height_mm = sum(known.values()) / len(known) if len(known) == len(results) else None
    typed = known if height_mm is not None else None
    compression, gap = force_tables(groups, typed, height_mm, stands)
    bands, gap_bands = force_bands(groups, typed, height_mm, stands)
    rounded = {} if height_mm is None else gap_tables(groups, stands, height_mm)
    differing = [
        circumstance
        for circumstance in unlike_circumstances(results, strict=strict)
        if circumstance.name in although
    ]
    stated = {
        name: dict.fromkeys(result.circumstances.get(name, UNSTATED) for result in results)
        for name in dict.fromkeys(name for result in results for name in result.circumstances)
    }
    return ComparableSet(
        letter=letter,
        circumstances={name: _all_of(values) for name, values in stated.items()},
        groups=groups,
        figures=figures,
        height_mm=height_mm,
        compression=compression,
        gap=gap,
        compression_bands=bands,
        gap_bands=gap_bands,
        comparisons=tuple(_comparisons(results, margins, although, gauges, strict=strict)),
        rounded=rounded,
        stands_mm={result.capture: stands[result.capture] for result in results if result.capture in stands},
        notes=(
            *(f"Pooled although different: {difference.sentence}." for difference in differing),
            *(() if strict else joined_circumstances(results)),
            *unstated_circumstances(results),
        ),
    )


def _all_of(found: Collection[str]) -> str:
    """Return what was found, in words; values in one unit as a range."""
    parts = [words.partition(" ") for words in found]
    try:
        values = sorted({float(number) for number, _, _ in parts})
    except ValueError:
        values = []
    if len(values) > 1 and len({unit for _, _, unit in parts}) == 1:
        return f"{values[0]:g} to {values[-1]:g} {parts[0][2]}"
    return first_few(found, between=" / ")


def _comparisons(
    results: Sequence[PieceResult],
    margins: Mapping[str, float],
    although: Sequence[str],
    gauges: Mapping[str, GaugeResult],
    *,
    strict: bool,
) -> list[Comparison]:
    """Return the comparisons of batches of each state, and of states of each batch."""
    found: list[Comparison] = []
    known = known_quantities(results)
    stated = {name: margin for name, margin in margins.items() if name in known}
    allowed = [name for name in although if name in {n for result in results for n in result.circumstances}]
    for by, others in (("batch", "state"), ("state", "batch")):
        for same in dict.fromkeys(getattr(result, others) for result in results):
            groups: dict[str, list[PieceResult]] = {}
            for result in results:
                if getattr(result, others) == same and result.batch is not None:
                    groups.setdefault(getattr(result, by), []).append(result)
            if len(groups) < 2:
                continue
            if by == "state":
                groups = {name: groups[name] for name in sorted(groups, key=state_rank)}
            everything = [result for group in groups.values() for result in group]
            had = known_quantities(everything)
            usual = COMPARED if KEY_FORCE in had else COMPARED_WITHOUT_HEIGHT
            names = [name for name in dict.fromkeys([*stated, *usual]) if name in had]
            held = {name: margin for name, margin in stated.items() if name in names}
            found.append(
                compare_groups(
                    groups, names, by=by, margins=held, although=allowed, gauges=gauges, strict=strict
                )
            )
    return found


def _sizes(pieces: Sequence[PieceFacts]) -> tuple[dict[str, dict[str, BatchFigures]], list[str]]:
    """Return the mass and sizes by batch; each piece counts once."""
    groups: dict[str, list[PieceResult]] = {}
    notes: list[str] = []
    for piece in pieces:
        values, u, said = _measures(piece)
        notes += said
        if values:
            made = PieceResult(piece.piece, piece.batch, UNSTATED, piece.piece, values, u, {}, {}, None)
            groups.setdefault(piece.batch or NO_BATCH, []).append(made)
    found = {
        batch: {name: batch_figures(group, name) for name in known_quantities(group)}
        for batch, group in groups.items()
    }
    return found, list(dict.fromkeys(notes))


def _measures(facts: PieceFacts) -> tuple[dict[str, float], dict[str, float], tuple[str, ...]]:
    """Return mass and sizes of a piece, their uncertainties, and sentences about them."""
    values, u = {}, {}
    if facts.mass_g is not None:
        values[MASS], u[MASS] = facts.mass_g, facts.mass_u_g or nan
    if not facts.sizes:
        return values, u, ()
    sizing = size_up(facts.sizes, facts.drawing_size_mm)
    for name, direction in sizing.directions.items():
        if not name.lower().startswith("diameter"):
            values[f"{name}_mm"], u[f"{name}_mm"] = direction.mm, direction.u_mm
    if sizing.diameter_mm is not None:
        values[DIAMETER], u[DIAMETER] = sizing.diameter_mm, sizing.diameter_u_mm or nan
    if sizing.roundness_mm is not None:
        values[ROUNDNESS], u[ROUNDNESS] = sizing.roundness_mm, sizing.roundness_u_mm or nan
    return values, u, sizing.notes


def _missing(
    results: Sequence[PieceResult],
    sizes: Mapping[str, Mapping[str, BatchFigures]],
    pieces: Sequence[PieceFacts],
    captures: Sequence[CaptureFacts],
) -> list[str]:
    """Return what a designer would want to know of the pieces, and is not there."""
    said = []
    pressed = list(dict.fromkeys(result.piece for result in results))
    weighed = {piece.piece for piece in pieces if piece.mass_g is not None}
    sized = {piece.piece for piece in pieces if piece.sizes}
    for what, having, how in (("Mass", weighed, "weigh"), ("Size", sized, "specimens size")):
        lacking = [name for name in pressed if name not in having]
        if lacking:
            whose = "all pieces" if len(lacking) == len(pressed) else first_few(lacking)
            said.append(f"{what} of {whose} (`pressrig {how}`).")
    tall = [capture.capture for capture in captures if capture.free_height_mm is None]
    if tall:
        said.append(
            f"Free height: not stated for {first_few(tall)}; without it there is no compression in per "
            "cent and "
            "no force at a gap (`pressrig height`)."
        )
    if len(pressed) == 1:
        said.append(f"Spread between pieces: only {pressed[0]} was pressed, so there is no band of pieces.")
    if not any(result.batch for result in results):
        said.append("Batches: no batch is stated for these pieces.")
    names = dict.fromkeys(name for result in results for name in result.circumstances)
    unsaid = [name for name in names if all(result.circumstances.get(name) == UNSTATED for result in results)]
    if unsaid:
        said.append(f"Conditions: {', '.join(unsaid)} (`pressrig record --condition`).")
    if not any(capture.has_uncertainty for capture in captures):
        said.append(
            "Calibration uncertainty: not stated, so no interval here includes it (`pressrig calibrate`)."
        )
    return said


def _not_measured(sets: Sequence[ComparableSet], captures: Sequence[CaptureFacts]) -> list[str]:
    """Return what the captures could have shown and do not."""
    known = {name for comparable in sets for figures in comparable.figures.values() for name in figures}
    wanted = (
        (RELAXATION, "Relaxation: no hold was long enough (use a method with a hold of 10 s or more)."),
        (PERMANENT_SET, "Permanent set: the captures do not show it (more than one cycle is needed)."),
        (KNEE, "Knee: none within the depth of these strokes."),
    )
    said = [sentence for names, sentence in wanted if not known.intersection(names)]
    if not any(capture.recovery for capture in captures):
        said.append("Recovery: no contact checks after release (`pressrig endure`).")
    if not any(comparable.compression_bands for comparable in sets):
        said.append("Curves: no capture holds a whole stroke.")
    return said


def _set_dict(comparable: ComparableSet) -> dict[str, Any]:
    return {
        "set": comparable.letter,
        "circumstances": dict(comparable.circumstances),
        "captures": {
            name: [result.capture for result in results] for name, results in comparable.groups.items()
        },
        "figures": {
            group: {name: found.as_dict() for name, found in figures.items()}
            for group, figures in comparable.figures.items()
        },
        "height_mm": comparable.height_mm,
        "force": {name: [row.as_dict() for row in rows] for name, rows in comparable.compression.items()},
        "round": {system: tables.as_dict() for system, tables in comparable.rounded.items()},
        "force_at_gap": {name: [row.as_dict() for row in rows] for name, rows in comparable.gap.items()},
        "comparisons": [found.as_dict() for found in comparable.comparisons],
        "notes": list(comparable.notes),
    }
