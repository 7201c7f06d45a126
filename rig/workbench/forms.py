"""The forms of the workbench: each is one command with its most used options.

The fields are options of the command under their own names, so the page can show the command that gives the
same answer. A test compares the forms with the command line.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from rig.core import visible
from rig.errors import InputError

LONGEST_VALUE = 200
"""Characters of one field."""

MOST_CAPTURES = 2000
"""Captures in one question."""

Kind = Literal["text", "quantity", "number", "choice"]
Takes = Literal["captures", "one capture", "nothing", "the rig"]


@dataclass(frozen=True, slots=True)
class Field:
    """One option of a command.

    `option`: as on the command line, with its dashes.
    `label`, `hint`: text beside the field, and an example; of a choice its default in words.
    `kind`: of its value: words, a quantity with its unit, a number, or one of `choices`.
    """

    option: str
    label: str
    hint: str = ""
    kind: Kind = "text"
    choices: tuple[str, ...] = ()
    required: bool = False

    def argument(self, value: str) -> str:
        """Return the option with a value, as one word of a command.

        Raises InputError if the value is not of its kind.
        """
        where = f"{self.label}: found {visible(value)[:60]!r}, expected"
        if len(value) > LONGEST_VALUE or not value.isprintable():
            raise InputError(f"{where} at most {LONGEST_VALUE} printable characters")
        if self.kind == "choice" and value not in self.choices:
            raise InputError(f"{where} one of {', '.join(self.choices)}")
        if self.kind == "number" and not re.fullmatch(r"\d{1,6}", value):
            raise InputError(f"{where} a whole number such as {self.hint}")
        # With an equals sign, a value that begins with a dash is not an option.
        return f"{self.option}={value}"


@dataclass(frozen=True, slots=True)
class Form:
    """One command.

    `command`: its name on the command line; two words where it has a part below it.
    `title`, `question`: heading, and the question that the command answers.
    """

    command: str
    title: str
    question: str
    takes: Takes
    fields: tuple[Field, ...]
    report: bool = True
    caution: str = ""


_CONDITIONING = Field("--conditioning", "First cycles to leave out", "1", "number")
_CONTACT = Field("--contact-force", "Contact force", "0.5 N", "quantity")
_ALTHOUGH = Field("--although", "Pool even if these differ", "rate, temperature")
_MARGIN = Field("--margin", "Largest difference that does not matter", "secant_n_per_mm=0.2 N/mm")
_UNITS = Field("--units", "Units", "both", "choice", ("both", "metric", "us"))
_NIP_CAUTION = (
    "A nip draws in fingers, hair and clothes. Guard it before it turns. "
    "Local rules and a competent person come first."
)

FORMS: dict[str, Form] = {
    form.command: form
    for form in (
        Form(
            "compare",
            "Compare",
            "Do batches, states, operators or methods differ, and by how much?",
            "captures",
            (
                Field("--by", "Groups by", "batch", "choice", ("batch", "state", "operator", "method")),
                Field("--against", "Compared with", "spring mould"),
                _MARGIN,
                Field("--quantities", "Quantities", "secant_n_per_mm,hysteresis_pct"),
                _UNITS,
                _ALTHOUGH,
                _CONDITIONING,
                _CONTACT,
            ),
        ),
        Form(
            "sheet",
            "Design sheet",
            "What does a machine builder need to know about these pieces?",
            "captures",
            (
                Field("--model", "Model", "F-90"),
                Field("--title", "Title"),
                Field("--supplier", "Supplier", "harbour workshop"),
                Field("--revision", "Revision of the drawing", "B"),
                _UNITS,
                _MARGIN,
                _ALTHOUGH,
                _CONDITIONING,
                _CONTACT,
            ),
        ),
        Form(
            "nip",
            "Nip",
            "Which gap squeezes the pieces with the wanted force?",
            "captures",
            (
                Field("--force", "Wanted normal force", "80 N", "quantity", required=True),
                Field("--wheel", "Wheel: radius or diameter", "diameter 120 mm", required=True),
                Field("--friction", "Friction between wheel and piece", "0.6 +- 0.1", required=True),
                Field("--between", "Between", "a wheel and a plate", "choice", ("plate", "wheels")),
                Field("--size", "Diameter of the pieces", "90 mm +- 0.4 mm", "quantity"),
                Field("--mass", "Mass of a piece", "38 g +- 1 g", "quantity"),
                Field("--rim-speed", "Rim speed", "4 m/s", "quantity"),
                _UNITS,
                _CONDITIONING,
            ),
            caution=_NIP_CAUTION,
        ),
        Form(
            "pull",
            "Pull-off",
            "How firmly does a pressed-on cap hold?",
            "captures",
            (
                Field("--threshold", "Smallest force that counts as a pull", "2 N", "quantity"),
                Field("--slip", "Displacement that counts as first slip", "0.05 mm", "quantity"),
                _UNITS,
                _ALTHOUGH,
            ),
        ),
        Form(
            "study",
            "Gauge study",
            "How much of the spread comes from the rig, the person and the piece?",
            "captures",
            (
                Field("--quantity", "Quantity", "secant_n_per_mm"),
                Field("--tolerance", "Width of the tolerance", "0.5 N/mm"),
                Field("--interaction", "Interaction", "kept", "choice", ("kept", "pooled")),
                _UNITS,
                _CONDITIONING,
                _CONTACT,
            ),
        ),
        Form(
            "report",
            "Method report",
            "What are the results of a capture's method, with their uncertainty?",
            "one capture",
            (Field("--spacer", "Height of the spacers of a jig", "45 mm", "quantity"), _UNITS),
            report=False,
        ),
        Form(
            "lift",
            "Lift",
            "Where is the centre of mass of a long piece, and what torques hold it?",
            "nothing",
            (
                Field("--near", "Scale reading under the near end", "620 g +- 1 g", "quantity"),
                Field("--far", "Scale reading under the far end", "580 g +- 1 g", "quantity"),
                Field("--span", "Distance between the supports", "1.20 m +- 2 mm", "quantity", required=True),
                Field("--offset", "Distance from the near end to its support", "20 mm", "quantity"),
                Field("--grip-at", "Distance from the near end to the grip", "0.5 m", "quantity"),
                Field("--grip-torque", "Torque that the grip can hold", "2.5 N m", "quantity"),
                _UNITS,
            ),
            caution="A long piece can turn over or fall. Local rules and a competent person come first.",
        ),
        Form(
            "verify chart",
            "Control charts",
            "Does the rig still read the same check standards the same?",
            "the rig",
            (Field("--baseline", "Number of readings that set the limits", "8", "number"), _UNITS),
        ),
        Form(
            "exclude",
            "Exclude",
            "Exclude captures, or some of their cycles, from every result.",
            "captures",
            (
                Field("--cycles", "Cycles (empty: all)", "3,5-7"),
                Field("--reason", "Reason", "slipped off the platen", required=True),
                Field("--by", "Your name"),
            ),
            report=False,
        ),
        Form(
            "restore",
            "Restore",
            "Restore excluded captures or cycles.",
            "captures",
            (
                Field("--cycles", "Cycles (empty: all)", "3,5-7"),
                Field("--reason", "Reason", required=True),
                Field("--by", "Your name"),
            ),
            report=False,
        ),
        Form(
            "amend",
            "Amend",
            "Correct or complete the facts recorded with captures.",
            "captures",
            (
                Field("--specimen", "Specimen", "F-90-014"),
                Field("--batch", "Batch", "spring mould"),
                Field("--free-height", "Free height", "90 mm", "quantity"),
                Field("--operator", "Operator"),
                Field("--state", "State", "new"),
                Field("--note", "Note"),
                Field("--reason", "Reason", required=True),
                Field("--by", "Your name"),
            ),
            report=False,
        ),
    )
}


def arguments(
    form: Form, values: Mapping[str, str], captures: Sequence[str], rig_file: Path | None = None
) -> list[str]:
    """Return the command of a completed form, without the program name.

    Raises InputError if an option is none of the form's, a value is not of its kind, or something is missing.

    `values`: entries by option; an empty one is left out.
    `rig_file`: of the rig that the pages are served with; None without a rig.
    """
    known = {field.option: field for field in form.fields}
    for option in values:
        if option not in known:
            raise InputError(
                f"{visible(option)[:40]}: found an option that the form of {form.command} does not have"
            )
    words = form.command.split()
    for field in form.fields:
        value = values.get(field.option, "").strip()
        if not value:
            if field.required:
                raise InputError(f"{field.label}: found nothing, expected an entry such as {field.hint!r}")
            continue
        words.append(field.argument(value))
    if form.takes == "the rig":
        if rig_file is None:
            raise InputError("found no rig, expected pages that `pressrig serve` shows beside a rig")
        return [*words, f"--rig={rig_file}"]
    if form.takes == "nothing":
        return words
    if not 1 <= len(captures) <= MOST_CAPTURES:
        raise InputError(f"captures: found {len(captures)}, expected 1 to {MOST_CAPTURES}")
    return [*words, "--", *captures]
