"""What `pressrig setup` adds for a device that drives its platen: stop, switches, signs, and limits.

Problem: switches, scale and cell of a new press are wired by hand, and what is wired wrongly shows first when
the platen moves. Plan: with the motor supply off each of them is tried by itself. Status bits are stated as
they change, and the next step comes when they are right. Nothing is armed. Cost: some minutes.
"""

from __future__ import annotations

import threading
import time
from contextlib import suppress
from typing import Any

from rig.calibration import Scale
from rig.cli.output import say
from rig.cli.setup_asking import answer_to, quantity_answered, readings
from rig.errors import DeviceError, InputError
from rig.reader import Delivery, DeviceLimits, Reader, standing_words, switch_words
from rig.samples import Status
from rig.wire import AskState, Capability, StateFlag, Switch

BITS = {
    Status.FORCE_SATURATED: "force converter saturated",
    Status.POSITION_FAULT: "position sensor at fault",
    Status.MOVING: "moving",
    Status.TRAVEL_SWITCH: "travel switch pressed",
    Status.EMERGENCY_STOP: "emergency stop pressed or latched",
    Status.FORCE_TRIP: "force trip",
}

NOTHING = "no switch pressed"

WATCHED = Status.POSITION_FAULT | Status.TRAVEL_SWITCH | Status.EMERGENCY_STOP | Status.FORCE_TRIP
"""A force converter with nothing wired to it is saturated or silent."""

TRIED = (
    ("Release the emergency stop and all switches", Status(0), Switch(0)),
    ("Press the emergency stop", Status.EMERGENCY_STOP, Switch.EMERGENCY_STOP),
    ("Release the emergency stop", Status(0), Switch(0)),
    ("Unplug the emergency stop's contact at the board", Status.EMERGENCY_STOP, Switch.EMERGENCY_STOP),
    ("Plug it back in", Status(0), Switch(0)),
    ("Press the home switch with a rod", Status.TRAVEL_SWITCH, Switch.HOME),
    ("Release the home switch", Status(0), Switch(0)),
    ("Press the travel switch at the pressing end with a rod", Status.TRAVEL_SWITCH, Switch.FAR_END),
    ("Release the travel switch", Status(0), Switch(0)),
)
"""What to do, the bits of the samples that it sets, and the switch that a device of version 1.1 names."""

SWITCHES_EVERY_S = 0.2

SIGNS = {
    "force": "the force falls under load: if it acts like a squeeze, swap the two signal wires of the cell",
    "position": "the position falls when the platen moves towards the part: swap lines A and B of the scale",
}

SUPPLY_OFF = "Switch the motor supply off and lock it, then type off: "


def try_contacts(reader: Reader) -> list[str]:
    """Try stop and switches one by one, and return what was skipped.

    Raises InputError if the motor supply is not said to be off.
    """
    say(
        "This device drives its platen. Nothing is armed here. Put in hands or rods only with the supply off."
    )
    if answer_to(SUPPLY_OFF).lower() != "off":
        raise InputError("setup: expected 'off', with the motor supply off and locked")
    skipped = []
    for what, wanted, switch in TRIED:
        while True:
            answer, status = _followed(reader, f"{what}, then press Enter (or type skip). ")
            if answer == "skip":
                skipped.append(what)
                break
            named = _named(reader)
            found, right = words_of(status & WATCHED), words_of(wanted)
            if named is not None and status & WATCHED == wanted:
                # the samples have one bit for both travel switches, so swapped plugs show only here
                found, right = (", ".join(switch_words(switches)) or NOTHING for switches in (named, switch))
            if found == right:
                say(f"  Correct: {right}.")
                break
            say(f"  Found {found}, expected {right}: check plug and wiring, and that the")
            say("  contact opens when it is pressed.")
    return skipped


def _named(reader: Reader) -> Switch | None:
    """Return the switches that are open, by the device's own word; None if it does not tell them one by
    one."""
    identity = reader.identity
    if identity is None or Capability.TELLS_SWITCHES not in identity.capabilities:
        return None
    state = reader.session.state()
    return state.open_switches & state.fitted_switches


