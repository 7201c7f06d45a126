"""An endurance plan: squeeze many times, watch what it does, stop at a count, a time or a criterion.

Problem: days of squeezing must be agreed beforehand as plainly as one press. Plan: a file of its own, read
with the same care as a method (lines, units, known keys only), and checked by being written out as the
method that it amounts to: contact check, the squeezes, and the contact checks of recovery. Cost: that of a
method.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from rig.core import read_text
from rig.methods.bounds import RigLimits, SpecimenFacts, StepDepth
from rig.methods.checking import CheckedMethod, check_method
from rig.methods.fields import LARGEST_FILE, Fields, Place, compose, line_of, refuse, shown
from rig.methods.method import Conditioning, Method, SpecimenNeeds
from rig.methods.reading import specimen_needs
from rig.methods.step import MOST_REPEATS, Step
from rig.methods.steps import ContactCheck, Hold, PressToDepth, PressToForce, Recover, Repeat, Rest, Return
from rig.methods.steps.recover_step import checks_from_to

USUAL_BLOCK = 100
"""Cycles between two looks at the criteria: some minutes on a bench rig."""

LARGEST_BLOCK = 10_000

USUAL_REFERENCE = 10
"""The first cycles, whose softening is steep, are no reference; the reference is taken just after them."""

LONGEST_RESTART_S = 24 * 3600.0
"""Cautions are confirmed for a day; what lay between the platens longer ago is not vouched for."""

_KEYS = (
    "name", "purpose", "follows", "specimen", "contact_check", "squeeze", "block", "reference_after", "until",
    "recovery", "after_loss", "restart_within", "raw",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Squeeze:
    """One squeeze of an endurance plan.

    `gap_mm`: how far back; zero is the contact.
    """

    place: Place
    goal: PressToDepth | PressToForce
    gap_mm: float
    hold_s: float
    rest_s: float

    @property
    def speed_mm_per_s(self) -> float:
        """Of both strokes."""
        return self.goal.speed_mm_per_s


@dataclass(frozen=True, slots=True)
class Until:
    """What ends the squeezing, whichever comes first; None: not asked for.

    `time_s`: device time since the first squeeze.
    `set_limit`: the contact has moved by so much: mm, or % of the free height.
    """

    cycles: int | None
    time_s: float | None
    stiffness_loss_pct: float | None
    set_limit: StepDepth | None


@dataclass(frozen=True, slots=True)
class EndurancePlan:
    """What to do to a specimen until it has had enough, as its file says.

    `block`: cycles whose intent is on disk before they are begun.
    `goes_on`: whether it goes on by itself after the link or the host was lost.
    `restart_within_s`: how old a run may be that a daemon goes on with when it is started again; None: it
    does not.
    `raw_one_in`: raw samples are kept of one block in this many; 1 for all.
    """

    source: str
    name: str
    purpose: str
    follows: str
    specimen: SpecimenNeeds
    contact_check: ContactCheck
    squeeze: Squeeze
    until: Until
    block: int
    reference_after: int
    recovery: Recover | None
    goes_on: bool
    restart_within_s: float | None
    raw_one_in: int

    def as_method(self) -> Method:
        """Return the method that the plan amounts to, with every squeeze that it may come to."""
        squeeze, place = self.squeeze, self.squeeze.place
        one: list[Step] = [squeeze.goal]
        if squeeze.hold_s:
            one.append(Hold(place, squeeze.hold_s))
        one.append(Return(place, squeeze.gap_mm, squeeze.speed_mm_per_s))
        if squeeze.rest_s:
            one.append(Rest(place, squeeze.rest_s))
        steps: list[Step] = [self.contact_check, Repeat(place, self.until.cycles or 1, tuple(one), None)]
        steps.append(self.recovery or Return(place, max(squeeze.gap_mm, 1.0), squeeze.speed_mm_per_s))
        about = (self.source, self.name, self.purpose, self.follows)
        return Method(*about, self.specimen, Conditioning(), tuple(steps), ())


@dataclass(frozen=True, slots=True)
class CheckedPlan:
    """A plan that this rig can carry out on this specimen; `method` is what it amounts to."""

    plan: EndurancePlan
    method: CheckedMethod

    @property
    def rig(self) -> RigLimits:
        """What the rig may do."""
        return self.method.rig

    @property
    def depth_mm(self) -> float:
        """How deep a squeeze goes, past the first contact; under force control, how deep it may go."""
        goal = self.plan.squeeze.goal
        depth = goal.depth if isinstance(goal, PressToDepth) else goal.stop
        return depth.in_mm(self.method.specimen.free_height_mm, goal.place)

    @property
    def set_limit_mm(self) -> float | None:
        """The set at which it ends; None if not asked for."""
        limit = self.plan.until.set_limit
        if limit is None:
            return None
        return limit.in_mm(self.method.specimen.free_height_mm, self.plan.squeeze.place)


def plan_text(path: Path) -> str:
    """Read a plan's file, and check nothing.

    Raises InputError if it cannot be read.
    """
    return read_text(path, most=LARGEST_FILE, what="endurance plan", hint="configs/endurance holds examples")


def parse_plan(text: str, source: str, *, recorded: bool = False) -> EndurancePlan:
    """Read and check an endurance plan's text.

    Parameters
    ----------
    recorded
        The text comes from a capture, whose keys may have old names.

    Raises
    ------
    InputError
        If it is not a plan; the message names source and line.
    """
    root = compose(text, source, recorded=recorded)
    fields = Fields(Place(source, line_of(root), "plan"), root, _KEYS)
    check_fields = fields.section("contact_check", ("force", "speed"))
    contact_check = ContactCheck(
        check_fields.place,
        check_fields.quantity("force", "N", "'1 N'"),
        check_fields.quantity("speed", "mm/s", "'60 mm/min'"),
    )
    squeeze = _squeeze(fields)
    raw_one_in = 1
    if "raw" in fields:
        raw_one_in = fields.section("raw", ("one_block_in",)).whole("one_block_in", 1, LARGEST_BLOCK)
    return EndurancePlan(
        source,
        fields.text("name", "float abuse"),
        fields.text("purpose", "its purpose, in one sentence"),
        fields.text("follows", "the published procedure, and where this differs from it"),
        specimen_needs(fields),
        contact_check,
        squeeze,
        _until(fields),
        fields.whole_or("block", 1, LARGEST_BLOCK, USUAL_BLOCK),
        fields.whole_or("reference_after", 0, MOST_REPEATS, USUAL_REFERENCE),
        _recovery(fields, contact_check, squeeze) if "recovery" in fields else None,
        _goes_on(fields),
        _restart_within_s(fields),
        raw_one_in,
    )


def check_plan(plan: EndurancePlan, rig: RigLimits, specimen: SpecimenFacts) -> CheckedPlan:
    """Check a plan before anything moves, as `check_method` does the method that it amounts to.

    Raises InputError with the line, what was found and what would be right.
    """
    checked = CheckedPlan(plan, check_method(plan.as_method(), rig, specimen))
    _ = checked.set_limit_mm  # in per cent it needs the free height
    return checked


def _squeeze(fields: Fields) -> Squeeze:
    known = ("deflection", "compression", "force", "stop_at", "speed", "gap", "hold", "rest")
    section = fields.section("squeeze", known)
    place, speed = section.place, section.quantity("speed", "mm/s", "'20 mm/s'")
    key = section.only_one_of("deflection", "compression", "force")
    goal: PressToDepth | PressToForce
    if key == "force":
        if "stop_at" not in section:
            refuse(place, "stop_at is missing; a squeeze to a force needs a largest depth, such as '60 %'")
        force_n = section.quantity("force", "N", "'400 N'")
        goal = PressToForce(place, force_n, StepDepth.read(section, "stop_at"), speed)
    else:
        if "stop_at" in section:
            refuse(section.at("stop_at"), f"stop_at: belongs to a squeeze to a force, found beside {key}")
        unit: Literal["mm", "%"] = "%" if key == "compression" else "mm"
        goal = PressToDepth(place, StepDepth(section.quantity(key, unit, "'25 %'"), unit), speed)
    return Squeeze(
        place,
        goal,
        section.quantity_or("gap", "mm", "'2 mm'", 0.0),
        section.quantity_or("hold", "s", "'0.5 s'", 0.0),
        section.quantity_or("rest", "s", "'0.5 s'", 0.0),
    )


def _until(fields: Fields) -> Until:
    section = fields.section("until", ("cycles", "time", "stiffness_loss", "set"))
    if "cycles" not in section and "time" not in section:
        refuse(section.place, "found neither cycles nor time; give one, so that the run ends in any case")
    return Until(
        section.whole_or("cycles", 1, MOST_REPEATS, None),
        section.quantity_or("time", "s", "'20 h'", None),
        section.quantity_or("stiffness_loss", "%", "'20 %'", None),
        StepDepth.read(section, "set") if "set" in section else None,
    )


def _recovery(fields: Fields, contact_check: ContactCheck, squeeze: Squeeze) -> Recover:
    section = fields.section("recovery", ("contact_checks", "from", "to", "gap"))
    return Recover(
        section.place,
        *checks_from_to(section),
        contact_check.force_n,
        contact_check.speed_mm_per_s,
        section.quantity_or("gap", "mm", "'2 mm'", max(squeeze.gap_mm, 1.0)),
    )


def _goes_on(fields: Fields) -> bool:
    if "after_loss" not in fields:
        return False
    word = fields.text("after_loss", "end")
    if word not in ("go on", "end"):
        refuse(fields.at("after_loss"), f"after_loss: found {shown(word)}, expected 'go on' or 'end'")
    return word == "go on"


def _restart_within_s(fields: Fields) -> float | None:
    if "restart_within" not in fields:
        return None
    if not _goes_on(fields):
        refuse(fields.at("restart_within"), "restart_within: belongs to `after_loss: go on`")
    within_s = fields.quantity("restart_within", "s", "'30 min'")
    if not 0 < within_s <= LONGEST_RESTART_S:
        refuse(
            fields.at("restart_within"),
            f"restart_within: found {within_s:g} s, expected more than zero and at most 24 h",
        )
    return within_s
