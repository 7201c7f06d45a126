"""How many squeezes were really done, although host, link or device may fail at any of them.

Problem: a count kept by the host alone is wrong after a crash. Plan: before each block of cycles its intent
is on disk, with the device's boot id and the motion it had done last; after whatever happened the block is
settled once, from the device's own count where it still has it, else from what had been heard of it. A
cycle that was under way is marked as doubtful and not counted. All of it stands in the capture's events,
so that another process can go on. Cost: a few events for each block.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from rig.core import kind_of
from rig.wire import EventCode, State

By = Literal["device", "host"]


@dataclass(frozen=True, slots=True)
class Intent:
    """A block of cycles that is about to be begun.

    `first_cycle`, `cycles`: number of its first cycle in the whole run, and how many are wanted.
    `boot_id`, `request_before`: of the device, and its last motion request before this block.
    """

    block: int
    first_cycle: int
    cycles: int
    by: By
    boot_id: int
    request_before: int


@dataclass(frozen=True, slots=True)
class Settled:
    """What became of a block.

    `doubtful`: number, in the whole run, of the cycle that was under way when the block was cut short, which
    was perhaps partly done and is not counted; None if there is none.
    `exact`: False where cycles may have been done without a record.
    """

    done: int
    how: str
    doubtful: int | None = None
    exact: bool = True


def settle(intent: Intent, state: State | None, heard: int) -> Settled:
    """Settle a block that was cut short.

    `state`: the device's own word, asked for before anything else was moved; None if it cannot be had.
    """
    heard = min(heard, intent.cycles)
    if intent.by == "host":
        return _cut(intent, heard, "the host's count", exact=True)
    if state is None:
        return _cut(intent, heard, "cycles reported; the device did not answer", exact=False)
    if state.boot_id != intent.boot_id:
        return _cut(intent, heard, "cycles reported before the device was reset", exact=False)
    if state.last_request == intent.request_before:
        return Settled(0, "the device had not started it")
    return _cut(intent, min(state.cycles_done, intent.cycles), "the device's own count", exact=True)


def reconciled(settled: Settled, intent: Intent, seen: int | None) -> Settled:
    """Return a count compared with the turns that the samples of its block show.

    The platen passes the turn that the samples count a little before the device counts it, so one more may be
    seen of a block that was cut short.

    `seen`: cycles in the samples; None where they cannot tell.
    """
    if seen is None or seen in (settled.done, settled.done + 1):
        return settled
    if seen < settled.done:
        how = f"turns in the samples; the device counted {settled.done}"
        return Settled(seen, how, intent.first_cycle + seen, exact=False)
    return Settled(settled.done, f"{settled.how}; the samples show {seen}", settled.doubtful, exact=False)


def _cut(intent: Intent, done: int, how: str, *, exact: bool) -> Settled:
    doubtful = intent.first_cycle + done if done < intent.cycles else None
    return Settled(done, how, doubtful, exact)


@dataclass(slots=True)
class Ledger:
    """The account of a run.

    `exact`: False once a block had to be settled without the device's own count.
    `heard`: cycles of the open block that were heard to have finished.
    """

    done: int = 0
    blocks: int = 0
    doubtful: int = 0
    exact: bool = True
    open: Intent | None = None
    heard: int = 0

    @classmethod
    def of(cls, events: Iterable[Mapping[str, Any]]) -> Ledger:
        """Return the account as the events of a capture tell it."""
        ledger = cls()
        for event in events:
            match kind_of(event):
                case "block intent":
                    numbers = ("block", "first_cycle", "cycles", "boot_id", "request_before")
                    block, first, cycles, boot_id, before = (int(event[name]) for name in numbers)
                    by: By = "device" if event["by"] == "device" else "host"
                    ledger.begin(Intent(block, first, cycles, by, boot_id, before))
                case "device_event" if event.get("code") == EventCode.CYCLE_FINISHED:
                    ledger.hear(int(event["value"]))
                case "cycle done":
                    ledger.hear(int(event["of_block"]))
                case "block settled":
                    done, how = int(event["done"]), str(event["how"])
                    ledger.close(Settled(done, how, event["doubtful"], bool(event["exact"])))
        return ledger

    def next(self, cycles: int, by: By, state: State) -> Intent:
        """Return the intent of the next block."""
        return Intent(self.blocks + 1, self.done + 1, cycles, by, state.boot_id, state.last_request)

    def begin(self, intent: Intent) -> None:
        """A block's intent is on disk."""
        self.open, self.heard, self.blocks = intent, 0, intent.block

    def hear(self, count: int) -> None:
        """The open block was heard to have reached a count."""
        if self.open is not None:
            self.heard = max(self.heard, min(count, self.open.cycles))

    def close(self, settled: Settled) -> None:
        """The open block was settled."""
        if self.open is None:
            return
        self.done += settled.done
        self.doubtful += settled.doubtful is not None
        self.exact = self.exact and settled.exact
        self.open, self.heard = None, 0
