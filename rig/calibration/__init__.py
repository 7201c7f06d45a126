"""Counts to newtons, millimetres and seconds.

In: raw samples and a calibration. Out: `Signals`, arrays in N, mm and s, force aligned with position.
Must not depend on: the disk, the wire, or what a specimen is.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.calibration.alignment import Aligner
    from rig.calibration.calibration import Backlash, Calibration, Delay
    from rig.calibration.control_chart import BASELINE, ChartLimits, Judgement, Known, judge, learnt_limits
    from rig.calibration.creep import CreepResult, creep_and_return
    from rig.calibration.delay_measuring import DelayMeasurement, measure_delay
    from rig.calibration.fitting import (
        DegreeChoice,
        LackOfFit,
        PolynomialFit,
        fit_polynomial,
        lack_of_fit,
        recommend_degree,
    )
    from rig.calibration.force_calibration import (
        ChannelCalibration,
        ReferenceFacts,
        Surroundings,
        calibrate_force,
        loads_of,
    )
    from rig.calibration.frame import Frame, ReadBy
    from rig.calibration.frame_measuring import Block, FrameMeasurement, measure_frame
    from rig.calibration.height import Height, HeightPart, PlatenContact, height_at
    from rig.calibration.plateaus import Plateau, PlateauRule, settled_plateau
    from rig.calibration.position_calibration import PositionCalibration, calibrate_position
    from rig.calibration.provenance import Provenance, Share
    from rig.calibration.readings import (
        Reading,
        ReadingTable,
        force_table,
        is_mass,
        position_table,
        reference_value,
    )
    from rig.calibration.references import Gravity, gravity_m_per_s2, mass_load_n, reference_u
    from rig.calibration.rereading import read_again
    from rig.calibration.scale_fitting import BudgetLine, FittedScale, fit_scale, half_interval, scale_budget
    from rig.calibration.scales import Scale, ScaleUncertainty
    from rig.calibration.shifts import Shift, drawn, shifts
    from rig.calibration.signals import Signals
    from rig.calibration.verification import (
        CLASSES,
        ERROR_NAMES,
        ClassOutcome,
        LoadErrors,
        Verification,
        VerificationReading,
        VerificationReferences,
        verify_force,
    )

import_when_used(__name__)
