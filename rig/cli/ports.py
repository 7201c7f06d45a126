"""`pressrig ports`: which serial ports there are. None is opened: that can reset a board in motion."""

from __future__ import annotations

from dataclasses import asdict

import click

from rig.cli.output import console, framed_table, json_option, print_json, say
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
    table = framed_table(left=(name.replace("_", " ") for name in asdict(ports[0])))
    for port in ports:
        table.add_row(*("" if value is None else str(value) for value in asdict(port).values()))
    console().print(table)
