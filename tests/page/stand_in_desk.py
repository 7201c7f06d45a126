"""A stand-in for the daemon's control socket, with invented floats that soften as they are squeezed."""

import json
import math
import socket
import socketserver
import threading
from contextlib import contextmanager, suppress
from pathlib import Path

PEAK_MM = 22.0
CONTACT_MM = 12.0
PERIOD_S = 4.0
TICK_S = 0.2
POINTS = 10
"""Points of the trace for each tick, of which one passes with each question for news."""

KEPT_POINTS = 300
KEPT_CYCLES = 400
A_CALL = 150
"""Points, and rows, that one answer holds at most: the oldest that were not seen."""

KEPT_LOOPS = 5
WANTED = 60

CAUTIONS = (
    "The hard-wired emergency stop cuts the motor's power, and was tried today.",
    "The guard is closed; no hand reaches the platen.",
    "Eye protection is on; a squeezed float may slip out.",
)

PLAIN = """name: plain squeeze
specimen: {needs: [free_height]}
steps:
  - contact_check: {force: "1 N", speed: "60 mm/min"}
  - repeat: {count: 60, steps: [{press: {compression: "25 %", speed: "100 mm/min"}}]}
"""
METHODS = [
    {
        "name": "plain squeeze",
        "source": "plain_squeeze.yaml",
        "purpose": "Stiffness, hysteresis and set of one F-90 net float. Numbers invented.",
        "kind": "method",
        "text": PLAIN,
    },
    {
        "name": "pounding endurance",
        "source": "pounding_endurance.yaml",
        "purpose": "What eighty thousand squeezes do to a float. Numbers invented.",
        "kind": "endurance",
        "text": PLAIN.replace("plain squeeze", "pounding endurance"),
    },
]


PREVIEW = ["plain squeeze: 60 presses, at most 22.50 mm deep.", "The rig stops outside -10 to 120 N."]

HEIGHT = {
    "specimen": "F90-0414",
    "heights": [
        {
            "force_n": 0.05,
            "height_mm": 89.98345,
            "u_mm": 0.0123,
            "low_mm": 89.9584,
            "high_mm": 90.0085,
            "contact_checks": 5,
        },
        {
            "force_n": 5.0,
            "height_mm": 88.3356,
            "u_mm": 0.0008,
            "low_mm": 88.3340,
            "high_mm": 88.3372,
            "contact_checks": 5,
        },
        {
            "force_n": 0.0,
            "height_mm": 90.0018,
            "u_mm": None,
            "low_mm": None,
            "high_mm": None,
            "contact_checks": 5,
        },
    ],
    "notes": ["A caliper compresses a soft part. Numbers invented."],
}
"""What contact checks gave."""


def weakened(cycle):
    """Part of the first cycle's stiffness that is left."""
    return 1.0 - 0.055 * math.log10(1 + cycle)


def force_at(deflection_mm, cycle, *, loading):
    stiff = 1.9 * deflection_mm * (1 + (deflection_mm / 34) ** 2) * weakened(cycle)
    return stiff if loading else stiff * (0.62 + 0.38 * (deflection_mm / PEAK_MM) ** 2)


def row_of(cycle):
    peak_n = force_at(PEAK_MM, cycle, loading=True)
    return {
        "cycle": cycle,
        "flags": ["slipped"] if cycle == 7 else [],
        "end_s": cycle * PERIOD_S,
        "contact_mm": CONTACT_MM,
        "zero_n": 0.0,
        "peak_force_n": peak_n,
        "peak_deflection_mm": PEAK_MM,
        "secant_n_per_mm": peak_n / PEAK_MM,
        "energy_absorbed_mj": peak_n * PEAK_MM * 0.43,
        "hysteresis_pct": 24.0 - 1.5 * math.log10(1 + cycle),
        "set_mm": None if cycle == 1 else 0.31 * math.log10(cycle),
        "auxiliary": {"specimen_temperature": 19.5 + 4.2 * (1 - math.exp(-cycle / 30))},
    }