def words_of(status: Status) -> str:
    """Return the bits of a sample's status in words.

    Examples
    --------
    >>> words_of(Status.TRAVEL_SWITCH | Status.EMERGENCY_STOP), words_of(Status.FRESH_FORCE)
    ('travel switch pressed, emergency stop pressed or latched', 'no switch pressed')
    """
    return ", ".join(words for bit, words in BITS.items() if bit in status) or NOTHING


def _followed(reader: Reader, question: str) -> tuple[str, Status]:
    """Return the answer to a question and the status behind it; each change of the status is printed
    meanwhile."""
    answered = threading.Event()

    identity = reader.identity
    tells = identity is not None and Capability.TELLS_SWITCHES in identity.capabilities

    def follow() -> None:
        said, asked_s = None, 0.0
        while not answered.is_set():
            if tells and time.monotonic() - asked_s > SWITCHES_EVERY_S:
                asked_s = time.monotonic()
                reader.session.send_if_free(AskState(reader.session.next_id()))
            delivery = reader.get(timeout_s=0.1)
            words = None if delivery is None else _told(delivery, by_state=tells)
            if words is not None and words != said:
                say(f"\n  status: {words}", nl=False)  # below the question; Enter ends the last line
                said = words

    say(question, nl=False)
    follower = threading.Thread(target=follow, name="rig-status")
    follower.start()
    try:
        answer = answer_to("").lower()
    finally:
        answered.set()
        follower.join()
    # a stop stays latched after its button was released; while it is pressed it cannot be cleared
    with suppress(DeviceError):
        reader.session.clear_stop()
    # bits of one sample may be a damaged byte; a contact that bounces is at rest after some
    return answer, Status(int(readings(reader).status[-1]))


def _told(delivery: Delivery, *, by_state: bool) -> str | None:
    """Return what a delivery says of switches: by the device's state where it tells each, else by the
    samples."""
    if not by_state:
        if not len(delivery.samples):
            return None
        return words_of(Status(int(delivery.samples.status[-1])))
    for event in reversed(delivery.events):
        if event.kind == "state":
            opened, fitted, flags = (
                int(event.fields.get(name) or 0) for name in ("open_switches", "fitted_switches", "flags")
            )
            return standing_words(StateFlag(flags), Switch(opened), Switch(fitted))
    return None


def ask_drive(reader: Reader, scales: dict[str, Scale]) -> dict[str, Any]:
    """Return the section `drive` of the rig file, empty if it cannot be given.

    Raises InputError if force or position fall where they have to rise.
    """
    for name, falls in SIGNS.items():
        if name not in scales:
            say(f"Without a scale of {name} no limits can be set, so nothing may move.")
            return {}
        if scales[name].per_count < 0:
            raise InputError(f"setup: {falls}; then start again")
    kept = DeviceLimits.kept_by(reader.session.state())
    most_n = kept.max_force * scales["force"].per_count
    most_mm = kept.max_position * scales["position"].per_count
    say(f"The device was built for {most_n:.0f} N and {most_mm:.0f} mm at most. Give what this press")
    say("may do, as in its settings.h; Enter skips the section, and then nothing may move.")
    asked = {}
    for name, what, unit in (
        ("travel", "End of the travel, such as 60 mm", "mm"),
        ("force", "Largest force, at most the cell's capacity, such as 400 N", "N"),
        ("pull", "Largest pull, such as 10 N", "N"),
        ("speed", "Largest speed, such as 15 mm/s", "mm/s"),
        ("deceleration", "Deceleration, such as 200 mm/s^2", "mm/s^2"),
    ):
        given = quantity_answered(f"{what}: ", name, unit)
        if given is None:
            return {}
        asked[name], _ = given
    samples = readings(reader)
    fresh_us = samples.time_us[(samples.status & int(Status.FRESH_FORCE)) != 0]
    if len(fresh_us) < 2:
        say("The force converter gives no new readings, so nothing may move: check its wiring and its rate.")
        return {}
    conversions_per_s = (len(fresh_us) - 1) / ((fresh_us[-1] - fresh_us[0]) / 1e6)
    say(f"The force converter gives {conversions_per_s:.3g} readings per second.")
    return {
        "travel": ["0 mm", asked["travel"]],
        "force": [f"-{asked['pull']}", asked["force"]],
        "speed": asked["speed"],
        "deceleration": asked["deceleration"],
        "conversions_per_s": float(f"{conversions_per_s:.3g}"),
    }
