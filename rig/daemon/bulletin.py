"""What crosses from the daemon to those who watch it.

Problem: the page runs in a process of its own, the command line in another, and neither may be trusted to
keep up or to send sense. Plan: a few frozen values, validated on both sides, the same for the socket and
for the page; whoever watches asks for what is newer than what it has, so that nothing is pushed and no
queue grows. Cost: one validation for each value.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from rig.jobs.orders import HeightCard, JobKind, Message, Order, RigRef

RigState = Literal[
    "away",  # the port is lost, or was never there
    "idle",  # samples come, nothing is recorded
    "recording",  # a person moves the platen
    "running",  # the platen moves by itself, or a person follows the method
    "by hand",  # a step off the rig waits for a person
    "stopped",  # the device has latched a stop
]


class DeviceCard(Message):
    """The device as it stands.

    `switches` (those that are pressed or open) and `motor_current` are of a device that tells them (version
    1.1), else None.
    """

    name: str
    firmware: str
    drives: bool
    homed: bool | None = None
    stop_cause: str | None = None
    switches: tuple[str, ...] | None = None
    motor_current: bool | None = None


class LimitsCard(Message):
    """Where the rig trips."""

    min_force_n: float
    max_force_n: float
    min_travel_mm: float
    max_travel_mm: float
    speed_mm_per_s: float


class JobCard(Message):
    """The job under way. The cycles of a height are its contact checks."""

    number: int
    kind: JobKind
    name: str
    specimen: str
    capture: str | None = None
    step: str = ""
    elapsed_s: float = 0.0
    left_s: float | None = None
    done: Annotated[float, Field(ge=0, le=1)] | None = None
    cycles: int = 0
    cycles_wanted: int | None = None
    asks: str | None = None


class EndCard(Message):
    """How the job before ended. The cycles of a height are its contact checks. `halted_by`: who halted it."""

    number: int
    kind: JobKind
    name: str
    reason: str
    failed: bool
    halted_by: str | None = None
    capture: str | None = None
    cycles: int = 0
    height: HeightCard | None = None


class RigStatus(Message):
    """How the rig is now.

    `armed`: the platen may move by itself. It is true from the order to arm until the device has confirmed
    that it is disarmed, and wherever it is not known, such as while the rig is away.
    """

    rig: str
    port: str
    state: RigState
    armed: bool
    guided: bool = False
    force_n: float | None = None
    position_mm: float | None = None
    samples_per_s: float | None = None
    samples_lost: int = 0
    device: DeviceCard | None = None
    limits: LimitsCard | None = None
    job: JobCard | None = None
    last: EndCard | None = None
    auxiliary: dict[str, float] = Field(default_factory=dict)
    auxiliary_units: dict[str, str] = Field(default_factory=dict)
    cautions: tuple[str, ...] = ()
    cautions_read_today: bool = False
    warnings: tuple[str, ...] = ()


class LiveTrace(Message):
    """Force and position against time, thinned; the first point has number `first`."""

    first: int = 0
    time_s: tuple[float, ...] = ()
    force_n: tuple[float, ...] = ()
    position_mm: tuple[float, ...] = ()


class CycleRow(Message):
    """One cycle, as the page's table shows it; None where a quantity cannot be had."""

    cycle: int
    flags: tuple[str, ...] = ()
    end_s: float | None = None
    contact_mm: float | None = None
    zero_n: float | None = None
    peak_force_n: float | None = None
    peak_deflection_mm: float | None = None
    secant_n_per_mm: float | None = None
    energy_absorbed_mj: float | None = None
    hysteresis_pct: float | None = None
    set_mm: float | None = None
    auxiliary: dict[str, float] = Field(default_factory=dict)


class LoopCurve(Message):
    """Force against deflection of one cycle, thinned."""

    cycle: int
    deflection_mm: tuple[float, ...]
    force_n: tuple[float, ...]


class Seen(Message):
    """What a watcher has seen: the next numbers that it lacks. All zero for everything there is.

    `job` is the number of the job that the cycles belong to; where it differs, cycles and loops
    are sent from the first one kept.
    """

    trace: Annotated[int, Field(ge=0)] = 0
    cycle: Annotated[int, Field(ge=0)] = 0
    loop: Annotated[int, Field(ge=0)] = 0
    job: Annotated[int, Field(ge=0)] = 0


class News(Message):
    """The status, and what is newer than what was seen, as far as it is still kept."""

    status: RigStatus
    seen: Seen
    trace: LiveTrace = LiveTrace()
    cycles: tuple[CycleRow, ...] = ()
    loops: tuple[LoopCurve, ...] = ()


class MethodText(Message):
    """A method or plan that the daemon offers; `text` is its YAML."""

    name: str
    source: str
    purpose: str = ""
    kind: Literal["method", "endurance"]
    text: str


class MethodList(Message):
    """All methods and plans that the daemon offers."""

    methods: tuple[MethodText, ...] = ()


class Refusal(Message):
    """Why an order was not carried out: what was found, and what would be right."""

    refused: str


class Preview(Message):
    """What an order would do on this rig, line by line; nothing moves for it."""

    lines: tuple[str, ...]


class Done(Message):
    """An order was carried out; a job that was started has a number."""

    done: Literal[True] = True
    job: int | None = None


class AskStatus(Message):
    """How does the rig stand?"""

    ask: Literal["status"] = "status"


class AskNews(Message):
    """What is newer than what was seen?"""

    ask: Literal["news"] = "news"
    seen: Seen = Seen()


class AskMethods(Message):
    """Which methods and plans are offered?"""

    ask: Literal["methods"] = "methods"


class AskStart(Message):
    """Begin a job."""

    ask: Literal["start"] = "start"
    rig: RigRef
    order: Order


class AskPreview(Message):
    """What would a job do? Nothing moves."""

    ask: Literal["preview"] = "preview"
    rig: RigRef
    order: Order


class AskHalt(Message):
    """Stop at once; without a rig: whichever the daemon holds."""

    ask: Literal["halt"] = "halt"
    rig: RigRef | None = None
    who: Annotated[str, Field(max_length=100)] = "somebody"


class AskProceed(Message):
    """The step off the rig is done."""

    ask: Literal["proceed"] = "proceed"
    rig: RigRef


class AskAcknowledge(Message):
    """The cautions have been read today."""

    ask: Literal["acknowledge"] = "acknowledge"
    rig: RigRef
    who: Annotated[str, Field(max_length=100)] = "somebody"


Request = Annotated[
    AskStatus | AskNews | AskMethods | AskStart | AskPreview | AskHalt | AskProceed | AskAcknowledge,
    Field(discriminator="ask"),
]
"""What crosses to the daemon, one a line; it answers each with one of the values above."""
