"""What QEMU has of the ports: processors, for the unit tests of the core, and a serial line."""

import re
import shutil
import subprocess
from contextlib import contextmanager

import pytest
from simulated_press import REFERENCE, make

from rig.conformance import Dialogue, Stand, Verdict, run_suite
from rig.reader import Link
from rig.wire import FrameDecoder

NEEDED = {
    "make": "make",
    "arm-none-eabi-gcc": "gcc-arm-none-eabi",
    "qemu-system-arm": "qemu-system-arm",
}
MISSING = [package for program, package in NEEDED.items() if shutil.which(program) is None]

pytestmark = pytest.mark.skipif(MISSING != [], reason=f"tools are missing: apt install {' '.join(MISSING)}")


@pytest.fixture(scope="module")
def said(tmp_path_factory):
    return make(tmp_path_factory.mktemp("build"), "check_cortex_m")


@pytest.mark.parametrize(
    ("processor", "machine"), [("cortex-m0", "microbit"), ("cortex-m4", "netduinoplus2")]
)
def test_every_unit_test_of_the_core_passes_on_the_ports_processors(said, processor, machine):
    # what follows make's own line for this machine, up to the next machine's
    part = said.split(f"-M {machine} -kernel ", 1)[1].split(" -M ", 1)[0]
    assert processor in part.splitlines()[0]
    results = dict(reversed(line.split(" ", 1)) for line in re.findall(r"^(?:ok|FAILED) \w+", part, re.M))
    source = (REFERENCE / "tests" / "core_tests.c").read_text(encoding="utf-8")
    assert set(results) == set(re.findall(r"^    RUN\((\w+)\);", source, re.M))
    assert set(results.values()) == {"ok"}


STREAMED = {"losses-counted", "motion-while-disarmed"}
"""They need samples, and so a timer that goes on; those of QEMU ring once."""


@contextmanager
def in_qemu(folder):
    """The port of the firmware on an STM32F4 in QEMU."""
    make(folder, str(folder / "stm32f4_qemu.elf"))
    command = [
        "qemu-system-arm", "-M", "netduinoplus2", "-display", "none", "-monitor", "none", "-serial", "pty",
        # as the port sets its clocks, which QEMU has no registers for
        "-global", "stm32f2xx-timer.clock-frequency=84000000", "-kernel", str(folder / "stm32f4_qemu.elf"),
    ]  # fmt: skip
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as qemu:
        try:
            yield re.search(r"redirected to (/dev/\S+)", qemu.stdout.readline())[1]
        finally:
            qemu.terminate()


def test_the_stm32f4_answers_over_its_serial_line_in_qemu(tmp_path):
    with in_qemu(tmp_path) as port:
        link = Link(port, 250_000, [tmp_path])
        try:
            stand = Stand(Dialogue(link, FrameDecoder()), None)
            stand.meet(lines=False)
            report = run_suite(stand, ["identity", "commands", "bad-check-sum", "half-frame"])
        finally:
            link.close()
    passed = {outcome.check.name for outcome in report.of(Verdict.PASSED)}
    print(len(passed), sorted(passed))
    assert {outcome.check.name for outcome in report.of(Verdict.FAILED)} == set()
    assert {"identity-answer", "state-answer", "one-reply", "commands-whole", "bad-check-sum"} <= passed
    blocked = {outcome.check.name for outcome in report.outcomes if outcome.blocked}
    assert blocked <= STREAMED
    assert len(passed) >= 13
