from __future__ import annotations

import os
from pathlib import Path

import pytest
from serial.tools.list_ports_common import ListPortInfo

from rig.errors import DeviceError, InputError
from rig.reader import PortAddress, find_port, list_ports

PORTS = [
    ("/dev/ttyUSB1", 0x5678, 0xEF01, None),
    ("/dev/ttyACM0", 0x1234, 0xABCD, "F90A"),
    ("/dev/ttyUSB0", 0x5678, 0xEF01, "F90B"),
    ("/dev/ttyS0", None, None, None),
]


def described(path: str, vendor: int | None, product: int | None, serial_number: str | None) -> ListPortInfo:
    port = ListPortInfo(path, skip_link_detection=True)
    port.vid, port.pid, port.serial_number = vendor, product, serial_number
    port.description = "invented adapter"
    return port


@pytest.fixture
def invented_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [described(*port) for port in PORTS])


@pytest.mark.usefixtures("invented_ports")
def test_ports_are_listed_by_name_with_their_marks() -> None:
    listed = list_ports()
    assert [port.path for port in listed] == ["/dev/ttyACM0", "/dev/ttyS0", "/dev/ttyUSB0", "/dev/ttyUSB1"]
    assert str(listed[0]) == "/dev/ttyACM0 (invented adapter, usb 1234:ABCD, serial number F90A)"
    assert listed[1].usb is None


@pytest.mark.usefixtures("invented_ports")
def test_listing_opens_no_port(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("serial.Serial", None)
    assert len(list_ports()) == 4


@pytest.mark.usefixtures("invented_ports")
def test_a_port_is_found_by_usb_id_or_serial_number() -> None:
    assert find_port(PortAddress(usb="1234:abcd")) == "/dev/ttyACM0"
    assert find_port(PortAddress(serial_number="F90B")) == "/dev/ttyUSB0"


@pytest.mark.usefixtures("invented_ports")
def test_an_absent_adapter_is_said_with_what_is_there() -> None:
    with pytest.raises(
        DeviceError, match=r"none found with USB 4321:dcba\. The system lists /dev/ttyACM0 \("
    ):
        find_port(PortAddress(usb="4321:dcba"))
    with pytest.raises(DeviceError, match="none found with serial number F90C"):
        find_port(PortAddress(serial_number="F90C"))


@pytest.mark.usefixtures("invented_ports")
def test_two_adapters_alike_are_said_with_the_way_out() -> None:
    with pytest.raises(DeviceError, match=r"2 match USB 5678:ef01: /dev/ttyUSB0 .*Give the serial_number"):
        find_port(PortAddress(usb="5678:ef01"))


@pytest.mark.skipif(os.name == "nt", reason="paths of Linux and macOS")
def test_a_bare_name_is_a_device_and_a_path_stays() -> None:
    assert find_port(PortAddress(path="null")) == "/dev/null"
    assert str(PortAddress(path="ttyUSB0")) == "/dev/ttyUSB0"
    assert str(PortAddress(path="COM3")) == "COM3"
    assert str(PortAddress(path="/srv/bench")) == "/srv/bench"
    assert str(PortAddress(path="./bench")) == str(Path.cwd() / "bench")


def test_a_link_that_leads_nowhere_is_no_port(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("serial.tools.list_ports.comports", list)
    (tmp_path / "rig").symlink_to(tmp_path / "gone")
    with pytest.raises(DeviceError, match=r"there is no such port\. The system lists no serial port"):
        find_port(PortAddress(path=str(tmp_path / "rig")))


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ({}, "port: found none of them, expected exactly one"),
        ({"path": "ttyUSB0", "usb": "1234:abcd"}, "found path and usb, expected exactly one"),
        ({"path": " "}, r"port\.path: found ' ', expected text"),
        ({"usb": "1234"}, r"port\.usb: found '1234', expected VID:PID"),
        ({"path": "ttyUSB0", "baud": 0}, r"port\.baud: found 0, expected bits per second"),
        ({"path": "ttyUSB0", "baud": "fast"}, r"port\.baud: found 'fast', expected bits per second"),
    ],
)
def test_a_wrong_address_is_refused_with_the_key(keys: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        PortAddress(**keys)
