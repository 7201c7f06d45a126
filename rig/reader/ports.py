"""Which port a rig is on.

Problem: port names change with the socket a cable is in. Plan: an address names a path, or what a USB
adapter says of itself; it is looked up anew at each opening. Looking never opens a port, because opening
can reset a board in motion. Cost: one walk through the system's list of ports.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports as system_ports

from rig.errors import DeviceError, InputError

DEFAULT_BAUD = 115_200

MAX_BAUD = 20_000_000
"""Faster than any adapter; above it a number is a slip of the pen."""

_USB_ID = re.compile(r"[0-9A-Fa-f]{4}:[0-9A-Fa-f]{4}")
_WINDOWS_NAME = re.compile(r"COM\d+", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class PortAddress:
    """Where to find the rig: exactly one of `path`, `usb` and `serial_number`.

    `path`: "ttyUSB0" (in /dev), "COM3", or an absolute path, which may be a symbolic link.
    `usb`: vendor and product of the USB adapter, four hexadecimal digits each: "1234:abcd".

    Raises InputError if not exactly one is given, or if one is malformed.
    """

    path: str | None = None
    usb: str | None = None
    serial_number: str | None = None
    baud: int = DEFAULT_BAUD

    def __post_init__(self) -> None:
        given = {
            name: value
            for name in ("path", "usb", "serial_number")
            if (value := getattr(self, name)) is not None
        }
        if len(given) != 1:
            found = " and ".join(given) or "none of them"
            raise InputError(f"port: found {found}, expected exactly one of path, usb, serial_number")
        name, value = next(iter(given.items()))
        if not isinstance(value, str) or not value.strip() or "\0" in value:
            raise InputError(f"port.{name}: found {value!r}, expected text such as 'ttyUSB0'")
        if self.usb is not None and not _USB_ID.fullmatch(self.usb):
            raise InputError(f"port.usb: found {self.usb!r}, expected VID:PID such as '1234:abcd'")
        if not isinstance(self.baud, int) or not 0 < self.baud <= MAX_BAUD:
            raise InputError(f"port.baud: found {self.baud!r}, expected bits per second such as 115200")

    def __str__(self) -> str:
        if self.path is not None:
            return _device_path(self.path)
        return f"USB {self.usb}" if self.usb is not None else f"serial number {self.serial_number}"


@dataclass(frozen=True, slots=True)
class PortDescription:
    """A port as the system describes it. `usb` and `serial_number` are None where it is no USB adapter."""

    path: str
    description: str
    usb: str | None
    serial_number: str | None

    def __str__(self) -> str:
        marks = [self.description]
        marks += [f"usb {self.usb}"] if self.usb else []
        marks += [f"serial number {self.serial_number}"] if self.serial_number else []
        return f"{self.path} ({', '.join(marks)})"


def list_ports() -> list[PortDescription]:
    """Return the ports that the system knows, by name. Opens none of them."""
    found = [
        PortDescription(
            path=port.device,
            description=port.description or "n/a",
            usb=None if port.vid is None or port.pid is None else f"{port.vid:04X}:{port.pid:04X}",
            serial_number=port.serial_number or None,
        )
        for port in system_ports.comports()
    ]
    return sorted(found, key=lambda port: port.path)


def find_port(address: PortAddress) -> str:
    """Return the path of the port at an address.

    Raises DeviceError if there is no such port, or if more than one matches. The message lists what is there.
    """
    if address.path is not None:
        path = _device_path(address.path)
        if os.name != "nt" and not Path(path).exists():
            raise DeviceError(f"port {path}: there is no such port. {_present(list_ports())}")
        return path
    ports = list_ports()
    matching = [
        port
        for port in ports
        if (
            port.usb == address.usb.upper()
            if address.usb is not None
            else port.serial_number == address.serial_number
        )
    ]
    if not matching:
        raise DeviceError(f"port: none found with {address}. {_present(ports)}")
    if len(matching) > 1:
        raise DeviceError(
            f"port: {len(matching)} match {address}: {_listed(matching)}. "
            "Give the serial_number of the one that is meant, or its path."
        )
    return matching[0].path


def _device_path(path: str) -> str:
    if os.name == "nt" or os.path.isabs(path) or _WINDOWS_NAME.fullmatch(path):  # noqa: PTH117
        return path
    if path.startswith(("./", "../")):
        return str(Path(path).absolute())
    return f"/dev/{path}"


def _present(ports: Sequence[PortDescription]) -> str:
    if not ports:
        return "The system lists no serial port: is the cable plugged in?"
    return f"The system lists {_listed(ports)}."


def _listed(ports: Sequence[PortDescription]) -> str:
    return "; ".join(str(port) for port in ports)
