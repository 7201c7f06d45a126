"""Each switch its own bit, and the motor's current, as a device of version 1.1 tells them."""

from __future__ import annotations

from rig.conformance.exceptions import NotApplicableError, require
from rig.conformance.provoking import EMERGENCY_STOP, HOME_SWITCH, TRAVEL_SWITCH, Provocation
from rig.conformance.stand import Stand
from rig.conformance.verdicts import CheckGroup
from rig.reader import switch_words
from rig.samples import Status
from rig.wire import Capability, ClearStop, ReleaseCurrent, ReplyResult, StateFlag, Switch

CHECKS = CheckGroup("switches")

_NEEDED = Switch.HOME | Switch.FAR_END | Switch.EMERGENCY_STOP
_TRAVEL = Switch.HOME | Switch.FAR_END

_EACH: tuple[tuple[Provocation, Switch], ...] = (
    (TRAVEL_SWITCH, Switch.FAR_END),
    (HOME_SWITCH, Switch.HOME),
    (EMERGENCY_STOP, Switch.EMERGENCY_STOP),
)


def _telling(stand: Stand) -> None:
    if Capability.TELLS_SWITCHES not in stand.known.capabilities:
        raise NotApplicableError("it does not tell its switches one by one (capability 7 is not set)")


def _words(switches: Switch) -> str:
    return ", ".join(switch_words(switches)) or "none"


@CHECKS.add(
    "switches-told",
    "The switches that it has",
    "The state says which contacts there are, and which of them are open.",
    "at least home, far end and emergency stop of a drive, and none open that is not there",
    "The report does not show which plug is loose.",
)
def _fitted(stand: Stand) -> str:
    _telling(stand)
    state = stand.state()
    lacking = _NEEDED & ~state.fitted_switches
    require(
        not (stand.drives and lacking), f"it drives the platen, and has no contact for: {_words(lacking)}"
    )
    extra = state.open_switches & ~state.fitted_switches
    require(not extra, f"it says that a switch is open that it does not have: {int(extra):#06x}")
    stand.stream(stand.known.rate_mhz)
    shown, told = stand.newest_status, stand.state().open_switches
    require(
        bool(told & _TRAVEL) == (Status.TRAVEL_SWITCH in shown),
        f"the state says open: {_words(told)}; status bit 3 (travel switch) of the samples says otherwise",
    )
    return f"open now: {_words(told)}"


@CHECKS.add(
    "switches-each",
    "Each switch its own bit",
    "Each contact has a bit of its own in the state.",
    "that bit alone, as long as it is open",
    "Swapped plugs are not noticed before the platen runs into the wrong end.",
)
def _each(stand: Stand) -> str:
    _telling(stand)
    found = []
    for what, switch in _EACH:
        stand.willing(what)
        before = stand.state().open_switches
        limit_s = stand.provoke(what)
        stand.talk.until(lambda before=before: stand.state().open_switches != before, limit_s)  # type: ignore[misc]
        told = stand.state().open_switches
        stand.undo()
        require(
            told == before | switch,
            f"{what.name}: it says open: {_words(told)}; expected: {_words(before | switch)}",
        )
        found.append(what.name)
        stand.talk.ask(ClearStop(stand.talk.next_id()))
    after = stand.state().open_switches
    require(after == before, f"after all were released it says open: {_words(after)}")
    return ", ".join(found) + ": each alone"


@CHECKS.add(
    "motor-current",
    "The motor's current",
    "Flag 5 of the state says whether the motor has current; release takes it away at rest only.",
    "set while armed, clear after the release",
    "Somebody puts a hand in because the program says that the motor has no current.",
    arms=True,
)
def _current(stand: Stand) -> str:
    _telling(stand)
    stand.arm()
    require(StateFlag.MOTOR_CURRENT in stand.state().flags, "armed, but flag 5 (motor current) is clear")
    stand.refuses(
        ReleaseCurrent(stand.talk.next_id()), ReplyResult.BUSY, "release of the current while armed"
    )
    require(StateFlag.MOTOR_CURRENT in stand.state().flags, "refused, but flag 5 (motor current) is clear")
    stand.disarm()
    stand.standstill()
    stand.accepts(ReleaseCurrent(stand.talk.next_id()), "release of the current at rest")
    require(StateFlag.MOTOR_CURRENT not in stand.state().flags, "released, but flag 5 (motor current) is set")
    stand.arm()
    again = StateFlag.MOTOR_CURRENT in stand.state().flags
    require(again, "armed behind a release, but flag 5 (motor current) is clear")
    return "on while armed, refused then; off after the release, on again when armed"
