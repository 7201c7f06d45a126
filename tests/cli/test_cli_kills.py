"""Kills and signals at random moments: the platen stands, every capture can be read, and nothing is lost.

What was recorded is compared with what the device itself sent, sample by sample. `PRESSRIG_KILLS=60` tries so
many kills and a third as many signals; the seed is printed with each figure.
"""

from __future__ import annotations

import os
import random
import re
import signal
import subprocess
import threading
from pathlib import Path

import numpy as np
import pytest

if os.name != "posix":
    pytest.skip("the virtual rig needs pseudo-terminals", allow_module_level=True)

from command_line import DRIVEN_BENCH, PATIENCE_S, environment, patient, wait_until

from rig.capture import open_capture
from rig.virtual import LinearSpring, VirtualPort, VirtualRig
from rig.wire import EventCode, FrameDecoder, StateFlag

KILLS = int(os.environ.get("PRESSRIG_KILLS", "3"))
SIGNALS = ["SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT"]
CASES = ["SIGKILL"] * KILLS + [SIGNALS[number % len(SIGNALS)] for number in range(-(-KILLS // 3))]
LATEST_S = 4.0
"""Homing, the contact check and the slow press last longer."""

METHOD = """
name: slow press
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "20 N/mm"}
steps:
  - contact_check: {force: "1 N", speed: "5 mm/s"}
  - press: {deflection: "9 mm", speed: "0.1 mm/s"}
  - return: {gap: "2 mm", speed: "10 mm/s"}
report: [secant_n_per_mm]
"""


class RememberingRig(VirtualRig):
    """Keeps what it sent: the force and the position of every sample by its number."""

    def __init__(self) -> None:
        super().__init__(LinearSpring(20.0), scripted=False, rate_hz=500.0)
        self.sent: dict[int, tuple[int, int]] = {}
        self._own = FrameDecoder()

    def advance(self, duration_s: float, room: int | None = None) -> bytes:
        return self._noted(super().advance(duration_s, room))

    def receive(self, data: bytes) -> bytes:
        return self._noted(super().receive(data))

    def _noted(self, said: bytes) -> bytes:
        block = self._own.feed(said).samples
        values = zip(block.force.tolist(), block.position.tolist(), strict=True)
        self.sent |= dict(zip(block.seq.tolist(), values, strict=True))
        return said

    def flags(self) -> int:
        return int(self.device.state().flags)


@pytest.mark.slow
@pytest.mark.parametrize(("number", "name"), list(enumerate(CASES)))
def test_nothing_is_lost_whatever_ends_a_run_and_whenever(tmp_path: Path, number: int, name: str) -> None:
    chance = random.Random(20261129 + number)
    moment_s, early = chance.uniform(0.0, LATEST_S), chance.random() < 0.3
    (tmp_path / "slow.yaml").write_text(METHOD, encoding="utf-8")
    (tmp_path / "rig.yaml").write_text(DRIVEN_BENCH, encoding="utf-8")
    rig = RememberingRig()
    words = (
        "run", "slow.yaml", "--rig", "rig.yaml", "--port", tmp_path / "rig", "--specimen", "F-90-001",
        "--free-height", "90 mm", "--cautions-read", "--out", "captures",
    )  # fmt: skip
    with VirtualPort(rig, tmp_path / "rig", 1.0):
        process = subprocess.Popen(
            list(map(str, (*patient(60.0), *words))), env=environment(tmp_path), cwd=tmp_path,
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip

        def begun() -> bool:
            """Armed to home; or, more often, recorded."""
            armed = bool(rig.flags() & StateFlag.ARMED)
            return armed if early else any(tmp_path.glob("captures/*/samples-0001.arrow"))

        wait_until(lambda: begun() or process.poll() is not None)
        threading.Event().wait(moment_s)
        moved = bool(rig.flags() & StateFlag.MOVING)
        last_sent = max(rig.sent, default=0)
        process.send_signal(getattr(signal, name))
        process.wait(PATIENCE_S)
        wait_until(lambda: not rig.flags() & (StateFlag.MOVING | StateFlag.ARMED))
        if name == "SIGKILL" and moved:
            assert rig.device.state().stop_cause == EventCode.HEARTBEAT_LOST
        for capture in (tmp_path / "captures").glob("*"):
            must_hold_what_was_sent(capture, rig, name, f"{number}, {name} after {moment_s:.2f} s", last_sent)


def must_hold_what_was_sent(path: Path, rig: RememberingRig, name: str, case: str, last_sent: int) -> None:
    capture = open_capture(path)
    samples = capture.samples()
    numbers = samples.seq
    if name != "SIGKILL":
        # on a busy machine the device may have missed the host before the signal came
        assert re.search("^stopped|heartbeat lost", str(capture.how_it_ended)), capture.how_it_ended
    if not len(numbers):
        return
    assert (np.diff(numbers) == 1).all(), case
    told = [rig.sent[int(one) % 2**16] for one in numbers]
    assert list(zip(samples.force.tolist(), samples.position.tolist(), strict=True)) == told, case
    unsaved_s = (last_sent - int(numbers[-1])) / 500.0
    print(f"{case}: {len(numbers)} samples, the newest {unsaved_s:.2f} s before the end")
