"""Options that the calibrations of channels share, and their texts read into values."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.calibration import ReferenceFacts, reference_u
from rig.cli.options import FILE, later, made_options, port_option, quantity_option, together
from rig.cli.output import json_option
from rig.errors import InputError, refused_at
from rig.rigfile import read_rig_file
from rig.tables import read_table_text

if TYPE_CHECKING:
    from rig.rigfile import RigFile

LARGEST_TABLE = 1 << 20
"""A table of readings above this size is some other file."""


channel_options = together(
    click.argument("readings", required=False, type=FILE),
    click.option("--rig", "rig_file", type=FILE, help="The rig file; needed to take readings."),
    port_option(),
    click.option(
        "--into", type=FILE,
        help="Calibration file for the result.  [default: the one named in the rig file]",
    ),
    click.option(
        "--degree", type=click.Choice(["auto", "1", "2", "3"]), default="auto", show_default=True,
        help="Degree of the curve; auto takes the lowest that fits.",
    ),
    click.option("--reference", default="", metavar="TEXT", help="The references and their certificates."),
    click.option(
        "--reference-u", metavar="Q",
        help='Their standard uncertainty: "0.05 %" of each value, or "5 mN" at every load.',
    ),
    click.option(
        "--reversed", "reversed_way", is_flag=True, help="The counts fall as the load or travel rises."
    ),
    made_options("readings, 2026-03-17.  [default: today]"),
    click.option("--readings-into", type=FILE, help="Table for the readings taken now."),
    quantity_option("--settle", "settle_s", "Length of a settled plateau.", default="2 s"),
    quantity_option("--patience", "patience_s", "Longest wait for a plateau.", default="30 s"),
    json_option,
)  # fmt: skip
"""Argument and options of `calibrate force` and `calibrate position`."""


@dataclass(frozen=True, slots=True)
class ChannelOptions:
    """The options of `channel_options`, as click gives them."""

    readings: Path | None
    rig_file: Path | None
    port: str | None
    into: Path | None
    degree: str
    reference: str
    reference_u: str | None
    reversed_way: bool
    by: str
    made: datetime | None
    expires_after: str
    readings_into: Path | None
    settle_s: float
    patience_s: float
    as_json: bool

    @property
    def degree_number(self) -> int | None:
        """None for the lowest that is enough."""
        return None if self.degree == "auto" else int(self.degree)

    @property
    def day(self) -> date:
        """Of the readings."""
        return date.today() if self.made is None else self.made.date()

    @property
    def expires(self) -> date:
        """Last day on which the calibration holds."""
        return later(self.day, self.expires_after)

    def rig(self) -> RigFile | None:
        """Return the rig's file, read; None where none was named.

        Raises InputError if it is wrong, or needed and missing, or if the counts of a driven rig were to
        fall.
        """
        if self.rig_file is None:
            if self.readings is None:
                raise InputError("give READINGS (a table), or --rig to take readings now")
            return None
        rig = read_rig_file(self.rig_file)
        if self.reversed_way and rig.limits is not None:
            raise InputError(
                "--reversed: counts of a driven rig rise with compression; swap the signal wires"
            )
        return rig

    def with_target(self, rig: RigFile | None) -> ChannelOptions:
        """Return the options with the calibration file that the rig file names where --into is left out."""
        named = None if rig is None else rig.source.get("calibration")
        if self.into is not None or named is None or self.rig_file is None:
            return self
        return replace(self, into=self.rig_file.parent / named)

    def facts(self, unit: str, largest: float) -> ReferenceFacts:
        """Return what was stated about the references."""
        if self.reference_u is None:
            return ReferenceFacts(self.reference)
        if not largest > 0:
            raise InputError("no reference in the readings is above zero")
        with refused_at("--reference-u"):
            relative, absolute = reference_u(self.reference_u, unit, largest)
        if unit == "mm":  # a deflection may begin anywhere: what an offset does to it follows from its length
            return ReferenceFacts(self.reference, relative + absolute / largest)
        return ReferenceFacts(self.reference, relative, absolute)


def table_text(path: Path) -> str:
    """Return a table of readings as text.

    Raises InputError if it cannot be read as one.
    """
    hint = "leave it out to take readings from a rig"
    return read_table_text(path, most=LARGEST_TABLE, hint=hint, known=lambda _: False).text
