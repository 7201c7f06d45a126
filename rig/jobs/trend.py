"""What the squeezes do to the specimen, while they go on: softening, set, and whether it is still there.

Problem: an endurance run ends at a criterion, not only at a count, and must not pound an empty platen. Plan:
the same analysis as of a file takes the samples in pieces, as they come; medians over the last few cycles
are compared with those of a reference taken after the first steep softening. Squeezes that the device counts
and in which no contact is found say that the specimen slipped or is gone. Cost: some milliseconds for
each quarter of a second; memory does not grow.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rig.analyser import AnalysisSettings, CaptureAnalysis, Columns
from rig.calibration import Calibration
from rig.reader import Delivery
from rig.samples import Samples
from rig.wire import EventCode

PIECE_S = 0.25
PIECE_SAMPLES = 1 << 16
"""A piece is analysed after so long, or when it is so large."""

MEDIAN_OF = 5
"""Cycles; one odd cycle decides nothing."""

GONE_SHARE = 0.2
"""A peak force below this share of the reference's is that of another thing than the specimen."""

EMPTY_SQUEEZES = 5
"""This many squeezes without a contact: the specimen is gone. The last two are not yet known."""


@dataclass(frozen=True, slots=True)
class Reference:
    """What later cycles are compared with: medians over the cycles after the first steep softening.

    `stiffness` is that of the column which the trend watches; only its change is used.
    """

    cycle: int
    stiffness: float
    peak_force_n: float
    contact_mm: float


@dataclass(frozen=True, slots=True)
class TrendStanding:
    """How the specimen stands now against the reference."""

    cycle: int
    stiffness_loss_pct: float
    set_mm: float
    peak_share: float


class Trend:
    """Follows one run.

    `stiffness`: column whose fall is the loss of stiffness.
    `reference`: from before a break in the run; None: it is still to be taken.
    `empty_squeezes`: squeezes of this block that were counted in the samples analysed so far, without a
    contact in them.
    """

    def __init__(
        self,
        calibration: Calibration,
        settings: AnalysisSettings,
        *,
        stiffness: str,
        reference_after: int,
        reference: Reference | None = None,
        on_rows: Callable[[Columns], None] | None = None,
    ) -> None:
        self.reference = reference
        self._on_rows = on_rows
        self._stiffness = stiffness
        self.standing: TrendStanding | None = None
        self._analysis = CaptureAnalysis(calibration, settings, keep=False, propagate=False)
        self._after = reference_after
        self._waiting: list[Samples] = []
        self._count = 0
        self._taken_s = time.monotonic()
        self._recent: deque[tuple[int, float, float, float]] = deque(maxlen=MEDIAN_OF)
        self._first_contact_mm = float("nan") if reference is None else reference.contact_mm
        self._squeezes = self._cycles = 0
        self.empty_squeezes = 0

    def restart(self) -> None:
        """A block begins: what was counted before no longer compares with what comes."""
        self._squeezes = self._cycles = self.empty_squeezes = 0

    def squeezed(self) -> None:
        """The host has finished a squeeze."""
        self._squeezes += 1

    def take(self, delivery: Delivery) -> None:
        """Take what was delivered; analyse it once it is worth it."""
        counted = (event for event in delivery.events if event.kind == "device_event")
        self._squeezes += sum(event.fields.get("code") == EventCode.CYCLE_FINISHED for event in counted)
        if len(delivery.samples):
            self._waiting.append(delivery.samples)
            self._count += len(delivery.samples)
        now = time.monotonic()
        if self._count >= PIECE_SAMPLES or (self._count and now - self._taken_s >= PIECE_S):
            self._taken_s = now
            self._analyse()

    def flush(self) -> None:
        """Analyse what waits."""
        if self._count:
            self._analyse()

    def _analyse(self) -> None:
        piece = Samples.concatenate(self._waiting)
        self._waiting, self._count = [], 0
        columns = self._analysis.push(piece)
        self._cycles += 0 if columns is None else len(columns["cycle"])
        self.empty_squeezes = max(self._squeezes - self._cycles, 0)
        if columns is None:
            return
        if self._on_rows is not None:
            self._on_rows(columns)
        names = ("cycle", self._stiffness, "peak_force_n", "contact_at_force_mm")
        for cycle, secant, peak, contact in zip(*(columns[name] for name in names), strict=True):
            if not np.isfinite([secant, peak, contact]).all():
                continue
            if not np.isfinite(self._first_contact_mm):
                self._first_contact_mm = float(contact)
            self._recent.append((int(cycle), float(secant), float(peak), float(contact)))
            if self.reference is None and cycle > self._after and len(self._recent) == MEDIAN_OF:
                usual = np.median(np.array(self._recent), axis=0).tolist()
                self.reference = Reference(int(cycle), usual[1], usual[2], self._first_contact_mm)
        self._compare()

    def _compare(self) -> None:
        reference = self.reference
        if reference is None or len(self._recent) < MEDIAN_OF:
            return
        _, secant, peak, contact = np.median(np.array(self._recent), axis=0)
        self.standing = TrendStanding(
            self._recent[-1][0],
            100 * (1 - float(secant) / reference.stiffness),
            float(contact) - reference.contact_mm,
            float(peak) / reference.peak_force_n,
        )
