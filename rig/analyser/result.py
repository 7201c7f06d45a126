"""What an analysis of one recording hands out."""

from __future__ import annotations

from dataclasses import dataclass, field

from rig.analyser.relaxation import PronySeries
from rig.analyser.row_store import ColumnTable, part_of
from rig.analyser.settings import AnalysisSettings, MeasuringNoise
from rig.analyser.softening import Softening
from rig.analyser.strokes import Columns
from rig.calibration import Calibration
from rig.samples import FloatArray
from rig.segmenter import ContactChecks, Flag, ForceZero

_NOT_MEASURED = ("cycle", "flags", "start_s", "end_s", "knee_resolved", "zero_n")


@dataclass(frozen=True, slots=True)
class Loop:
    """Force against deflection of one cycle, thinned for drawing.

    Parameters
    ----------
    cycle
        Its number.
    deflection_mm, force_n
        Shape (n,).
    load_end, unload_start
        Places in them of the last sample of loading and the first one of unloading; a hold lies between.
        None if not stated.
    """

    cycle: int
    deflection_mm: FloatArray
    force_n: FloatArray
    load_end: int | None = None
    unload_start: int | None = None


@dataclass(frozen=True, slots=True)
class CaptureResult:
    """What an analysis found.

    Parameters
    ----------
    columns
        Every quantity of every cycle, with standard uncertainties under the name and "_u"; `cycle`, `flags`.
        Of rows that are stored elsewhere, a column is read each time it is asked for.
    settings, noise
        How it was measured, and the noise that was frozen.
    contact_force_n
        Force that counted as contact.
    summary
        By quantity, over the cycles after conditioning in which no flag spoils it: `mean`, `sd`, number
        `n`, standard uncertainty `u` of the mean and half width `half95` of its 95 % interval.
    softening, prony
        Over the cycles, and of the first long hold; None where they cannot be had.
    contact_checks
        Number of light presses that are no cycles.
    checks
        The first of them.
    zero
        The force zero that quantities count from; None if there was nothing to read.
    loops
        Some cycles for drawing.
    warnings
        Sentences.
    calibration
        What the counts were read with.
    """

    columns: ColumnTable
    settings: AnalysisSettings
    noise: MeasuringNoise | None
    contact_force_n: float
    summary: dict[str, dict[str, float | int]]
    softening: Softening | None
    prony: PronySeries | None
    contact_checks: int
    checks: ContactChecks
    zero: ForceZero | None
    loops: tuple[Loop, ...]
    warnings: tuple[str, ...]
    calibration: Calibration = field(default_factory=Calibration)

    def __len__(self) -> int:
        return len(self.columns.get("cycle", ()))

    @property
    def flags(self) -> list[list[str]]:
        """Labels of each cycle's flags."""
        return [flag_labels(int(each)) for each in self.columns.get("flags", ())]

    def rows(self, part: slice) -> Columns:
        """Return some rows of all columns: a long table need not be held at once."""
        return part_of(self.columns, part)

    def quantities(self) -> list[str]:
        """Return the names of the measured columns, in order."""
        names = list(self.columns)
        known = frozenset(names)
        return [name for name in names if f"{name}_u" in known and name not in _NOT_MEASURED]


def flag_labels(flags: int) -> list[str]:
    """Labels of the set bits."""
    return [flag.label for flag in Flag if flags & flag]
