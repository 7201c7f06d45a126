"""What a method may ask to have reported, by name.

Names carry their unit. Those of single cycles are the analyser's own; those of published procedures are
worked out by `rig.methods.procedures`.
"""

REPORTABLE: dict[str, str] = {
    "peak_force_n": "force at the peak",
    "peak_deflection_mm": "deflection at the peak",
    "secant_n_per_mm": "secant stiffness at the peak",
    "tangent_n_per_mm": "tangent stiffness at the peak",
    "initial_n_per_mm": "initial stiffness",
    "chord_n_per_mm": "chord stiffness",
    "energy_absorbed_mj": "energy absorbed",
    "energy_returned_mj": "energy returned",
    "hysteresis_pct": "energy lost, in per cent of energy absorbed",
    "set_mm": "permanent set",
    "cv40_kpa": "compression stress at 40 %",
    "hardness_index_n": "indentation force at 40 % after 30 s",
    "support_factor": "force at 65 % over force at 25 %",
    "hysteresis_return_pct": "force at 25 % unloading over loading",
    "forward_deformation_mm": "forward deformation of a ball",
    "return_deformation_mm": "return deformation of a ball",
    "set_of_height_pct": "compression set, of the free height",
    "set_of_deflection_pct": "compression set, of the imposed deflection",
    "thickness_loss_pct": "loss of thickness",
    "hardness_loss_pct": "loss of force at 40 %",
    "recovery": "set against the time since release",
}
"""Name of a result, and what it is."""
