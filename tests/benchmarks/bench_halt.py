"""From an over-force sample on the port to the halt's bytes on the port, while page and recorder are busy.

Run by hand: python tests/benchmarks/bench_halt.py [trials]. A virtual rig in this process, at real time, is
held by `pressrig serve` in another, which records, analyses and serves its page to a watcher that asks all
the time. In each press one sample is made to show a force above the host's limit; the device itself
feels nothing and goes on. What counts is the time from the write of that sample to the arrival of the
halt. Beside it stands the general baseline: an echo over a pseudo-terminal by a process that does nothing
else.
"""

import os
import subprocess
import sys
import tempfile
import threading
import time
import tty
from dataclasses import replace
from pathlib import Path

import httpx
import numpy as np

from rig.daemon.control import ControlClient
from rig.jobs.orders import MethodOrder, SpecimenCard
from rig.virtual import LinearSpring, VirtualPort, VirtualRig
from rig.wire import FrameDecoder, Halt

HTTP = 8479
RIG = """
name: halt bench
port: {{path: "{port}"}}
wire: {{format: framed, rate_hz: 500}}
force: {{per_count: "1 mN"}}
position: {{per_count: "5 um"}}
drive:
  travel: ["1 mm", "80 mm"]
  force: ["-5 N", "100 N"]
  speed: "30 mm/s"
  deceleration: "200 mm/s^2"
  conversions_per_s: 500
"""
METHOD = """
name: slow press
purpose: A benchmark.
follows: Nothing published.
specimen: {stiffness: "3 N/mm"}
steps:
  - contact_check: {force: "0.5 N", speed: "20 mm/s"}
  - press: {deflection: "20 mm", speed: "0.5 mm/s"}
  - return: {gap: "2 mm", speed: "20 mm/s"}
"""
OVER_FORCE = 300_000


class Overforced(VirtualRig):
    """Shows a force that is not there when it is told to, and notes when a halt arrives."""

    def __init__(self):
        self.due = False
        self.shown_s = 0.0
        self.halted = threading.Event()
        self.halted_s = 0.0
        self._heard = FrameDecoder()
        super().__init__(LinearSpring(3.0, 60.0), scripted=False, rate_hz=500.0)

    def receive(self, data):
        now_s = time.perf_counter()
        messages = [placed.message for placed in self._heard.feed(data).messages]
        if self.shown_s and not self.halted.is_set() and any(isinstance(each, Halt) for each in messages):
            self.halted_s = now_s
            self.halted.set()
        return super().receive(data)

    def _send_samples(self, block, room):
        if self.due and len(block):
            self.due = False
            force = block.force.copy()
            force[-1] = OVER_FORCE
            block = replace(block, force=force)
            self.shown_s = time.perf_counter()
        super()._send_samples(block, room)


def wait_for(holds, limit_s=20.0):
    until = time.monotonic() + limit_s
    while not holds():
        if time.monotonic() > until:
            raise TimeoutError
        time.sleep(0.01)


def watch(stop):
    with httpx.Client(base_url=httpx.URL(scheme="http", host="127.0.0.1", port=HTTP)) as client:
        while not stop.is_set():
            try:
                client.get("/api/news")
            except httpx.HTTPError:
                time.sleep(0.1)


def trial(rig, client, random):
    rig.shown_s, _ = 0.0, rig.halted.clear()
    card = SpecimenCard(specimen="F-90-001", free_height_mm=60.0)
    client.start(MethodOrder(text=METHOD, card=card, cautions_read=True))
    wait_for(lambda: (job := client.status().job) is not None and "press" in job.step)
    time.sleep(random.uniform(0.2, 0.4))
    rig.due = True
    assert rig.halted.wait(5.0), "no halt came"
    wait_for(lambda: client.status().job is None)
    return rig.halted_s - rig.shown_s


def echo(trials):
    """The baseline: how soon a process that only echoes answers on a pseudo-terminal."""
    master, slave = os.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    script = (
        "import serial,sys\np=serial.Serial(sys.argv[1],115200,timeout=1)\n"
        "while True:\n d=p.read(1)\n if d==b'q': break\n p.write(d)"
    )
    child = subprocess.Popen([sys.executable, "-c", script, name])
    time.sleep(1.0)
    times = []
    for _ in range(trials):
        began = time.perf_counter()
        os.write(master, b"x")
        os.read(master, 1)
        times.append(time.perf_counter() - began)
    os.write(master, b"q")
    child.wait(5)
    return times


def show(what, times):
    median, late = np.percentile(1000 * np.array(times), (50, 99))
    print(f"{what:34} median {median:6.2f} ms, 99th percentile {late:6.2f} ms, {len(times)} trials")


def main(trials=40):
    random = np.random.default_rng(20261125)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "run").mkdir(mode=0o700)
        (folder / "rig.yaml").write_text(RIG.format(port=folder / "port"))
        environment = os.environ | {"XDG_RUNTIME_DIR": str(folder / "run"), "XDG_STATE_HOME": str(folder)}
        rig = Overforced()
        with VirtualPort(rig, folder / "port", 1.0):
            command = [
                sys.executable, "-c", "from rig.cli import main; main()", "serve", "--rig", "rig.yaml",
                "--out", "captures", "--http", str(HTTP),
            ]  # fmt: skip
            daemon = subprocess.Popen(command, cwd=folder, env=environment, stderr=subprocess.DEVNULL)
            stop = threading.Event()
            watcher = threading.Thread(target=watch, args=(stop,))
            try:
                wait_for(lambda: list((folder / "run").rglob("*.sock")))
                with ControlClient(next((folder / "run").rglob("*.sock"))) as client:
                    wait_for(lambda: client.status().state == "idle")
                    watcher.start()
                    show(
                        "over-force sample to halt bytes", [trial(rig, client, random) for _ in range(trials)]
                    )
            finally:
                stop.set()
                daemon.terminate()
                daemon.wait(20)
        if watcher.ident is not None:
            watcher.join()
    show("echo over a pseudo-terminal", echo(trials))


if __name__ == "__main__":
    main(*(int(each) for each in sys.argv[1:]))
