"""`pressrig setup`: write the file of a rig by answering questions, with a first scale of force and position.

Problem: somebody who owns a board and a lever has no rig file, and does not know what a count is. Plan: the
port is chosen from a list, the board is asked who it is, else its lines are shown column by column; a known
mass and a known distance then give the first scales. What is written is read back as a rig file before
anybody relies on it. Cost: a minute at the terminal.
"""

from __future__ import annotations

import re
import time
from collections.abc import Sequence
from math import hypot
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import yaml

from rig import units
from rig.calibration import Calibration, PlateauRule, Scale
from rig.calibrationfile import calibration_text
from rig.cli.logs import log_to_file
from rig.cli.options import FILE, port_option
from rig.cli.output import say
from rig.cli.setup_asking import answer_to, quantity_answered, readings
from rig.cli.setup_driven import ask_drive, try_contacts
from rig.errors import DeviceError, InputError
from rig.jobs.cautions import LOADING_CAUTION
from rig.jobs.plateau_taking import take_plateau
from rig.reader import Link, PortAddress, Reader, find_port, list_ports
from rig.rigfile import read_rig_file
from rig.samples import Status
from rig.wire import LineFormat

if TYPE_CHECKING:
    from rig.calibration import Plateau
    from rig.jobs.plateau_taking import ChannelName, Settling
    from rig.reader import WireFormat

LISTEN_S = 2.5
"""How long lines are read before they are shown: some twenty of a slow board."""

CLEAR_STEP = 10.0
"""A change below this many standard errors of the two means is none."""

LEAST_U_COUNTS = 0.3
"""A mean of whole counts is not known better than about a third of one."""

PLATEAU_S = 2.0
PLATEAU_READINGS = 30
"""A reading at rest lasts at least 2 s, and on a slow board as long as 30 readings take."""

PATIENCE_PLATEAUS = 6.0
"""How long rest is waited for before the person is asked again, in readings at rest."""

DRIFT_COUNTS = 10.0
DRIFT_SHARE = 0.002
"""How far a reading at rest may drift: more than in a calibration, as a lever may be held by hand. A first
scale is good to some tenths of a percent, and `pressrig calibrate` follows."""

BAUDS = (115_200, 250_000)
"""Speeds that are tried if none is given: that of most boards, and that of the reference firmware."""

SEPARATORS = (",", ";", "\t", "|")
TIMES = ("time_us", "time_ms", "time_s")


@click.command("setup")
@port_option("Port of the board.  [default: chosen from a list]")
@click.option("--baud", type=click.IntRange(1), help="Speed of the port.  [default: 115200, then 250000]")
@click.option("--name", metavar="NAME", default="my rig", show_default=True, help="Name of the rig.")
@click.option(
    "--out", type=FILE, default=Path("my-rig.yaml"), show_default=True,
    help="Rig file to write; an existing file is not overwritten.",
)  # fmt: skip
def command(*, port: str | None, baud: int | None, name: str, out: Path) -> None:
    """Ask for port, format and counts, and write a rig file with a first calibration beside it.

    You need a known mass, such as 500 g, and a known distance, such as a 25 mm gauge block; press Enter to
    skip either. If the device drives its platen, the emergency stop and the switches are tried first, with
    the motor supply off. Nothing moves by itself.
    """
    calibration_file = out.with_name(f"{out.stem}-calibration.yaml")
    _must_be_free(out, calibration_file)
    port = port or _chosen_port()
    say("Opening the port can reset the board: keep your hands clear of the platens.", err=True)
    skipped: list[str] = []
    with log_to_file():
        address, wire, written, drives = _recognised(port, BAUDS if baud is None else (baud,))
        fields: dict[str, Any] = {
            "name": name,
            "port": {"path": str(address.path), "baud": address.baud},
            "wire": written,
        }
        if drives:
            with Reader(address, wire) as reader:
                skipped = try_contacts(reader)
        scales = _scales(address, wire, written)
        if drives:
            with Reader(address, wire) as reader:
                drive = ask_drive(reader, scales)
                written["rate_hz"] = reader.granted_hz
            fields |= {"drive": drive} if drive else {}
    if scales:
        fields["calibration"] = calibration_file.name
    first = Calibration(scales.get("force"), scales.get("position"), name=name)
    texts = {calibration_file: calibration_text(first)} if scales else {}
    _write(texts | {out: yaml.safe_dump(fields, sort_keys=False, allow_unicode=True)})
    read_rig_file(out)
    for what in skipped:
        say(f"Skipped; try before anything moves: {what}.")
    say(f"Wrote {out}" + (f" and {calibration_file}." if scales else "."))
    if scales:
        say("These first scales have no uncertainty yet. Calibrate them with several masses and distances:")
        for channel in scales:
            say(f"  pressrig calibrate {channel} --rig {out}")
    if drives:
        say(f"Before anything moves: pressrig check-device --rig {out} --no-motion")
    else:
        say(f"Then squeeze pieces: pressrig session --rig {out} --model NAME --count 20")


