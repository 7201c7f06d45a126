"""Methods run on the virtual rig over a real pseudo-terminal, and what truly happened to the specimen.

The truth is the specimen's own answer to the platen's exact path, kept on the machine's fine grid of time,
without noise, counts or sample times. Only the instants of steps are taken from the capture.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rig.calibration import Calibration, Scale
from rig.capture import Capture, CaptureHeader, open_capture
from rig.jobs import Bench, Watch, perform_method
from rig.methods import RigLimits, SpecimenFacts, check_method, parse_method
from rig.notebook import open_recording
from rig.reader import PortAddress, Reader
from rig.results import MethodReport, contact_force_n, method_of, method_report
from rig.rigfile import RigFile
from rig.virtual import DriveSettings, VirtualPort, VirtualRig, specimen_named

METHODS = Path(__file__).resolve().parents[2] / "configs" / "methods"
CALIBRATION = Calibration(Scale(0.001), Scale(0.005))
USUAL = RigLimits((1.0, 110.0), 30.0, (-5.0, 500.0), 200.0, 500.0, 0.0, 500.0)
FAST = RigLimits((1.0, 110.0), 200.0, (-5.0, 1200.0), 10_000.0, 1000.0, 0.0, 1000.0)

PATIENCE = 20.0
"""The device waits so many times longer for a heartbeat: a busy machine is not what is looked at here."""


class TruePath:
    """Where the platen truly was and what the specimen truly pushed back with, on the machine's grid."""

    def __init__(self, rig: VirtualRig) -> None:
        self._parts: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
        machine = rig.device.machine
        commit = machine.commit

        def kept(stretch):
            self._parts.append((stretch.grid_s, stretch.grid_position_mm, stretch.grid_force_n))
            return commit(stretch)

        machine.commit = kept

    def close(self) -> None:
        self.time_s, self.position_mm, self.force_n = (
            np.concatenate(columns) for columns in zip(*self._parts, strict=True)
        )

    def between(self, begin_s: float, end_s: float) -> slice:
        return slice(*np.searchsorted(self.time_s, [begin_s, end_s]))


@dataclass(frozen=True)
class StepTime:
    action: str
    passes: tuple[int, ...]
    begin_s: float
    end_s: float
    until_s: float


@dataclass(frozen=True)
class MethodRun:
    capture: Capture
    report: MethodReport
    path: TruePath
    steps: list[StepTime]

    def quantity(self, name: str):
        return next(each for each in self.report.quantities if each.name == name)

    def of(self, action: str) -> list[StepTime]:
        return [step for step in self.steps if step.action == action]

    def met_mm(self, step: StepTime, force_n: float) -> float:
        """Where a contact check truly first reached a force."""
        part = self.path.between(step.begin_s, step.until_s)
        return first_passage(self.path.position_mm[part], self.path.force_n[part], force_n)

    def force_in_n(self, step: StepTime, at_mm: float) -> float:
        """Force where a press truly first passed a position."""
        part = self.path.between(step.begin_s, step.until_s)
        return first_passage(self.path.force_n[part], self.path.position_mm[part], at_mm)

    def position_in_mm(self, step: StepTime, force_n: float) -> float:
        part = self.path.between(step.begin_s, step.until_s)
        return first_passage(self.path.position_mm[part], self.path.force_n[part], force_n)

    def force_out_n(self, step: StepTime, at_mm: float) -> float:
        """Force where a way back truly first passed a position."""
        part = self.path.between(step.begin_s, step.until_s)
        return first_passage(self.path.force_n[part], -self.path.position_mm[part], -at_mm)

    def position_out_mm(self, step: StepTime, force_n: float) -> float:
        part = self.path.between(step.begin_s, step.until_s)
        return first_passage(self.path.position_mm[part], -self.path.force_n[part], -force_n)

    def force_at_end_n(self, step: StepTime) -> float:
        """Force truly at the end of a hold."""
        return float(np.interp(step.end_s, self.path.time_s, self.path.force_n))


def first_passage(answer: np.ndarray, rising: np.ndarray, level: float) -> float:
    """Answer where `rising` first passes a level from below, straight in between grid points."""
    at = int(np.flatnonzero((rising[:-1] < level) & (rising[1:] >= level))[0])
    share = (level - rising[at]) / (rising[at + 1] - rising[at])
    return float(answer[at] + share * (answer[at + 1] - answer[at]))


def run_example(
    name: str,
    folder: Path,
    *,
    specimen: str,
    shorter: tuple[tuple[str, str], ...] = (),
    area_mm2: float | None = None,
    limits: RigLimits = USUAL,
    speed_up: float = 60.0,
    ask: Callable[[VirtualRig, str], None] = lambda rig, text: None,
    spacer_mm: float | None = None,
) -> MethodRun:
    """Run one of configs/methods, with some of its times and counts shortened, and report on its capture."""
    text = (METHODS / f"{name}.yaml").read_text(encoding="utf-8")
    for long, short in shorter:
        assert long in text, long
        text = text.replace(long, short)
    piece = specimen_named(specimen)
    rig = VirtualRig(
        piece,
        scripted=False,
        rate_hz=limits.samples_per_s,
        seed=7,
        contact_mm=25.0,
        clock=lambda: time.monotonic() / PATIENCE,
        drive=DriveSettings(112.0, limits.speed_mm_per_s + 20.0, limits.deceleration_mm_per_s2),
    )
    path = TruePath(rig)
    source = f"{name}.yaml"
    facts = SpecimenFacts(piece.height_mm, area_mm2)
    checked = check_method(parse_method(text, source), limits, facts)

    def header_of(reader: Reader) -> CaptureHeader:
        kinds = reader.empty()
        return CaptureHeader(
            specimen=f"{specimen} no. 1",
            free_height_mm=piece.height_mm,
            area_mm2=area_mm2,
            method={"file": source, "text": text},
            calibration=CALIBRATION.as_dict(),
            force=kinds.force_channel,
            position=kinds.position_channel,
            clock=kinds.clock,
        )

    with VirtualPort(rig, folder / "rig", speed_up) as port:
        reader = Reader(
            PortAddress(path=port.path), "framed", rate_hz=limits.samples_per_s, lock_places=[folder]
        )
        watch = Watch(threading.Event(), lambda text: ask(rig, text), lambda step, done: None)
        bench = Bench(reader, RigFile("virtual", calibration=CALIBRATION), folder / "captures", watch)
        with reader:
            recorded = perform_method(bench, header_of, checked)
    assert recorded.reason == "method finished", recorded.reason
    path.close()
    return _reported(recorded.path, path, spacer_mm)


def _reported(folder: Path, path: TruePath, spacer_mm: float | None) -> MethodRun:
    capture = open_capture(folder)
    force_n = contact_force_n(method_of(capture.header))
    result = open_recording(folder).analyse(contact_force_n=force_n)
    report = method_report(capture.header, capture.events(), capture.batches(), result, spacer_mm=spacer_mm)
    return MethodRun(capture, report, path, _step_times(capture))


def _step_times(capture: Capture) -> list[StepTime]:
    marks = [event for event in capture.events() if event["kind"] == "step"]
    begins, ends = marks[::2], marks[1::2]
    assert {each["phase"] for each in begins} == {"begin"}
    assert {each["phase"] for each in ends} == {"end"}
    untils = [*ends[1:], ends[-1]]
    return [
        StepTime(
            begin["action"],
            tuple(begin["passes"]),
            begin["time_us"] / 1e6,
            end["time_us"] / 1e6,
            until["time_us"] / 1e6,
        )
        for begin, end, until in zip(begins, ends, untils, strict=True)
    ]
