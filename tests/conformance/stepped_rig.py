"""A virtual rig checked without waiting: reading from it lets its time pass, which is the host's time too."""

from __future__ import annotations

from collections.abc import Callable, Collection

from rig.conformance import (
    GROUPS,
    Bounds,
    ConformanceReport,
    Dialogue,
    Provocation,
    Stand,
    Verdict,
    run_suite,
)
from rig.virtual import LinearSpring, VirtualRig
from rig.wire import FrameDecoder

TURN_S = 0.02

BOUNDS = Bounds(
    min_force=-5_000,
    max_force=500_000,
    min_position=200,
    max_position=16_000,
    speed=1_000,
    home_speed=4_000,
    base=400,
    stroke=200,
    far=3_000,
)
"""A count is 1 mN or 5 um: 5 mm/s, strokes of 1 mm from 2 mm on."""


class SteppedPort:
    """The rig as a port, and the clock that its time makes."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.rig: VirtualRig
        self._pending = b""

    def clock(self) -> float:
        return self.now_s

    def read(self) -> bytes:
        self.now_s += TURN_S
        data = self._pending + self.rig.advance(TURN_S)
        self._pending = b""
        return data

    def write(self, data: bytes) -> bool:
        self._pending += self.rig.receive(data)
        return True


class SteppedOrders:
    """Gives the rig its orders directly."""

    slow = False

    def __init__(self, rig: VirtualRig) -> None:
        self._rig = rig
        self.given: list[str] = []

    def willing(self, what: Provocation) -> str:
        return ""

    def provoke(self, what: Provocation) -> None:
        self._order(what.order)

    def undo(self, what: Provocation) -> None:
        if what.undo_order:
            self._order(what.undo_order)

    def _order(self, words: str) -> None:
        self.given.append(words)
        self._rig.order(words)


def stepped(
    spoil: Callable[[VirtualRig], None] = lambda rig: None,
    *,
    bounds: Bounds | None = BOUNDS,
    stopped: Callable[[], bool] = lambda: False,
    patience_s: float = 5.0,
    **options: object,
) -> tuple[Stand, VirtualRig]:
    """A rig that somebody may have spoilt, and the stand on which it is checked; not yet met."""
    port = SteppedPort()
    settings = {"scripted": False, "gap_mm": 18.0, "seed": 7} | options
    rig = VirtualRig(LinearSpring(2.0, 60.0), clock=port.clock, **settings)  # type: ignore[arg-type]
    port.rig = rig
    spoil(rig)
    rig.start()
    talk = Dialogue(port, FrameDecoder(), clock=port.clock, stopped=stopped)
    return Stand(talk, bounds, SteppedOrders(rig), wrap_patience_s=patience_s), rig


def checked(
    spoil: Callable[[VirtualRig], None] = lambda rig: None,
    groups: Collection[str] = GROUPS,
    **options: object,
) -> ConformanceReport:
    """The report on such a rig."""
    stand, _ = stepped(spoil, **options)  # type: ignore[arg-type]
    stand.meet(lines=False)
    return run_suite(stand, groups)


def failed(report: ConformanceReport) -> set[str]:
    return {each.check.name for each in report.of(Verdict.FAILED)}


def not_tried(report: ConformanceReport) -> dict[str, str]:
    return {each.check.name: each.why for each in report.of(Verdict.NOT_TRIED)}
