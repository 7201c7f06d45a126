"""The reference firmware, built, and running in a simulated chip with a press around it.

A bench is a process of its own: a pseudo-terminal that a reader opens like any port, and a socket that takes
orders (press a switch, stall the motor) and answers with what the chip truly did, step pulses included.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from rig.reader import (
    Delivery,
    DeviceLimits,
    Heart,
    LinkEvent,
    MotionEnd,
    MotionRequest,
    PortAddress,
    Reader,
    Session,
)
from rig.wire import Event

REFERENCE = Path(__file__).resolve().parents[2] / "firmware_notes" / "reference"
NEEDED = {
    "make": "make",
    "cc": "gcc",
    "avr-gcc": "gcc-avr",
}
LIBRARIES = {
    Path("/usr/lib/avr/include/avr/io.h"): "avr-libc",
    Path("/usr/include/simavr/sim_avr.h"): "libsimavr-dev",
    Path("/usr/include/libelf.h"): "libelf-dev",
}

N = 8000
"""Force counts in a newton (settings of the bench)."""

MM = 200
"""Position counts in a millimetre."""

STEPS_PER_MM = 400
ACCELERATION_MM_PER_S2 = 200.0
CONVERSION_S = 1 / 80

STIFFNESS_N_PER_MM = 20.0
CONTACT_MM = 8.0
POWER = 1.5
SET_SHARE = 0.1

LIMITS = DeviceLimits(-5 * N, 100 * N, 0, 20 * MM)


PATIENCE_S = 120.0
"""For what a machine that is busy with ten other things does at last."""

BUILD_S = 600.0
BENCH_PATIENCE_S = 30.0
"""How long the chip's time waits for a host that says nothing."""

SILENCE_S = 60.0
"""How long a patient host bears with samples that stay away, or that are old when it sees them."""


def wait_until(holds: Callable[[], bool]) -> None:
    """Wait for a condition that another thread or process brings about."""
    end = time.monotonic() + PATIENCE_S
    pause = threading.Event()
    while not holds():
        assert time.monotonic() < end, "the awaited condition did not come about"
        pause.wait(0.002)


ASIDE = ("nice", "-n", "10")
"""Before a command that the wall's clock does not wait for; those that move a platen meanwhile come first."""


def missing_tools() -> list[str]:
    """Debian packages that building and simulating need and that are not here."""
    missing = [package for program, package in NEEDED.items() if shutil.which(program) is None]
    return missing + [package for header, package in LIBRARIES.items() if not header.exists()]


def skip_without_tools() -> None:
    missing = missing_tools()
    if missing:
        pytest.skip(
            f"the firmware's tools are missing: apt install {' '.join(missing)}", allow_module_level=True
        )


