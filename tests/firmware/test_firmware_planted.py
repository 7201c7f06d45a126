"""Faults planted in the reference firmware, one line each, and what check-device makes of each of them.

Every fault is compiled and run in the simulated press, and checked through its pseudo-terminal by the suite
behind `pressrig check-device`. The clock is the chip's, so a busy machine does not change the score.
`PRESSRIG_PLANTED=all` plants every fault, any other value picks faults by a part of their names; without it
every tenth fault is planted. The checks that its entry names are performed, with what is watched all along;
with `PRESSRIG_PLANTED=whole` all checks on every fault, which takes ten times as long. A fault counts as
found if one of the named checks fails, and the cost that is printed for it holds the words of the entry.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
import yaml
from simulated_press import REFERENCE, built, make, running_bench, skip_without_tools
from stepped_press import PATIENCE_S, checked
from test_firmware_build import first_hour_rig

from rig.conformance import ALL_CHECKS, GROUPS, Verdict
from rig.errors import DeviceError

skip_without_tools()

FAULTS: list[dict[str, Any]] = yaml.safe_load(
    (Path(__file__).parent / "planted" / "faults.yaml").read_text(encoding="utf-8")
)
REFUSAL = "refusal"
WANTED = os.environ.get("PRESSRIG_PLANTED", "")
EVERY, WHOLE = WANTED in ("all", "whole"), WANTED == "whole"
SHORT_RUN = 10
"""Without a wish every tenth fault is planted: there are several of each kind, one beside the other."""

AT_ONCE = 2
TRIES = 3
"""Of a check that takes the wall's time, on a machine that may be busy with something else."""

LONGEST_S = 1200.0
WRAPS_S = 200.0
"""For a fault that shows only where the sample number wraps."""

UNTRIED = {
    "identity-repeated",
    "blocks",
    "channels-described",
    "channels-read",
    "number-wraps",
    "time-wraps",
}
"""It listens, and has no further channels; its counters wrap after minutes, which nobody waits for here."""


@pytest.fixture(scope="module")
def build(tmp_path_factory):
    return built(tmp_path_factory)


def planted(fault: dict[str, Any], build: Path, folder: Path) -> Path:
    """A folder with the bench and the firmware with a fault in it."""
    sources = folder / "reference"
    shutil.copytree(REFERENCE, sources, ignore=shutil.ignore_patterns("build", "bench", "tests"))
    path = sources / fault["file"]
    text = path.read_text(encoding="utf-8")
    assert text.count(fault["old"]) == 1, f"{fault['name']}: {fault['old']!r} does not stand once in the file"
    path.write_text(text.replace(fault["old"], fault["new"]), encoding="utf-8")
    # a fault may leave something unused; it still is a program that somebody could have written
    make(folder, "firmware", "WARNINGS=-w", sources=sources)
    shutil.copy(build / "bench", folder / "bench")
    return folder


def missed(fault: dict[str, Any], build: Path, folder: Path) -> str:
    """Empty if the fault is found and its cost named; else what was found instead."""
    folder.mkdir()
    planted(fault, build, folder)
    try:
        patience_s = WRAPS_S if fault.get("patient") else PATIENCE_S
        report = checked(folder, folder, GROUPS if WHOLE else selection(fault), patience_s)
    except DeviceError as refusal:
        named = fault["found_by"] == REFUSAL and fault["cost"] in str(refusal)
        return "" if named else f"refused: {refusal}"
    failed = {outcome.check.name: outcome for outcome in report.of(Verdict.FAILED)}
    costs = [failed[name].check.cost for name in fault["found_by"] if name in failed]
    if any(fault["cost"] in cost for cost in costs):
        return ""
    blocked = {outcome.check.name: outcome.why for outcome in report.outcomes if outcome.blocked}
    return f"failed {sorted(failed)}, blocked {blocked}"


def selection(fault: dict[str, Any]) -> list[str]:
    """The checks of a fault."""
    return (
        ["identity"]
        if fault["found_by"] == REFUSAL
        else [*fault["found_by"], *fault.get("with", []), "throughout"]
    )


