"""The report of a verification: one page to print, the same as text, and a table for the terminal.

Problem: whoever is asked why a figure should be believed wants one page with the errors, their limits, what
they rest on and until when they hold, and wants to keep it. Plan: a page that needs nothing beside itself
(its picture and its style are inside), laid out for A4, and the same content as Markdown. Both say first what
the outcome is, and a class that is missed is named with the force and the error that missed it. Cost: one
picture.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from html import escape
from typing import Any

from rich.table import Table

from rig import __version__
from rig.calibration import ERROR_NAMES, LoadErrors, Verification
from rig.sheets.check_plots import errors_picture
from rig.sheets.tables import empty_table

_STYLE = """
@page { size: A4; margin: 18mm 16mm; }
:root { color-scheme: light; }
body { font: 10.5pt/1.45 system-ui, sans-serif; color: #1b2a33; background: #fff; max-width: 180mm;
  margin: 1.5rem auto; padding: 0 1rem; }
h1 { font-size: 17pt; margin: 0 0 .2rem; }
h2 { font-size: 12.5pt; margin: 1.4rem 0 .4rem; break-after: avoid; }
.verdict { font-size: 12.5pt; font-weight: 600; border-left: 4px solid #0b5d7a; padding: .3rem .8rem;
  background: #eef4f7; }
.verdict.no { border-color: #a3341a; background: #fbeeea; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; break-inside: avoid; }
caption { text-align: left; padding: .2rem 0; color: #46545e; }
th, td { text-align: right; padding: .18rem .5rem; border-bottom: 1px solid #d8dee2; vertical-align: top; }
td { white-space: nowrap; }
th:first-child, td:first-child { text-align: left; }
thead th { border-bottom: 1.5px solid #1b2a33; }
figure { margin: .6rem 0; break-inside: avoid; }
figure svg { width: 100%; height: auto; }
figcaption, dt { color: #46545e; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .15rem 1rem; }
dd { margin: 0; }
ul { padding-left: 1.1rem; }
@media print { body { margin: 0; padding: 0; max-width: none; } }
"""

_COLUMNS = ("q", "b", "v", "a")
_EMPTY = "-"


@dataclass(frozen=True, slots=True)
class VerificationSheet:
    """A verification with its circumstances.

    Parameters
    ----------
    verification
        What came of it.
    rig
        Name of the rig.
    made, expires
        Day of the readings, and the last day on which it holds.
    by
        Who made it.
    readings
        Name of the table that the readings stand in.
    calibration
        Identity of the calibration that read the rig.
    conditions
        Temperature and the like.
    cautions
        What the calibration itself has to be told.
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
        """Plain values."""
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
        """The verdict, why better classes were missed, and what else has to be told."""
        verification = self.verification
        return (
            verification.verdict,
            *_why_not_better(verification),
            *(f"note: {each}" for each in (*verification.notes, *self.cautions)),
        )

    def circumstances(self) -> tuple[tuple[str, str], ...]:
        """What it rests on, name by name; what nobody said is said to be missing."""
        references = self.verification.references
        relative_u = references.relative_u
        rows = [
            ("Rig", self.rig),
            ("Made", self.made.isoformat()),
            ("Holds until", _EMPTY if self.expires is None else self.expires.isoformat()),
            ("By", self.by or "not said"),
            ("References", "; ".join(references.certificates) or "no certificate named"),
            (
                "Their standard uncertainty",
                "not said" if relative_u is None else f"{100 * relative_u:.3g} % of the load",
            ),
            ("Readings", self.readings or "not said"),
            ("Calibration", self.calibration or "none"),
            *((name, value) for name, value in self.conditions.items()),
            ("Worked out by", f"pressrig {__version__}"),
        ]
        return tuple(rows)


def verification_table(verification: Verification, *, plain: bool) -> Table:
    """Errors at each load, for the terminal."""
    table = empty_table("verification of force", plain=plain)
    for heading in ("load\nN", "reads\nN", "q\n%", "95 % of q\n%", "b\n%", "v\n%", "a\n%"):
        table.add_column(heading, justify="right")
    for each in verification.loads:
        table.add_row(*_cells(each))
    table.caption = f"zero error f0: {_number(verification.f0)} % of the largest load"
    table.caption_justify = "left"
    return table


def verification_markdown(sheet: VerificationSheet) -> str:
    """The report as Markdown."""
    verification = sheet.verification
    lines = [
        f"# Verification of force: {_inline(sheet.rig)}",
        "",
        f"**{verification.verdict}**",
        "",
        *(f"* {_inline(each)}" for each in _why_not_better(verification)),
        "",
        "## Errors",
        "",
        *_markdown_table(_error_headings(), [_cells(each) for each in verification.loads]),
        "",
        f"{ERROR_NAMES['f0'].capitalize()} f0: {_number(verification.f0)} % of the largest load.",
        "",
        "## Limits, per cent (recalled)",
        "",
        *_markdown_table(_limit_headings(), _limit_rows(verification)),
        "",
        "## What it rests on",
        "",
        *(f"* {name}: {_inline(value)}" for name, value in sheet.circumstances()),
        "",
        "## Cautions",
        "",
        *(f"* {_inline(each)}" for each in (*verification.notes, *sheet.cautions)),
    ]
    return "\n".join(lines) + "\n"


def verification_html(sheet: VerificationSheet) -> str:
    """The report as one page that needs no other file."""
    verification = sheet.verification
    refused = " no" if verification.stated and verification.reached is None else ""
    title = f"Verification of force: {sheet.rig}"
    missed = _html_list(_why_not_better(verification))
    facts = "".join(
        f"<dt>{escape(name)}</dt><dd>{escape(value)}</dd>" for name, value in sheet.circumstances()
    )
    picture = errors_picture(verification)
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{escape(title)}</title>
<style>{_STYLE}</style>
</head>
<body>
<h1>{escape(title)}</h1>
<p class="verdict{refused}">{escape(verification.verdict)}</p>
{missed}
<h2>Errors</h2>
{_html_table("Per cent of the load.", _error_headings(), [_cells(each) for each in verification.loads])}
<p>{ERROR_NAMES["f0"].capitalize()} f0: {_number(verification.f0)} % of the largest load.</p>
<figure>{picture}<figcaption>Accuracy error of each load with its 95 % interval; dashed: the limits of the
classes.</figcaption></figure>
<h2>Limits</h2>
{
        _html_table(
            "Largest permitted values, per cent (recalled), and from which force all are kept.",
            _limit_headings(),
            _limit_rows(verification),
        )
    }
<h2>What it rests on</h2>
<dl>{facts}</dl>
<h2>Cautions</h2>
{_html_list((*verification.notes, *sheet.cautions))}
</body>
</html>
"""


def _why_not_better(verification: Verification) -> tuple[str, ...]:
    """For each class better than the one that is reached: which force and which error missed it."""
    if not verification.stated:
        return ()
    reached = verification.reached
    sentences = []
    for outcome in verification.classes:
        if reached is outcome:
            break
        down = f"holds from {outcome.lowest_n:g} N only" if outcome.lowest_n is not None else "is not reached"
        sentences.append(f"Class {outcome.limits.name} {down}: {outcome.why_not}.")
    return tuple(sentences)


def _error_headings() -> tuple[str, ...]:
    named = (f"{name}, % ({ERROR_NAMES[name]})" for name in _COLUMNS[1:])
    return ("load, N", "reads, N", f"q, % ({ERROR_NAMES['q']})", "95 % of q, %", *named)


def _cells(each: LoadErrors) -> tuple[str, ...]:
    interval = each.interval_q
    return (
        f"{each.load_n:g}",
        f"{each.indicated_n:.6g}",
        _number(each.q),
        _EMPTY if interval is None else f"± {interval:.3f}",
        *(_number(getattr(each, name), signed=name == "v") for name in _COLUMNS[1:]),
    )


def _limit_headings() -> tuple[str, ...]:
    return ("class", "q", "b", "v", "f0", "a", "kept from")


def _limit_rows(verification: Verification) -> list[tuple[str, ...]]:
    """Limits of each class, and from where they are kept, which is not said where no class may be stated."""
    rows = []
    for outcome in verification.classes:
        limits = outcome.limits
        kept = "nowhere" if outcome.lowest_n is None else f"{outcome.lowest_n:g} N"
        permitted = (f"{each:g}" for each in (limits.q, limits.b, limits.v, limits.f0, limits.a))
        rows.append((limits.name, *permitted, kept if verification.stated else "not stated"))
    return rows


def _number(value: float | None, *, signed: bool = True) -> str:
    if value is None:
        return _EMPTY
    return f"{value:+.3f}" if signed else f"{value:.3f}"


def _inline(text: str) -> str:
    """Text that Markdown takes as it is."""
    return " ".join(text.split()).replace("|", "\\|")


def _markdown_table(headings: Iterable[str], rows: Iterable[Iterable[str]]) -> list[str]:
    titles = list(headings)
    return [
        f"| {' | '.join(titles)} |",
        f"|{'---:|' * len(titles)}",
        *(f"| {' | '.join(row)} |" for row in rows),
    ]


def _html_table(caption: str, headings: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    head = "".join(f'<th scope="col">{escape(each)}</th>' for each in headings)
    body = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows)
    return (
        f"<table><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table>"
    )


def _html_list(sentences: Iterable[str]) -> str:
    items = "".join(f"<li>{escape(each)}</li>" for each in sentences)
    return f"<ul>{items}</ul>" if items else ""
