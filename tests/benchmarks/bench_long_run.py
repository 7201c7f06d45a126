"""Eighty thousand cycles of a virtual float, through the daemon and then through the analysis.

Run by hand: python tests/benchmarks/bench_long_run.py [cycles ...]; left out, 2000 and 80000. For each
length a virtual rig in this process is held by `pressrig serve` in another and squeezed by a plan, a
hundred times faster than real. Printed are the count, the rows that `pressrig analyse` finds, set and
softening beside the specimen's own truth, and the peak memory of both processes.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from rig.capture import open_capture
from rig.daemon.control import ControlClient
from rig.jobs.orders import EnduranceOrder, SpecimenCard
from rig.virtual import Foam, VirtualPort, VirtualRig
from rig.wire import EventCode

RATE_HZ = 120.0
SPEED_UP = 100.0
STEP_S = 0.00025
RIG = """
name: long bench
port: {{path: "{port}"}}
wire: {{format: framed, rate_hz: 120}}
force: {{per_count: "1 mN"}}
position: {{per_count: "5 um"}}
drive:
  travel: ["1 mm", "80 mm"]
  force: ["-5 N", "200 N"]
  speed: "60 mm/s"
  deceleration: "200 mm/s^2"
  conversions_per_s: 120
"""
PLAN = """
name: long run
purpose: A benchmark.
follows: Nothing published.
specimen: {{stiffness: "5 N/mm"}}
contact_check: {{force: "0.5 N", speed: "2 mm/s"}}
squeeze: {{deflection: "8 mm", speed: "40 mm/s", gap: "1 mm"}}
block: 500
until: {{cycles: {cycles}}}
after_loss: go on
"""
PRESSRIG = [sys.executable, "-c", "from rig.cli import main; main()"]


class KnownRig(VirtualRig):
    """Keeps what the specimen was like before its first squeeze and before its newest one."""

    def __init__(self):
        self.finished = 0
        self.before = []
        super().__init__(Foam(), scripted=False, rate_hz=RATE_HZ)
        # where the device tells of a cycle, its machine stands at that very instant
        self._tell, self.device._events = self.device._events, self._told

    def _told(self):
        told = self._tell()
        for event in told:
            if event.code == EventCode.CYCLE_FINISHED:
                self.finished += 1
                # those before the second, the last and the next squeeze
                self.before = [*self.before[:1], *self.before[1:][-1:], self.device.machine._memory]
        return told


def squeeze(foam, memory):
    """Where the platen is past the first contact, in mm, and the force in N, in one squeeze of the plan."""
    time_s = np.arange(0.0, 0.425, STEP_S)
    # from rest 1 mm before the contact: 200 mm/s^2 up to 40 mm/s, 1 mm at that speed, and braking to 8 mm
    speed = np.minimum(np.minimum(200 * time_s, 40.0), 200 * np.maximum(0.425 - time_s, 0.0))
    position_mm = -1.0 + np.cumsum(speed) * STEP_S
    force_n, _ = foam.respond(memory, position_mm, STEP_S)
    return position_mm, force_n


def met_mm(foam, memory, contact_n):
    """Where the force passes the contact force."""
    position_mm, force_n = squeeze(foam, memory)
    at = int(np.argmax(force_n >= contact_n))
    return float(np.interp(contact_n, force_n[at - 1 : at + 1], position_mm[at - 1 : at + 1]))


def peak_n(foam, memory):
    """Force at the end of the squeeze, which is at a fixed place of the platen."""
    return float(squeeze(foam, memory)[1].max())


def wait_for(holds, limit_s):
    until = time.monotonic() + limit_s
    while not (found := holds()):
        if time.monotonic() > until:
            raise TimeoutError
        time.sleep(0.05)
    return found


def peak_mib(pid):
    line = next(x for x in Path(f"/proc/{pid}/status").read_text().splitlines() if x.startswith("VmHWM"))
    return int(line.split()[1]) / 1024


def squeezed(folder, cycles):
    """The capture of a run, its truth, and the daemon's peak memory."""
    (folder / "run").mkdir(mode=0o700)
    (folder / "rig.yaml").write_text(RIG.format(port=folder / "port"))
    environment = os.environ | {"XDG_RUNTIME_DIR": str(folder / "run"), "XDG_STATE_HOME": str(folder)}
    rig = KnownRig()
    with VirtualPort(rig, folder / "port", SPEED_UP):
        command = [*PRESSRIG, "serve", "--no-page", "--rig", "rig.yaml", "--out", "captures"]
        daemon = subprocess.Popen(command, cwd=folder, env=environment)
        try:
            wait_for(lambda: list((folder / "run").rglob("*.sock")), 30)
            with ControlClient(next((folder / "run").rglob("*.sock"))) as client:
                wait_for(lambda: client.status().state == "idle", 30)
                card = SpecimenCard(specimen="F-90-080", free_height_mm=90.0)
                text = PLAN.format(cycles=cycles)
                print(client.start(EnduranceOrder(text=text, card=card, cautions_read=True)))
                wait_for(lambda: client.status().job is not None, 30)
                while (job := client.status().job) is not None:
                    print(f"\r{job.cycles} cycles", end="", file=sys.stderr, flush=True)
                    time.sleep(1.0)
                print(f"\r{client.status().last}")
            peak = peak_mib(daemon.pid)
        finally:
            daemon.terminate()
            daemon.wait(30)
    return next((folder / "captures").iterdir()), rig, peak


