"""`pressrig import`: a capture from a table that someone already has."""

from __future__ import annotations

from pathlib import Path

import click

from rig.cli.options import folder_option, read_conditions, read_quantity, specimen_options
from rig.cli.output import say


@click.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--time", "time_column", metavar="COL:UNIT", help="Column of time; left out, rows are in order."
)
@click.option(
    "--position", "position_column", required=True, metavar="COL:UNIT", help='"travel:mm", "#2:in" ...'
)
@click.option("--force", "force_column", required=True, metavar="COL:UNIT", help='"load:N", "#3:lbf" ...')
@click.option("--delimiter", metavar="C", help="Between columns; left out, it is found.")
@click.option("--decimal", metavar="C", help="Decimal sign; left out, it is found.")
@click.option("--encoding", metavar="E", help="Of the text; left out, it is found.")
@click.option("--skip-rows", type=click.IntRange(0), default=0, metavar="N", help="Lines before the table.")
@click.option("--negate-force", is_flag=True, help="The table counts compression as negative force.")
@click.option(
    "--negate-position", is_flag=True, help="The table's position falls as the platen comes nearer."
)
@specimen_options
@folder_option("Folder that the capture is made in.")
def command(
    file: Path,
    *,
    time_column: str | None,
    position_column: str,
    force_column: str,
    delimiter: str | None,
    decimal: str | None,
    encoding: str | None,
    skip_rows: int,
    negate_force: bool,
    negate_position: bool,
    specimen: str,
    batch: str | None,
    free_height: str | None,
    area: str | None,
    operator: str | None,
    notes: str,
    conditions: tuple[str, ...],
    out: Path,
) -> None:
    """Make a capture of FILE, a table of text with a column of position and one of force.

    A column is named by its heading or by its number (#1 is the first), then a colon and its unit.
    Values stay in their unit; the capture's path is the last line printed.
    """
    from rig.capture import CaptureHeader, CaptureWriter, import_table, parse_column

    free_height_mm = read_quantity("--free-height", free_height, "mm")
    area_mm2 = read_quantity("--area", area, "mm^2")
    table = import_table(
        file,
        time=None if time_column is None else parse_column(time_column),
        position=parse_column(position_column),
        force=parse_column(force_column),
        delimiter=delimiter,
        decimal=decimal,
        encoding=encoding,
        skip_rows=skip_rows,
        negate_force=negate_force,
        negate_position=negate_position,
    )
    for note in table.notes:
        say(f"pressrig: {note}", err=True)
    samples = table.samples
    header = CaptureHeader(
        specimen=specimen,
        batch=batch,
        free_height_mm=free_height_mm,
        area_mm2=area_mm2,
        operator=operator,
        notes=notes,
        conditions=read_conditions(conditions),
        force=samples.force_channel,
        position=samples.position_channel,
        clock=samples.clock,
        source=str(file),
    )
    with CaptureWriter.create(out, header) as writer:
        writer.append(samples)
        writer.end("imported")
    say(writer.path)
