"""Heights measured on the virtual rig over a real pseudo-terminal, and where its platen truly was."""

from __future__ import annotations

import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from delivering import CALIBRATION

from rig.calibration import Calibration
from rig.capture import CaptureHeader, open_capture
from rig.jobs import Bench, Recorded, Watch
from rig.jobs.heading import complete_header
from rig.jobs.height import INSTRUCTIONS, measure_height
from rig.methods import HeightPlan, RigLimits, check_height_plan
from rig.reader import PortAddress, Reader
from rig.results import HeightReport, planned_forces, read_height
from rig.rigfile import RigFile
from rig.virtual import DriveSettings, LinearSpring, Specimen, VirtualPort, VirtualRig

PLATEN_N_PER_MM = 2000.0
PIECE_MET_MM = 12.0
LIMITS = RigLimits((1.0, 110.0), 30.0, (-5.0, 500.0), 200.0, 500.0, 0.0, 500.0)
PATIENCE = 20.0
"""The device waits so many times longer for a heartbeat: a busy machine is not what is looked at here."""

SILENCE_S = 10.0
"""So long may the samples stay away before the driver halts: a busy machine keeps a thread from running for
longer than the 0.35 s of a real rig."""

PLAN = HeightPlan(contact_checks=4)


@dataclass
class CheckedHeight:
    recorded: Recorded
    rig: VirtualRig
    path: TruePath
    asked: list[str]

    def report(self, **how) -> HeightReport:
        assert not self.recorded.failed, self.recorded.reason
        return reported([self.recorded.path], self.recorded.path, **how)

    def true_heights_mm(self, force_n: float = 1e-9) -> np.ndarray:
        """Where the platen truly first reached a force, by the machine's own fine grid: mean of the bare
        contact checks less each one of the piece."""
        met = {"bare": [], "piece": []}
        begun = None
        for event in open_capture(self.recorded.path).events():
            if event["kind"] == "height contact check":
                if event["phase"] == "begin":
                    begun = event["time_us"] / 1e6
                elif event["phase"] == "clear":
                    met[event["surface"]].append(self.path.met_mm(begun, event["time_us"] / 1e6, force_n))
        return np.mean(met["bare"]) - np.array(met["piece"])


class TruePath:
    """Where the platen truly was and with what it was truly pushed back."""

    def __init__(self, rig: VirtualRig) -> None:
        self._parts = []
        machine = rig.device.machine
        commit = machine.commit

        def kept(stretch):
            self._parts.append((stretch.grid_s, stretch.grid_position_mm, stretch.grid_force_n))
            return commit(stretch)

        machine.commit = kept

    def met_mm(self, begin_s: float, end_s: float, force_n: float) -> float:
        time_s, position_mm, pushed_n = (np.concatenate(each) for each in zip(*self._parts, strict=True))
        part = slice(*np.searchsorted(time_s, [begin_s, end_s]))
        position_mm, pushed_n = position_mm[part], pushed_n[part]
        at = int(np.argmax(pushed_n >= force_n))
        share = (force_n - pushed_n[at - 1]) / (pushed_n[at] - pushed_n[at - 1])
        return float(position_mm[at - 1] + share * (position_mm[at] - position_mm[at - 1]))


@contextmanager
def driven(folder: Path, lies_in: Specimen, contact_mm: float, *, speed_up: float = 50.0, **how):
    """A virtual rig that does what it is told, with something in it, and its port."""
    rig = VirtualRig(
        lies_in,
        scripted=False,
        rate_hz=500.0,
        contact_mm=contact_mm,
        clock=lambda: time.monotonic() / PATIENCE,
        drive=DriveSettings(112.0, 50.0, 200.0),
        **how,
    )
    with VirtualPort(rig, folder / "rig", speed_up) as port:
        yield rig, port


def measured(
    folder: Path,
    piece: Specimen | None,
    *,
    plan: HeightPlan = PLAN,
    limits: RigLimits = LIMITS,
    surfaces=("bare", "piece"),
    calibration: Calibration = CALIBRATION,
    piece_met_mm: float = PIECE_MET_MM,
    bare_met_mm: float | None = None,
    stopped: threading.Event | None = None,
    tell=lambda step, done: None,
    **how,
) -> CheckedHeight:
    """Measure the bare platens and a piece; a person lays in what is asked for (None: nothing)."""
    if bare_met_mm is None:
        bare_met_mm = piece_met_mm + piece.height_mm
    bare = LinearSpring(PLATEN_N_PER_MM, 10.0)
    asked = []
    with driven(folder, bare, bare_met_mm, **how) as (rig, port):
        path = TruePath(rig)

        def ask(instruction):
            asked.append(instruction)
            if instruction == INSTRUCTIONS["piece"] and piece is not None:
                rig.replace_specimen(piece, piece_met_mm)
            elif instruction == INSTRUCTIONS["bare"]:
                rig.replace_specimen(bare, bare_met_mm)

        about = CaptureHeader(specimen="F-90 no. 7", calibration=calibration.as_dict())
        with (
            pytest.MonkeyPatch.context() as patched,
            Reader(PortAddress(path=port.path), "framed", rate_hz=500.0, lock_places=[folder]) as reader,
        ):
            patched.setattr("rig.jobs.driving.QUIET_S", SILENCE_S)
            recorded = measure_height(
                Bench(
                    reader,
                    RigFile("virtual", calibration=calibration),
                    folder / "captures",
                    Watch(stopped or threading.Event(), ask, tell),
                ),
                partial(complete_header, about),
                check_height_plan(plan, limits),
                surfaces=surfaces,
            )
    return CheckedHeight(recorded, rig, path, asked)


def reported(bare: list[Path], piece: Path, *, calibration=None, oldest_bare_s=3600.0) -> HeightReport:
    """The height from captures."""
    forces_n = planned_forces(open_capture(piece).header)
    return read_height(bare, piece, forces_n=forces_n, oldest_bare_s=oldest_bare_s, calibration=calibration)
