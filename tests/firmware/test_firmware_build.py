"""The reference firmware builds, fits, and its core does what it must, on this computer and on the chip."""

import hashlib
import re
import shutil
import subprocess
import textwrap
from configparser import ConfigParser

import pytest
from simulated_press import BUILD_S, REFERENCE, built, driven_bench, fingerprint, make, skip_without_tools

from rig.rigfile import read_rig_file

skip_without_tools()

FUZZ_ROUNDS = 20
LEAST_TESTS = 40
"""Fewer would mean that some were not run."""


@pytest.fixture(scope="module")
def build(tmp_path_factory):
    return tmp_path_factory.mktemp("build")


@pytest.fixture(scope="module")
def checked(build):
    """What the unit tests said on this computer, and what they said in the simulated chip."""
    said = make(build, "check")
    here, there = said.split("--console", 1)
    return results(here), results(there)


def results(said):
    return dict(reversed(line.split(" ", 1)) for line in re.findall(r"^(?:ok|FAILED) \w+", said, re.M))


def named_in_source():
    source = (REFERENCE / "tests" / "core_tests.c").read_text(encoding="utf-8")
    return set(re.findall(r"^    RUN\((\w+)\);", source, re.M))


def test_the_size_of_the_firmware_is_printed_and_fits(build):
    said = make(build, "size")
    flash, of_flash = map(int, re.search(r"flash (\d+) of (\d+) bytes", said).groups())
    memory, of_memory = map(int, re.search(r"memory (\d+) of (\d+) bytes", said).groups())
    print(f"flash {flash}, memory {memory}")
    assert 4000 < flash <= of_flash < 32768
    assert 300 < memory <= of_memory < 2048


