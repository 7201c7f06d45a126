"""Options that the commands of the register share, and facts read from them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import click

from rig.cli.options import DEFAULT_FOLDER, FILE, QuantityType, together
from rig.register import Record, read_day_or_time

register_option = click.option(
    "--register", "path", type=FILE, default=DEFAULT_FOLDER / "specimens.sqlite", show_default=True,
    metavar="FILE", help="The register.",
)  # fmt: skip

who_option = click.option("--who", metavar="NAME", help="Name of the person responsible for the entry.")


fact_options = together(
    click.option("--batch", metavar="ID", help="Name of its batch."),
    click.option("--model", metavar="NAME", help="Name of the model."),
    click.option("--drawing-size", type=QuantityType("mm"), help='Size on the drawing, "90 mm".'),
    click.option("--moulded", metavar="DAY", help="When it was moulded, 2026-03-14."),
    click.option("--state", metavar="WORD", help="new, conditioned, abused or worn."),
    click.option("--orientation", metavar="TEXT", help="How it was placed when pressed."),
    click.option("--squeezed", metavar="TIME", help="When it was last squeezed, if no capture shows it."),
    click.option("--notes", metavar="TEXT", help="Free text, kept with the record."),
    click.option("--at", metavar="TIME", help="When this became true.  [default: now]"),
    who_option,
)
"""What may be said of a piece."""


def read_at(at: str | None) -> str:
    """Return the day or time of `--at`, or now.

    Raises InputError if it is neither.
    """
    return read_day_or_time(at or datetime.now(UTC).isoformat(timespec="seconds"), "--at")


def read_facts(specimen: str, given: Mapping[str, Any]) -> list[Record]:
    """Facts of a piece, from the options of `fact_options`.

    Raises InputError if one cannot be.
    """
    at, who = read_at(given["at"]), given["who"]
    facts = []
    for kind in ("batch", "model", "state", "orientation", "notes"):
        if given[kind] is not None:
            facts.append(Record(specimen=specimen, kind=kind, text=given[kind], at=at, who=who))
    for kind in ("moulded", "squeezed"):
        if given[kind] is not None:
            moment = read_day_or_time(given[kind], f"--{kind}")
            facts.append(Record(specimen=specimen, kind=kind, text=moment, at=moment, who=who))
    if given["drawing_size"] is not None:
        size_mm = given["drawing_size"]
        facts.append(Record(specimen=specimen, kind="drawing_size", value=size_mm, at=at, who=who))
    return facts
