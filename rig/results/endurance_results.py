"""What came of an endurance run, from the events of its capture.

Problem: the count of a run and how it was settled, what it took from the specimen and what came back stand
scattered among hundreds of thousands of events. Plan: one pass over them, which keeps the newest standing and
the contact checks of recovery, then one fit. Cost: one pass.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from rig.analyser import RecoveryFit, fit_recovery
from rig.core import all_finite, kind_of
from rig.methods import RecoveryCheck


@dataclass(slots=True)
class EnduranceReport:
    """What came of a run.

    Attributes
    ----------
    set_mm, stiffness_loss_pct
        At the end of the squeezing, against its beginning; None where it is not known.
    """

    name: str = ""
    cycles: int = 0
    doubtful: int = 0
    exact: bool = True
    reason: str | None = None
    set_mm: float | None = None
    stiffness_loss_pct: float | None = None
    pauses: list[str] = field(default_factory=list)
    recovery: list[RecoveryCheck] = field(default_factory=list)
    fit: RecoveryFit | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number."""
        return {
            "plan": self.name,
            "cycles": self.cycles,
            "doubtful": self.doubtful,
            "exact": self.exact,
            "squeezing_ended": self.reason,
            "set_mm": self.set_mm,
            "stiffness_loss_pct": self.stiffness_loss_pct,
            "pauses": list(self.pauses),
            "recovery": [{"after_s": point.after_s, "set_mm": point.set_mm} for point in self.recovery],
            "recovery_fit": None if self.fit is None else all_finite(self.fit.as_dict()),
        }

    def take(self, event: Mapping[str, Any]) -> None:
        """Take in the next event."""
        match kind_of(event):
            case "endurance":
                self.name = str(event.get("name", ""))
            case "block settled":
                self.cycles = int(event["total"])
                self.doubtful += event["doubtful"] is not None
                self.exact = self.exact and bool(event["exact"])
                self.set_mm = event.get("set_mm")
                self.stiffness_loss_pct = event.get("stiffness_loss_pct")
            case "pause":
                self.pauses.append(str(event.get("why", "")))
            case "squeezing ended":
                self.reason = str(event.get("reason", ""))
            case "recovery contact check":
                after_s, set_mm = float(event["after_s"]), float(event["set_mm"])
                self.recovery.append(RecoveryCheck(after_s, set_mm, float("nan")))


def endurance_report(events: Iterable[Mapping[str, Any]]) -> EnduranceReport:
    """Gather a run's report.

    Parameters
    ----------
    events
        Of its capture, oldest first; read once.
    """
    report = EnduranceReport()
    for event in events:
        try:
            report.take(event)
        except (KeyError, TypeError, ValueError):
            # one that makes no sense, as of a damaged recording, may have counted
            report.exact = False
    if report.recovery:
        report.fit = fit_recovery(
            np.array([point.after_s for point in report.recovery]),
            np.array([point.set_mm for point in report.recovery]),
        )
    return report