def loop_of(cycle):
    there = [PEAK_MM * step / 40 for step in range(41)]
    forces = [force_at(d, cycle, loading=True) for d in there]
    back = [force_at(d, cycle, loading=False) for d in reversed(there)]
    return {"cycle": cycle, "deflection_mm": there + there[::-1], "force_n": forces + back}


def point_of(number):
    """Time, force and position of one point of the trace."""
    time_s = number * TICK_S / POINTS
    phase = (time_s % PERIOD_S) / PERIOD_S
    depth_mm = PEAK_MM * 1.15 * (1 - abs(2 * phase - 1)) - PEAK_MM * 0.15
    cycle = 1 + int(time_s // PERIOD_S)
    force_n = force_at(depth_mm, cycle, loading=phase < 0.5) if depth_mm > 0 else 0.04 * math.sin(number)
    return time_s, force_n, CONTACT_MM + depth_mm


class StandInDesk:
    """What the daemon would say, and what it was asked."""

    def __init__(self, path):
        self.path = path
        self._lock = threading.Lock()
        self.begin_anew()

    def begin_anew(self):
        """Forget everything, as if started again."""
        self.requests = []
        self.job = 1
        self.kind = "method"
        self.halted = False
        self.asks = None
        self.read_today = False
        self.answers = {}
        self.stop_cause = None
        self.height = None
        self.name = None
        self.warns = None
        self._ticks = 0

    def asked(self, what):
        with self._lock:
            return [request for request in self.requests if request.get("ask") == what]

    def pass_cycles(self, cycles):
        """Let time pass."""
        self._ticks += round(cycles * PERIOD_S / TICK_S)

    def answer(self, request):
        with self._lock:
            self.requests.append(request)
            del self.requests[:-5000]
            what = request.get("ask")
            if what in self.answers:
                return self.answers[what]
            deed = getattr(self, f"_{what}", None) if isinstance(what, str) else None
            return (
                {"refused": f"ask: found {what!r}, expected a known question"}
                if deed is None
                else deed(request)
            )

    @property
    def cycles(self):
        return int(self._ticks * TICK_S // PERIOD_S)

    def _status(self, _):
        _, force_n, position_mm = point_of(self._ticks * POINTS)
        moving = not self.halted
        job = {
            "number": self.job,
            "kind": self.kind,
            "name": "plain squeeze",
            "specimen": "F90-0412",
            "capture": "f90-0412-plain-squeeze",
            "step": "plain_squeeze.yaml: line 5, step 2, press to 25 %",
            "elapsed_s": self._ticks * TICK_S,
            "left_s": max(0.0, WANTED * PERIOD_S - self._ticks * TICK_S),
            "done": min(1.0, self.cycles / WANTED),
            "cycles": self.cycles,
            "cycles_wanted": WANTED,
            "asks": self.asks,
        }
        last = {
            "number": self.job,
            "kind": "method",
            "name": "plain squeeze",
            "reason": "halted from the page",
            "failed": True,
            "capture": "f90-0412-plain-squeeze",
            "cycles": self.cycles,
        }
        if self.height is not None:
            last |= {"kind": "height", "name": "free height", "reason": "height measured", "failed": False}
            last["height"] = self.height
        by_hand = self.kind == "recording"
        if self.name is not None:
            job |= dict.fromkeys(("name", "specimen", "step"), self.name)
            last |= {"name": self.name, "reason": self.name}
        state = "idle" if self.halted else "by hand" if self.asks else "recording" if by_hand else "running"
        return {
            "rig": self.name or "bench press",
            "port": "virtual",
            "state": "stopped" if self.stop_cause else state,
            "armed": moving and not by_hand,
            "force_n": force_n,
            "position_mm": position_mm,
            "samples_per_s": 500.0,
            "samples_lost": 0,
            "device": {
                "name": self.name or "virtual rig",
                "firmware": "1.0",
                "drives": True,
                "homed": True,
                "stop_cause": self.stop_cause,
            },
            "limits": {
                "min_force_n": -10.0,
                "max_force_n": 120.0,
                "min_travel_mm": 0.0,
                "max_travel_mm": 60.0,
                "speed_mm_per_s": 20.0,
            },
            "job": job if moving else None,
            "last": None if moving else last,
            "auxiliary": {
                "ambient_temperature": 19.2,
                "specimen_temperature": row_of(max(1, self.cycles))["auxiliary"]["specimen_temperature"],
                "air_pressure": 101.325,
                "force_2": -1.5,
            },
            "auxiliary_units": {"air_pressure": "kPa", "force_2": "N"},
            "cautions": CAUTIONS,
            "cautions_read_today": self.read_today,
            "warnings": [] if self.warns is None else [self.warns],
        }

    def _news(self, request):
        seen = request["seen"]
        if not self.halted:
            self._ticks += 1
        newest = self._ticks * POINTS
        first = max(seen["trace"], newest - KEPT_POINTS, 0)
        behind = min(newest, first + A_CALL)
        points = [point_of(number) for number in range(first, behind)]
        known = seen["job"] == self.job
        from_cycle = max(seen["cycle"] if known else 1, self.cycles - KEPT_CYCLES + 1, 1)
        behind_cycle = min(self.cycles + 1, from_cycle + A_CALL)
        from_loop = max(seen["loop"] if known else 1, self.cycles - KEPT_LOOPS + 1, 1)
        return {
            "status": self._status(request),
            "seen": {"trace": behind, "cycle": behind_cycle, "loop": self.cycles + 1, "job": self.job},
            "trace": {
                "first": first,
                "time_s": [time_s for time_s, _, _ in points],
                "force_n": [force_n for _, force_n, _ in points],
                "position_mm": [position_mm for _, _, position_mm in points],
            },
            "cycles": [row_of(cycle) for cycle in range(from_cycle, behind_cycle)],
            "loops": [loop_of(cycle) for cycle in range(from_loop, self.cycles + 1)],
        }

    def _methods(self, _):
        named = {} if self.name is None else {"name": self.name, "purpose": self.name}
        return {"methods": [method | named for method in METHODS]}

    def _start(self, request):
        if not self.halted:
            return {"refused": "job: found one under way, expected none"}
        self.job += 1
        self.kind = request["order"]["kind"]
        self._ticks = 0
        self.halted = False
        return {"done": True, "job": self.job}

    def _preview(self, request):
        return {"lines": PREVIEW if request["order"]["kind"] == "method" else ["Squeeze for long."]}

    def _halt(self, _):
        self.halted = True
        self.asks = None
        return {"done": True}

    def _proceed(self, _):
        if self.asks is None:
            return {"refused": "step: found none off the rig, expected one that waits"}
        self.asks = None
        return {"done": True}

    def _acknowledge(self, _):
        self.read_today = True
        return {"done": True}


class _Server(socketserver.ThreadingUnixStreamServer):
    daemon_threads = True
    block_on_close = False


@contextmanager
def standing_in(path: Path):
    """Answer at a control socket for as long as the block lasts."""
    desk = StandInDesk(path)

    connections = []

    class Turn(socketserver.StreamRequestHandler):
        def handle(self):
            connections.append(self.connection)
            for line in self.rfile:
                answer = desk.answer(json.loads(line))
                if answer is None:
                    return
                text = answer if isinstance(answer, bytes) else json.dumps(answer).encode() + b"\n"
                try:
                    self.wfile.write(text)
                except OSError:
                    return

    with _Server(str(path), Turn) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        try:
            yield desk
        finally:
            server.shutdown()
            thread.join()
            for connection in connections:
                with suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)
            path.unlink(missing_ok=True)
