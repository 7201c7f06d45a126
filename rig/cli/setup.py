"""`pressrig setup`: write the file of a rig by answering questions, with a first scale of force and position.

Problem: somebody who owns a board and a lever has no rig file, and does not know what a count is. Plan: the
port is chosen from a list, the board is asked who it is, else its lines are shown column by column; a known
mass and a known distance then give the first scales. What is written is read back as a rig file before
anybody relies on it. Cost: a minute at the terminal.
"""

from __future__ import annotations

import re
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot
from pathlib import Path
from statistics import median, pstdev
from typing import TYPE_CHECKING, Any

import click

from rig.cli.options import read_quantity
from rig.cli.output import say
from rig.errors import DeviceError, InputError

if TYPE_CHECKING:
    from rig.calibration import Scale
    from rig.reader import PortAddress, Reader, WireFormat

LISTEN_S = 2.5
"""How long lines are read before they are shown: some twenty of a slow board."""

REST_S = 1.5
"""Length of a reading at rest, in device time."""

PATIENCE_S = 20.0
"""A board that sends nothing for so long is not there."""

CLEAR_STEP = 10.0
"""A change below so many standard errors of the two means is none."""

SEPARATORS = (",", ";", "\t", "|")
TIMES = ("time_us", "time_ms", "time_s")


@dataclass(frozen=True, slots=True)
class Level:
    """Mean of force and position at rest, and the standard error of each; raw values."""

    force: float
    force_u: float
    position: float
    position_u: float


@click.command("setup")
@click.option("--port", metavar="PATH", help="Port of the board.  [default: chosen from a list]")
@click.option("--baud", type=click.IntRange(1), default=115_200, show_default=True, help="Speed of the port.")
@click.option("--name", metavar="NAME", default="my rig", show_default=True, help="What the rig is called.")
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), default=Path("my-rig.yaml"), show_default=True,
    help="Rig file to write; an existing one is not overwritten.",
)  # fmt: skip
def command(*, port: str | None, baud: int, name: str, out: Path) -> None:
    """Write a rig file and a first calibration beside it: which port, which format, and what a count is.

    You need a known mass, such as 500 g, and a known distance, such as a gauge block of 25 mm; each can be
    left out with Enter. Nothing moves by itself.
    """
    from rig.calibration import Calibration
    from rig.calibrationfile import write_calibration
    from rig.cli.logs import log_to_file
    from rig.reader import PortAddress

    calibration_file = out.with_name(f"{out.stem}-calibration.yaml")
    for path in (out, calibration_file):
        if path.exists():
            raise InputError(f"{path}: exists already; give another file with --out")
    address = PortAddress(path=port or _chosen_port(), baud=baud)
    say("Opening the port can reset a board: keep hands clear of the platens.", err=True)
    with log_to_file():
        wire, written = _format_of(address)
        fields: dict[str, Any] = {
            "name": name,
            "port": {"path": str(address.path), "baud": baud},
            "wire": written,
        }
        scales = _scales(address, wire, written)
    if scales:
        fields["calibration"] = calibration_file.name
        write_calibration(
            calibration_file, Calibration(scales.get("force"), scales.get("position"), name=name)
        )
    _write(fields, out)
    say(f"Wrote {out}" + (f" and {calibration_file}." if scales else "."))
    if scales:
        say("These first scales have no stated uncertainty. Compare the force with several masses:")
        say(f"  pressrig calibrate force --rig {out}")
    say(f"Then squeeze pieces: pressrig session --rig {out} --model NAME --count 20")


def _chosen_port() -> str:
    from rig.reader import list_ports

    ports = list_ports()
    if not ports:
        raise InputError("setup: no serial port was found; plug the board in, or name the port with --port")
    for number, port in enumerate(ports, start=1):
        say(f"{number}: {port.path}  {port.description or ''}")
    return ports[int(_number("Which port?", 1, low=1, high=len(ports))) - 1].path


