"""A checked method in words, for a person to read before the first motion.

One line for each step as written, indented inside a repeat, with depths and forces worked out for this
specimen and this rig. A step's own file has its sentence; what several of them say is worded here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from rig.methods.bounds import MethodBounds, StepDepth, overshoot_mm, overshoot_n
from rig.methods.checking import CheckedMethod
from rig.methods.fields import Place
from rig.methods.step import Step

_TIMES = ((86400.0, "d"), (3600.0, "h"), (60.0, "min"))
_INDENT = "    "


def describe(checked: CheckedMethod) -> tuple[str, ...]:
    """Return the lines of text: a summary, then what will happen in each step."""
    method = checked.method
    share = "" if checked.deepest_pct is None else f" ({checked.deepest_pct:.1f} % of the free height)"
    presses = f"{checked.presses} press{'' if checked.presses == 1 else 'es'}"
    first = method.conditioning.cycles
    left_out = f" (the first {first} for conditioning)" if first else ""
    depth = f"{presses}{left_out}, at most {checked.deepest_mm:.2f} mm deep{share}"
    summary = f"{method.name}: {depth if checked.presses else 'no press'}, about {duration(checked.time_s)}."
    standard_air = "Standard laboratory air is required: 23 C and 50 % RH."
    air = [standard_air] if method.conditioning.standard_air else []
    return (summary, *air, *_lines(checked.bounds, method.steps, ""))


def duration(time_s: float) -> str:
    """Return a time in the largest unit of which it holds one and a half.

    Examples
    --------
    >>> duration(600.0)
    '10 min'
    """
    for size_s, unit in _TIMES:
        if time_s >= 1.5 * size_s:
            return f"{time_s / size_s:.3g} {unit}"
    return f"{time_s:.3g} s"


def _lines(bounds: MethodBounds, steps: tuple[Step, ...], indent: str) -> Iterator[str]:
    for step in steps:
        number = step.place.label.removeprefix("step ").split()[0]
        # the steps of an endurance plan have names instead
        numbered = f"{number}. " if number[0].isdecimal() else ""
        yield f"{indent}{numbered}{step.sentence(bounds)}"
        yield from _lines(bounds, step.inner, indent + _INDENT)


def speed_words(speed_mm_per_s: float) -> str:
    """Return a speed."""
    return f"{speed_mm_per_s:.3g} mm/s"


def depth_words(bounds: MethodBounds, depth: StepDepth, place: Place) -> str:
    """Return a depth in mm, and in per cent of the free height."""
    height = bounds.height_mm
    deep_mm = depth.in_mm(height, place)
    share = "" if height is None else f" ({100 * deep_mm / height:.1f} % of the free height)"
    return f"{deep_mm:.2f} mm past contact{share}"


def guard_words(bounds: MethodBounds) -> str:
    """Return what happens beyond the greatest force."""
    most_n = bounds.rig.force_n[1]
    if math.isinf(most_n):
        return ""
    return (
        f"; you are warned above {most_n:g} N" if bounds.rig.by_hand else f"; the rig stops at {most_n:g} N"
    )


def overshoot_words(bounds: MethodBounds, speed_mm_per_s: float) -> str:
    """Return how far the platen goes past a force; empty where the stiffness is not known."""
    if bounds.stiffness_n_per_mm is None:
        return ""
    past_n = overshoot_n(speed_mm_per_s, bounds.stiffness_n_per_mm, bounds.rig)
    return f" (up to {past_n:.2g} N and {overshoot_mm(speed_mm_per_s, bounds.rig):.2g} mm past it)"
