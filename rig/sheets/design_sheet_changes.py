"""How pieces change: softer from cycle to cycle, and back towards their height after release."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import astuple, replace
from math import isfinite

import numpy as np

from rig.analyser import fit_recovery
from rig.core import rounded, shown_u
from rig.population import BatchFigures, batch_figures
from rig.results.design_sheet import DesignSheet
from rig.results.design_sheet_recovery import spaced
from rig.sheets.design_sheet_tables import NOTHING, ends, us_words
from rig.sheets.page import Block, PageTable, Section, Words, listed
from rig.sheets.recovery_words import recovery_sentences

SOFTENING = "softening_pct"


def softening_blocks(sheet: DesignSheet) -> list[Block]:
    """By group, pieces as the unit: each capture's slope over its cycles is one value."""
    soft = {
        capture.capture: capture.softening
        for capture in sheet.captures
        if capture.softening is not None and capture.softening.n > 2
    }
    rows = []
    for comparable in sheet.sets:
        where = f"{comparable.letter}: " if len(sheet.sets) > 1 else ""
        for group, results in comparable.groups.items():
            having = [
                replace(result, values={SOFTENING: soft[result.capture].pct_per_decade}, u={}, u_shared={})
                for result in results
                if result.capture in soft
            ]
            if having:
                at_mm = [soft[each.capture].at_mm for each in having]
                rows.append((where + group, *_softening_cells(batch_figures(having, SOFTENING), at_mm)))
    if not rows:
        return []
    headings = (
        "pieces of",
        "n",
        "at deflection, mm",
        "change of force per tenfold cycles, %",
        "95 % interval",
    )
    return [PageTable("Softening at a fixed deflection", headings, tuple(rows))]


def _softening_cells(each: BatchFigures, at_mm: Sequence[float]) -> tuple[str, ...]:
    u = shown_u(each.mean, each.u or 0.0)
    low, high = f"{min(at_mm):.1f}", f"{max(at_mm):.1f}"
    deep = low if low == high else f"{low} to {high}"
    return (str(each.n), deep, rounded(each.mean, u), ends(each.low, each.high, u))


def recovery_section(sheet: DesignSheet) -> Iterator[Section]:
    """Contact checks after release: of groups, then piece by piece, and what they say of the time to come."""
    rows, said = [], []
    for number, each in enumerate(sheet.captures, start=1):
        if not each.recovery:
            continue
        for check in (each.recovery[place] for place in spaced(len(each.recovery))):
            u = NOTHING if not isfinite(check.set_mm_u) else rounded(check.set_mm_u, check.set_mm_u)
            after = _time_words(check.after_s)
            inches = us_words(check.set_mm, "mm", check.set_mm_u if isfinite(check.set_mm_u) else 0.0)
            rows.append((str(number), after, rounded(check.set_mm, shown_u(check.set_mm, 1e-3)), u, inches))
        after_s, set_mm, u_mm = np.array([astuple(check) for check in each.recovery], float).T
        fit = fit_recovery(after_s, set_mm, u_mm if np.isfinite(u_mm).all() else None)
        said += [f"Capture {number}: {sentence}" for sentence in recovery_sentences(fit)]
    if rows:
        headings = ("capture", "after release", "remaining set, mm", "u, mm", "US units")
        table = PageTable("Remaining set at contact checks after release", headings, tuple(rows))
        yield Section("Recovery", (*_recovery_of_groups(sheet), table, *listed(said)))


def _recovery_of_groups(sheet: DesignSheet) -> list[Block]:
    """Return the means over the pieces, or why there are none."""
    blocks: list[Block] = [Words(each) for each in sheet.unlike_recovery]
    if not sheet.recovery:
        return blocks or [Words("From single pieces: the spread between pieces is not known.")]
    rows = []
    for each in sheet.recovery:
        figures, where = each.figures, f"{each.letter}: " if len(sheet.sets) > 1 else ""
        u = shown_u(figures.mean, figures.u or 0.0)
        rows.append(
            (
                where + each.group,
                str(figures.n),
                _time_words(each.after_s),
                rounded(figures.mean, u),
                ends(figures.low, figures.high, u),
                NOTHING if figures.sd is None else rounded(figures.sd, figures.sd / 10),
                us_words(figures.mean, "mm", u),
            )
        )
    headings = (
        "pieces of",
        "n",
        "after release",
        "remaining set, mm",
        "95 % interval",
        "sd, mm",
        "US units",
    )
    return [*blocks, PageTable("Remaining set, mean over the pieces", headings, tuple(rows))]


def _time_words(seconds: float) -> str:
    if seconds >= 3600:
        return f"{seconds / 3600:.3g} h"
    return f"{seconds:.0f} s" if seconds >= 100 else f"{seconds:.3g} s"