def analysed(path):
    """Rows, last set, softening, and the peak memory of the analysis."""
    rows, last, second, head = 0, {}, {}, {}
    with tempfile.TemporaryFile("w+") as out:
        child = subprocess.Popen([*PRESSRIG, "analyse", str(path), "--json"], stdout=out)
        _, _, usage = os.wait4(child.pid, 0)
        out.seek(0)
        for line in out:
            if line.startswith('{"capture"'):
                head = json.loads(line.rstrip().removesuffix('"cycles": [').rstrip().rstrip(",") + "}")
            if line.startswith('{"cycle"'):
                rows, last = rows + 1, json.loads(line.rstrip().rstrip(","))
                # the first squeeze with a truth is the second, behind the contact check and the first one
                second = last if rows == 3 else second
    return head, rows, second, last, usage.ru_maxrss / 1024


def run(cycles):
    with tempfile.TemporaryDirectory() as name:
        began = time.perf_counter()
        path, rig, daemon_mib = squeezed(Path(name), cycles)
        took_s = time.perf_counter() - began
        head, rows, second, last, analyse_mib = analysed(path)
        foam, contact_n = Foam(), head["settings"]["contact_force_n"]
        early, late = rig.before[0], rig.before[-2]
        set_mm = met_mm(foam, late, contact_n) - met_mm(foam, early, contact_n)
        lost_pct = 100 * (1 - peak_n(foam, late) / peak_n(foam, early))
        measured_pct = 100 * (1 - last["peak_force_n"] / second["peak_force_n"])
        settled = [e for e in open_capture(path).events() if e["kind"] == "block settled"]
        print(
            f"{cycles} cycles in {took_s:.0f} s: counted {settled[-1]['total']}, device {rig.finished}, "
            f"rows {rows} (with the contact check)\n"
            f"  set from the second to the last squeeze: measured {last['set_mm'] - second['set_mm']:.3f} mm "
            f"(u {np.hypot(last['set_mm_u'], second['set_mm_u']):.3f}), truth {set_mm:.3f} mm\n"
            f"  force at depth lost meanwhile: measured {measured_pct:.2f} %, truth {lost_pct:.2f} %\n"
            f"  peak memory: daemon {daemon_mib:.0f} MiB, analyse {analyse_mib:.0f} MiB"
        )
        return daemon_mib, analyse_mib


def main(*lengths):
    peaks = [run(cycles) for cycles in lengths or (2000, 80_000)]
    if len(peaks) > 1:
        print("ratio of peaks, longest to shortest: " + ", ".join(
            f"{what} {peaks[-1][n] / peaks[0][n]:.2f}" for n, what in enumerate(("daemon", "analyse"))
        ))  # fmt: skip


if __name__ == "__main__":
    main(*(int(each) for each in sys.argv[1:]))
