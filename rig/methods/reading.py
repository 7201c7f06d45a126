"""A method's file read into steps.

Problem: somebody at a press wrote it, and the platen will do what it says. Plan: every key is known or
refused; every value carries its unit; every refusal names file, line and step. The order of the steps is
checked here too, since it needs no rig. Cost: none worth naming; limits on size, nesting and
number keep it so.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Literal, cast

import yaml

from rig.core import read_text
from rig.methods.fields import LARGEST_FILE, Fields, compose, items, line_of, quantity, refuse, scalar, shown
from rig.methods.order import check_order
from rig.methods.reportable import REPORTABLE
from rig.methods.steps import (
    Conditioning,
    ContactCheck,
    Hold,
    Method,
    Need,
    OffRig,
    Place,
    PressToDepth,
    PressToForce,
    PullOff,
    Recover,
    Repeat,
    Rest,
    Return,
    SpecimenNeeds,
    Step,
    StepDepth,
    each_step,
)
from rig.renamed import QUANTITIES

MOST_STEPS = 200
"""Steps as written; a person reads them all before the first motion."""

DEEPEST_NESTING = 3
"""A repeat of repeats of repeats; beyond it a step's number means nothing to a reader."""

MOST_REPEATS = 10_000_000
"""Passes of all nested repeats together: four months at one a second."""

MOST_CONTACT_CHECKS = 100
"""Ten times the usual number of contact checks."""

NEEDS = ("free_height", "area")


def read_method(path: Path) -> Method:
    """Read and check a method's file.

    Parameters
    ----------
    path
        Of a YAML file; `configs/methods` holds examples.

    Raises
    ------
    InputError
        If it cannot be read, or if a field is wrong; the message names file, line and step.
    """
    return parse_method(method_text(path), str(path))


def method_text(path: Path) -> str:
    """Read a method's file, and check nothing.

    Raises InputError if it cannot be read.
    """
    return read_text(path, most=LARGEST_FILE, what="method file", hint="configs/methods holds examples")


def parse_method(text: str, source: str, *, recorded: bool = False) -> Method:
    """Read and check a method's text.

    Parameters
    ----------
    recorded
        The text comes from a capture, whose keys may have old names.

    Raises
    ------
    InputError
        If it is not a method; the message names source, line and step.
    """
    root = compose(text, source, recorded=recorded)
    known = ("name", "purpose", "follows", "specimen", "conditioning", "steps", "report")
    fields = Fields(Place(source, line_of(root), "method"), root, known)
    steps = _steps(fields.at("steps"), fields.node("steps"), source, "", 0)
    _bound_repeats(steps, 1)
    check_order(steps)
    return Method(
        source,
        fields.text("name", "plain squeeze"),
        fields.text("purpose", "its purpose, in one sentence"),
        fields.text("follows", "the published procedure, and where this differs from it"),
        specimen_needs(fields),
        _conditioning(fields, _presses(steps)),
        steps,
        () if "report" not in fields else _names(fields, "report", tuple(REPORTABLE)),
    )


def specimen_needs(fields: Fields) -> SpecimenNeeds:
    """Return the `specimen` section; empty where there is none."""
    if "specimen" not in fields:
        return SpecimenNeeds(Place(fields.place.source, fields.place.line, "specimen"))
    section = fields.section("specimen", ("needs", "stiffness"))
    stiffness = section.quantity_or("stiffness", "N/mm", "'20 N/mm'", None)
    needs = _names(section, "needs", NEEDS) if "needs" in section else ()
    return SpecimenNeeds(section.place, cast(tuple[Need, ...], needs), stiffness)


