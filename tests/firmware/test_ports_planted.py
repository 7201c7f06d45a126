"""Faults planted in the firmware of 32-bit chips, one line each: check-device has to find them there too.

A part of the faults of the core, by turns on each port, and faults of each chip's own files, which no other
chip can show.
`PRESSRIG_PLANTED=all` plants every fault of the core on every port; time is the chip's.
"""

from __future__ import annotations

import os
import shutil
from itertools import cycle, product
from pathlib import Path
from typing import Any

import pytest
import yaml
from ports_press import IMAGES, REFERENCE, built_port, skip_without_tools
from simulated_press import make
from stepped_press import PATIENCE_S, checked

from rig.conformance import Verdict
from rig.errors import DeviceError

skip_without_tools()

PLANTED = Path(__file__).parent / "planted"
ALL = os.environ.get("PRESSRIG_PLANTED") in ("all", "whole")
SHORT_RUN = 30
"""Without a wish every 30th fault of the core is planted, on one port; each takes 2 to 3 s."""

OF_THE_CORE: list[dict[str, Any]] = [
    fault
    for fault in yaml.safe_load((PLANTED / "faults.yaml").read_text(encoding="utf-8"))
    if fault["file"].startswith("core/")
]
BY_TURNS = zip(cycle(sorted(IMAGES)), OF_THE_CORE[::SHORT_RUN], strict=False)
ON_PORTS = [
    {"port": port, **fault} for port, fault in (product(sorted(IMAGES), OF_THE_CORE) if ALL else BY_TURNS)
]
OF_THE_CHIPS: list[dict[str, Any]] = [
    {"port": port, **fault}
    for port in sorted(IMAGES)
    for fault in yaml.safe_load((PLANTED / f"{port}.yaml").read_text(encoding="utf-8"))
]
REFUSAL = "refusal"
WRAPS_S = 200.0


def planted(fault: dict[str, Any], bench: Path, folder: Path) -> None:
    """Build firmware with a fault; the bench is that of the firmware without it."""
    sources = folder / "sources"
    shutil.copytree(REFERENCE, sources, ignore=shutil.ignore_patterns("build", "bench", "tests"))
    path = sources / fault["file"]
    text = path.read_text(encoding="utf-8")
    assert text.count(fault["old"]) == 1, f"{fault['old']!r} does not stand once in {fault['file']}"
    path.write_text(text.replace(fault["old"], fault["new"]), encoding="utf-8")
    # a fault may leave something unused; it still is a program that somebody could have written
    converter, line = fault.get("converter", "two_wire"), fault.get("line", "uart")
    port = fault["port"]
    make(folder, port, "WARNINGS=-w", f"CONVERTER={converter}", f"LINE={line}", sources=sources)
    shutil.copy(folder / IMAGES[port], folder / "firmware.elf")
    # it takes the converter and the line as words
    script = (bench / f"{port}_bench").read_text(encoding="utf-8")
    copied = folder / "bench"
    copied.write_text(script.replace(" two_wire uart ", f" {converter} {line} "), encoding="utf-8")
    copied.chmod(0o755)


@pytest.mark.parametrize(
    "fault",
    [*OF_THE_CHIPS, *ON_PORTS],
    ids=lambda fault: f"{fault['port']}-{fault['name'].replace(' ', '-')}",
)
def test_check_device_finds_a_planted_fault_and_names_its_cost(fault, tmp_path, tmp_path_factory):
    planted(fault, built_port(tmp_path_factory, port=fault["port"]), tmp_path)
    if fault["found_by"] == REFUSAL:
        with pytest.raises(DeviceError, match=fault["cost"]):
            checked(tmp_path, tmp_path, ["identity"])
        return
    names = [*fault["found_by"], *fault.get("with", []), "throughout"]
    report = checked(tmp_path, tmp_path, names, WRAPS_S if fault.get("patient") else PATIENCE_S)
    failed = {outcome.check.name: outcome for outcome in report.of(Verdict.FAILED)}
    blocked = {outcome.check.name: outcome.why for outcome in report.outcomes if outcome.blocked}
    costs = [failed[name].check.cost for name in fault["found_by"] if name in failed]
    assert any(fault["cost"] in cost for cost in costs), f"failed {sorted(failed)}, blocked {blocked}"
