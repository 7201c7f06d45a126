"""A desk that attends to a virtual rig on a real pseudo-terminal, in a thread of the test."""

import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from rig.daemon.board import Board
from rig.daemon.desk import Desk
from rig.daemon.live import LiveAnalysis
from rig.daemon.serving import limits_card
from rig.jobs.orders import EnduranceOrder, MethodOrder, RecordingOrder
from rig.reader import PortAddress
from rig.rigfile import read_rig_file
from rig.virtual import LinearSpring, VirtualPort, VirtualRig
from rig.wire import StateFlag

STIFFNESS = 3.0

PATIENCE_S = 60.0
"""Far longer than anything here takes; a test that waits this long has failed."""

RIG_FILE = """
name: test bench
wire: {format: framed, rate_hz: 500}
force: {per_count: "1 mN"}
position: {per_count: "5 um"}
drive:
  travel: ["1 mm", "60 mm"]
  force: ["-5 N", "100 N"]
  speed: "20 mm/s"
  deceleration: "200 mm/s^2"
  conversions_per_s: 500
"""

PRESSES = """
name: three presses
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "3 N/mm"}
steps:
  - contact_check: {force: "0.5 N", speed: "5 mm/s"}
  - return: {gap: "2 mm", speed: "10 mm/s"}
  - rest: "1 s"
  - repeat:
      count: 3
      steps:
        - press: {deflection: "8 mm", speed: "10 mm/s"}
        - return: {gap: "2 mm", speed: "10 mm/s"}
        - rest: "1 s"
report: [secant_n_per_mm]
"""

BY_HAND = """
name: by hand
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "3 N/mm"}
steps:
  - off_rig: {do: "Turn the float by a quarter."}
  - contact_check: {force: "0.5 N", speed: "5 mm/s"}
  - return: {gap: "2 mm", speed: "10 mm/s"}
report: [secant_n_per_mm]
"""

SLOW_PRESS = PRESSES.replace('deflection: "8 mm", speed: "10 mm/s"', 'deflection: "15 mm", speed: "1 mm/s"')

PLAN = """
name: many squeezes
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "3 N/mm"}
contact_check: {force: "0.5 N", speed: "5 mm/s"}
squeeze: {deflection: "8 mm", speed: "20 mm/s", gap: "1 mm"}
block: 4
reference_after: 2
until: {cycles: 12}
"""
GOING_ON = PLAN + "after_loss: go on\nrestart_within: '10 min'\n"

CARD = {"specimen": "F-90-007", "batch": "autumn", "free_height_mm": 60.0}


def wait_until(holds):
    """Wait for what another thread or process brings about."""
    deadline_s = time.monotonic() + PATIENCE_S
    never = threading.Event()
    while not holds():
        assert time.monotonic() < deadline_s, "what was waited for did not come"
        never.wait(0.002)


def moving(rig):
    return bool(int(rig.device.state().flags) & int(StateFlag.MOVING))


def method(text=PRESSES, *, cautions_read=True, **card):
    return MethodOrder(text=text, source="test.yaml", card=CARD | card, cautions_read=cautions_read)


def endurance(text=PLAN):
    return EnduranceOrder(text=text, source="plan.yaml", card=CARD, cautions_read=True)


def recording(**how):
    return RecordingOrder(card=CARD, **how)


class Confirmed:
    """Who has confirmed the cautions, without a file."""

    def __init__(self, who):
        self._who = who

    def today(self, unit_id=None):
        return bool(self._who)

    def confirm(self, who, unit_id=None):
        self._who.append(who)


@dataclass
class Attended:
    """What a test needs of a desk at work."""

    rig: VirtualRig
    board: Board
    desk: Desk
    captures: Path
    turns: list
    port: str

    def started(self, order):
        """Number of a job that must have been accepted."""
        answer = self.desk.start(order)
        assert getattr(answer, "refused", None) is None, answer
        return answer.job

    def refused(self, order):
        """In which words an order is refused."""
        answer = self.desk.start(order)
        return answer.refused

    def end_of(self, number):
        """The end of a job."""
        wait_until(lambda: (last := self.board.status().last) is not None and last.number == number)
        return self.board.status().last

    def state_is(self, state):
        wait_until(lambda: self.board.status().state == state)

    def moves(self):
        wait_until(lambda: moving(self.rig))


@contextmanager
def attended(folder, *, speed_up=30.0, link=True, text=RIG_FILE, **how):
    """A desk at work on a virtual rig that does what it is told."""
    how = {"scripted": False, "rate_hz": 500.0} | how
    rig = VirtualRig(LinearSpring(STIFFNESS), **how)
    with (
        VirtualPort(rig, folder / "rig", speed_up) as port,
        attending(folder, rig, port.path, text=text) as at,
    ):
        if link:
            at.state_is("idle")
            wait_until(lambda: at.board.status().device is not None)
        yield at


@contextmanager
def attending(folder, rig, path, *, text=RIG_FILE, read=()):
    """A desk at work on whatever is, or will be, at a path."""
    (folder / "rig.yaml").write_text(text, encoding="utf-8")
    (folder / "locks").mkdir(exist_ok=True)
    file = read_rig_file(folder / "rig.yaml")
    board = Board(file.name, str(path), file.calibration, limits=limits_card(file.limits))
    read, turns = list(read), []
    with LiveAnalysis(board, file.calibration) as live:
        desk = Desk(
            file,
            PortAddress(path=str(path)),
            folder / "captures",
            board=board,
            live=live,
            turned=lambda: turns.append(1),
            cautions=Confirmed(read),
            lock_places=[folder / "locks"],
        )
        thread = threading.Thread(target=desk.run, name="test-desk")
        thread.start()
        try:
            yield Attended(rig, board, desk, folder / "captures", turns, str(path))
        finally:
            desk.stop()
            thread.join()
