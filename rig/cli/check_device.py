"""`pressrig check-device`: whether a device keeps the wire protocol, rule by rule."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.text import Text

from rig.cli.attending import have_cautions_read
from rig.cli.check_device_person import PersonAtTheRig
from rig.cli.main import INTERRUPTED
from rig.cli.options import FILE, PATH, listed, port_option, quantity_option, rig_option
from rig.cli.ordering import meant_rig
from rig.cli.output import console, is_plain, json_option, print_json, say, write_json
from rig.cli.stopping import stop_on_signals
from rig.conformance import (
    ALL_CHECKS,
    GROUPS,
    BenchOrders,
    Bounds,
    Dialogue,
    Nobody,
    Stand,
    Verdict,
    run_suite,
)
from rig.errors import DeviceError, InputError
from rig.reader import Link, PortAddress, find_port
from rig.rigfile import read_rig_file
from rig.sheets import (
    conformance_document,
    conformance_headline,
    conformance_page,
    empty_table,
    page_html,
    page_markdown,
)
from rig.wire import FrameDecoder, LineDecoder

if TYPE_CHECKING:
    from rig.conformance import CheckOutcome, ConformanceReport, Provoker
    from rig.rigfile import RigFile

SUFFIXES = (".html", ".md", ".json")


WRAP_PATIENCE_S = 5.0
LONG_WRAP_PATIENCE_S = 200.0
"""The number of a sample wraps after 131 s at 500 in a second."""

BASE_MM = 1.0
STROKE_MM = 1.0
LONGEST_S = 6.0
"""Of a motion that is meant to be stopped on its way, well before it arrives."""

HAND_CAUTION = (
    "You trigger the trips one by one: plugs at the board, a stick through an opening of the guard. No hand "
    "inside the guard while the motor supply is on; press s to skip what you cannot do safely."
)

SHARE_OF_TRAVEL = 0.25
HOMING_MM_PER_S = 5.0


@click.command("check-device")
@port_option("Port of the device.  [default: the rig file's]")
@click.option(
    "--baud", type=click.IntRange(1), metavar="N", help="Baud rate.  [default: the rig file's, or 115200]"
)
@rig_option("The rig file: format, and how far the platen may move.", required=False)
@click.option("--only", metavar="NAME,...", help="Run only these groups or checks; --groups lists them.")
@click.option(
    "--groups", "list_groups", is_flag=True, help="List the groups and their checks without opening a port."
)
@click.option("--no-motion", is_flag=True, help="Never arm the drive.")
@quantity_option("--speed", "speed_mm_per_s", "Platen speed.", default="2 mm/s")
@click.option("--bench", type=PATH, help="Control socket of a simulated press, used to trip it.")
@click.option("--patient", is_flag=True, help="Wait some minutes for the sample number to wrap.")
@click.option("--report", type=FILE, help="Report file: .html, .md or .json.")
@click.option("--yes", is_flag=True, help="Confirm the cautions without being asked.")
@json_option
def command(
    *,
    port: str | None,
    baud: int | None,
    rig_file: Path | None,
    only: str | None,
    list_groups: bool,
    no_motion: bool,
    speed_mm_per_s: float,
    bench: Path | None,
    patient: bool,
    report: Path | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Check a device against every rule of the wire protocol, and print what each failure costs.

    Without --bench you are asked to trigger the trips, and may skip each. Leave nothing between the platens.
    The platen moves only with a rig file that has a `drive:` section, by a few millimetres, and is disarmed
    at the end. The exit code is 1 if the device breaks a rule.
    """
    groups = _groups(only)
    if list_groups:
        for check in ALL_CHECKS:
            if check.group in groups or check.name in groups:
                say(f"{check.group:10} {check.name:26} {check.what}")
        return
    if report is not None and report.suffix.lower() not in SUFFIXES:
        raise InputError(f"--report {report}: expected a name that ends in {', '.join(SUFFIXES)}")
    if report is not None and not report.resolve().parent.is_dir():
        raise InputError(f"--report {report}: there is no folder {report.parent}; make it first")
    rig = None if rig_file is None else read_rig_file(rig_file)
    address = _address(rig, port, baud)
    bounds = None if rig is None or no_motion else _bounds(rig, speed_mm_per_s)
    if bounds is not None and rig is not None:
        say("caution: Leave nothing between the platens. The platen homes, then moves a little.", err=True)
        if bench is None:
            say(f"caution: {HAND_CAUTION}", err=True)
        have_cautions_read(meant_rig(rig, port), "check-device", already=yes)
    patience_s = LONG_WRAP_PATIENCE_S if patient else WRAP_PATIENCE_S
    found = _performed(
        rig, address, bounds, bench=bench, groups=groups, motion=not no_motion, patience_s=patience_s
    )
    _show(found, as_json)
    if report is not None and report.suffix.lower() == ".json":
        write_json(conformance_document(found), report)
    elif report is not None:
        page, as_html = conformance_page(found), report.suffix.lower() == ".html"
        report.write_text(page_html(page, {}) if as_html else page_markdown(page), encoding="utf-8")
    if found.interrupted:
        if found.stopped:
            raise click.exceptions.Exit(INTERRUPTED)
        raise DeviceError(found.interrupted)
    if not found.passed:
        raise click.exceptions.Exit(1)


