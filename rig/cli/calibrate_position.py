"""`pressrig calibrate position`: millimetres for each count, and the backlash of the reading."""

from __future__ import annotations

from typing import Any

import click

from rig.calibration import calibrate_position, position_table
from rig.cli.calibrate_options import ChannelOptions, channel_options, table_text
from rig.cli.calibrate_showing import (
    channel_document,
    rig_file_line,
    say_not_written,
    say_where,
    show_cautions,
    show_channel,
    written_into,
)
from rig.cli.calibrate_taking import take_readings
from rig.cli.output import print_json, say


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
        parts: dict[str, Any] = {"position": channel.scale} | (
            {} if backlash is None else {"backlash": backlash}
        )
        kept = written_into(given.into, None if rig is None else rig.name, **parts)
    if given.as_json:
        document = {"channel": "position", **channel_document(channel, "mm")}
        document["backlash"] = (
            None
            if backlash is None
            else {
                "backlash_mm": backlash.mm,
                "u_mm": backlash.u_mm,
                "degrees_of_freedom": backlash.degrees_of_freedom,
            }
        )
        if given.into is not None:
            document |= {"written": given.into, "older": kept}
            document["rig_file_line"] = rig_file_line(given.into, given.rig_file)
        print_json(document)
        return
    show_channel(channel, "mm")
    if backlash is not None:
        say(
            f"Backlash: {backlash.mm:.4g} mm, u {backlash.u_mm:.2g} mm, from "
            f"{len(calibrated.backlash_differences_mm)} references approached both ways."
        )
    show_cautions(channel.cautions)
    if given.into is not None:
        say_where(given.into, kept, given.rig_file)
    else:
        say_not_written(readings)
