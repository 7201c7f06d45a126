"""Whether a device keeps the wire protocol, as a mapping and as a page.

Problem: whoever built the device wants to know first what is wrong and what that costs, then all the rest.
Plan: the failures stand on top with rule, found, expected and cost; below them one table of everything.
"""

from __future__ import annotations

from typing import Any

from rig import __version__
from rig.conformance import CheckOutcome, ConformanceReport, Verdict
from rig.sheets.page import Facts, Page, PageTable, Section, Words

CAUTION = (
    "A pass means that the device follows the wire protocol today. It says nothing about the safety of a "
    "press: a hard-wired emergency stop, a guard, local rules and a competent person come first."
)

HOW_LEFT = {
    True: "It is disarmed.",
    False: "IT REPORTS THAT IT IS STILL ARMED: switch its motor off.",
    None: "It has no drive, or did not report whether it is armed.",
}

HEADINGS = ("check", "name", "outcome", "found, or reason")


def conformance_document(report: ConformanceReport) -> dict[str, Any]:
    """Return the report as a plain mapping, ready for JSON."""
    return {
        "software": f"pressrig {__version__}",
        "device": report.device,
        "passed": report.passed,
        "counts": {verdict.value: len(report.of(verdict)) for verdict in Verdict},
        "left_disarmed": report.disarmed,
        "interrupted": report.interrupted or None,
        "checks": [_entry(outcome) for outcome in report.outcomes],
    }


def conformance_headline(report: ConformanceReport) -> str:
    """Return the outcome in one sentence."""
    failed, untried = report.of(Verdict.FAILED), report.of(Verdict.NOT_TRIED)
    passed = len(report.of(Verdict.PASSED))
    words = f"{passed} passed, {len(failed)} failed, {len(untried)} not tried"
    if report.interrupted:
        return f"Not finished: {words}; {report.interrupted}"
    blocked = sum(check.blocked for check in untried)
    tail = f" ({blocked} of them because an earlier step failed)" if blocked else ""
    return f"{words}{tail}"


def conformance_page(report: ConformanceReport) -> Page:
    """Return what failed and what it costs first, then everything."""
    failed = report.of(Verdict.FAILED)
    device = tuple((name.replace("_", " "), str(value)) for name, value in report.device.items())
    outcome = (
        Words(conformance_headline(report), "answer" if report.passed else "refusal"),
        Facts(device),
        Words(HOW_LEFT[report.disarmed]),
        Words(CAUTION, "caution"),
    )
    rows = tuple(
        (tried.check.what, tried.check.name, tried.verdict.value, tried.found or tried.why)
        for tried in report.outcomes
    )
    costs = (Section("Failures and their cost", ()),) if failed else ()
    sections = (
        Section("Outcome", outcome),
        *costs,
        *(Section(tried.check.what, (Facts(_explained(tried)),), level=3) for tried in failed),
        Section("All checks", (PageTable("Every check", HEADINGS, rows),)),
    )
    return Page("Device check", "", sections)


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
