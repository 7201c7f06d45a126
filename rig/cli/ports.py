"""`pressrig ports`: which serial ports there are. None is opened: that can reset a board in motion."""

from __future__ import annotations

from dataclasses import asdict

import click
from rich import box
from rich.table import Table

from rig.cli.output import console, is_plain, json_option, print_json, say
from rig.reader import list_ports


@click.command("ports")
@json_option
def command(*, as_json: bool) -> None:
    """List serial ports without opening any."""
    ports = list_ports()
    if as_json:
        print_json({"ports": [asdict(port) for port in ports]})
        return
    if not ports:
        say("No serial port found. For a virtual one: pressrig simulate --link /tmp/rig")
        return
    table = Table(box=None if is_plain() else box.SIMPLE_HEAD)
    for heading in asdict(ports[0]):
        table.add_column(heading.replace("_", " "))
    for port in ports:
        table.add_row(*("" if value is None else str(value) for value in asdict(port).values()))
    console().print(table)
