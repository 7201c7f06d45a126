"""Measures cycles: stiffness, work, hysteresis, permanent set, relaxation, recovery, softening, each with
its uncertainty.

In: samples of one recording with a calibration, in parts of any size. Out: columns of quantities, one row
a cycle, a summary and warnings. Must not depend on: the disk, the wire, or which batch a specimen belongs to.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.analyser.auxiliary import auxiliary_by_cycle
    from rig.analyser.budget import Budget, budget
    from rig.analyser.capture_analysis import PART_SAMPLES, CaptureAnalysis, opening_contact_force_n
    from rig.analyser.contact_checks import Approach, zero_force_contacts
    from rig.analyser.examined import Examined
    from rig.analyser.monte_carlo import MonteCarlo, monte_carlo
    from rig.analyser.propagation import CALIBRATION_PART, FREEDOM
    from rig.analyser.pulls import BEYOND, Pull, PullSettings, find_pulls, flagged_beyond
    from rig.analyser.recovery import RecoveryFit, RecoveryLaw, SetForecast, fit_recovery
    from rig.analyser.relaxation import PronySeries, branch_response, fit_prony
    from rig.analyser.result import CaptureResult, Loop, flag_labels
    from rig.analyser.row_store import ColumnTable, RowStore, part_of
    from rig.analyser.settings import AnalysisSettings, Depth, MeasuringNoise
    from rig.analyser.softening import Softening, softening
    from rig.analyser.spoiling import SPOILS, counted_cycles, spoilt, spoilt_quantities
    from rig.analyser.strokes import Columns
    from rig.analyser.tally import TREND

import_when_used(__name__)
