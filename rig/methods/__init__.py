"""What to do to a specimen: methods read, checked, put in words and laid out as motions.

In: a method's YAML file, the limits of a rig, what is known of a specimen. Out: a checked method, its
description for a person, and a lazy sequence of actions relative to the contact; and the arithmetic of
published procedures. Must not depend on: a port, a device's counts, a capture on disk.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.methods.actions import (
        Action,
        ContactCheckUntil,
        MoveToDeflection,
        PressTo,
        PressUntilForce,
        Prompt,
        StartClock,
        Wait,
        WaitUntil,
    )
    from rig.methods.bounds import RigLimits, SpecimenFacts, overshoot_mm, overshoot_n
    from rig.methods.by_hand import check_by_hand, hand_limits, hard_by_hand
    from rig.methods.checking import CheckedMethod, check_contact, check_method, plan
    from rig.methods.course import Course, DoneAction, course_of
    from rig.methods.describing import describe
    from rig.methods.endurance import (
        CheckedPlan,
        EndurancePlan,
        Squeeze,
        Until,
        check_plan,
        parse_plan,
        plan_text,
    )
    from rig.methods.fields import Place
    from rig.methods.gauging import GaugedValue, Stretch
    from rig.methods.height_plan import (
        CLEARANCE_MM,
        HEIGHT_CHECK,
        TOP_MARGIN,
        WORDS_OF,
        CheckedHeightPlan,
        HeightPlan,
        Surface,
        check_height_forces,
        check_height_plan,
    )
    from rig.methods.method import Method
    from rig.methods.outcome import (
        PROCEDURE_QUANTITIES,
        Outcome,
        Part,
        RecoveryCheck,
        StatedFacts,
        StretchOf,
        first_contact,
        procedure_outcome,
        recovery_checks,
        unit_of,
    )
    from rig.methods.platen_contacts import (
        NOISES_OF_CONTACT,
        Drift,
        Passage,
        PlatenReading,
        read_platen_contact,
        split_contact_checks,
        zero_drifts,
    )
    from rig.methods.procedures import (
        BALL_AXES_APART_MM,
        BALL_CONTACT_N,
        BALL_LOAD_N,
        OF_FREE_HEIGHT,
        OF_IMPOSED_DEFLECTION,
        BallDeformation,
        CompressionSet,
        compression_sets,
        compression_stress_kpa,
        hysteresis_return_pct,
        in_standard_air,
        loss_pct,
        mean_over_axes,
        set_of_deflection_pct,
        set_of_height_pct,
        support_factor,
    )
    from rig.methods.reading import method_text, parse_method, read_method
    from rig.methods.reportable import REPORTABLE
    from rig.methods.step import PlannedAction, Step, each_step
    from rig.methods.steps import PressToDepth, PressToForce

import_when_used(__name__)
