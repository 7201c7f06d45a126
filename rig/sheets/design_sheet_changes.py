"""How pieces change: softer from cycle to cycle, and back towards their height after release."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import astuple, replace
from math import isfinite

import numpy as np

from rig.analyser import fit_recovery
from rig.core import rounded, shown_u
from rig.population import batch_figures
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
            if not having:
                continue
            found, at_mm = batch_figures(having, SOFTENING), [soft[result.capture].at_mm for result in having]
            u = shown_u(found.mean, found.u or 0.0)
            deep = " to ".join(dict.fromkeys(f"{mm:.1f}" for mm in (min(at_mm), max(at_mm))))
            cells = (str(found.n), deep, rounded(found.mean, u), ends(found.low, found.high, u))
            rows.append((where + group, *cells))
    if not rows:
        return []
    headings = (
        "pieces of", "n", "at deflection, mm", "change of force per tenfold cycles, %", "95 % interval",
    )  # fmt: skip
    return [PageTable("Softening at a fixed deflection", headings, tuple(rows))]


def recovery_section(sheet: DesignSheet) -> Iterator[Section]:
    """Contact checks after release: of groups, then piece by piece, and what they say of the time to come."""
    rows, said = [], []
    for number, capture in enumerate(sheet.captures, start=1):
        if not capture.recovery:
            continue
        for check in (capture.recovery[place] for place in spaced(len(capture.recovery))):
            u = NOTHING if not isfinite(check.set_mm_u) else rounded(check.set_mm_u, check.set_mm_u)
            after = _time_words(check.after_s)
            inches = us_words(check.set_mm, "mm", check.set_mm_u if isfinite(check.set_mm_u) else 0.0)
            rows.append((str(number), after, rounded(check.set_mm, shown_u(check.set_mm, 1e-3)), u, inches))
        after_s, set_mm, u_mm = np.array([astuple(check) for check in capture.recovery], float).T
        fit = fit_recovery(after_s, set_mm, u_mm if np.isfinite(u_mm).all() else None)
        said += [f"Capture {number}: {sentence}" for sentence in recovery_sentences(fit)]
    if rows:
        headings = ("capture", "after release", "remaining set, mm", "u, mm", "US units")
        table = PageTable("Remaining set at contact checks after release", headings, tuple(rows))
        yield Section("Recovery", (*_recovery_of_groups(sheet), table, *listed(said)))


def _recovery_of_groups(sheet: DesignSheet) -> list[Block]:
    """Return the means over the pieces, or why there are none."""
    blocks: list[Block] = [Words(sentence) for sentence in sheet.unlike_recovery]
    if not sheet.recovery:
        return blocks or [Words("From single pieces: the spread between pieces is not known.")]
    rows = []
    for row in sheet.recovery:
        figures, where = row.figures, f"{row.letter}: " if len(sheet.sets) > 1 else ""
        u = shown_u(figures.mean, figures.u or 0.0)
        rows.append(
            (
                where + row.group,
                str(figures.n),
                _time_words(row.after_s),
                rounded(figures.mean, u),
                ends(figures.low, figures.high, u),
                NOTHING if figures.sd is None else rounded(figures.sd, figures.sd / 10),
                us_words(figures.mean, "mm", u),
            )
        )
    headings = (
        "pieces of", "n", "after release", "remaining set, mm", "95 % interval", "sd, mm", "US units",
    )  # fmt: skip
    return [*blocks, PageTable("Remaining set, mean over the pieces", headings, tuple(rows))]


def _time_words(seconds: float) -> str:
    if seconds >= 3600:
        return f"{seconds / 3600:.3g} h"
    return f"{seconds:.0f} s" if seconds >= 100 else f"{seconds:.3g} s"
