"""A whole rig on the bench: specimen, machine, firmware, encoder and faulty line, without a port.

Problem: the same rig must serve a pseudo-terminal, a test that steps it by hand, and a run that repeats
byte for byte. Plan: bytes in, bytes out, and time that only moves when told to. A scripted run's clock
stands still until the host asks for samples, so what comes out does not depend on when that was.
Cost: working memory of one block; the record of what was sent is kept only when asked for.
"""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt

from rig.errors import InputError
from rig.samples import COUNTS, IntArray, RawArray
from rig.units import factor
from rig.virtual.chain import Chain
from rig.virtual.channels import VirtualChannel
from rig.virtual.climate import Climate, WarmMachine
from rig.virtual.device import DRIVEN, LONGEST_BLOCK, PLAIN_UP_TO_HZ, Character, Device, Outgoing
from rig.virtual.drive import DriveSettings
from rig.virtual.faults import Disruption, FaultyLine, checked_faults, disruptions
from rig.virtual.hearing import Hearing
from rig.virtual.machine import Machine
from rig.virtual.scripts import MotionKind, Plan, make_script
from rig.virtual.specimens import LinearSpring, Specimen
from rig.virtual.trajectory import standing
from rig.virtual.truth import Truth
from rig.wire import (
    Capability,
    EventCode,
    LineFormat,
    SampleBlock,
    encode_blocks,
    encode_frame,
    encode_lines,
    encode_samples,
)

FIRST_CONTACT_MM = 20.0
"""Where the specimen stands on the platen's axis, well away from the home switch."""

ORDERS = (
    "stop open",
    "stop close",
    "upper press",
    "upper free",
    "home press",
    "home free",
    "motor stall",
    "motor free",
    "amplifier run",
    "amplifier silent",
    "amplifier saturated",
    "amplifier frozen",
    "scale run",
    "scale frozen",
    "scale torn",
    "reset power",
    "reset external",
    "reset brown-out",
    "push 3",
    "push 8",
    "push 0.2",
    "push -3",
    "push 0",
    "shove 0.5",
    "shove -0.5",
    "specimen none",
    "specimen new",
    "state",
)
"""What can be done to the hardware, in the words of the reference firmware's bench, which lays in a new
specimen by its numbers."""

BARE_PLATENS = LinearSpring(2000.0, 10.0)
"""What the platen meets where nothing lies in between."""

_FAULT_SPACING_S = 20.0
"""Length of time over which the device's faults are spread when there is no script."""

_FRAME_ENDS = b"\x00"
_LINE_ENDS = b"\n\r"

_DECIMALS = 6
"""Of a force or position printed in a unit: finer than any count worth having."""

_ALMOST = 1e-6
"""Share of a sample period by which an instant may be missed through rounding."""


@dataclass(frozen=True, slots=True, eq=False)
class SentSamples:
    """Samples whose frames left whole, arrays of shape (n,), and the boot they belong to."""

    boot_id: int
    seq: IntArray
    time_us: IntArray
    force: RawArray
    position: RawArray


