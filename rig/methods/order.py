"""Whether steps can follow each other, on any rig.

Problem: a press before a contact check has no contact to count from, a hand must not go in under a platen
that stands on the specimen, and a platen must not be left pressing. Plan: follow where the platen stands and
whether its contact is known, step by step; a repeat is followed twice, since its second pass starts where the
first ended. Cost: two to the power of the nesting, which is bounded.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from rig.methods.fields import refuse
from rig.methods.steps import (
    ContactCheck,
    Hold,
    OffRig,
    PressToDepth,
    PressToForce,
    PullOff,
    Recover,
    Repeat,
    Rest,
    Return,
    Step,
)


@dataclass(frozen=True, slots=True)
class _Platen:
    at: Literal["clear", "contact", "pressed"] = "clear"
    contact_known: bool = False


def check_order(steps: tuple[Step, ...]) -> None:
    """Refuse steps that cannot follow each other.

    Raises InputError with the step's place, what stands in its way and what would be right.
    """
    end = _after_all(_Platen(), steps)
    if end.at != "clear":
        refuse(steps[-1].place, "the method ends on the specimen; end with a return to a gap")


def _after_all(platen: _Platen, steps: tuple[Step, ...]) -> _Platen:
    for step in steps:
        platen = _after(platen, step)
    return platen


def _after(platen: _Platen, step: Step) -> _Platen:
    if isinstance(step, Repeat):
        once = _after_all(platen, step.steps)
        return _after_all(once, step.steps) if step.count > 1 else once
    _refuse_out_of_place(platen, step)
    match step:
        case ContactCheck():
            after = _Platen("contact", True)
        case PressToDepth() | PressToForce():
            after = replace(platen, at="pressed")
        case Return():
            after = replace(platen, at="clear" if step.gap_mm > 0 else "contact")
        case Recover() | PullOff():
            after = replace(platen, at="clear")
        case OffRig():
            # The specimen comes back somewhere else: its contact must be found again.
            after = replace(platen, contact_known=False)
        case Hold() | Rest():
            after = platen
    return after


def _refuse_out_of_place(platen: _Platen, step: Step) -> None:
    counts_from_contact = isinstance(step, PressToDepth | PressToForce | Return | PullOff | Recover)
    if counts_from_contact and not platen.contact_known:
        refuse(
            step.place,
            "the contact is not known here; write contact_check first, and again after a step off the rig",
        )
    if platen.at == "pressed" and isinstance(step, ContactCheck | Rest | Recover | OffRig):
        refuse(step.place, "the specimen is still pressed here; return first")
    if platen.at == "clear" and isinstance(step, Hold):
        refuse(step.place, "nothing is pressed here; write contact_check or press first, or rest")
    if platen.at == "clear" and isinstance(step, PullOff):
        refuse(step.place, "nothing is attached here; press the specimen on first")
    if platen.at == "contact" and isinstance(step, OffRig):
        refuse(step.place, "the platen still stands on the specimen; return to a gap first")
