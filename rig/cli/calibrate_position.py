"""`pressrig calibrate position`: millimetres for each count, and the backlash of the reading."""

from __future__ import annotations

from typing import Any

import click

from rig.calibration import calibrate_position, position_table
from rig.cli.calibrate_options import ChannelOptions, channel_options, table_text
from rig.cli.calibrate_showing import channel_document, say_channel, written_into
from rig.cli.calibrate_taking import take_readings


@click.command("position")
@channel_options
@click.option("--blocks", is_flag=True, help="The references are gauge blocks under the platen.")
def command(*, blocks: bool, **options: Any) -> None:
    """Find the position scale and the backlash from READINGS. Without READINGS you are led through them at
    the terminal.

    READINGS is a CSV table with `travel_mm` (of an indicator that follows the platen down) or `block_mm` (a
    gauge block under it), and `counts`. Approach the references first, then return to them; with blocks, the
    column `direction` says approaching or returning. The zero stays as set in the rig file.
    """
    given = ChannelOptions(**options)
    expires, rig = given.expires, given.rig()
    given = given.with_target(rig)
    readings = given.readings
    if readings is None:
        assert rig is not None
        readings = take_readings(given, rig, "position", blocks=blocks)
    table = position_table(table_text(readings), str(readings))
    before = None if rig is None else rig.calibration.position
    references = [reading.reference for reading in table.readings]
    calibrated = calibrate_position(
        table,
        references=given.facts("mm", max(references) - min(references)),
        degree=given.degree_number,
        zero_counts=0.0 if before is None else before.zero_counts,
        reversed_way=given.reversed_way,
        made=given.day,
        expires=expires,
        by=given.by,
    )
    channel, backlash = calibrated.channel, calibrated.backlash
    kept = None
    if given.into is not None:
        parts: dict[str, Any] = {} if backlash is None else {"backlash": backlash}
        kept = written_into(given.into, None if rig is None else rig.name, position=channel.scale, **parts)
    document = {"channel": "position", **channel_document(channel, "mm"), "backlash": None}
    further = ""
    if backlash is not None:
        document["backlash"] = {
            "backlash_mm": backlash.mm,
            "u_mm": backlash.u_mm,
            "degrees_of_freedom": backlash.degrees_of_freedom,
        }
        further = (
            f"Backlash: {backlash.mm:.4g} mm, u {backlash.u_mm:.2g} mm, from "
            f"{len(calibrated.backlash_differences_mm)} references approached both ways."
        )
    say_channel(document, channel, "mm", given, kept=kept, readings=readings, further=further)