def test_a_firmware_that_does_not_fit_fails_to_build(build):
    for too_small in ("FLASH_BYTES=4000", "MEMORY_BYTES=700"):
        done = subprocess.run(
            ["make", "-C", str(REFERENCE), f"BUILD={build}", "size", too_small],
            capture_output=True,
            text=True,
            timeout=BUILD_S,
            check=False,
        )
        assert done.returncode != 0
        assert "it does not fit" in done.stdout


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("DEVICE_NAME", f'"{"n" * 33}"', "name_has_32_bytes_at_most"),
        ("UNIT_ID", '"REF-1"', "unit_id_has_8_bytes"),
        ("HEARTBEAT_US", "700000UL", "500 to 550 ms"),
        ("HEARTBEAT_US", "400000UL", "500 to 550 ms"),
        ("LOWEST_FORCE", "5000000L", "lowest force"),
        ("HIGHEST_FORCE", "9000000L", "24 bits"),
        ("LOWEST_POSITION", "24000L", "lowest position"),
        ("AMPLIFIER_PER_S", "0UL", "without conversions"),
        ("FASTEST_COUNTS_PER_S", "9000UL", "10000 steps"),
        ("FASTEST_STREAM_MHZ", "1000000UL", "no room for answers"),
        ("RETREAT_COUNTS_PER_S", "4000UL", "a retreat is slow"),
        ("DEBOUNCE_US", "0UL", "bounces"),
        ("STEPS_FOR", "0", "motor step"),
    ],
)
def test_a_setting_that_makes_no_sense_does_not_build(tmp_path, name, value, words):
    shutil.copytree(REFERENCE / "core", tmp_path / "core")
    settings = tmp_path / "core" / "settings.h"
    text, count = re.subn(rf"(?m)^#define {name} .*$", f"#define {name} {value}", settings.read_text())
    assert count == 1
    settings.write_text(text)
    tried = subprocess.run(
        ["cc", "-std=c99", "-DF_CPU=16000000UL", "-fsyntax-only", "core/press.c", "core/frames.c"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=BUILD_S,
        check=False,
    )
    assert tried.returncode != 0
    assert words in tried.stderr


def test_the_clock_that_timers_are_laid_out_for_is_the_only_one_that_builds(build):
    tried = subprocess.run(
        ["make", "-C", str(REFERENCE), f"BUILD={build}/clock", "firmware", "CLOCK_HZ=8000000UL"],
        capture_output=True,
        text=True,
        timeout=BUILD_S,
        check=False,
    )
    assert tried.returncode != 0
    assert "clock of 16 MHz" in tried.stderr


def test_every_unit_test_of_the_core_passes_with_memory_and_arithmetic_watched(checked):
    here, _ = checked
    assert set(here) == named_in_source()
    assert len(here) >= LEAST_TESTS
    assert set(here.values()) == {"ok"}


def test_every_unit_test_of_the_core_passes_on_the_simulated_chip(checked):
    _, there = checked
    assert set(there) == named_in_source()
    assert set(there.values()) == {"ok"}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_core_bears_with_anything_at_all_with_memory_and_arithmetic_watched(build, seed):
    said = make(build, "fuzz", f"SEED={seed}", f"ROUNDS={FUZZ_ROUNDS}")
    steps = int(
        re.search(rf"{FUZZ_ROUNDS} rounds of 300 things from seed {seed}, (\d+) steps: all held", said)[1]
    )
    # it moved in most of them, or nothing was tried
    assert steps > 100 * FUZZ_ROUNDS


@pytest.mark.skipif(shutil.which("cppcheck") is None, reason="cppcheck is missing: apt install cppcheck")
def test_the_sources_have_nothing_that_cppcheck_says(build):
    make(build, "lint")


def test_the_core_knows_no_registers():
    for source in (REFERENCE / "core").glob("*.[ch]"):
        text = source.read_text(encoding="utf-8")
        included = set(re.findall(r"#include <([^>]+)>", text))
        assert included <= {"stdbool.h", "stdint.h", "string.h"}, source.name
        assert "__AVR" not in text, source.name


def test_the_wiring_notes_name_the_pins_that_the_firmware_uses():
    pins = (REFERENCE / "atmega328p" / "pins.h").read_text(encoding="utf-8")
    used = set(re.findall(r"#define \w+ (P[BCD]\d)", pins)) | set(re.findall(r"\bPD[01]\b", pins))
    wiring = (REFERENCE.parent / "wiring.md").read_text(encoding="utf-8")
    named = set(re.findall(r"^\| (P[BCD]\d) \|", wiring, re.M))
    assert named == used


def setting(name):
    text = (REFERENCE / "core" / "settings.h").read_text(encoding="utf-8")
    return int(re.search(rf"^#define {name} \(?(-?\d+)U?L?\)?$", text, re.M)[1])


def first_hour_rig():
    """The rig's file that the first hour gives."""
    notes = (REFERENCE.parent / "first_hour.md").read_text(encoding="utf-8")
    return textwrap.dedent(re.search(r"^( *)```yaml\n(.*?)^\1```", notes, re.M | re.S)[2])


def test_the_rig_file_of_the_first_hour_fits_the_firmware(tmp_path):
    path = tmp_path / "rig.yaml"
    path.write_text(first_hour_rig(), encoding="utf-8")
    rig = read_rig_file(path)
    limits, mm = rig.limits, rig.calibration.position.per_count
    assert limits.speed_mm_per_s == setting("FASTEST_COUNTS_PER_S") * mm
    assert limits.deceleration_mm_per_s2 == setting("ACCELERATION_COUNTS_PER_S2") * mm
    assert limits.conversions_per_s == setting("AMPLIFIER_PER_S")
    assert limits.travel_mm[0] >= setting("LOWEST_POSITION") * mm
    assert limits.travel_mm[1] <= setting("HIGHEST_POSITION") * mm
    newton = rig.calibration.force.per_count
    assert setting("LOWEST_FORCE") * newton <= limits.force_n[0]
    assert limits.force_n[1] <= setting("HIGHEST_FORCE") * newton


def test_the_links_of_the_firmwares_readme_lead_to_files():
    readme = REFERENCE / "README.md"
    targets = re.findall(r"\]\(([^)#\s]+)\)", readme.read_text(encoding="utf-8"))
    assert len(targets) >= 2
    assert [target for target in targets if not (readme.parent / target).exists()] == []


def test_the_readme_names_every_order_of_the_bench():
    control = (REFERENCE / "bench" / "control.c").read_text(encoding="utf-8")
    orders = set(re.findall(r'is\(order, "([a-z]+)"\)', control))
    rows = re.findall(r"^\| (`[a-z].*?) \|", (REFERENCE / "README.md").read_text(encoding="utf-8"), re.M)
    named = {word for row in rows for word in re.findall(r"`([a-z]+)", row)}
    assert orders <= named
    assert len(orders) > 10


def test_programs_of_other_sources_are_never_taken_for_these(tmp_path):
    same, other = tmp_path / "same", tmp_path / "other"
    for copy in (same, other):
        shutil.copytree(REFERENCE, copy, ignore=shutil.ignore_patterns("build"))
    settings = other / "core" / "settings.h"
    settings.write_text(settings.read_text(encoding="utf-8").replace("0", "1", 1), encoding="utf-8")
    assert fingerprint(same) == fingerprint(REFERENCE)
    assert fingerprint(other) != fingerprint(REFERENCE)


def test_an_image_is_made_with_its_checksum(build):
    make(build, "image")
    digest, name = (build / "firmware.hex.sha256").read_text(encoding="utf-8").split()
    assert name == "firmware.hex"
    assert digest == hashlib.sha256((build / "firmware.hex").read_bytes()).hexdigest()


def test_the_image_holds_the_firmware_and_no_fuses(build):
    # a record (format recalled): length, address of two bytes, type 00 for data, and a sum of zero
    make(build, "image")
    records = [bytes.fromhex(line[1:]) for line in (build / "firmware.hex").read_text().split()]
    assert all(sum(record) % 256 == 0 for record in records)
    data = [record for record in records if record[3] == 0]
    assert data[0][1:3] == b"\0\0"
    held = sum(record[0] for record in data)
    flash = int(re.search(r"flash (\d+) of", make(build, "size"))[1])
    assert held == flash


@pytest.mark.skipif(shutil.which("cmake") is None, reason="cmake is missing: apt install cmake")
def test_the_firmware_that_cmake_builds_answers_on_the_bench(tmp_path_factory, tmp_path):
    for words in (["-S", REFERENCE, "-B", tmp_path], ["--build", tmp_path]):
        done = subprocess.run(
            ["cmake", *map(str, words)], capture_output=True, text=True, timeout=BUILD_S, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr
    assert (tmp_path / "firmware.hex").stat().st_size > 10_000
    shutil.copy(built(tmp_path_factory) / "bench", tmp_path)
    with driven_bench(tmp_path, tmp_path) as driver:
        driver.until(lambda: any(len(delivery.samples) for delivery in driver.deliveries))
        assert driver.reader.identity.name == "reference press"


def test_the_project_file_for_platformio_names_the_sources_and_fuses_and_builds_the_same_image(
    build, tmp_path
):
    project = ConfigParser()
    project.read(REFERENCE / "platformio.ini")
    common, programmer = project["avr"], project["env:programmer"]
    assert programmer["extends"] == project["env:boot_loader"]["extends"] == "avr"
    # a filter takes everything away, and adds folders and files (as the tool's manual says, recalled)
    words = common["build_src_filter"].split()
    assert words[0] == "-<*>"
    named = [REFERENCE / word.removeprefix("+<").removesuffix(">") for word in words[1:]]
    sources = [file for path in named for file in ([path] if path.is_file() else sorted(path.glob("*.c")))]
    image = tmp_path / "firmware.hex"
    clock = common["board_build.f_cpu"]
    for command in (
        ["avr-gcc", *common["build_flags"].split(), "-Os", f"-mmcu={common['board'].lower()}",
         f"-DF_CPU={clock}", "-ffunction-sections", "-fdata-sections", "-flto", "-Wl,--gc-sections",
         "-o", tmp_path / "firmware.elf", *sources],
        ["avr-objcopy", "-O", "ihex", "-R", ".eeprom", "-R", ".fuse", tmp_path / "firmware.elf", image],
    ):  # fmt: skip
        subprocess.run(list(map(str, command)), check=True, timeout=BUILD_S)
    make(build, "image")
    assert image.read_bytes() == (build / "firmware.hex").read_bytes()
    chip = (REFERENCE / "atmega328p" / "chip.c").read_text(encoding="utf-8")
    for name, fuse in (("low", "lfuse"), ("high", "hfuse"), ("extended", "efuse")):
        value = re.search(rf"^    \.{name} = (0x\w\w),$", chip, re.M)[1]
        assert programmer[f"board_fuses.{fuse}"] == value


def test_the_notes_on_flashing_write_the_fuses_that_the_firmware_names():
    notes = (REFERENCE.parent / "flashing.md").read_text(encoding="utf-8")
    chip = (REFERENCE / "atmega328p" / "chip.c").read_text(encoding="utf-8")
    named = {name[0]: int(value, 16) for name, value in re.findall(r"^    \.(\w+) = (0x\w\w),$", chip, re.M)}
    written = {name: int(value, 16) for name, value in re.findall(r"-U ([lhe])fuse:w:(0x\w\w):m", notes)}
    assert written == named
    assert len(written) == 3


def test_pins_have_the_labels_that_boards_print():
    # Common practice, no source: D0 to D7 are PD0 to PD7, D8 to D13 are PB0 to PB5, A0 to A5 are PC0 to PC5.
    drawing = (REFERENCE.parent / "signals.svg").read_text(encoding="utf-8")
    table = (REFERENCE.parent / "wiring.md").read_text(encoding="utf-8")
    printed = re.findall(r"^\| P([BCD])(\d) \| ([AD]\d+)", table, re.M)
    drawn = re.findall(r"P([BCD])(\d)  ([AD]\d+)<", drawing)
    first = {"D": ("D", 0), "B": ("D", 8), "C": ("A", 0)}
    for port, bit, label in printed + drawn:
        letter, offset = first[port]
        assert label == f"{letter}{offset + int(bit)}"
    assert len(printed) == 13
    assert len(drawn) >= 8
