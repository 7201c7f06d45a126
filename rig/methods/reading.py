"""A method's file read into steps.

Problem: somebody at a press wrote it, and the platen will do what it says. Plan: every key is known or
refused; every value carries its unit; every refusal names file, line and step. The order of the steps is
checked here too, since it needs no rig: a press before a contact check has no contact to count from, a hand
must not go in under a platen that stands on the specimen, and a platen must not be left pressing. Cost: none
worth naming; limits on size, nesting and number keep it so.
"""

from __future__ import annotations

from pathlib import Path
from typing import cast

from rig.core import read_text
from rig.methods.fields import LARGEST_FILE, Fields, Place, compose, items, line_of, refuse, scalar, shown
from rig.methods.method import Conditioning, Method, Need, SpecimenNeeds
from rig.methods.reportable import REPORTABLE
from rig.methods.step import MOST_REPEATS, MOST_STEPS, PlatenState, Step, after_all, each_step, read_steps
from rig.renamed import QUANTITIES

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
    steps = read_steps(fields.at("steps"), fields.node("steps"), source)
    _bound_repeats(steps, 1)
    if after_all(steps, PlatenState()).at != "clear":
        refuse(steps[-1].place, "the method ends on the specimen; end with a return to a gap")
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


def _bound_repeats(steps: tuple[Step, ...], passes: int) -> None:
    if sum(1 for _ in each_step(steps)) > MOST_STEPS:
        refuse(steps[0].place, f"with those inside repeats there are more than {MOST_STEPS} steps")
    for step in steps:
        if passes * step.times > MOST_REPEATS:
            refuse(step.place, f"{passes * step.times} passes in all, expected at most {MOST_REPEATS}")
        if step.inner:
            _bound_repeats(step.inner, passes * step.times)


def _presses(steps: tuple[Step, ...]) -> int:
    return sum(step.presses + step.times * _presses(step.inner) for step in steps)
