"""Methods of a few lines, a rig that can do much and one that can do little. All numbers are invented."""

from rig.methods import RigLimits, SpecimenFacts, parse_method

GENEROUS = RigLimits(
    travel_mm=(0.0, 200.0),
    speed_mm_per_s=300.0,
    force_n=(-60.0, 2000.0),
    deceleration_mm_per_s2=5000.0,
    conversions_per_s=1000.0,
    delay_s=0.001,
    samples_per_s=1000.0,
)

SMALL = RigLimits(
    travel_mm=(0.0, 15.0),
    speed_mm_per_s=2.0,
    force_n=(-1.0, 20.0),
    deceleration_mm_per_s2=500.0,
    conversions_per_s=80.0,
    delay_s=0.025,
    samples_per_s=500.0,
)

FLOAT = SpecimenFacts(free_height_mm=90.0, area_mm2=2000.0)

BLOCK = SpecimenFacts(free_height_mm=50.0, area_mm2=10_000.0)

CONTACT_CHECK = '- contact_check: {force: "1 N", speed: "60 mm/min"}'
PRESS = '- press: {compression: "20 %", speed: "100 mm/min"}'
CLEAR = '- return: {gap: "5 mm", speed: "100 mm/min"}'
CONTACT = '- return: {to: contact, speed: "100 mm/min"}'


def written(*steps, stiffness='"20 N/mm"', more=""):
    """Text of a method; its first step stands on line 6."""
    specimen = f"{{stiffness: {stiffness}}}" if stiffness else "{}"
    head = f"name: n\npurpose: p\nfollows: none\nspecimen: {specimen}\nsteps:\n"
    return head + "\n".join("  " + step for step in steps) + "\n" + more


def parsed(*steps, **changes):
    return parse_method(written(*steps, **changes), "m.yaml")
