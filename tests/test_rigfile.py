"""A rig's file is read as it was meant, or refused with the file, the field, what was found and what is
right."""

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.calibration import Calibration, Delay, Frame, Scale
from rig.errors import InputError
from rig.reader import PortAddress
from rig.rigfile import read_rig_file
from rig.wire import LineDecoder, LineFormat

WHOLE = """
name: bench
port: {path: ttyUSB0, baud: 250000}
wire: {format: framed, rate_hz: 500}
force: {per_count: "1 mN", zero_counts: 12, delay: "2.5 ms"}
position: {per_count: "5 um", zero_counts: -7.5}
frame: {compliance: "20 um/N"}
notes: a harbour workshop
"""
SHORTEST = "name: bench\nwire: {format: framed}\n"


@pytest.fixture
def read(tmp_path):
    """Reads a rig file of a given text."""

    def from_text(text):
        path = tmp_path / "rig.yaml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_rig_file(path)

    return from_text


@pytest.fixture
def refusal(read, tmp_path):
    """What is said of a rig file that is refused; every refusal begins with the file."""

    def of_text(text):
        with pytest.raises(InputError) as refused:
            read(text)
        said = str(refused.value)
        assert said.startswith(str(tmp_path / "rig.yaml"))
        return said.removeprefix(str(tmp_path / "rig.yaml"))

    return of_text


def test_every_field_is_read_in_its_unit(read):
    rig = read(WHOLE)
    assert (rig.name, rig.wire, rig.rate_hz) == ("bench", "framed", 500.0)
    assert rig.port == PortAddress(path="ttyUSB0", baud=250_000)
    assert rig.calibration == Calibration(
        Scale(0.001, 12.0), Scale(0.005, -7.5), Delay(0.0025), Frame.straight(0.02)
    )


def test_the_whole_file_is_kept_for_the_capture(read):
    assert read(WHOLE).source["notes"] == "a harbour workshop"
    assert read(WHOLE).source["force"] == {"per_count": "1 mN", "zero_counts": 12, "delay": "2.5 ms"}


def test_a_name_and_a_wire_format_are_enough(read):
    rig = read(SHORTEST)
    assert (rig.port, rig.rate_hz, rig.calibration) == (None, None, Calibration())


def test_a_delay_without_the_size_of_a_count_is_kept(read):
    assert read(SHORTEST + 'force: {delay: "4 ms"}').calibration == Calibration(delay=Delay(0.004))


def test_a_negative_size_of_a_count_is_a_sensor_mounted_the_other_way_round(read):
    rig = read(SHORTEST + 'force: {per_count: "-2 g"}\nposition: {per_count: "-0.001 in"}')
    assert rig.calibration.force.per_count == pytest.approx(-0.0196133, rel=1e-12)
    assert rig.calibration.position.per_count == pytest.approx(-0.0254, rel=1e-12)


@pytest.mark.parametrize(
    ("port", "address"),
    [
        ("{path: ttyUSB0}", PortAddress(path="ttyUSB0")),
        ("{path: /dev/serial/by-id/press}", PortAddress(path="/dev/serial/by-id/press")),
        ('{usb: "1234:abcd"}', PortAddress(usb="1234:abcd")),
        ('{serial_number: "0012"}', PortAddress(serial_number="0012")),
    ],
)
def test_a_port_is_named_by_path_usb_id_or_serial_number(read, port, address):
    assert read(SHORTEST + f"port: {port}").port == address


def test_the_command_lines_port_comes_before_the_files_and_keeps_its_speed(read):
    assert read(WHOLE).address("ttyACM1") == PortAddress(path="ttyACM1", baud=250_000)
    assert read(WHOLE).address(None) == PortAddress(path="ttyUSB0", baud=250_000)
    assert read(SHORTEST).address("ttyACM1").baud == 115_200


def test_a_rig_without_a_port_asks_for_one(read):
    with pytest.raises(InputError, match=r"rig bench: no port; add `port: .*` to its file, or give --port"):
        read(SHORTEST).address(None)


def test_lines_without_keys_are_those_of_the_protocols_example(read):
    assert read("name: bench\nwire: {format: lines}").wire == LineFormat()


def test_every_key_of_lines_is_read(read):
    rig = read(
        """
name: bench
wire:
  format: lines
  separator: ";"
  columns: [seq, time_ms, ignore, position, force]
  time_bits: 16
  force_unit: lbf
  position_unit: in
  checksum: xor8
  comment: "%"
"""
    )
    columns = ("seq", "time_ms", "ignore", "position", "force")
    assert rig.wire == LineFormat(";", columns, 16, "lbf", "in", "xor8", "%")


