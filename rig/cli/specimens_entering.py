"""`pressrig specimens add`, `note` and `correct`: pieces, what is new of them, and what was wrong."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.cli.output import say
from rig.cli.specimens_options import fact_options, read_facts, register_option
from rig.errors import InputError
from rig.register import Record, Register, corrected, read_day_or_time
from rig.units import parse


@click.command("add")
@click.argument("specimen", metavar="ID")
@fact_options
@click.option("--another", is_flag=True, help="This is a new piece, although a similar id exists.")
@register_option
def add(specimen: str, *, another: bool, path: Path, **given: Any) -> None:
    """Enter the piece ID. You can note later what you leave out now."""
    facts = read_facts(specimen, given)
    with Register(path) as register:
        register.add(specimen, facts, another=another)
        missing = register.specimen(specimen).missing()
    say(f"{specimen} is in {path}; still missing: {', '.join(missing)}")


@click.command("note")
@click.argument("specimen", metavar="ID")
@fact_options
@register_option
def note(specimen: str, *, path: Path, **given: Any) -> None:
    """Note new facts about the piece ID: what it went through, how it was placed, remarks.

    Nothing is overwritten: today's state does not change the state on the day of an older capture.
    """
    facts = read_facts(specimen, given)
    if not facts:
        raise InputError("note: give what to note, such as --state abused or --notes TEXT")
    with Register(path, make=False) as register:
        numbers = register.write(facts)
    say(f"{specimen}: record {', '.join(map(str, numbers))}")


@click.command("correct")
@click.argument("number", type=click.IntRange(1), metavar="RECORD")
@click.argument("value", required=False)
@click.option("--reason", required=True, metavar="TEXT", help="Why the record is wrong.")
@click.option("--withdraw", is_flag=True, help="Withdraw the record instead of correcting it.")
@click.option("--at", metavar="TIME", help="The right date, if the date was wrong.")
@click.option("--who", metavar="NAME", help="Name of the person responsible for the entry.")
@register_option
def correct(
    number: int,
    value: str | None,
    *,
    reason: str,
    withdraw: bool,
    at: str | None,
    who: str | None,
    path: Path,
) -> None:
    """Correct the record numbered RECORD: VALUE is a word, or a quantity such as "37.4 g".

    `pressrig specimens show` lists the numbers. The wrong record stays in the history, beside its correction.
    """
    if withdraw == (value is not None or at is not None):
        raise InputError("correct: give the right VALUE or --at, or --withdraw")
    with Register(path, make=False) as register:
        wrong = register.record(number)
        fields: dict[str, Any] = {"who": who}
        if at is not None:
            fields["at"] = read_day_or_time(at, "--at")
        if value is not None and wrong.unit:
            # the uncertainty of a wrong number says nothing of the right one
            fields |= {"value": parse(value, wrong.unit), "u": None, "how": "typed"}
        elif wrong.kind in ("moulded", "squeezed") and value is not None:
            fields["text"] = fields["at"] = read_day_or_time(value, wrong.kind)
        elif value is not None:
            fields["text"] = value
        if withdraw:
            right = Record(
                specimen=wrong.specimen,
                kind="withdrawn",
                at=wrong.at,
                who=who,
                reason=reason,
                corrects=number,
            )
        else:
            right = corrected(wrong, reason, **fields)
        (written,) = register.write([right])
    say(f"{wrong.specimen}: record {written} replaces record {number}")
