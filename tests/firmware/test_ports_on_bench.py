"""The firmware on an RP2040 and an STM32F4, emulated, with the same press around them as the first chip has.

Time is the chip's.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from configparser import ConfigParser
from contextlib import contextmanager
from pathlib import Path

import pytest
from ports_press import IMAGES, REFERENCE, build_port, built_port, skip_without_tools
from simulated_press import MM, STEPS_PER_MM, Bench, make, running_bench
from stepped_press import BAUD, BOUNDS, SteppedPort, checked, stepped_stand

from rig.conformance import Dialogue, Stand, Verdict, run_suite
from rig.reader import Link
from rig.reader.channels import side_channel, values_of
from rig.wire import (
    Accepts,
    Channel,
    Describe,
    EventCode,
    FrameDecoder,
    Identity,
    MoveTo,
    Readings,
    StreamAt,
)

skip_without_tools()

UNTRIED = {"identity-repeated", "number-wraps", "time-wraps", "channels-described", "channels-read"}
"""The device listens and need not repeat itself; it has no further channels; the wraps take minutes."""

TOO_COARSE = {"force-kept"}
"""Whose force is smaller than one step of the chip's own converter of 12 bits."""

SHORTEST_STEP_PULSE_US = 4.0
"""What stepper drivers ask for at most. Common practice, no source."""

READ_US = 0.01
"""The bench's times are thousandths of a microsecond."""

AMPLIFIER_CLOCK_US = (0.2, 60.0)
"""High at least so long to be seen; longer turns the converter off. Common to its kind, recalled."""


CONVERTERS = sorted(path.stem for path in (REFERENCE / "converters").glob("*.c"))

EVEN_US = 20.0
"""How uneven steps at one speed may be: an eighth of the shortest interval."""

WATCHDOG = 8
BROWN_OUT = {"rp2040": 1, "stm32f4": 4}
"""The first of them cannot tell it from power on."""


MEMORY_BYTES = {"rp2040": 264 << 10, "stm32f4": 64 << 10}
FLASH_BYTES = {"rp2040": 2 << 20, "stm32f4": 128 << 10}
"""Of the smallest boards. Data sheets, recalled."""


@pytest.fixture(scope="module", params=sorted(IMAGES))
def port(request):
    return request.param


@pytest.fixture(scope="module")
def build(tmp_path_factory, port):
    return built_port(tmp_path_factory, port=port)


def test_size_and_checksum_are_printed_and_the_program_fits(tmp_path, port):
    said = make(tmp_path, port)
    flash, of_flash = map(int, re.search(r"flash (\d+) of (\d+) bytes", said).groups())
    memory, of_memory = map(int, re.search(r"memory (\d+) of (\d+) bytes", said).groups())
    print(f"{port}: flash {flash}, memory {memory}")
    assert 4000 < flash < of_flash == FLASH_BYTES[port]
    assert 300 < memory < of_memory < MEMORY_BYTES[port]
    (sums,) = tmp_path.glob("*.sha256")
    assert IMAGES[port] in sums.read_text(encoding="utf-8")
    done = subprocess.run(["sha256sum", "-c", sums.name], cwd=tmp_path, timeout=60, check=False)
    assert done.returncode == 0


