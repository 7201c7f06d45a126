"""What many results say together: how far repeats, people, the rig and the pieces spread.

In: tables of results, one value a trial, with the names of piece and appraiser. Out: variance components with
intervals, comparisons, limits of charts. Must never know: captures and their files, cycles, how a value was
measured, the terminal.
"""

from rig.population.charts import RangeLimits, range_limits
from rig.population.components import AnovaRow, Component, GaugeModel
from rig.population.gauge import POOL_ABOVE_P, AppraiserFigures, GaugeResult, gauge_study
from rig.population.kinds import DRIVEN, HAND, KindComparison, compare_kinds
from rig.population.trials import TrialTable, arrange_trials

__all__ = [
    "DRIVEN",
    "HAND",
    "POOL_ABOVE_P",
    "AnovaRow",
    "AppraiserFigures",
    "Component",
    "GaugeModel",
    "GaugeResult",
    "KindComparison",
    "RangeLimits",
    "TrialTable",
    "arrange_trials",
    "compare_kinds",
    "gauge_study",
    "range_limits",
]
