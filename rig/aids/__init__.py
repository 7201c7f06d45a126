"""Aids for whoever builds a machine: nips, lifts and pulls, each with its formulas, sources and limits.

In: results of pieces, and what a builder states with its uncertainty. Out: answers with intervals, the
formulas behind them, and sentences about what they do not hold for. Must not depend on: captures' files, how
forces were measured, the terminal.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.aids.formula import COMMON_PRACTICE, Formula
    from rig.aids.lift import STANDARD_GRAVITY_M_PER_S2, LiftAnswer, LiftArm, Weighed, answer_lift
    from rig.aids.nip import (
        SOLID_BALL,
        GapCurve,
        Nip,
        NipAnswer,
        NipPiece,
        answer_nip,
        friction_speed_mm_per_s,
        hysteresis_share,
        needed_friction,
    )
    from rig.aids.nip_geometry import half_travel_mm, overlap_along_mm, patch_length_mm, plate_patch_mm
    from rig.aids.rates import ForceAtRate, RateTrend, rate_trend
    from rig.aids.retention import COLUMNS, PulledPiece, PullTrend, RetentionAnswer, answer_pull, pull_trend

import_when_used(__name__)
