"""`pressrig calibrate force`: newtons for each count, from a table of readings or taken at the terminal."""

from __future__ import annotations

from typing import Any

import click

from rig.calibration import Gravity, Surroundings, calibrate_force, force_table, loads_of
from rig.cli.calibrate_options import ChannelOptions, channel_options, table_text
from rig.cli.calibrate_showing import channel_document, say_channel, written_into
from rig.cli.calibrate_taking import take_readings
from rig.cli.options import QuantityType, local_gravity, read_quantity
from rig.errors import InputError, refused_at
from rig.units import parse


@click.command("force")
@channel_options
@click.option(
    "--gravity", metavar="Q",
    help='Local gravity, "9.8145 m/s^2"; for masses.  [default: standard gravity, known to 0.15 %]',
)  # fmt: skip
@click.option(
    "--latitude", type=float, metavar="DEG", help="Latitude, for gravity by the international formula."
)
@click.option("--height", metavar="Q", default="0 m", help='Height above sea level, with --latitude; "12 m".')
@click.option("--air-density", type=QuantityType("kg/m^3"), default="1.2 kg/m^3", show_default=True)
@click.option(
    "--mass-density", metavar="Q", default="8000 kg/m^3", show_default=True,
    help="Density of the masses; certificates refer to 8000 kg/m^3.",
)  # fmt: skip
def command(
    *,
    gravity: str | None,
    latitude: float | None,
    height: str,
    air_density: float,
    mass_density: str,
    **options: Any,
) -> None:
    """Find the force scale from READINGS. Without READINGS you are led through them at the terminal.

    READINGS is a CSV table with `mass_kg` (or another unit of mass) or `load_N`, and `counts`; a column
    without a unit needs one in each cell. The columns `run`, `place` (of an off-centre load), `status` and
    `kept` are optional. Loads rise within a run and may then fall. Each reading is the mean of a settled
    plateau. Enter tensile loads below zero; a rig for tension needs them, in runs of their own.
    """
    given = ChannelOptions(**options)
    mass_kg_per_m3 = read_quantity("--mass-density", mass_density, "kg/m^3") or 0.0
    if not air_density < mass_kg_per_m3:
        raise InputError(f"--mass-density: found {mass_density!r}, expected more than the density of air")
    with refused_at("--height"):
        height_m = parse(height, "m")
    local = local_gravity(gravity, latitude, height_m, "--height") or Gravity.standard()
    surroundings = Surroundings(local, air_density, mass_kg_per_m3)
    expires, rig = given.expires, given.rig()
    given = given.with_target(rig)
    readings = given.readings
    if readings is None:
        assert rig is not None
        readings = take_readings(given, rig, "force")
    table = force_table(table_text(readings), str(readings))
    calibrated = calibrate_force(
        table,
        surroundings=surroundings,
        references=given.facts("N", max(map(abs, loads_of(table, surroundings)))),
        degree=given.degree_number,
        reversed_way=given.reversed_way,
        made=given.day,
        expires=expires,
        by=given.by,
    )
    kept = None
    if given.into is not None:
        kept = written_into(given.into, None if rig is None else rig.name, force=calibrated.scale)
    document = {"channel": "force", **channel_document(calibrated, "N")}
    say_channel(document, calibrated, "N", given, kept=kept, readings=readings)