def make(build: Path, *targets: str, sources: Path = REFERENCE) -> str:
    """Run make with its results in a folder; all that it said."""
    done = subprocess.run(
        [*ASIDE, "make", "-C", str(sources), f"BUILD={build}", *targets],
        capture_output=True,
        text=True,
        timeout=BUILD_S,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def fingerprint(sources: Path) -> str:
    """What tells these sources from any others."""
    digest = hashlib.sha256()
    for path in sorted(sources.rglob("*")):
        name = path.relative_to(sources)
        # what was built there is no source: CMake, too, writes C files into its folder
        if name.parts[0] != "build" and (path.suffix in (".c", ".h") or path.name == "Makefile"):
            content = path.read_bytes()
            digest.update(f"{name.as_posix()} {len(content)}\n".encode() + content)
    return digest.hexdigest()[:16]


def built(factory: pytest.TempPathFactory) -> Path:
    """The folder with firmware and bench, built once for all processes of a test run.

    Runs of other trees share the folder that this one lies in, and dates of files do not tell whose sources a
    program was made of.
    """
    import fcntl  # there is none on a system without pseudo-terminals, where these tests are skipped

    shared = factory.getbasetemp().parent / f"firmware-{fingerprint(REFERENCE)}"
    shared.mkdir(exist_ok=True)
    with (shared / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        make(shared, "size", "bench")
    return shared


class Bench:
    """The control socket of a running bench."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(PATIENCE_S)
        self._rest = b""

    def connect(self) -> bool:
        try:
            self._socket.connect(str(self._path))
        except (FileNotFoundError, ConnectionRefusedError):
            return False
        return True

    def close(self) -> None:
        self._socket.close()

    def tell(self, order: str) -> dict[str, Any]:
        """Give an order; what the bench answers."""
        self._socket.sendall(order.encode() + b"\n")
        while b"\n" not in self._rest:
            more = self._socket.recv(4096)
            assert more, "the bench has ended"
            self._rest += more
        answer, self._rest = self._rest.split(b"\n", 1)
        said: dict[str, Any] = json.loads(answer)
        assert "refused" not in said, order
        return said

    @property
    def state(self) -> dict[str, Any]:
        return self.tell("state")

    def usual_specimen(self) -> None:
        self.tell(f"specimen {STIFFNESS_N_PER_MM} {CONTACT_MM} {POWER} {SET_SHARE}")

    def has_run(self, duration_s: float) -> Callable[[], bool]:
        """Whether so much of the chip's time has passed since this call."""
        until_us = self.state["time_us"] + duration_s * 1e6
        return lambda: bool(self.state["time_us"] >= until_us)


class Driver:
    """Drains a reader and beats, until something holds."""

    def __init__(self, bench: Bench, reader: Reader) -> None:
        self.bench = bench
        self.reader = reader
        self.session: Session = reader.session
        self.heart = Heart(reader.session)
        self.deliveries: list[Delivery] = []
        self.heard: list[Event] = []
        hear = reader.session.hear

        def kept(message: Any) -> None:
            if isinstance(message, Event):
                self.heard.append(message)
            hear(message)

        reader.session.hear = kept  # type: ignore[method-assign]

    @property
    def events(self) -> list[LinkEvent]:
        return [event for each in self.deliveries for event in each.events]

    def take(self, *, beat: bool = True) -> None:
        """Fetch what has come; whatever waited behind a pause of this process is old, the last is not."""
        delivery = self.reader.get(0.02)
        while delivery is not None:
            self.deliveries.append(delivery)
            if beat:
                self.heart.beat_after(delivery)
            delivery = self.reader.get(0.0)

    def until(self, holds: Callable[[], bool], *, beat: bool = True) -> None:
        def fetched() -> bool:
            self.take(beat=beat)
            return holds()

        wait_until(fetched)

    def chip_s(self, duration_s: float) -> None:
        """Let so much of the chip's time pass."""
        self.until(self.bench.has_run(duration_s))

    def fall_silent(self) -> None:
        """Send a last heartbeat, which the chip has within a millisecond of its time; from now on nothing is
        waited for. The mark is set between the two."""

        def beaten() -> bool:
            delivery = self.reader.get(0.02)
            if delivery is None:
                return False
            self.deliveries.append(delivery)
            return self.heart.beat_after(delivery)

        wait_until(beaten)
        self.bench.tell("patience 0")

    def end_of(self, motion: MotionRequest, *, beat: bool = True) -> MotionEnd:
        self.until(lambda: motion.end is not None, beat=beat)
        assert motion.end is not None
        return motion.end

    def standing(self, *, beat: bool = True) -> dict[str, Any]:
        """What the bench says once no step has come for a while of the chip's time."""

        def still() -> bool:
            said = self.bench.state
            return bool(said["time_us"] - said["mark_us"] - said["last_step_since_us"] > 60_000.0)

        self.until(still, beat=beat)
        return self.bench.state

    def ready(self, limits: DeviceLimits = LIMITS) -> Driver:
        """Limits set, armed and homed."""
        self.session.set_limits(limits)
        self.session.arm()
        assert self.end_of(self.session.home(speed=10 * MM)).kind == "finished"
        return self


@contextmanager
def patient_bench(build: Path, folder: Path, *options: str) -> Iterator[Bench]:
    """A running bench and a host that bear with a machine that is busy.

    A thread that may not run for a while is no lost link and no lost heartbeat, where neither is looked at. A
    chip whose time waits for a host, or for its turn, falls behind the wall: that is no lag of the link. What
    the firmware does in a silence is measured in the chip's time all the same.
    """
    with (
        pytest.MonkeyPatch.context() as patched,
        running_bench(build, folder, "--patience", str(BENCH_PATIENCE_S), *options) as bench,
    ):
        patched.setattr("rig.jobs.driving.QUIET_S", SILENCE_S)
        patched.setattr("rig.reader.heart.FRESH_FOR_S", SILENCE_S)
        for place in ("rig.reader.heart", "rig.jobs.driving"):
            patched.setattr(f"{place}.LAG_LIMIT_S", SILENCE_S)
        yield bench


@contextmanager
def running_bench(build: Path, folder: Path, *options: str, served: bool = True) -> Iterator[Bench]:
    """A bench with its port at folder/port, which ends with the block.

    It takes orders from one visitor at a time: unless `served`, that is somebody else within the block.
    """
    aside = ASIDE if "--stepped" in options else ()
    places = ["--link", str(folder / "port"), "--control", str(folder / "control")]
    command = [*aside, str(build / "bench"), *places, *options, str(build / "firmware.elf")]
    process = subprocess.Popen(command)
    bench = Bench(folder / "control")
    try:
        wait_until(bench.connect)
        if not served:
            bench.close()
        yield bench
        if not served:
            bench = Bench(folder / "control")
            wait_until(bench.connect)
        bench.tell("quit")
        assert process.wait(timeout=PATIENCE_S) == 0
    finally:
        bench.close()
        if process.poll() is None:
            process.terminate()
            process.wait(timeout=PATIENCE_S)


@contextmanager
def driven_bench(build: Path, folder: Path, *options: str) -> Iterator[Driver]:
    """A patient bench and a reader of it, streaming."""
    with (
        patient_bench(build, folder, *options) as bench,
        Reader(PortAddress(path=str(folder / "port")), "framed", lock_places=[folder]) as reader,
    ):
        yield Driver(bench, reader)