def test_an_image_with_a_wrong_bit_is_not_started(tmp_path_factory, tmp_path):
    build = built_port(tmp_path_factory)
    image = bytearray((build / "firmware.elf").read_bytes())
    # in the first block, behind its head of 32 bytes: what the boot ROM checks before it runs it
    image[40] ^= 1
    (tmp_path / "image.uf2").write_bytes(image)
    done = subprocess.run(
        [
            build / "bench",
            "--link",
            tmp_path / "port",
            "--control",
            tmp_path / "control",
            tmp_path / "image.uf2",
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 2
    assert "boot ROM" in done.stderr


@pytest.mark.parametrize(("port", "row"), [("rp2040", r"GP(\d+)"), ("stm32f4", r"P[AB](\d+)")])
def test_the_notes_name_the_pins_that_a_port_uses(port, row):
    pins = (REFERENCE / port / "pins.h").read_text(encoding="utf-8")
    notes = (REFERENCE / port / "README.md").read_text(encoding="utf-8")
    used = sorted(re.findall(r"#define \w+_PIN (\d+)", pins))
    assert used == sorted(re.findall(rf"^\| {row} \|", notes, re.M))


def test_the_chips_own_thermometer_is_a_further_channel(tmp_path):
    build_port(tmp_path, "rp2040", "TEMPERATURE=1")
    with stepped_stand(tmp_path, tmp_path) as stand:
        stand.meet(lines=False)
        report = run_suite(stand, ["channels"])
        assert [outcome.verdict for outcome in report.outcomes] == [Verdict.PASSED] * 2
        talk = stand.talk
        stand.must(Describe(talk.next_id(), 1), "say what its channel is")
        stand.must(StreamAt(talk.next_id(), 100_000, Accepts.READINGS), "stream")
        talk.listen(2.0)
        (told,) = {message for message in talk.messages() if isinstance(message, Channel)}
        counts = [message.counts for message in talk.messages() if isinstance(message, Readings)]
    assert told.name == "chip_temperature"
    # what the emulator's thermometer gives: 27 degC - (891 x 3.3 V / 4096 - 0.706 V) / 1.721 mV = 20.11 degC
    (celsius,) = values_of(Readings(0, 1, counts[-1]), {1: side_channel(told)})["chip_temperature"]
    assert celsius == pytest.approx(20.11, abs=0.05)


WHOLE = [("rp2040", "two_wire", "uart"), ("stm32f4", "two_wire", "usb")]
"""Both chips and both lines; what a converter or a line changes is checked on the others, as `PART`."""

OTHERS = [
    (port, converter, line)
    for port in sorted(IMAGES)
    for converter, line in [*((kind, "uart") for kind in CONVERTERS), ("two_wire", "usb")]
    if (port, converter, line) not in WHOLE
]
PART = ["identity", "rates", "sequence", "force", "trip-silent-converter"]
EVERYTHING = os.environ.get("PRESSRIG_PLANTED") in ("all", "whole")


@pytest.mark.parametrize(("port", "converter", "line"), WHOLE + OTHERS * EVERYTHING)
def test_the_whole_protocol_is_kept_with_each_converter_and_line(
    tmp_path_factory, tmp_path, port, converter, line
):
    report = checked(built_port(tmp_path_factory, converter, line, port), tmp_path)
    assert {outcome.check.name: outcome.found for outcome in report.of(Verdict.FAILED)} == {}
    untried = {outcome.check.name for outcome in report.of(Verdict.NOT_TRIED)}
    assert untried == UNTRIED | (TOO_COARSE if converter == "own_adc" else set())
    assert report.passed
    assert report.disarmed


@pytest.mark.parametrize(("port", "converter", "line"), OTHERS)
def test_stream_and_force_are_right_with_each_other_converter_and_line(
    tmp_path_factory, tmp_path, port, converter, line
):
    report = checked(built_port(tmp_path_factory, converter, line, port), tmp_path, PART)
    assert {outcome.check.name: outcome.found for outcome in report.of(Verdict.FAILED)} == {}
    untried = {outcome.check.name for outcome in report.of(Verdict.NOT_TRIED)}
    assert untried <= UNTRIED | {"trip-silent-converter"} | (TOO_COARSE if converter == "own_adc" else set())


@pytest.mark.skipif(shutil.which("cmake") is None, reason="cmake is missing: apt install cmake")
def test_cmake_and_the_project_file_build_the_image_of_the_stm32f4_that_make_builds(
    tmp_path_factory, tmp_path
):
    built = built_port(tmp_path_factory, line="usb", port="stm32f4")
    image = (built / "stm32f4.bin").read_bytes()
    for words in (
        ["-S", REFERENCE / "stm32f4", "-B", tmp_path / "cmake", "-DLINE=usb"],
        ["--build", tmp_path / "cmake"],
    ):
        done = subprocess.run(
            ["cmake", *map(str, words)], capture_output=True, text=True, timeout=600, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr
    # sources come in another order, and with them the functions
    by_cmake = (tmp_path / "cmake" / "stm32f4.bin").read_bytes()
    assert len(by_cmake) == len(image)
    assert hashlib.sha256(by_cmake).hexdigest() in done.stdout

    project = ConfigParser()
    project.read(REFERENCE / "platformio.ini")
    section = project["env:stm32f4"]
    words = [word.removeprefix("+<").removesuffix(">") for word in section["build_src_filter"].split()[1:]]
    named = [path for word in words for path in sorted((REFERENCE / word).glob("*.c")) or [REFERENCE / word]]
    elf = tmp_path / "project.elf"
    subprocess.run(
        [
            "arm-none-eabi-gcc",
            *section["build_flags"].split(),
            "-T",
            section["board_build.ldscript"],
            "-o",
            elf,
            *named,
            "-lgcc",
        ],
        cwd=REFERENCE,
        check=True,
        timeout=600,
    )
    subprocess.run(
        ["arm-none-eabi-objcopy", "-O", "binary", elf, tmp_path / "project.bin"], check=True, timeout=60
    )
    assert (tmp_path / "project.bin").stat().st_size == len(image)


@contextmanager
def met(build: Path, folder: Path) -> Iterator[tuple[Stand, Bench]]:
    """The port on a bench whose time passes while something is read from it."""
    with running_bench(build, folder, "--stepped") as bench:
        link = Link(str(folder / "port"), BAUD, [folder])
        try:
            port = SteppedPort(link, bench)
            stand = Stand(Dialogue(port, FrameDecoder(), clock=port.clock), BOUNDS)
            stand.meet(lines=False)
            yield stand, bench
        finally:
            link.close()


def begin_move(stand: Stand, target: int, speed: int) -> int:
    return stand.begin(MoveTo(stand.talk.next_id(), target, speed))


def boots(stand: Stand) -> list[int]:
    """Causes of the boots that were heard of."""
    return [event.value for event in stand.talk.events() if event.code == EventCode.BOOT]


def test_pulses_are_as_long_as_driver_and_amplifier_need_and_steps_are_even(build, tmp_path):
    with met(build, tmp_path) as (stand, bench):
        stand.ready()
        begin_move(stand, 20 * MM, 15 * MM)
        stand.talk.until(lambda: bench.state["platen_mm"] > 8.0, 5.0)
        bench.tell("mark")
        stand.talk.until(lambda: bench.state["platen_mm"] > 12.0, 5.0)
        said = bench.state
        stand.standstill()
        last_us, others_us = bench.state["last_high_us"], bench.state["step_high_us"]
    shortest_us, longest_us = AMPLIFIER_CLOCK_US
    assert shortest_us <= said["clock_high_us"] < longest_us
    assert said["step_high_us"] >= SHORTEST_STEP_PULSE_US
    # the last pulse of the run is as long as any other
    assert last_us >= others_us - READ_US
    # 15 mm/s are 6000 steps in a second; the timer counts microseconds, and other interrupts take some
    assert 1e6 / 6000 - EVEN_US <= said["shortest_step_us"] <= said["longest_step_us"] <= 1e6 / 6000 + EVEN_US
    assert said["bytes_lost"] == 0


def test_steps_that_a_timer_cannot_wait_for_at_once_come_in_their_time(build, tmp_path):
    with met(build, tmp_path) as (stand, bench):
        stand.ready()
        # 8 counts a second are 16 steps: 62.5 ms each, twice what a counter of 16 bits holds at 2 MHz
        begin_move(stand, 5 * MM, 8)
        bench.tell("mark")
        stand.talk.until(lambda: bench.state["steps_since"] >= 4, 2.0)
        said = bench.state
    assert abs(said["shortest_step_us"] - 62_500) < EVEN_US
    assert abs(said["longest_step_us"] - 62_500) < EVEN_US


def test_the_emergency_stop_brakes_within_the_steps_that_the_notes_say(build, tmp_path):
    with met(build, tmp_path) as (stand, bench):
        stand.ready()
        request = begin_move(stand, 20 * MM, 10 * MM)
        stand.talk.until(lambda: bench.state["platen_mm"] > 8.0, 5.0)
        bench.tell("stop open")
        end = stand.ending(request, 2.0)
        stand.standstill()
        said = bench.state
    assert end is not None
    assert end.code == EventCode.STOP_OPENED
    # at 10 mm/s: 4 ms until it is known, 16 steps; then v^2/2a = 0.25 mm, 100 steps; and rounding
    assert 100 <= said["steps_since"] <= 119


def test_a_loop_that_is_no_longer_turned_is_reset_by_the_watchdog_and_the_motor_lets_go(build, tmp_path):
    with met(build, tmp_path) as (stand, bench):
        stand.ready()
        begin_move(stand, 20 * MM, 5 * MM)
        stand.talk.until(lambda: bench.state["platen_mm"] > 8.0, 5.0)
        stand.talk.forget()
        bench.tell("hang")
        stand.talk.until(lambda: boots(stand) != [], 1.0)
        said = bench.state
        assert boots(stand) == [WATCHDOG]
    assert not said["motor_on"]
    # 120 ms at 5 mm/s, and a tenth more
    assert said["steps_since"] <= 0.133 * 5 * STEPS_PER_MM


@pytest.mark.parametrize(("order", "cause"), [("power", 1), ("external", 2), ("brown-out", None)])
def test_a_reset_tells_its_cause_and_another_boot_id(build, tmp_path, port, order, cause):
    if cause is None:
        cause = BROWN_OUT[port]
    with met(build, tmp_path) as (stand, bench):
        before = stand.known.boot_id
        stand.talk.forget()
        bench.tell(f"reset {order}")
        stand.talk.until(lambda: boots(stand) != [], 1.0)
        assert boots(stand) == [cause]
        stand.talk.until(lambda: stand.talk.newest(Identity) is not None, 1.0)
        assert stand.talk.newest(Identity).boot_id != before