@pytest.mark.parametrize("none", ["none", "null"])
def test_a_time_that_does_not_wrap_has_no_bits(read, none):
    assert read(f"name: bench\nwire: {{format: lines, time_bits: {none}}}").wire.time_bits is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("wire: {format: framed}", ["name is missing"]),
        ("name: bench", ["wire is missing"]),
        ("name: bench\nwire: {}", ["wire.format is missing"]),
        ('name: ""\nwire: {format: framed}', ["name: found ''"]),
        ("name: bench\nwire: {format: binary}", ["wire.format: found 'binary'", "framed", "lines"]),
        ("name: bench\nwire: framed", ["wire: found 'framed'"]),
        (SHORTEST + "speed: 3", ["speed is not a key of a rig file", "name, sense, port, wire"]),
        (SHORTEST + "7: 3", ["7 is not a key of a rig file"]),
        (SHORTEST + "force: {per_coutn: 1 mN}", ["force.per_coutn is not a key"]),
        (SHORTEST + "force: {per_count: 0.001}", ["found 0.001, expected a number with its unit"]),
        (SHORTEST + 'force: {per_count: "0.001"}', ["force.per_count: '0.001' has no unit", "0.001 N"]),
        (SHORTEST + 'force: {per_count: "5 um"}', ["force.per_count: ", "does not convert to 'N'"]),
        (SHORTEST + 'position: {per_count: "1 N"}', ["position.per_count: ", "does not convert to 'mm'"]),
        (SHORTEST + 'force: {per_count: "0 N"}', ["force.per_count: found zero", "size of a count"]),
        (SHORTEST + 'position: {per_count: "0 mm"}', ["position.per_count: found zero"]),
        (SHORTEST + "force: {zero_counts: .nan}", ["line 3: 'zero_counts': found '.nan'"]),
        (SHORTEST + "position: {zero_counts: much}", ["position.zero_counts: found 'much'"]),
        (SHORTEST + 'force: {delay: "-1 ms"}', ["force.delay: found a negative value", "zero or more"]),
        (SHORTEST + 'force: {delay: "3 mm"}', ["force.delay: ", "does not convert to 's'"]),
        (SHORTEST + 'frame: {compliance: "-1 um/N"}', ["frame.compliance: found a negative value"]),
        (SHORTEST + 'frame: {compliance: "3 N/mm"}', ["frame.compliance: ", "does not convert to 'mm/N'"]),
        (SHORTEST + "port: {baud: 9600}", ["port: found none of them", "path, usb, serial_number"]),
        (SHORTEST + 'port: {path: a, usb: "1234:5678"}', ["port: found path and usb", "exactly one"]),
        (SHORTEST + "port: {usb: arduino}", ["port.usb: found 'arduino'", "VID:PID"]),
        (SHORTEST + "port: {path: a, baud: 0}", ["port.baud: found 0"]),
        (SHORTEST + "port: ttyUSB0", ["port: found 'ttyUSB0'"]),
        ("name: bench\nwire: {format: framed, rate_hz: 0}", ["wire.rate_hz: found 0"]),
        ("name: bench\nwire: {format: framed, separator: ';'}", ["wire.separator: belongs to"]),
        ("name: bench\nwire: {format: lines, separator: ab}", ["wire.separator: found 'ab'"]),
        ("name: bench\nwire: {format: lines, columns: [force]}", ["wire.columns: found ('force',)"]),
        ("name: bench\nwire: {format: lines, time_bits: 3}", ["wire.time_bits: found 3"]),
        ("name: bench\nwire: {format: lines, time_bits: many}", ["wire.time_bits"]),
        ("name: bench\nwire: {format: lines, force_unit: mm}", ["wire.force_unit: found 'mm'", "N, lbf"]),
        ("name: bench\nwire: {format: lines, position_unit: N}", ["wire.position_unit: found 'N'"]),
        ("name: bench\nwire: {format: lines, checksum: crc}", ["wire.checksum: found 'crc'", "xor8"]),
        ("name: bench\nwire: {format: lines, comment: 1}", ["wire.comment: found 1"]),
        ("", ["empty", "name: bench"]),
        ("- name: bench", ["found a list", "name: bench"]),
        ("name: [", [" line 1", "not YAML"]),
        ("name: bench\nwire: {format: 'framed}", ["not YAML"]),
        ("name: 2026-99-99", ["wire is missing"]),
        ("name: " + "[" * 3000, ["line 1: nested too deeply"]),
        (b"name: \xff\xfe", ["line 1: not UTF-8 text"]),
        ("#" * (1 << 20) + "\n", ["1048577 bytes, a rig file has at most 1048576"]),
    ],
)  # fmt: skip
def test_a_wrong_file_is_refused_with_field_finding_and_remedy(refusal, text, said):
    found = refusal(text)
    assert all(each in found for each in said), found


def test_a_file_that_is_not_there_is_refused_with_where_examples_are(tmp_path):
    with pytest.raises(InputError, match=r"rig\.yaml: no such rig file; configs/rigs holds examples"):
        read_rig_file(tmp_path / "rig.yaml")


def test_a_folder_is_no_rig_file(tmp_path):
    with pytest.raises(InputError, match="cannot be read as a rig file"):
        read_rig_file(tmp_path)


