"""An endurance run whose daemon is killed, whose cable is pulled and whose device is reset, again and again.

The truth is the virtual device's own count over all its boots, which the daemon never sees whole.

Source: that count, no outside value; read from the package.

`PRESSRIG_LOSSES=20` in the environment makes twenty losses of each kind in 500 cycles instead of two in 120.
"""

import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the virtual rig needs pseudo-terminals", allow_module_level=True)

from rig.capture import open_capture
from rig.daemon.bulletin import Done
from rig.daemon.control import ControlClient, NoDaemonError
from rig.errors import RigError
from rig.jobs.orders import EnduranceOrder, SpecimenCard
from rig.virtual import LinearSpring, VirtualPort, VirtualRig
from rig.virtual.faults import Disruption
from rig.wire import Arm, EventCode, FrameDecoder, Heartbeat

LOSSES = int(os.environ.get("PRESSRIG_LOSSES", "2"))
CYCLES = 500 if LOSSES > 2 else 120
PATIENCE_S = 40.0 + 2.0 * LOSSES
"""For one thing to happen."""

RIG_FILE = """
name: shaken rig
port: {path: "PORT"}
wire: {format: framed, rate_hz: 500}
force: {per_count: "1 mN"}
position: {per_count: "5 um"}
drive:
  travel: ["1 mm", "80 mm"]
  force: ["-5 N", "200 N"]
  speed: "60 mm/s"
  deceleration: "200 mm/s^2"
  conversions_per_s: 500
"""

PLAN = f"""
name: shaken
purpose: A test.
follows: Nothing published.
specimen: {{stiffness: "5 N/mm"}}
contact_check: {{force: "0.5 N", speed: "10 mm/s"}}
squeeze: {{deflection: "8 mm", speed: "40 mm/s", gap: "1 mm"}}
block: 40
until: {{cycles: {CYCLES}}}
after_loss: go on
restart_within: '10 min'
"""


class ShakenRig(VirtualRig):
    """Counts for itself, over all boots, and notes how soon it brakes without heartbeats."""

    def __init__(self):
        self.finished = 0
        self.happenings = []
        self.silences_s = []
        self._beat_s = time.monotonic()
        self._heard = FrameDecoder()
        super().__init__(LinearSpring(3.0, 60.0), scripted=False, rate_hz=500.0)

    def receive(self, data):
        messages = [placed.message for placed in self._heard.feed(data).messages]
        # arming starts the device's timer as a heartbeat does
        if any(isinstance(message, Heartbeat | Arm) for message in messages):
            self._beat_s = time.monotonic()
        return super().receive(data)

    def advance(self, duration_s, room=None):
        while self.happenings:
            self.happenings.pop()(self)
        return super().advance(duration_s, room)

    def _send(self, items, room=None):
        for item in items:
            code = getattr(item, "code", None)
            self.finished += code == EventCode.CYCLE_FINISHED
            if code == EventCode.HEARTBEAT_LOST:
                self.silences_s.append(time.monotonic() - self._beat_s)
        super()._send(items, room)


def reset(rig):
    rig._send(rig.device.reboot())


def unplug(rig):
    now_s = rig.device.machine.now_s
    # at twelve times speed the port is away for 0.3 to 1.2 s
    rig._disruptions.insert(0, Disruption("unplug", now_s, now_s + random.uniform(4.0, 14.0)))


SOON_RESUMED = "import rig.daemon.desk as desk; desk.WARNING_S = 0.5; from rig.cli import main; main()"
"""The command, with a short warning before it moves after a restart: nobody is beside this rig."""