def test_there_are_enough_faults_and_each_has_a_name_of_its_own() -> None:
    assert len(FAULTS) >= 40
    assert len({fault["name"] for fault in FAULTS}) == len(FAULTS)


def test_the_line_of_each_fault_stands_once_in_its_file() -> None:
    counts = {
        fault["name"]: (REFERENCE / fault["file"]).read_text(encoding="utf-8").count(fault["old"])
        for fault in FAULTS
    }
    assert {name: count for name, count in counts.items() if count != 1} == {}


def test_the_cost_of_each_fault_is_one_that_its_checks_name() -> None:
    costs = {check.name: check.cost for check in ALL_CHECKS}
    strange = [
        fault["name"]
        for fault in FAULTS
        if fault["found_by"] != REFUSAL
        and not any(fault["cost"] in costs[name] for name in fault["found_by"])
    ]
    assert strange == []


def test_check_device_finds_every_planted_fault_and_names_its_cost(build, tmp_path) -> None:
    faults = [fault for fault in FAULTS if EVERY or WANTED in fault["name"]]
    faults = faults if WANTED else faults[::SHORT_RUN]
    with ThreadPoolExecutor(AT_ONCE) as pool:
        folders = [tmp_path / str(number) for number in range(len(faults))]
        outcomes = list(
            pool.map(lambda pair: missed(pair[0], build, pair[1]), zip(faults, folders, strict=True))
        )
    escaped = {fault["name"]: said for fault, said in zip(faults, outcomes, strict=True) if said}
    print(f"planted faults: {len(faults) - len(escaped)} of {len(faults)} found")
    assert escaped == {}


def test_the_reference_firmware_passes_whole(build, tmp_path) -> None:
    report = checked(build, tmp_path)
    assert {outcome.check.name: outcome.found for outcome in report.of(Verdict.FAILED)} == {}
    assert {outcome.check.name for outcome in report.of(Verdict.NOT_TRIED)} == UNTRIED
    assert report.passed
    assert report.disarmed


def command_line(build: Path, folder: Path) -> tuple[int, dict[str, Any], str]:
    """The exit code of check-device on the firmware in a folder, its report and what it said beside it."""
    (folder / "rig.yaml").write_text(first_hour_rig(), encoding="utf-8")
    with running_bench(build, folder, served=False):
        done = subprocess.run(
            [
                *(str(Path(sys.executable).with_name("pressrig")), "check-device"),
                *("--rig", str(folder / "rig.yaml"), "--speed", "10 mm/s", "--yes", "--json"),
                *("--port", str(folder / "port"), "--bench", str(folder / "control")),
            ],
            capture_output=True,
            text=True,
            timeout=LONGEST_S,
            check=False,
            env=os.environ | {"XDG_STATE_HOME": str(folder)},
        )
    return done.returncode, json.loads(done.stdout or "{}"), done.stderr


@pytest.mark.skipif(not WANTED, reason="takes minutes of the wall's time: set PRESSRIG_PLANTED=all")
def test_the_command_passes_the_firmware_whole_and_finds_a_fault_in_the_walls_time(build, tmp_path) -> None:
    for attempt in range(TRIES):
        sound = tmp_path / f"sound{attempt}"
        sound.mkdir()
        code, report, said = command_line(build, sound)
        if code == 0:
            break
    assert code == 0, said
    assert (report["counts"]["failed"], report["counts"]["not tried"]) == (0, len(UNTRIED))
    fault = next(fault for fault in FAULTS if fault["name"] == "emergency stop two seconds late")
    faulty = tmp_path / "faulty"
    faulty.mkdir()
    code, report, _ = command_line(planted(fault, build, faulty), faulty)
    assert code == 1
    failed = {check["check"]: check["cost"] for check in report["checks"] if check["outcome"] == "failed"}
    assert fault["cost"] in failed["emergency-stop-timed"]