class VirtualRig:
    """A rig made of software.

    Parameters
    ----------
    rate_hz
        Highest sample rate, and the only one of a rig that does not listen.
    cycles, depth_mm, gap_mm, speed_mm_per_s, hold_s, rest_s, no_load_s, motion
        The scripted run; see `Plan`.
    scripted
        False for a rig that does nothing but what it is ordered to.
    seed
        Of everything random. The same seed gives the same bytes.
    start_time_us
        The device's clock at the start.
    faults
        Names out of `FAULT_NAMES`.
    line_format
        Send lines of this format and never listen; None for frames.
    talk_only
        Send frames from the moment a host opens the port, and never listen.
    keep_sent
        Keep what left undamaged in `sent`, which grows with the run.
    drive
        What is built into the drive; None for one whose travel fits the specimen.
    climate
        The air around the rig and how the specimen warms, for lines that carry temperatures or humidity.
    blocks
        Say that samples can come in blocks, if it is fast enough; False for a device of version 1.0.
    describes
        Say what it can do, and tell its switches one by one, if it listens; False for version 1.0.
    channels
        Beside force and position, of a rig that says what it can do.
    clock
        Wall time in seconds, for heartbeats.

    Raises
    ------
    InputError
        If a parameter makes no sense; the message names it.
    """

    def __init__(
        self,
        specimen: Specimen,
        *,
        rate_hz: float = 500.0,
        cycles: int = 5,
        depth_mm: float = 10.0,
        gap_mm: float = 2.0,
        speed_mm_per_s: float = 10.0,
        hold_s: float = 0.0,
        rest_s: float = 0.5,
        no_load_s: float = 1.0,
        motion: MotionKind = "driven",
        scripted: bool = True,
        chain: Chain | None = None,
        seed: int = 0,
        start_time_us: int = 0,
        faults: Sequence[str] = (),
        line_format: LineFormat | None = None,
        talk_only: bool = False,
        keep_sent: bool = False,
        contact_mm: float = FIRST_CONTACT_MM,
        name: str = "virtual press rig",
        drive: DriveSettings | None = None,
        climate: Climate | None = None,
        blocks: bool = True,
        describes: bool = True,
        channels: Sequence[VirtualChannel] = (),
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        if not (math.isfinite(rate_hz) and 1.0 <= rate_hz <= 100_000.0):
            raise InputError(f"rate_hz: found {rate_hz!r}, expected 1 to 100000 samples a second")
        chain = chain or Chain()
        plan = Plan(cycles, depth_mm, gap_mm, speed_mm_per_s, hold_s, rest_s, no_load_s, motion)
        if contact_mm < plan.clearance_mm:
            raise InputError(
                f"gap_mm: found {plan.clearance_mm}, expected at most {contact_mm}, where the home switch is"
            )
        seeds = np.random.SeedSequence(seed).generate_state(4).tolist()
        script = make_script(plan, contact_mm, seeds[0]) if scripted else None
        self.listens = line_format is None and not talk_only
        warm = line_format is not None and bool(line_format.auxiliary)
        machine = (partial(WarmMachine, climate=climate or Climate()) if warm else Machine)(
            specimen,
            chain,
            contact_mm=contact_mm,
            trajectory=script.trajectory if script else standing(contact_mm - plan.clearance_mm),
            rate_hz=rate_hz,
            seed=seeds[1],
        )
        moves = self.listens and not (scripted and motion == "hand")
        fills = blocks and self.listens and rate_hz > PLAIN_UP_TO_HZ
        character = Character(
            name=name,
            capabilities=(DRIVEN if moves else Capability(0))
            | (Capability.BLOCKS if fills else Capability(0))
            | (Capability.DESCRIBES if describes and self.listens else Capability(0))
            | (Capability.TELLS_SWITCHES if describes and moves else Capability(0)),
            listens=self.listens,
            rate_hz=rate_hz,
            boot_id=1 + seeds[2] % 60_000,
            start_time_us=start_time_us,
            channels=tuple(channels) if describes and self.listens else (),
        )
        fitting_mm = contact_mm + max(specimen.height_mm, depth_mm) + plan.clearance_mm
        self.device = Device(machine, character, drive or DriveSettings(travel_mm=fitting_mm), clock)
        self.script_s = None if script is None else script.end_s
        """Length of the script; None if there is none."""
        self.unplugged = False
        """Whether the port is away at the moment."""
        self.sent: list[SentSamples] = []
        """What left undamaged, if asked for."""
        zero_mm = machine.reader.position_zero_counts * chain.position_mm_per_count
        self._truth = (
            None if script is None else Truth(specimen, script, chain, contact_mm=contact_mm, zero_mm=zero_mm)
        )
        self.scripted = scripted
        self._started = self.listens and not scripted
        self._format = line_format
        self._keep_sent = keep_sent
        self._hearing = Hearing()
        self._line = FaultyLine(faults, seeds[3], _LINE_ENDS if line_format else _FRAME_ENDS)
        self._disruptions = disruptions(checked_faults(faults), self.script_s or _FAULT_SPACING_S)
        self._current: Disruption | None = None
        self._owed_s = 0.0
        self._pending = bytearray()
        self._off_rig: deque[tuple[float, float]] = deque()
        self._at_first = (specimen, contact_mm)
        self._laid_in: deque[tuple[Specimen, float]] = deque()
        self._orders: deque[tuple[str, threading.Event]] = deque()
        if line_format is None:
            self._pending += _FRAME_ENDS
        self._send(self.device.greeting())

    @property
    def truth(self) -> Truth:
        """Truth of the scripted run.

        Raises InputError if the rig has no script, and so no truth that is known beforehand.
        """
        if self._truth is None:
            raise InputError("scripted: found False, expected True for a run whose truth is known")
        return self._truth

    @property
    def waiting(self) -> bool:
        """Whether a scripted rig has nothing to say until the host asks for samples."""
        return not self._started or (self.scripted and not self.device.streaming)

    @property
    def script_over(self) -> bool:
        """Whether the scripted run has ended; the rig goes on streaming at rest."""
        return self.script_s is not None and self.device.machine.now_s >= self.script_s

    def start(self) -> None:
        """A host has opened the port: a rig that does not listen begins to talk."""
        self._started = self._started or not self.listens

    def squeeze_off_rig(self, depth_mm: float, duration_s: float) -> None:
        """Squeeze the specimen away from the platen, in a jig or by hand, before the next sample is taken.

        It lives through the duration; the device's clock does not. May be called from any thread.

        Parameters
        ----------
        depth_mm
            From its first contact ever.
        duration_s
            Under load.
        """
        self._off_rig.append((depth_mm, duration_s))

    def replace_specimen(self, specimen: Specimen, contact_mm: float) -> None:
        """Take out what lies between the platens and lay something else in, before the next sample is taken.

        May be called from any thread, while nothing is pressed. Bare platens are a stiff spring at the place
        where they meet.

        Parameters
        ----------
        specimen
            As it was before its first squeeze.
        contact_mm
            Where the platen first meets it.
        """
        self._laid_in.append((specimen, contact_mm))

    def order(self, words: str) -> threading.Event:
        """Have something done to the rig's hardware between two samples, as a hand would; from any thread.

        Parameters
        ----------
        words
            One of `ORDERS`.

        Returns
        -------
        threading.Event
            Set as soon as it is done.

        Raises
        ------
        InputError
            If there is no such order, or the specimen belongs to a script whose truth is known.
        """
        if words not in ORDERS:
            raise InputError(f"order {words!r} is not known; choose from {', '.join(ORDERS)}")
        if self.scripted and words.startswith("specimen"):
            raise InputError(f"order {words!r}: found a scripted run, expected a rig that is commanded")
        done = threading.Event()
        self._orders.append((words, done))
        return done

    def receive(self, data: bytes) -> bytes:
        """Take the host's bytes, give what there is to send at once. A rig that only talks ignores them."""
        self._obey()
        if self.listens:
            self._send(self.device.receive(list(self._hearing.feed(data))))
            self._started = self._started or self.device.streaming
        return self._take()

    def advance(self, duration_s: float, room: int | None = None) -> bytes:
        """Let device time pass, and give what is sent meanwhile.

        Parameters
        ----------
        duration_s
            Device time; what does not fill a sample is kept for the next call.
        room
            How many bytes can be sent. Samples beyond are dropped and counted. None: as many as there are.

        Returns
        -------
        bytes
            It ends early where the port goes away or comes back (`unplugged`); the rest of the time is
            then still owed.
        """
        if not self._started:
            return self._take()
        self._owed_s += duration_s
        before_s = self.device.machine.now_s
        sent = self.advance_samples(
            max(math.floor(self._owed_s / self.device.machine.period_s + _ALMOST), 0), room
        )
        self._owed_s -= self.device.machine.now_s - before_s
        return sent

    def advance_samples(self, samples: int, room: int | None = None) -> bytes:
        """As `advance`, for a number of samples."""
        # Other threads only append to these queues; here alone they are emptied, between two samples.
        while self._off_rig:
            self.device.machine.squeeze_off_rig(*self._off_rig.popleft())
        self._obey()
        while self._laid_in:
            self.device.machine.replace_specimen(*self._laid_in.popleft())
        plugged = not self.unplugged
        while self._started and samples > 0 and plugged == (not self.unplugged):
            count = min(samples, self._samples_to_disruption())
            if count:
                self._send(self._with_climate(self.device.advance(count)), room)
                samples -= count
            self._disrupt()
        return self._take()

    def _obey(self) -> None:
        """Carry out the orders that have come since."""
        device = self.device
        while self._orders:
            words, done = self._orders.popleft()
            match words.split():
                case ["stop", how]:
                    self._send(
                        device.open_emergency_stop() if how == "open" else device.close_emergency_stop()
                    )
                case ["upper", how]:
                    device.drive.upper_held = how == "press"
                case ["home", how]:
                    device.drive.home_held = how == "press"
                case ["push", newtons]:
                    device.machine.pushed_n = float(newtons)
                case ["shove", way_mm]:
                    device.drive.shove(float(way_mm))
                case ["motor", how]:
                    device.drive.set_fault(EventCode.STALLED, broken=how == "stall")
                case ["amplifier", how]:
                    device.drive.set_fault(EventCode.FORCE_SILENT, broken=how != "run")
                    device.drive.converter_at_end = how == "saturated"
                case ["scale", how]:
                    code = EventCode.STALLED if how == "frozen" else EventCode.POSITION_FAULT
                    device.drive.set_fault(code, broken=how != "run")
                case ["reset", _]:
                    self._reset()
                case ["specimen", how]:
                    # Clear the platens, or lay in a specimen like the first one as it was at first.
                    specimen, contact_mm = self._at_first
                    if how == "none":
                        specimen, contact_mm = BARE_PLATENS, contact_mm + specimen.height_mm
                    self.replace_specimen(specimen, contact_mm)
            done.set()

    def _reset(self) -> None:
        """The device boots anew; what it says begins behind a delimiter."""
        if self._format is None:
            self._pending += _FRAME_ENDS
        self._send(self.device.reboot())

    def _next_turn_s(self) -> float:
        if self._current is not None:
            return self._current.end_s
        return self._disruptions[0].begin_s if self._disruptions else math.inf

    def _samples_to_disruption(self) -> int:
        turn_s, machine = self._next_turn_s(), self.device.machine
        if math.isinf(turn_s):
            return LONGEST_BLOCK
        return max(math.ceil((turn_s - machine.now_s) / machine.period_s - _ALMOST), 0)

    def _disrupt(self) -> None:
        """Begin or end a fault of the device whose instant has come."""
        machine = self.device.machine
        if machine.now_s < self._next_turn_s() - _ALMOST * machine.period_s:
            return
        if self._current is not None:
            self._current, self.unplugged = None, False
            return
        self._current = self._disruptions.pop(0)
        self.unplugged = self._current.name == "unplug"
        if self._current.name == "reset":
            self._current = None
            self._reset()

    def _send(self, items: Sequence[Outgoing], room: int | None = None) -> None:
        if self._current is not None:
            return
        for item in items:
            if isinstance(item, SampleBlock):
                self._send_samples(item, None if room is None else max(room - len(self._pending), 0))
            elif self._format is None:
                self._pending += self._line.message(encode_frame(item))

    def _with_climate(self, items: Sequence[Outgoing]) -> Sequence[Outgoing]:
        """Return the same, with temperatures and humidity beside the samples if the rig has such sensors."""
        machine = self.device.machine
        if not isinstance(machine, WarmMachine):
            return items
        return [
            replace(item, auxiliary=machine.climate_taken()) if isinstance(item, SampleBlock) else item
            for item in items
        ]

    def _send_samples(self, block: SampleBlock, room: int | None) -> None:
        frames, counts = self._encoded(block)
        if room is not None and len(frames) > room:
            # As many whole frames as there is room for; the rest are counted as dropped.
            end = (_LINE_ENDS if self._format else _FRAME_ENDS)[0]
            ends = np.flatnonzero(np.frombuffer(frames, np.uint8) == end) + 1
            fitting = int(np.searchsorted(ends, room, side="right"))
            self.device.frames_dropped += len(counts) - fitting
            counts, frames = counts[:fitting], frames[: int(ends[fitting - 1]) if fitting else 0]
            block = block[: int(counts.sum())]
        sent, unharmed = self._line.samples(frames, len(counts))
        intact = np.repeat(unharmed, counts)
        self._pending += sent
        if self._keep_sent and block.seq is not None and block.time_us is not None:
            self.sent.append(
                SentSamples(
                    self.device.boot_id,
                    block.seq[intact],
                    block.time_us[intact],
                    block.force[intact],
                    block.position[intact],
                )
            )

    def _encoded(self, block: SampleBlock) -> tuple[bytes, npt.NDArray[np.intp]]:
        """Return frames or lines, and how many samples are in each."""
        if self._format is None and self.device.in_blocks:
            return encode_blocks(block)
        one_each = np.ones(len(block), np.intp)
        if self._format is None:
            return encode_samples(block), one_each
        chain = self.device.machine.chain
        force = _in_unit(block.force, chain.force_n_per_count, "N", self._format.force_unit)
        position = _in_unit(block.position, chain.position_mm_per_count, "mm", self._format.position_unit)
        return encode_lines(replace(block, force=force, position=position), self._format), one_each

    def _take(self) -> bytes:
        taken = bytes(self._pending)
        self._pending.clear()
        return taken


def _in_unit(counts: RawArray, per_count: float, unit: str, wanted: str) -> RawArray:
    """Return the counts as they are, or as a quantity in the unit that the lines carry."""
    if wanted == COUNTS:
        return counts
    return np.round(counts * (per_count * factor(unit, wanted)), _DECIMALS)
