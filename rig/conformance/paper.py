"""The report as a mapping, as Markdown and as a page.

Problem: whoever built the device wants to know first what is wrong and what that costs, then all the rest.
Plan: the failures stand on top with rule, found, expected and cost; below them one table of everything. The
page needs nothing beside itself. Words of the device and of the checks are escaped, since a device can call
itself anything.
"""

from __future__ import annotations

from html import escape
from typing import Any

from rig import __version__
from rig.conformance.outcome import CheckOutcome, Verdict
from rig.conformance.suite import ConformanceReport

CAUTION = (
    "Passing says that the device keeps the wire protocol today. It says nothing about the safety of a "
    "press: a "
    "hard-wired emergency stop, a guard, local rules and a competent person come first."
)

_STYLE = """
@page { size: A4; margin: 18mm 16mm; }
:root { color-scheme: light; }
body { font: 10.5pt/1.45 system-ui, sans-serif; color: #1b2a33; background: #fff; max-width: 185mm;
  margin: 1.5rem auto; padding: 0 1rem; }
h1 { font-size: 17pt; margin: 0 0 .2rem; }
h2 { font-size: 12.5pt; margin: 1.4rem 0 .4rem; break-after: avoid; }
.verdict { font-size: 12.5pt; font-weight: 600; border-left: 4px solid #0b5d7a; padding: .3rem .8rem;
  background: #eef4f7; }
.verdict.no { border-color: #a3341a; background: #fbeeea; }
section { border-top: 1px solid #d8dee2; padding: .3rem 0; break-inside: avoid; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .15rem 1rem; margin: .3rem 0; }
dt { color: #46545e; }
dd { margin: 0; overflow-wrap: anywhere; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; padding: .2rem .5rem; border-bottom: 1px solid #d8dee2; vertical-align: top; }
td { overflow-wrap: anywhere; }
@media print { body { margin: 0; padding: 0; max-width: none; } }
"""

_HEADINGS = "".join(f'<th scope="col">{name}</th>' for name in ("check", "outcome", "found, or why not"))


def report_document(report: ConformanceReport) -> dict[str, Any]:
    """The report as a plain mapping, ready for JSON."""
    return {
        "software": f"pressrig {__version__}",
        "device": report.device,
        "passed": report.passed,
        "counts": {verdict.value: len(report.of(verdict)) for verdict in Verdict},
        "left_disarmed": report.disarmed,
        "interrupted": report.interrupted or None,
        "checks": [_entry(each) for each in report.outcomes],
    }


def headline(report: ConformanceReport) -> str:
    """The outcome in one sentence."""
    failed, untried = report.of(Verdict.FAILED), report.of(Verdict.NOT_TRIED)
    passed = len(report.of(Verdict.PASSED))
    words = f"{passed} passed, {len(failed)} failed, {len(untried)} not tried"
    if report.interrupted:
        return f"Not finished: {words}; {report.interrupted}"
    blocked = sum(each.blocked for each in untried)
    tail = f" ({blocked} of them because something before them did not work)" if blocked else ""
    return f"{words}{tail}"


def report_markdown(report: ConformanceReport) -> str:
    """The report as Markdown."""
    lines = ["# Check of a device", "", f"**{_cell(headline(report))}**", ""]
    lines += [f"* {name.replace('_', ' ')}: {_cell(str(value))}" for name, value in report.device.items()]
    lines += [f"* {_left(report)}", "", CAUTION, ""]
    failed = report.of(Verdict.FAILED)
    if failed:
        lines += ["## What failed, and what it costs", ""]
    for each in failed:
        lines += [f"### {each.check.what} (`{each.check.name}`)", ""]
        lines += [f"* {name}: {_cell(words)}" for name, words in _explained(each)]
        lines += [""]
    lines += ["## All checks", "", "| check | outcome | found, or why not |", "|---|---|---|"]
    lines += [
        f"| `{each.check.name}` {_cell(each.check.what)} | {each.verdict.value} | {_seen(each)} |"
        for each in report.outcomes
    ]
    return "\n".join(lines) + "\n"


def report_html(report: ConformanceReport) -> str:
    """The report as one page that needs nothing beside itself."""
    device = "".join(
        f"<dt>{escape(name.replace('_', ' '))}</dt><dd>{escape(str(value))}</dd>"
        for name, value in report.device.items()
    )
    failures = "".join(_failure(each) for each in report.of(Verdict.FAILED))
    rows = "".join(
        f"<tr><td>{escape(each.check.what)}<br><code>{escape(each.check.name)}</code></td>"
        f"<td>{each.verdict.value}</td><td>{escape(each.found or each.why)}</td></tr>"
        for each in report.outcomes
    )
    failures = f"<h2>What failed, and what it costs</h2>{failures}" if failures else ""
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Check of a device</title>
<style>{_STYLE}</style>
</head>
<body>
<h1>Check of a device</h1>
<p class="verdict{"" if report.passed else " no"}">{escape(headline(report))}</p>
<dl>{device}</dl>
<p>{escape(_left(report))}</p>
<p>{escape(CAUTION)}</p>
{failures}
<h2>All checks</h2>
<table>
<thead><tr>{_HEADINGS}</tr></thead>
<tbody>{rows}</tbody>
</table>
</body>
</html>
"""


def _entry(outcome: CheckOutcome) -> dict[str, Any]:
    check = outcome.check
    return {
        "check": check.name,
        "group": check.group,
        "what": check.what,
        "rule": check.rule,
        "outcome": outcome.verdict.value,
        "found": outcome.found or None,
        "expected": check.expected,
        "cost": check.cost,
        "why_not_tried": outcome.why or None,
        "blocked": outcome.blocked,
    }


def _explained(outcome: CheckOutcome) -> tuple[tuple[str, str], ...]:
    check = outcome.check
    return (
        ("rule", check.rule),
        ("found", outcome.found),
        ("expected", check.expected),
        ("what it costs", check.cost),
    )


def _failure(outcome: CheckOutcome) -> str:
    terms = "".join(f"<dt>{name}</dt><dd>{escape(words)}</dd>" for name, words in _explained(outcome))
    return f"<section><h3>{escape(outcome.check.what)}</h3><dl>{terms}</dl></section>"


def _left(report: ConformanceReport) -> str:
    if report.disarmed is None:
        return "It has no drive that could be left armed, or did not say how it was left."
    return (
        "It was left disarmed."
        if report.disarmed
        else "IT SAYS THAT IT IS STILL ARMED: switch its motor off."
    )


def _seen(outcome: CheckOutcome) -> str:
    return _cell(outcome.found or outcome.why)


def _cell(words: str) -> str:
    """Text that breaks neither a table nor a page that is made of it."""
    return " ".join(escape(words, quote=False).replace("|", "\\|").replace("`", "'").split())
