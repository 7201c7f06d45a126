"""A rig that only a hand moves, on a real pseudo-terminal, and a person who follows the guidance."""

import threading
import time
from collections import deque
from contextlib import contextmanager
from dataclasses import dataclass, field

from rig.jobs import Bench, Watch
from rig.jobs.guiding import perform_guided
from rig.methods import SpecimenFacts, check_by_hand, parse_method
from rig.reader import PortAddress, Reader
from rig.rigfile import RigFile
from rig.virtual import FIRST_CONTACT_MM, LinearSpring, VirtualPort, VirtualRig
from rig.virtual.trajectory import driven, standing
from rig.wire import LineFormat

STIFFNESS = 3.0
CONTACT_CHECK_N = 0.5
CONTACT_MM = FIRST_CONTACT_MM + CONTACT_CHECK_N / STIFFNESS
"""Where the contact force is felt: depths of a method count from there."""

PRESSES = """
name: two presses
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "3 N/mm"}
steps:
  - contact_check: {force: "0.5 N", speed: "5 mm/s"}
  - return: {gap: "2 mm", speed: "10 mm/s"}
  - rest: "0.5 s"
  - repeat:
      count: 2
      steps:
        - press: {deflection: "8 mm", speed: "10 mm/s"}
        - hold: "0.5 s"
        - return: {gap: "2 mm", speed: "10 mm/s"}
        - rest: "1 s"
report: [secant_n_per_mm]
"""
ONE_PRESS = PRESSES.replace("count: 2", "count: 1")
TO_A_FORCE = ONE_PRESS.replace(
    'press: {deflection: "8 mm", speed: "10 mm/s"}',
    'press: {force: "15 N", stop_at: "8 mm", speed: "10 mm/s"}',
)
OFF_THE_RIG = """
name: off the rig
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "3 N/mm"}
steps:
  - off_rig: {do: "Turn the float by a quarter."}
  - contact_check: {force: "0.5 N", speed: "5 mm/s"}
  - return: {gap: "2 mm", speed: "10 mm/s"}
report: [secant_n_per_mm]
"""

RECOVERY = """
name: recovery
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "3 N/mm"}
steps:
  - contact_check: {force: "0.5 N", speed: "5 mm/s"}
  - recover: {contact_checks: 2, from: "8 s", to: "20 s", force: "0.5 N", speed: "5 mm/s", gap: "2 mm"}
report: [set_mm]
"""

PATIENCE_S = 30.0
"""Far longer than anything here takes; a method that takes this long is stuck."""

TALK_ONLY = {"talk_only": True}
WITH_TIME = {"line_format": LineFormat()}
WITHOUT_TIME = {"line_format": LineFormat(columns=("force", "position"))}


class HandLever(VirtualRig):
    """A rig whose platen a test moves. `stood_mm`: where it really was each time it was sent elsewhere."""

    def __init__(self, **how):
        super().__init__(LinearSpring(STIFFNESS), **{"scripted": False, "rate_hz": 500.0} | how)
        self._orders = deque()
        self.stood_mm = []

    def go_to(self, position_mm, speed_mm_per_s):
        """Have the platen go somewhere; from any thread."""
        self._orders.append((position_mm, speed_mm_per_s))

    def stand(self):
        """Have it stand where it is; from any thread."""
        self._orders.append((None, 0.0))

    def advance_samples(self, samples, room=None):
        machine = self.device.machine
        while self._orders:
            position_mm, speed = self._orders.popleft()
            self.stood_mm.append(machine.position_mm)
            if position_mm is None:
                machine.trajectory = standing(machine.position_mm, machine.now_s)
            else:
                machine.trajectory = driven(
                    machine.position_mm,
                    [(position_mm, 0.0)],
                    speed_mm_per_s=speed,
                    acceleration_mm_per_s2=400.0,
                    at_s=machine.now_s,
                )
        return super().advance_samples(samples, room)


@dataclass
class Person:
    """Does what is shown, a little too fast or too deep if asked to; remembers what was shown."""

    lever: HandLever
    haste: float = 1.0
    too_deep_mm: float = 0.0
    shown: list = field(default_factory=list)
    _at: tuple = ()
    _patient_until: float = field(default_factory=lambda: time.monotonic() + PATIENCE_S)

    def see(self, guidance):
        assert time.monotonic() < self._patient_until, f"the method does not go on: {guidance}"
        self.shown.append(guidance)
        at = guidance.place, guidance.passes, guidance.action, guidance.target_mm
        if at != self._at:
            self._at = at
            self.begin(guidance)
        elif guidance.action == "press to force" and guidance.share >= 1.0:
            self.lever.stand()

    def begin(self, guidance):
        """A new instruction."""
        speed = self.haste * (guidance.asked_mm_per_s or 0.0)
        match guidance.action:
            case "contact check":
                self.lever.go_to(CONTACT_MM + 5.0, speed)
            case "press to depth":
                self.lever.go_to(CONTACT_MM + guidance.target_mm + self.too_deep_mm, speed)
            case "press to force":
                self.lever.go_to(CONTACT_MM + 20.0, speed)
            case "move":
                self.lever.go_to(CONTACT_MM + guidance.target_mm, speed)

    def paces(self, action):
        """How the speed was said to be, during one kind of action."""
        return {each.pace for each in self.shown if each.action == action} - {None}


@contextmanager
def hand_lever(folder, speed_up=4.0, **how):
    """A lever, a reader for it that is not yet entered, and a person."""
    how = how or TALK_ONLY
    lever = HandLever(**how)
    locks = folder / "locks"
    locks.mkdir(exist_ok=True)
    wire = how.get("line_format", "framed")
    with VirtualPort(lever, folder / "rig", speed_up) as port:
        yield lever, Reader(PortAddress(path=port.path), wire, lock_places=[locks])


def guided(reader, folder, show, text=PRESSES, *, calibration, header_of, **more):
    """Follow a method by hand to its end."""
    stopped = more.pop("stopped", None) or threading.Event()
    ask, tell = more.pop("ask", lambda text: None), more.pop("tell", lambda step, done: None)
    watch = Watch(stopped, ask, tell, guide=show)
    checked = check_by_hand(parse_method(text, "test.yaml"), SpecimenFacts(60.0, None, None), **more)
    bench = Bench(reader, RigFile("lever", calibration=calibration), folder / "captures", watch)
    with reader:
        return perform_guided(bench, header_of, checked)