def _must_be_free(out: Path, calibration_file: Path) -> None:
    """Refuse files that cannot be written, before a person has answered twenty questions."""
    for path in (out, calibration_file):
        if path.exists():
            raise InputError(f"{path}: already exists; give another file with --out")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        out.touch(exist_ok=False)
        out.unlink()
    except OSError as problem:
        raise _not_written(out, problem) from problem


def _chosen_port() -> str:
    ports = list_ports()
    if not ports:
        raise InputError("setup: no serial port found; plug in the board, or give the port with --port")
    for number, port in enumerate(ports, start=1):
        say(f"{number}: {port.path}  {port.description or ''}")
    return ports[int(_number("Which port?", 1, low=1, high=len(ports))) - 1].path


def _recognised(port: str, bauds: Sequence[int]) -> tuple[PortAddress, WireFormat, dict[str, Any], bool]:
    """Return where the device is heard, its format for the reader and for the file, and whether it drives.

    Raises DeviceError if it is heard at none of the speeds; the first refusal.
    """
    refusals = []
    for baud in bauds:
        address = PortAddress(path=port, baud=baud)
        try:
            return address, *_format_of(address)
        except DeviceError as problem:
            if _is_taken(problem):
                raise
            refusals.append(problem)
    raise refusals[0]


def _is_taken(problem: DeviceError) -> bool:
    """Return whether the port itself cannot be had, so that no other speed or format helps."""
    return "does not open" in str(problem) or "another program" in str(problem)


def _format_of(address: PortAddress) -> tuple[WireFormat, dict[str, Any], bool]:
    """Return whether the device speaks in frames, else what its lines hold; and whether it drives its
    platen."""
    try:
        with Reader(address, "framed") as reader:
            identity = reader.identity
            who = "" if identity is None else f" {identity.name!r}, unit {identity.unit_id.hex()}"
            say(f"The device speaks the framed protocol{':' if who else ''}{who}, at {address.baud} baud.")
            return "framed", {"format": "framed"}, reader.drives
    except DeviceError as problem:
        if _is_taken(problem):
            raise
    return *_line_format(_lines(address)), False


def _lines(address: PortAddress) -> list[str]:
    """Whole lines of text that the board prints."""
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
            f"baud rate (--baud, now {address.baud}) and that the board prints numbers"
        )
    return readable


def _line_format(lines: Sequence[str]) -> tuple[WireFormat, dict[str, Any]]:
    separator = separator_of(lines)
    rows = [
        line.split() if separator == "whitespace" else [cell.strip() for cell in line.split(separator)]
        for line in lines
    ]
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
        unit = _word("Unit of time: us, ms or s?", "us", ("us", "ms", "s"))
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


def _unit(name: str, cells: Sequence[str], right: str) -> str:
    """Unit of a column: counts, or one that is known as such."""
    known = units.is_force if right == "N" else units.is_length
    while True:
        found = answer_to(f"Unit of the {name}: counts, or one such as {right}? [counts] ") or "counts"
        if found == "counts" and any("." in cell for cell in cells):
            say(f"Counts are whole numbers, but the board prints {cells[0]}; give its unit.")
        elif found == "counts" or known(found):
            return found
        else:
            say(f"{found!r} is not a unit of {name}; write counts, {right} or another one.")


