"""A checked method in words, for a person to read before the first motion.

One line for each step as written, indented inside a repeat, with depths and forces worked out for this
specimen and this rig.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from rig.methods.checking import CheckedMethod, depth_mm, overshoot_mm, overshoot_n
from rig.methods.steps import (
    ContactCheck,
    Hold,
    OffRig,
    Place,
    PressToDepth,
    PressToForce,
    PullOff,
    Recover,
    Repeat,
    Rest,
    Return,
    Step,
    StepDepth,
)

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
    return (summary, *air, *_lines(checked, method.steps, ""))


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


def _lines(checked: CheckedMethod, steps: tuple[Step, ...], indent: str) -> Iterator[str]:
    for step in steps:
        number = step.place.label.removeprefix("step ").split()[0]
        # the steps of an endurance plan have names instead
        numbered = f"{number}. " if number[0].isdecimal() else ""
        yield f"{indent}{numbered}{_sentence(checked, step)}"
        if isinstance(step, Repeat):
            yield from _lines(checked, step.steps, indent + _INDENT)


def _sentence(checked: CheckedMethod, step: Step) -> str:
    match step:
        case ContactCheck():
            past = _overshoot(checked, step.speed_mm_per_s)
            said = (
                f"Contact check: approach at {_speed(step.speed_mm_per_s)} until {step.force_n:.3g} N{past}; "
                "depths count from there."
            )
        case PressToDepth():
            said = (
                f"Press at {_speed(step.speed_mm_per_s)} to {_depth(checked, step.depth, step.place)}"
                f"{_guarded(checked)}."
            )
        case PressToForce():
            stop = _depth(checked, step.stop, step.place)
            past = _overshoot(checked, step.speed_mm_per_s)
            said = (
                f"Press at {_speed(step.speed_mm_per_s)} until {step.force_n:.4g} N{past}, or stop at {stop}."
            )
        case Hold():
            said = f"Hold there, loaded, for {duration(step.duration_s)}."
        case Rest():
            said = f"Wait unloaded for {duration(step.duration_s)}."
        case Return():
            where = f"a gap of {step.gap_mm:g} mm" if step.gap_mm else "the contact"
            said = f"Return at {_speed(step.speed_mm_per_s)} to {where}."
        case PullOff():
            least_n = checked.rig.force_n[0]
            stops = "" if math.isinf(least_n) else f"; the rig stops at a pull of {-least_n:g} N"
            said = (
                f"Pull at {_speed(step.speed_mm_per_s)} to a gap of {step.gap_mm:g} mm, "
                f"with at most {step.largest_n:.4g} N{stops}."
            )
        case Recover():
            said = (
                f"Make {step.contact_checks} contact checks with {step.force_n:.3g} N, "
                f"from {duration(step.first_s)} to "
                f"{duration(step.last_s)} after this step starts, at logarithmic intervals, returning to a "
                f"gap of {step.gap_mm:g} mm each time."
            )
        case OffRig():
            least = [f"at least {duration(step.least_s)}"] if step.least_s else []
            most = [f"at most {duration(step.most_s)}"] if step.most_s is not None else []
            span = ", " + " and ".join(least + most) if least or most else ""
            said = f"Off the rig{span}: {step.instruction}"
        case Repeat():
            pace = f", one every {step.every_s:.4g} s" if step.every_s is not None else ""
            said = f"Do the following {step.count} times{pace}:"
    return said


def _speed(speed_mm_per_s: float) -> str:
    return f"{speed_mm_per_s:.3g} mm/s"


def _depth(checked: CheckedMethod, depth: StepDepth, place: Place) -> str:
    height = checked.specimen.free_height_mm
    deep_mm = depth_mm(depth, height, place)
    share = "" if height is None else f" ({100 * deep_mm / height:.1f} % of the free height)"
    return f"{deep_mm:.2f} mm past contact{share}"


def _guarded(checked: CheckedMethod) -> str:
    """Return what happens beyond the greatest force."""
    most_n = checked.rig.force_n[1]
    if math.isinf(most_n):
        return ""
    return (
        f"; you are warned above {most_n:g} N" if checked.rig.by_hand else f"; the rig stops at {most_n:g} N"
    )


def _overshoot(checked: CheckedMethod, speed_mm_per_s: float) -> str:
    if checked.stiffness_n_per_mm is None:
        return ""
    past_n = overshoot_n(speed_mm_per_s, checked.stiffness_n_per_mm, checked.rig)
    return f" (up to {past_n:.2g} N and {overshoot_mm(speed_mm_per_s, checked.rig):.2g} mm past it)"
