"""The simulated reference firmware keeps every rule that the conformance suite knows."""

from __future__ import annotations

import pytest
from simulated_press import MM, Bench, N, built, running_bench, skip_without_tools

from rig.conformance import Bounds, Dialogue, Provocation, Stand, Verdict, run_suite
from rig.reader import Link
from rig.wire import FrameDecoder

skip_without_tools()

BAUD = 250_000

BOUNDS = Bounds(
    min_force=-5 * N,
    max_force=100 * N,
    min_position=0,
    max_position=20 * MM,
    speed=10 * MM,
    home_speed=12 * MM,
    base=MM,
    stroke=MM // 2,
    far=10 * MM,
)

UNTRIED = {"identity-repeated", "number-wraps", "time-wraps"}
"""It listens; and its counters wrap after minutes, which nobody waits for here."""


@pytest.fixture(scope="module")
def build(tmp_path_factory):
    return built(tmp_path_factory)


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


def test_the_reference_firmware_passes_whole(build, tmp_path) -> None:
    with running_bench(build, tmp_path) as bench:
        link = Link(str(tmp_path / "port"), BAUD, [tmp_path])
        try:
            stand = Stand(Dialogue(link, FrameDecoder()), BOUNDS, BenchSocket(bench))
            stand.meet(lines=False)
            report = run_suite(stand)
        finally:
            link.close()
    found = {each.check.name: each.found for each in report.of(Verdict.FAILED)}
    untried = {each.check.name: each.why for each in report.of(Verdict.NOT_TRIED)}
    assert found == {}
    assert set(untried) == UNTRIED, untried
    assert report.passed
    assert report.disarmed