def _scales(address: PortAddress, wire: WireFormat, written: dict[str, Any]) -> dict[str, Scale]:
    """Return the scales of force and position in counts, from a known mass and a known distance."""
    in_counts = {name: written.get(f"{name}_unit", "counts") == "counts" for name in ("force", "position")}
    scales: dict[str, Scale] = {}
    if not any(in_counts.values()):
        return scales
    say(f"caution: {LOADING_CAUTION}", err=True)
    with Reader(address, wire) as reader:
        rule = _rule(reader)
        if in_counts["force"]:
            given = quantity_answered(
                'A known load, such as "500 g" [Enter: leave force in counts]: ', "load", "N"
            )
            if given is not None:
                load, load_n = given
                empty, step = _step(
                    reader, "force", rule, "Leave the platen empty and untouched, then press Enter. ",
                    f"Put {load} on it, wait until it settles, then press Enter. ",
                )  # fmt: skip
                scales["force"] = Scale(load_n / step, zero_counts=float(round(empty.counts)))
                say(f"Force: one count is {1000 * load_n / step:.4g} mN.")
        if in_counts["position"]:
            given = quantity_answered(
                'A known distance, such as "25 mm" [Enter: leave position in counts]: ', "distance", "mm"
            )
            if given is not None:
                way, way_mm = given
                _, step = _step(
                    reader, "position", rule,
                    "Put the platen at the far end of that distance, then press Enter. ",
                    f"Move it {way} towards the part, then press Enter. ",
                )  # fmt: skip
                scales["position"] = Scale(way_mm / step)
                say(f"Position: one count is {1000 * way_mm / step:.4g} um.")
    return scales


def _rule(reader: Reader) -> PlateauRule:
    """Return what counts as at rest on this board: a slow one is read for longer."""
    taken = readings(reader)
    fresh = (taken.status & Status.FRESH_FORCE) != 0
    # the converter may be slower than the samples, which then repeat its last reading
    times_us = taken.time_us[fresh] if fresh.sum() > 1 else taken.time_us
    between_s = (times_us[-1] - times_us[0]) / 1e6 / (len(times_us) - 1)
    return PlateauRule(max(PLATEAU_S, PLATEAU_READINGS * between_s), DRIFT_SHARE, DRIFT_COUNTS)


def _rest(
    reader: Reader, channel: ChannelName, rule: PlateauRule, question: str, zero_counts: float | None = None
) -> Plateau:
    """Return a reading at rest, once a person has said so; ask again if it does not come to rest."""
    while True:
        answer_to(question)
        waiting = False

        def tell(now: Settling) -> None:
            nonlocal waiting
            if now.hint and not waiting:
                waiting = True
                say("  Not at rest yet; waiting.")

        try:
            return take_plateau(
                reader,
                channel,
                rule=rule,
                zero_counts=zero_counts,
                patience_s=PATIENCE_PLATEAUS * rule.least_s,
                on_progress=tell,
            )
        except InputError as problem:
            say(f"  Not taken: {problem}.")


def _step(
    reader: Reader, channel: ChannelName, rule: PlateauRule, first: str, then: str
) -> tuple[Plateau, float]:
    """Return the first reading at rest, and the change in counts to the second; ask for both again until the
    change stands out from the noise."""
    while True:
        before = _rest(reader, channel, rule, first)
        after = _rest(reader, channel, rule, then, before.counts)
        counts = after.counts - before.counts
        noise = hypot(*(max(level.u_counts, LEAST_U_COUNTS) for level in (before, after)))
        if abs(counts) >= CLEAR_STEP * noise:
            return before, counts
        say(f"  The {channel} changed by {counts:.2g} counts, no more than its noise: check the wiring,")
        say("  or use a larger load or distance. Ctrl-C ends without writing anything.")


def _write(texts: dict[Path, str]) -> None:
    """Write new files, all or none: one alone would only be in the way of the next try.

    Raises InputError if one cannot be written; what was to be in them is then shown.
    """
    begun: list[Path] = []
    for path, text in texts.items():
        try:
            with path.open("x", encoding="utf-8") as file:
                begun.append(path)
                file.write(text)
        except OSError as problem:
            for own in begun:
                own.unlink(missing_ok=True)
            for other, lost in texts.items():
                say(f"{other}, to be saved by hand:\n{lost}")
            raise _not_written(path, problem) from problem


def _not_written(out: Path, problem: OSError) -> InputError:
    return InputError(f"{out}: cannot be written ({problem.strerror}); give another file with --out")


def _number(question: str, usual: int, *, low: int, high: int) -> int:
    while True:
        text = answer_to(f"{question} [{usual}] ") or str(usual)
        if text.isdecimal() and low <= int(text) <= high:
            return int(text)
        say(f"Found {text!r}; expected a whole number from {low} to {high}.")


def _word(question: str, usual: str, words: Sequence[str]) -> str:
    while True:
        text = answer_to(f"{question} [{usual}] ").lower() or usual
        if text in words:
            return text
        say(f"Found {text!r}; expected one of {', '.join(words)}.")