def _conditioning(fields: Fields, presses: int) -> Conditioning:
    if "conditioning" not in fields:
        return Conditioning()
    section = fields.section("conditioning", ("cycles", "air"))
    air = section.text("air", "standard") if "air" in section else "any"
    if air not in ("standard", "any"):
        refuse(section.at("air"), f"air: found {shown(air)}, expected standard or any")
    cycles = section.whole_or("cycles", 0, MOST_REPEATS, 0)
    if 0 < presses <= cycles:
        refuse(
            section.place,
            f"cycles: found {cycles} of {presses} presses, which leaves none for the result; use fewer or "
            "press more often",
        )
    return Conditioning(cycles, air == "standard")


def _names(fields: Fields, key: str, known: tuple[str, ...]) -> tuple[str, ...]:
    names: list[str] = []
    for node in items(fields.place, key, fields.node(key), f"[{known[0]}]"):
        name = scalar(fields.place, key, node, known[0])
        if name not in known:
            place = Place(fields.place.source, line_of(node), fields.place.label)
            if name in QUANTITIES:
                refuse(place, f"{key}: {shown(name)} is now called {QUANTITIES[name]!r}")
            refuse(place, f"{key}: found {shown(name)}, expected some of {', '.join(known)}")
        names.append(name)
    return tuple(dict.fromkeys(names))


def _steps(place: Place, node: yaml.Node, source: str, prefix: str, nesting: int) -> tuple[Step, ...]:
    if nesting > DEEPEST_NESTING:
        refuse(place, f"steps: repeats nested {nesting} deep, at most {DEEPEST_NESTING} allowed")
    nodes = items(place, "steps", node, "- contact_check: {...}")
    if not nodes:
        refuse(place, "steps: none found, expected at least one such as - contact_check: {...}")
    if len(nodes) > MOST_STEPS:
        refuse(place, f"steps: found {len(nodes)}, expected at most {MOST_STEPS}; use repeat")
    return tuple(_step(step, source, f"{prefix}{number}", nesting) for number, step in enumerate(nodes, 1))


def _step(node: yaml.Node, source: str, number: str, nesting: int) -> Step:
    place = Place(source, line_of(node), f"step {number}")
    kinds = (*_READERS, "repeat")
    fields = Fields(place, node, kinds)
    kind = fields.only_one_of(*kinds)
    place = Place(source, place.line, f"step {number} {kind}")
    if kind == "repeat":
        return _repeat(place, fields.node(kind), number, nesting)
    return _READERS[kind](place, fields.node(kind))


def _repeat(place: Place, node: yaml.Node, number: str, nesting: int) -> Repeat:
    fields = Fields(place, node, ("count", "every", "steps"))
    every = fields.quantity_or("every", "s", "'1 s'", None)
    count = fields.whole("count", 1, MOST_REPEATS)
    inner = _steps(fields.at("steps"), fields.node("steps"), place.source, f"{number}.", nesting + 1)
    return Repeat(place, count, inner, every)


def _check_contact(place: Place, node: yaml.Node) -> ContactCheck:
    fields = Fields(place, node, ("force", "speed"))
    return ContactCheck(place, fields.quantity("force", "N", "'1 N'"), _speed(fields))


def _press(place: Place, node: yaml.Node) -> PressToDepth | PressToForce:
    fields = Fields(place, node, ("deflection", "compression", "force", "stop_at", "speed"))
    goal = fields.only_one_of("deflection", "compression", "force")
    if goal == "force":
        if "stop_at" not in fields:
            refuse(place, "stop_at is missing; a press to a force needs a largest depth, such as '60 %'")
        stop = depth_in(fields, "stop_at")
        return PressToForce(place, fields.quantity("force", "N", "'80 N'"), stop, _speed(fields))
    if "stop_at" in fields:
        refuse(fields.at("stop_at"), f"stop_at: belongs to a press to a force, found beside {goal}")
    if goal == "compression":
        depth = StepDepth(fields.quantity(goal, "%", "'40 %'"), "%")
    else:
        depth = StepDepth(fields.quantity(goal, "mm", "'10 mm'"), "mm")
    return PressToDepth(place, depth, _speed(fields))