def _format_of(address: PortAddress) -> tuple[WireFormat, dict[str, Any]]:
    """Whether the device speaks in frames, else what its lines hold, for the reader and for the file."""
    from rig.reader import Reader

    try:
        with Reader(address, "framed") as reader:
            identity = reader.identity
            who = "" if identity is None else f" {identity.name!r}, unit {identity.unit_id.hex()}"
            say(f"The device speaks the framed protocol{who}.")
            return "framed", {"format": "framed"}
    except DeviceError as problem:
        if "does not open" in str(problem) or "another program" in str(problem):
            raise
    return _line_format(_lines(address))


def _lines(address: PortAddress) -> list[str]:
    """Whole lines of text that the board prints."""
    from rig.reader import Link, find_port

    link = Link(find_port(address), address.baud)
    data, begun = b"", time.monotonic()
    try:
        while time.monotonic() - begun < LISTEN_S:
            data += link.read()
    finally:
        link.close()
    lines = data.decode("ascii", "replace").replace("\r", "").split("\n")[1:-1]
    readable = [
        line for line in lines if re.search(r"\d", line) and line.isascii() and not line.startswith("#")
    ]
    if len(readable) < 2:
        raise DeviceError(
            f"port {address}: found {len(data)} bytes and no lines of numbers in {LISTEN_S:g} s; check the "
            f"baud rate (--baud, now {address.baud}) and that the board prints"
        )
    return readable


def _line_format(lines: Sequence[str]) -> tuple[WireFormat, dict[str, Any]]:
    from rig.wire import LineFormat

    separator = separator_of(lines)
    rows = [_cells(line, separator) for line in lines]
    width = max({len(row) for row in rows}, key=[len(row) for row in rows].count)
    rows = [row for row in rows if len(row) == width]
    say(f"The board prints lines of {width} columns:")
    for place in range(width):
        say(f"  column {place + 1}: {rows[0][place]} ... {rows[-1][place]}")
    force = int(_number("Which column is the force?", min(2, width), low=1, high=width))
    position = int(_number("Which column is the position?", min(3, width), low=1, high=width))
    guess = 1 if force != 1 and position != 1 else 0
    clock = int(_number("Which column is the time? (0: none)", guess, low=0, high=width))
    columns = ["ignore"] * width
    columns[force - 1], columns[position - 1] = "force", "position"
    written: dict[str, Any] = {"format": "lines", "separator": separator, "columns": columns}
    if clock:
        unit = _word("Unit of the time: us, ms or s?", "us", ("us", "ms", "s"))
        columns[clock - 1] = f"time_{unit}"
    for name, place, right in (("force", force, "N"), ("position", position, "mm")):
        written[f"{name}_unit"] = _unit(name, [row[place - 1] for row in rows], right)
    return LineFormat(**{key: value for key, value in written.items() if key != "format"}), written


def separator_of(lines: Sequence[str]) -> str:
    """Return what separates the columns of most lines.

    Examples
    --------
    >>> separator_of(["12,5,7", "13,6,8"]), separator_of(["1.0  2.0", "1.1  2.1"])
    (',', 'whitespace')
    """
    for separator in SEPARATORS:
        if sum(separator in line for line in lines) > len(lines) / 2:
            return separator
    return "whitespace"


def _cells(line: str, separator: str) -> list[str]:
    return line.split() if separator == "whitespace" else [cell.strip() for cell in line.split(separator)]


def _unit(name: str, cells: Sequence[str], right: str) -> str:
    """Unit of a column: counts, or one that is known as such."""
    from rig import units

    known = units.is_force if right == "N" else units.is_length
    while True:
        found = _line(f"Unit of the {name}: counts, or one such as {right}? [counts] ") or "counts"
        if found == "counts" and any("." in cell for cell in cells):
            say(f"Counts are whole numbers, and the board prints {cells[0]}; name the unit that it prints.")
        elif found == "counts" or known(found):
            return found
        else:
            say(f"{found!r} is not a unit of {name}; write counts, {right} or another one.")


