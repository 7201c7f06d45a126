"""The reference firmware checked without waiting: reading from its port lets the simulated chip's time pass.

The bytes go through the bench's pseudo-terminal; the time is the chip's, so what is found does not depend on
how busy this machine is.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path

from simulated_press import MM, Bench, N, running_bench, wait_until

from rig.conformance import GROUPS, Bounds, ConformanceReport, Dialogue, Provocation, Stand, run_suite
from rig.reader import Link
from rig.wire import FrameDecoder

BAUD = 250_000
TURN_S = 0.01
PATIENCE_S = 5.0
"""How long the wrap of a sample number may be waited for."""

BOUNDS = Bounds(
    min_force=-5 * N,
    max_force=100 * N,
    min_position=0,
    max_position=60 * MM,
    speed=4 * MM,
    home_speed=5 * MM,
    base=MM,
    stroke=MM // 2,
    far=12 * MM,
    deceleration=200 * MM,
)


class SteppedPort:
    """The bench's port, and the clock that the chip's time makes."""

    def __init__(self, link: Link, bench: Bench) -> None:
        self._link = link
        self._bench = bench
        self._written = 0
        self._read = bench.state["bytes_sent"]
        self._heard = bench.state["bytes_heard"]
        self.now_s = bench.state["time_us"] / 1e6

    def clock(self) -> float:
        return self.now_s

    def read(self) -> bytes:
        # what was sent has reached the bench, unless its cable is still busy with what came before
        wait_until(self._arrived)
        said = self._bench.tell(f"run {TURN_S}")
        self.now_s = said["time_us"] / 1e6
        data = b""

        def fetched() -> bool:
            nonlocal data
            if self._read + len(data) < said["bytes_sent"]:
                data += self._link.read()
            return bool(self._read + len(data) >= said["bytes_sent"])

        wait_until(fetched)
        self._read += len(data)
        return data

    def _arrived(self) -> bool:
        said = self._bench.state
        return bool(said["bytes_heard"] - self._heard >= self._written or said["bytes_wait"])

    def write(self, data: bytes) -> bool:
        written = self._link.write(data)
        self._written += len(data) if written else 0
        return written


class BenchSocket:
    """Trips the press through the socket that the bench has open already; it serves one visitor at a time."""

    slow = False

    def __init__(self, bench: Bench) -> None:
        self._bench = bench

    def willing(self, what: Provocation) -> str:
        return ""

    def provoke(self, what: Provocation) -> None:
        self._bench.tell(what.order)

    def undo(self, what: Provocation) -> None:
        if what.undo_order:
            self._bench.tell(what.undo_order)


@contextmanager
def stepped_stand(bench_folder: Path, folder: Path, patience_s: float = PATIENCE_S) -> Iterator[Stand]:
    """A stand on the firmware in a folder, which has not been met."""
    with running_bench(bench_folder, folder, "--stepped") as bench:
        link = Link(str(folder / "port"), BAUD, [folder])
        try:
            port = SteppedPort(link, bench)
            talk = Dialogue(port, FrameDecoder(), clock=port.clock)
            yield Stand(talk, BOUNDS, BenchSocket(bench), wrap_patience_s=patience_s)
        finally:
            link.close()


def checked(
    bench_folder: Path, folder: Path, groups: Collection[str] = GROUPS, patience_s: float = PATIENCE_S
) -> ConformanceReport:
    """The report on the firmware in a folder."""
    with stepped_stand(bench_folder, folder, patience_s) as stand:
        stand.meet(lines=False)
        return run_suite(stand, groups)
