"""The report of a verification: one page to print, the same as text, and a table for the terminal.

Problem: whoever is asked why a figure should be believed wants one page with the errors, their limits, what
they rest on and until when they hold, and wants to keep it. Plan: a page that says first what the outcome is,
and names the force and the error by which a class was missed. Cost: one picture.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from rich.table import Table

from rig import __version__, sheets
from rig.calibration import ERROR_NAMES, LoadErrors, Verification
from rig.sheets.page import (
    Block,
    Facts,
    Page,
    PageTable,
    Picture,
    Section,
    Words,
    listed,
    not_empty,
    save_page,
)
from rig.sheets.tables import empty_table

PAGE, PICTURE = "verification.html", "errors"

LIMITS = ("class", "q", "b", "v", "f0", "a", "kept from")
LIMITS_CAPTION = "Largest permitted values, per cent (recalled), and the force from which all are met"

_COLUMNS = ("q", "b", "v", "a")
_EMPTY = "-"


@dataclass(frozen=True, slots=True)
class VerificationSheet:
    """A verification with its circumstances.

    `made`, `expires`: day of the readings, and the last day on which it holds.
    `readings`: name of the table that the readings stand in.
    `calibration`: identity of the calibration that read the rig.
    `cautions`: what the calibration itself has to be told.
    """

    verification: Verification
    rig: str
    made: date
    expires: date | None = None
    by: str = ""
    readings: str = ""
    calibration: str = ""
    conditions: Mapping[str, str] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "rig": self.rig,
            "made": self.made.isoformat(),
            "expires": None if self.expires is None else self.expires.isoformat(),
            "by": self.by,
            "readings": self.readings,
            "calibration": self.calibration,
            "conditions": dict(self.conditions),
            "cautions": list(self.cautions),
        } | self.verification.as_dict()

    def sentences(self) -> tuple[str, ...]:
        """Return the verdict, why better classes were missed, and what else has to be told."""
        verification = self.verification
        return (
            verification.verdict,
            *_why_not_better(verification),
            *(f"note: {note}" for note in (*verification.notes, *self.cautions)),
        )

    def circumstances(self) -> tuple[tuple[str, str], ...]:
        """Basis, name by name; what is not stated is marked as missing."""
        references = self.verification.references
        relative_u = references.relative_u
        return (
            ("Rig", self.rig),
            ("Made", self.made.isoformat()),
            ("Holds until", _EMPTY if self.expires is None else self.expires.isoformat()),
            ("By", self.by or "not stated"),
            ("References", "; ".join(references.certificates) or "no certificate named"),
            (
                "Their standard uncertainty",
                "not stated" if relative_u is None else _words_of_u(relative_u, references.absolute_n),
            ),
            ("Readings", self.readings or "not stated"),
            ("Calibration", self.calibration or "none"),
            *self.conditions.items(),
            ("Calculated by", f"pressrig {__version__}"),
        )


def verification_table(verification: Verification, *, plain: bool) -> Table:
    """Errors at each load, for the terminal."""
    headings = ("load\nN", "reads\nN", "q\n%", "95 % of q\n%", "b\n%", "v\n%", "a\n%")
    table = empty_table("verification of force", numbers=headings, plain=plain)
    for load in verification.loads:
        table.add_row(*_cells(load))
    table.caption = f"zero error f0: {_number(verification.f0)} % of the largest load"
    table.caption_justify = "left"
    return table


def save_verification_report(sheet: VerificationSheet, folder: Path) -> Path:
    """Write the report as one page, as Markdown, and its picture beside them; return the page's path."""
    folder.mkdir(parents=True, exist_ok=True)
    caption = "Accuracy error at each load with its 95 % interval; dashed: class limits."
    sheets.draw_errors(sheet.verification, caption).save(folder / PICTURE)
    refused = sheet.verification.stated and sheet.verification.reached is None
    verdict = Words(sheet.verification.verdict, "refusal" if refused else "answer")
    sections = (
        Section("Verdict", (verdict, *listed(_why_not_better(sheet.verification)))),
        Section("Errors", (*_errors(sheet.verification), Picture(f"{PICTURE}.svg", caption, caption))),
        Section("Limits", (PageTable(LIMITS_CAPTION, LIMITS, tuple(_limit_rows(sheet.verification))),)),
        Section("Basis", (Facts(sheet.circumstances()),)),
        Section("Cautions", listed((*sheet.verification.notes, *sheet.cautions))),
    )
    return save_page(Page(f"Verification of force: {sheet.rig}", "", not_empty(*sections)), folder / PAGE)


def _errors(verification: Verification) -> tuple[Block, ...]:
    rows = tuple(_cells(load) for load in verification.loads)
    zero = f"{ERROR_NAMES['f0'].capitalize()} f0: {_number(verification.f0)} % of the largest load."
    named = (f"{name}, % ({ERROR_NAMES[name]})" for name in _COLUMNS[1:])
    headings = ("load, N", "reads, N", f"q, % ({ERROR_NAMES['q']})", "95 % of q, %", *named)
    return PageTable("Per cent of the load", headings, rows), Words(zero)


def _why_not_better(verification: Verification) -> tuple[str, ...]:
    """For each class better than the one that is reached: which force and which error missed it."""
    if not verification.stated:
        return ()
    sentences = []
    for outcome in verification.classes:
        if outcome is verification.reached:
            break
        down = f"holds from {outcome.lowest_n:g} N only" if outcome.lowest_n is not None else "is not reached"
        sentences.append(f"Class {outcome.limits.name} {down}: {outcome.why_not}.")
    return tuple(sentences)


def _cells(load: LoadErrors) -> tuple[str, ...]:
    interval = load.interval_q
    return (
        f"{load.load_n:g}",
        f"{load.indicated_n:.6g}",
        _number(load.q),
        _EMPTY if interval is None else f"± {interval:.3f}",
        *(_number(getattr(load, name), signed=name == "v") for name in _COLUMNS[1:]),
    )


def _limit_rows(verification: Verification) -> list[tuple[str, ...]]:
    """Return the limits of each class, and from where they are kept, unless no class may be stated."""
    rows = []
    for outcome in verification.classes:
        kept = "nowhere" if outcome.lowest_n is None else f"{outcome.lowest_n:g} N"
        permitted = (f"{getattr(outcome.limits, error):g}" for error in LIMITS[1:-1])
        rows.append((outcome.limits.name, *permitted, kept if verification.stated else "not stated"))
    return rows


def _number(value: float | None, *, signed: bool = True) -> str:
    if value is None:
        return _EMPTY
    return f"{value:+.3f}" if signed else f"{value:.3f}"


def _words_of_u(relative_u: float, absolute_n: float) -> str:
    parts = [f"{absolute_n:.3g} N at every load"] if absolute_n else []
    parts += [f"{100 * relative_u:.3g} % of the load"] if relative_u else []
    return " and ".join(parts)
