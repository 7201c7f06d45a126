"""`pressrig specimens add`, `note` and `correct`: pieces, what is new of them, and what was wrong."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.cli.output import say
from rig.cli.specimens_options import fact_options, read_facts, register_option
from rig.errors import InputError


@click.command("add")
@click.argument("specimen", metavar="ID")
@fact_options
@click.option("--another", is_flag=True, help="It is another piece than one that is spelt nearly so.")
@register_option
def add(specimen: str, *, another: bool, path: Path, **given: Any) -> None:
    """Enter the piece ID. What is left out here can be noted later."""
    from rig.register import Register

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
    """Note what is new of the piece ID: what it went through, how it lay, remarks.

    Nothing is overwritten: the state of today does not change what it was on the day of an older capture.
    """
    from rig.register import Register

    facts = read_facts(specimen, given)
    if not facts:
        raise InputError("note: found nothing to note; expected one such as --state abused or --notes TEXT")
    with Register(path, make=False) as register:
        numbers = register.write(facts)
    say(f"{specimen}: record {', '.join(map(str, numbers))}")


@click.command("correct")
@click.argument("number", type=click.IntRange(1), metavar="RECORD")
@click.argument("value", required=False)
@click.option("--reason", required=True, metavar="TEXT", help="Why it is wrong.")
@click.option("--withdraw", is_flag=True, help="It should not be there at all.")
@click.option("--at", metavar="TIME", help="Since when it holds, if that was wrong.")
@click.option("--who", metavar="NAME", help="Who says so.")
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
    """Put the record numbered RECORD right: VALUE is a word, or a quantity such as "37.4 g".

    `pressrig specimens show` has the numbers. The wrong record stays in the history, beside its correction.
    """
    from rig.register import Record, Register, corrected, read_day_or_time
    from rig.units import parse

    if withdraw == (value is not None or at is not None):
        raise InputError("correct: expected either a VALUE or --at that is right, or --withdraw")
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
    say(f"{wrong.specimen}: record {written} stands for record {number}")