def _groups(only: str | None) -> tuple[str, ...]:
    """Return the groups and checks asked for."""
    if only is None:
        return GROUPS
    wanted = tuple(listed([only]))
    known = {*GROUPS, *(check.name for check in ALL_CHECKS)}
    if not wanted or not known.issuperset(wanted):
        found = next((name for name in wanted if name not in known), only)
        raise InputError(f"--only: found {found!r}, expected some of {', '.join(GROUPS)}, or names of checks")
    return wanted


def _address(rig: RigFile | None, port: str | None, baud: int | None) -> PortAddress:
    if rig is not None:
        address = rig.address(port)
    elif port is None:
        raise InputError("--port is missing; `pressrig ports` lists the ports")
    else:
        address = PortAddress(path=port)
    return address if baud is None else replace(address, baud=baud)


def _bounds(rig: RigFile, speed_mm_per_s: float) -> Bounds | None:
    """Return what may be moved, in counts; None for a rig without a drive."""
    limits = rig.limits
    force, position = rig.calibration.force, rig.calibration.position
    if limits is None or limits.by_hand or force is None or position is None:
        return None
    if speed_mm_per_s > limits.speed_mm_per_s:
        raise InputError(
            f"--speed: found {speed_mm_per_s:g} mm/s, the rig's limit is {limits.speed_mm_per_s:g} mm/s"
        )
    low_mm, high_mm = limits.travel_mm
    base_mm = low_mm + min(BASE_MM, 0.05 * limits.span_mm)
    stroke_mm = min(STROKE_MM, 0.05 * limits.span_mm)
    far_mm = base_mm + min(speed_mm_per_s * LONGEST_S, SHARE_OF_TRAVEL * limits.span_mm)

    def counts(value_mm: float) -> int:
        return round(float(position.counts(value_mm)))

    return Bounds(
        min_force=round(float(force.counts(limits.force_n[0]))),
        max_force=round(float(force.counts(limits.force_n[1]))),
        min_position=counts(low_mm),
        max_position=counts(high_mm),
        speed=max(round(speed_mm_per_s / position.per_count), 1),
        home_speed=max(round(min(HOMING_MM_PER_S, limits.speed_mm_per_s) / position.per_count), 1),
        base=counts(base_mm),
        stroke=counts(base_mm + stroke_mm) - counts(base_mm),
        far=counts(far_mm),
        deceleration=round(limits.deceleration_mm_per_s2 / position.per_count),
    )


def _performed(
    rig: RigFile | None,
    address: PortAddress,
    bounds: Bounds | None,
    *,
    bench: Path | None,
    groups: tuple[str, ...],
    motion: bool,
    patience_s: float,
) -> ConformanceReport:
    """Open the port and perform the checks; the device is left disarmed, Ctrl-C or not."""
    lines = rig.wire if rig is not None and rig.wire != "framed" else None
    decoder = FrameDecoder() if lines is None else LineDecoder(lines)
    options = {} if lines is None else {"time_modulus_us": lines.time_modulus_us}
    with stop_on_signals() as stopped, _provoker(bench, stopped) as provoker:
        link = Link(find_port(address), address.baud)
        try:
            talk = Dialogue(link, decoder, stopped=stopped.is_set)
            stand = Stand(talk, bounds, provoker, wrap_patience_s=patience_s, **options)
            stand.meet(lines=lines is not None)
            return run_suite(stand, groups, motion=motion, tell=_tell)
        finally:
            link.close()


@contextmanager
def _provoker(bench: Path | None, stopped: threading.Event) -> Iterator[Provoker]:
    """Whoever provokes the trips: a bench, a person at the terminal, or neither."""
    if bench is not None:
        orders = BenchOrders(bench)
        try:
            yield orders
        finally:
            orders.close()
    elif sys.stdin is not None and sys.stdin.isatty():
        yield PersonAtTheRig(stopped)
    else:
        yield Nobody("needs a person to trigger it; run it in a terminal, or give --bench SOCKET")


def _tell(outcome: CheckOutcome) -> None:
    """Say an outcome on a terminal as soon as it is there."""
    if sys.stderr is not None and sys.stderr.isatty():
        say(f"{outcome.verdict.value:10} {outcome.check.what}", err=True)


def _show(found: ConformanceReport, as_json: bool) -> None:
    if as_json:
        print_json(conformance_document(found))
        return
    name = str(found.device.get("name", "a device"))
    table = empty_table(f"Check of {name}", plain=is_plain())
    for heading in ("outcome", "check", "found, or reason"):
        table.add_column(heading, overflow="fold")
    colours = {Verdict.PASSED: "green", Verdict.FAILED: "bold red", Verdict.NOT_TRIED: "yellow"}
    for outcome in found.outcomes:
        verdict = Text(outcome.verdict.value, style=colours[outcome.verdict])
        table.add_row(verdict, outcome.check.name, outcome.found or outcome.why)
    out = console()
    out.print(table)
    for outcome in found.of(Verdict.FAILED):
        check = outcome.check
        out.print(f"\n{check.what} ({check.name})", style="bold")
        out.print(f"  rule: {check.rule}\n  found: {outcome.found}")
        out.print(f"  expected: {check.expected}\n  what it costs: {check.cost}")
    out.print(f"\n{conformance_headline(found)}")
    if found.disarmed is False:
        say("pressrig: THE DEVICE REPORTS THAT IT IS STILL ARMED: switch its motor off", err=True)
