"""The core's unit tests, compiled for the processors of the ports and run by QEMU."""

import re
import shutil

import pytest
from simulated_press import REFERENCE, make

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