def _scales(address: PortAddress, wire: WireFormat, written: dict[str, Any]) -> dict[str, Scale]:
    """Return the scales of force and position in counts, from a known mass and a known distance."""
    from rig.calibration import Scale
    from rig.reader import Reader
    from rig.units import parse

    in_counts = {name: written.get(f"{name}_unit", "counts") == "counts" for name in ("force", "position")}
    scales: dict[str, Scale] = {}
    if not any(in_counts.values()):
        return scales
    with Reader(address, wire) as reader:
        if in_counts["force"]:
            load = _line('A known load for the platen, such as "500 g" [Enter: leave force in counts]: ')
            if load:
                load_n = read_quantity("load", load, "N") or 0.0
                empty = _rest(reader, "Leave the platen empty and untouched, then press Enter. ")
                loaded = _rest(reader, f"Put {load} on it, wait until it rests, then press Enter. ")
                per_count = load_n / _step(
                    "force", loaded.force - empty.force, (loaded.force_u, empty.force_u)
                )
                scales["force"] = Scale(per_count, zero_counts=float(round(empty.force)))
                say(f"Force: one count is {1000 * per_count:.4g} mN.")
        if in_counts["position"]:
            way = _line('A known distance, such as "25 mm" [Enter: leave position in counts]: ')
            if way:
                way_mm = parse(way, "mm")
                far = _rest(reader, "Put the platen at the far end of that distance, then press Enter. ")
                near = _rest(reader, f"Move it {way} towards the part, then press Enter. ")
                moved = _step("position", near.position - far.position, (near.position_u, far.position_u))
                scales["position"] = Scale(way_mm / moved)
                say(f"Position: one count is {1000 * way_mm / moved:.4g} um.")
    return scales


def _rest(reader: Reader, question: str) -> Level:
    """Means over a while at rest, once a person has said so."""
    from rig.samples import Samples

    _line(question)
    while reader.get(timeout_s=0.0) is not None:  # what was taken before
        pass
    parts, begun, first_us = [], time.monotonic(), None
    while True:
        delivery = reader.get(timeout_s=0.5)
        if delivery is not None and len(delivery.samples):
            parts.append(delivery.samples)
            first_us = delivery.samples.time_us[0] if first_us is None else first_us
            if delivery.samples.time_us[-1] - first_us >= REST_S * 1e6:
                break
        if time.monotonic() - begun > PATIENCE_S:
            raise DeviceError(
                f"no samples over {REST_S:g} s within {PATIENCE_S:g} s; is the board still there?"
            )
    whole = Samples.concatenate(parts)
    force, position = whole.force.astype(float).tolist(), whole.position.astype(float).tolist()
    # a mean of whole counts is not known better than about a third of one
    root = len(whole) ** 0.5
    return Level(
        median(force), max(pstdev(force) / root, 0.3), median(position), max(pstdev(position) / root, 0.3)
    )


def _step(name: str, counts: float, errors: tuple[float, float]) -> float:
    """A change in counts that stands out from the noise."""
    if abs(counts) < CLEAR_STEP * hypot(*errors):
        raise InputError(
            f"{name}: changed by {counts:.3g} counts only, no more than its noise; check the sensor's "
            "wiring, or use a larger load or distance"
        )
    return counts


def _write(fields: dict[str, Any], out: Path) -> None:
    """Write the file once it reads back as a rig's."""
    import yaml

    from rig.rigfile import read_rig_file

    text = yaml.safe_dump(fields, sort_keys=False, allow_unicode=True)
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as problem:
        raise InputError(f"{out}: cannot be written ({problem.strerror})") from problem
    read_rig_file(out)


def _line(question: str) -> str:
    """What a person answers; without anybody there, setting up ends."""
    say(question, nl=False)
    line = sys.stdin.readline()
    if not line:
        raise InputError("setup: the answers ended before the rig file was complete; nothing was written")
    return line.strip()


def _number(question: str, usual: int, *, low: int, high: int) -> int:
    while True:
        text = _line(f"{question} [{usual}] ") or str(usual)
        if text.isdecimal() and low <= int(text) <= high:
            return int(text)
        say(f"Found {text!r}; expected a whole number from {low} to {high}.")


def _word(question: str, usual: str, words: Sequence[str]) -> str:
    while True:
        text = _line(f"{question} [{usual}] ").lower() or usual
        if text in words:
            return text
        say(f"Found {text!r}; expected one of {', '.join(words)}.")