@settings(max_examples=150, deadline=None)
@given(junk=st.binary(max_size=80) | st.text("{}[]:-,\"'&*!|>%@ \nabc01", max_size=60).map(str.encode))
def test_no_bytes_make_it_fail_otherwise(tmp_path_factory, junk):
    path = tmp_path_factory.getbasetemp() / "junk.yaml"
    path.write_bytes(junk)
    with pytest.raises(InputError):
        read_rig_file(path)


CLIMATE = (
    "name: bench\nwire: {format: lines, columns: [force, humidity, ambient_temperature, position],"
    " auxiliary_units: {%s}}"
)


# The two fixed points of water and where the scales meet; K and degF by the definitions of their zeros.
@pytest.mark.parametrize(
    ("unit", "printed", "celsius"),
    [
        ("degC", "21.55", 21.55),
        ("degF", "32", 0.0),
        ("degF", "212", 100.0),
        ("degF", "-40", -40.0),
        ("F", "77", 25.0),
        ("K", "273.15", 0.0),
        ("K", "373.15", 100.0),
    ],
)
def test_temperatures_of_lines_are_recorded_in_degrees_celsius(read, unit, printed, celsius):
    wire = read(CLIMATE % f"ambient_temperature: {unit}, humidity: '%'").wire
    (found,) = (
        LineDecoder(wire).feed(f"1,45.5,{printed},2\n".encode()).samples.auxiliary["ambient_temperature"]
    )
    assert found == pytest.approx(celsius, abs=1e-12)


@pytest.mark.parametrize(
    ("units", "said"),
    [
        (
            "ambient_temperature: mm",
            ["wire.auxiliary_units.ambient_temperature: found 'mm'", "degC, degF or K"],
        ),
        ("ambient_temperature: degC*m/m", ["found 'degC*m/m'", "degC, degF or K"]),
        ("humidity: degC", ["wire.auxiliary_units.humidity: found 'degC', expected %"]),
        ("specimen_temperature: degC", ["wire.auxiliary_units.specimen_temperature", "not in wire.columns"]),
        ("force: N", ["wire.auxiliary_units.force", "not in wire.columns"]),
        ("humidity: 5", ["wire.auxiliary_units.humidity: found 5"]),
    ],
)
def test_a_wrong_unit_of_an_auxiliary_column_is_refused_by_name(refusal, units, said):
    found = refusal(CLIMATE % units)
    assert all(each in found for each in said), found


def test_auxiliary_units_belong_to_lines(refusal):
    text = "name: bench\nwire: {format: framed, auxiliary_units: {humidity: '%'}}"
    assert "wire.auxiliary_units: belongs to `format: lines`" in refusal(text)


@pytest.mark.parametrize(
    "path", sorted((Path(__file__).parents[1] / "configs" / "rigs").glob("*.yaml")), ids=str
)
def test_the_rig_files_that_come_with_the_program_are_right(path):
    rig = read_rig_file(path, weighs=path.stem == "scale")
    sizes = [scale.per_count for scale in (rig.calibration.force, rig.calibration.position) if scale]
    assert all(math.isfinite(size) for size in sizes)


DRIVEN = """
name: bench
wire: {format: framed, rate_hz: 500}
force: {per_count: "1 mN"}
position: {per_count: "5 um"}
drive: {travel: ["1 mm", "60 mm"], force: ["-5 N", "100 N"], speed: "20 mm/s", deceleration: "200 mm/s^2",
  conversions_per_s: 500, platens_meet: "62 mm"}
"""


@pytest.mark.parametrize(
    ("right", "wrong", "said"),
    [
        ('"100 N"', '"2 MN"', "drive.force: found 2e+06 N"),
        ('"60 mm"', '"60 m"', "drive.travel: found 60000 mm"),
        ('"20 mm/s"', '"20 m/s"', "drive.speed: found 20000 mm/s"),
        ('"62 mm"', '"0.5 mm"', "drive.platens_meet: found 0.5 mm"),
        ('"200 mm/s^2"', '"200 m/s^2"', "drive.deceleration: found 200000 mm/s^2"),
        ('"200 mm/s^2"', '"200 um/s^2"', "drive.deceleration: found 0.2 mm/s^2; at 20 mm/s"),
        ('"1 mN"', '"1 kN"', "force.per_count: found 1000 N"),
        ('"1 mN"', '"1 nN", zero_counts: 8000', "force.per_count: found 1e-09 N"),
        ('"5 um"', '"5 mm"', "position.per_count: found 5 mm"),
        ('"1 mN"', '"1 mN", delay: "25 s"', "force.delay: found 25 s"),
        ("drive:", 'frame: {compliance: "20 mm/N"}\ndrive:', "frame.compliance: by it the frame gives way"),
    ],
)
def test_limits_that_no_bench_has_are_taken_for_a_wrong_unit(read, refusal, right, wrong, said):
    assert read(DRIVEN).limits.platens_meet_mm == 62.0
    assert said in refusal(DRIVEN.replace(right, wrong))