def depth_in(fields: Fields, key: str) -> StepDepth:
    """Return a depth in mm, or in % of the free height."""
    text = scalar(fields.place, key, fields.node(key), "'60 %'")
    unit: Literal["mm", "%"] = "%" if "%" in text else "mm"
    return StepDepth(quantity(fields.at(key), key, text, unit), unit)


def _duration(place: Place, node: yaml.Node) -> float:
    at = Place(place.source, line_of(node), place.label)
    return quantity(at, "duration", scalar(place, "duration", node, "'30 s'"), "s")


def _return(place: Place, node: yaml.Node) -> Return:
    fields = Fields(place, node, ("to", "gap", "speed"))
    if fields.only_one_of("to", "gap") == "gap":
        return Return(place, fields.quantity("gap", "mm", "'5 mm'"), _speed(fields))
    goal = fields.text("to", "contact")
    if goal != "contact":
        refuse(fields.at("to"), f"to: found {shown(goal)}, expected contact; for a gap write gap: '5 mm'")
    return Return(place, 0.0, _speed(fields))


def _pull(place: Place, node: yaml.Node) -> PullOff:
    fields = Fields(place, node, ("to", "largest", "speed"))
    gap_mm = fields.quantity("to", "mm", "'5 mm'")
    return PullOff(place, gap_mm, fields.quantity("largest", "N", "'40 N'"), _speed(fields))


def _recover(place: Place, node: yaml.Node) -> Recover:
    fields = Fields(place, node, ("contact_checks", "from", "to", "force", "speed", "gap"))
    first, last = fields.quantity("from", "s", "'10 s'"), fields.quantity("to", "s", "'24 h'")
    if last <= first:
        refuse(fields.at("to"), f"to: found {last:g} s, expected more than from, which is {first:g} s")
    return Recover(
        place,
        fields.whole("contact_checks", 2, MOST_CONTACT_CHECKS),
        first,
        last,
        fields.quantity("force", "N", "'1 N'"),
        _speed(fields),
        fields.quantity("gap", "mm", "'5 mm'"),
    )


def _off_rig(place: Place, node: yaml.Node) -> OffRig:
    fields = Fields(place, node, ("do", "at_least", "at_most"))
    least = fields.quantity_or("at_least", "s", "'30 min'", 0.0)
    most = fields.quantity_or("at_most", "s", "'1 h'", None)
    if most is not None and most < least:
        refuse(fields.at("at_most"), f"at_most: found {most:g} s, expected at_least ({least:g} s) or more")
    return OffRig(place, fields.text("do", "'turn the specimen by a quarter'"), least, most)


def _speed(fields: Fields) -> float:
    return fields.quantity("speed", "mm/s", "'100 mm/min'")


_READERS: dict[str, Callable[[Place, yaml.Node], Step]] = {
    "contact_check": _check_contact,
    "press": _press,
    "hold": lambda place, node: Hold(place, _duration(place, node)),
    "return": _return,
    "pull": _pull,
    "rest": lambda place, node: Rest(place, _duration(place, node)),
    "recover": _recover,
    "off_rig": _off_rig,
}


def _bound_repeats(steps: tuple[Step, ...], passes: int) -> None:
    if sum(1 for _ in each_step(steps)) > MOST_STEPS:
        refuse(steps[0].place, f"with those inside repeats there are more than {MOST_STEPS} steps")
    for step in steps:
        if isinstance(step, Repeat):
            if passes * step.count > MOST_REPEATS:
                refuse(step.place, f"{passes * step.count} passes in all, expected at most {MOST_REPEATS}")
            _bound_repeats(step.steps, passes * step.count)


def _presses(steps: tuple[Step, ...]) -> int:
    presses = 0
    for step in steps:
        if isinstance(step, Repeat):
            presses += step.count * _presses(step.steps)
        presses += isinstance(step, PressToDepth | PressToForce)
    return presses
