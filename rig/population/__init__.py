"""What many results say together: how far repeats, people, the rig and the pieces spread, and whether groups
of pieces are equal.

In: tables of results, one value a trial, with the names of piece and appraiser; results of pieces, one a
capture, with their circumstances. Out: variance components, means, tolerances and differences with intervals,
verdicts, limits of charts, bands of curves. Must not depend on: captures and their files, cycles, how a value
was measured, the terminal.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.population.batch import BatchFigures, batch_figures, pieces_needed
    from rig.population.charts import RangeLimits, range_limits
    from rig.population.comparison import Comparison, compare_groups
    from rig.population.components import AnovaRow, Component, GaugeModel
    from rig.population.curve_bands import (
        CurveBand,
        CurveDifference,
        curve_band,
        curve_difference,
        simultaneous_band,
    )
    from rig.population.differences import Difference, mean_difference
    from rig.population.drift import BatchDrift, batch_drift
    from rig.population.effects import EffectSize, hedges_g, holm, paired_g
    from rig.population.equivalence import BEYOND, UNDECIDED, WITHIN, MarginVerdict, judge_margin
    from rig.population.estimates import estimated, mean_of
    from rig.population.gauge import AppraiserFigures, GaugeResult, Interaction, gauge_study
    from rig.population.kinds import DRIVEN, HAND, KindComparison, compare_kinds
    from rig.population.laboratories import (
        LaboratoryFigures,
        LaboratoryStudy,
        MaterialFigures,
        Spread,
        laboratory_study,
    )
    from rig.population.outliers import Suspect, extreme_deviates, grubbs, outlying
    from rig.population.pieces import (
        STATES,
        UNSTATED,
        Curve,
        PieceResult,
        average_pieces,
        known_quantities,
        relative_shared_u_of,
        state_rank,
    )
    from rig.population.pooling import (
        BY_HAND,
        HAND_RATIO,
        WAYS,
        Unlike,
        grouped,
        joined_circumstances,
        pooled_although,
        unlike_circumstances,
        unstated_circumstances,
    )
    from rig.population.sizing import DirectionSize, SizeReading, Sizing, size_up
    from rig.population.spread import SpreadSplit, split_spread
    from rig.population.tolerance import howe_factor, tolerance_factor
    from rig.population.trials import TrialTable, arrange_trials
    from rig.population.weighing import (
        RestingStretch,
        Weighing,
        by_difference,
        mass_in_g,
        resolution_note,
        slope_u,
        spread_note,
        told_by_few,
        typed_weighing,
        zero_drift_g_per_s,
    )

import_when_used(__name__)