class Daemon:
    """`pressrig serve` in a process of its own, killed and started anew."""

    def __init__(self, folder):
        self._folder = folder
        # a test's own folder may lie too deep for a socket
        self._sockets = tempfile.TemporaryDirectory(prefix="run")
        self._environment = os.environ | {
            "XDG_RUNTIME_DIR": self._sockets.name, "XDG_STATE_HOME": str(folder / "state"),
        }  # fmt: skip
        self._process = None
        self.start()

    def start(self):
        pressrig = [sys.executable, "-c", SOON_RESUMED]
        command = [*pressrig, "serve", "--no-page", "--rig", "rig.yaml", "--out", "captures"]
        with (self._folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                command, cwd=self._folder, env=self._environment, stdout=log, stderr=log
            )

    def kill(self):
        self._process.send_signal(signal.SIGKILL)
        self._process.wait()
        self.start()

    def end(self):
        self._process.terminate()
        self._process.wait(PATIENCE_S)
        self._sockets.cleanup()

    def socket(self):
        """None while there is none."""
        return next(Path(self._sockets.name).rglob("*.sock"), None)

    def status(self):
        """None while it does not answer."""
        assert self._process.poll() is None, (self._folder / "log").read_text()[-1000:]
        socket = self.socket()
        if socket is None:
            return None
        try:
            with ControlClient(socket) as client:
                return client.status()
        except (RigError, NoDaemonError, OSError):
            return None

    def follows(self, rig):
        """Whether it knows what the device has done: a reset behind a lost link takes the count with it."""
        status = self.status()
        return status is not None and status.job is not None and status.job.cycles >= rig.finished - 2

    def order(self, order):
        with ControlClient(self.socket()) as client:
            return client.start(order)


def await_it(holds, what):
    deadline_s = time.monotonic() + PATIENCE_S
    never = threading.Event()
    while not (found := holds()):
        assert time.monotonic() < deadline_s, what
        never.wait(0.05)
    return found


@contextmanager
def shaken(folder):
    rig = ShakenRig()
    link = folder / "port"
    (folder / "rig.yaml").write_text(RIG_FILE.replace("PORT", str(link)))
    with VirtualPort(rig, link, 12.0):
        daemon = Daemon(folder)
        try:
            yield rig, daemon
        finally:
            daemon.end()


def shake(rig, daemon):
    """All losses in random order, each after some cycles more; the numbers of cycles at which they came."""
    chance = random.Random(20261125)
    kinds = ["kill", "unplug", "reset"] * LOSSES
    chance.shuffle(kinds)
    for number, kind in enumerate(kinds, 1):
        due = round(number * (CYCLES - 20) / len(kinds)) + chance.randint(-2, 2)
        await_it(
            lambda due=due: rig.finished >= due and daemon.follows(rig), f"loss {number}: no {due} cycles"
        )
        if kind == "kill":
            daemon.kill()
        else:
            rig.happenings.append(unplug if kind == "unplug" else reset)


@pytest.mark.slow
def test_the_count_is_the_devices_own_whatever_is_lost_and_how_often(tmp_path):
    with shaken(tmp_path) as (rig, daemon):
        await_it(lambda: (s := daemon.status()) and s.state == "idle", "the daemon did not come up")
        card = SpecimenCard(specimen="F-90-021", free_height_mm=60.0)
        answer = daemon.order(EnduranceOrder(text=PLAN, card=card, cautions_read=True))
        assert isinstance(answer, Done), answer
        shake(rig, daemon)
        (path,) = (tmp_path / "captures").iterdir()
        await_it((path / "end.yaml").exists, "the run did not end")
    capture = open_capture(path)
    tally = capture.ending.tallies["endurance"]
    events = capture.events()
    kinds = [event["kind"] for event in events]
    settled = [event for event in events if event["kind"] == "block settled"]
    doubtful = [event["doubtful"] for event in settled if event["doubtful"] is not None]
    print(json.dumps({"losses": 3 * LOSSES, "device": rig.finished, **tally}))
    print(f"longest time from the last heartbeat to the brake: {1000 * max(rig.silences_s):.0f} ms")
    assert capture.ending.reason == f"{CYCLES} cycles"
    assert tally["cycles"] == rig.finished == CYCLES
    assert sum(event["done"] for event in settled) == CYCLES
    assert tally["doubtful"] == len(doubtful) <= kinds.count("pause")
    assert kinds.count("pause") >= 2 * LOSSES
    assert 1 <= kinds.count("taken up") <= kinds.count("pause")
    assert max(rig.silences_s) <= 0.55
