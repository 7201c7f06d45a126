"""What to do to a specimen: methods read, checked, put in words and laid out as motions.

In: a method's YAML file, the limits of a rig, what is known of a specimen. Out: a checked method, its
description for a person, and a lazy sequence of actions relative to the contact; and the arithmetic of
published procedures. Must never know: a port, a device's counts, a capture on disk.
"""

from rig.methods.checking import (
    CheckedMethod,
    RigLimits,
    SpecimenFacts,
    check_contact,
    check_method,
    overshoot_mm,
    overshoot_n,
)
from rig.methods.describing import describe
from rig.methods.endurance import (
    CheckedPlan,
    EndurancePlan,
    Squeeze,
    Until,
    check_plan,
    parse_plan,
    read_plan,
)
from rig.methods.planning import (
    Action,
    MoveTo,
    PlannedAction,
    PressTo,
    PressUntil,
    Prompt,
    StartClock,
    TouchUntil,
    Wait,
    WaitUntil,
    plan,
)
from rig.methods.procedures import (
    BALL_AXES_APART_MM,
    BALL_CONTACT_N,
    BALL_DEPTH_MM,
    BALL_LOAD_N,
    BALL_TYPE_2_FORWARD_MM,
    BALL_TYPE_2_RETURN_MM,
    BallDeformation,
    ball_deformation,
    compression_stress_kpa,
    hysteresis_return_pct,
    in_standard_air,
    loss_pct,
    mean_over_axes,
    set_of_deflection_pct,
    set_of_height_pct,
    support_factor,
)
from rig.methods.reading import parse_method, read_method
from rig.methods.reportable import REPORTABLE
from rig.methods.steps import Method, Place, PressToDepth, PressToForce, Step

__all__ = [
    "BALL_AXES_APART_MM",
    "BALL_CONTACT_N",
    "BALL_DEPTH_MM",
    "BALL_LOAD_N",
    "BALL_TYPE_2_FORWARD_MM",
    "BALL_TYPE_2_RETURN_MM",
    "REPORTABLE",
    "Action",
    "BallDeformation",
    "CheckedMethod",
    "CheckedPlan",
    "EndurancePlan",
    "Method",
    "MoveTo",
    "Place",
    "PlannedAction",
    "PressTo",
    "PressToDepth",
    "PressToForce",
    "PressUntil",
    "Prompt",
    "RigLimits",
    "SpecimenFacts",
    "Squeeze",
    "StartClock",
    "Step",
    "TouchUntil",
    "Until",
    "Wait",
    "WaitUntil",
    "ball_deformation",
    "check_contact",
    "check_method",
    "check_plan",
    "compression_stress_kpa",
    "describe",
    "hysteresis_return_pct",
    "in_standard_air",
    "loss_pct",
    "mean_over_axes",
    "overshoot_mm",
    "overshoot_n",
    "parse_method",
    "parse_plan",
    "plan",
    "read_method",
    "read_plan",
    "set_of_deflection_pct",
    "set_of_height_pct",
    "support_factor",
]
