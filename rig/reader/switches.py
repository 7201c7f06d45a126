"""The switches of a rig and its motor's current, in plain words.

Problem: one status bit for all travel switches does not say which plug is loose. Plan: a device of version
1.1 says in its state which contacts it has and which are open; here they become words. Cost: none.
"""

from __future__ import annotations

from rig.wire import StateFlag, Switch

_OPEN = {
    Switch.HOME: "home switch pressed",
    Switch.FAR_END: "far end switch pressed",
    Switch.EMERGENCY_STOP: "emergency stop pressed",
    Switch.GUARD: "guard open",
    Switch.OVERTRAVEL_HOME: "overtravel contact beyond the home switch open",
    Switch.OVERTRAVEL_FAR: "overtravel contact beyond the far end open",
    Switch.DRIVER_FAULT: "motor driver reports a fault",
}


def switch_words(open_switches: Switch) -> tuple[str, ...]:
    """Return what each open contact means.

    Examples
    --------
    >>> switch_words(Switch.HOME | Switch.GUARD)
    ('home switch pressed', 'guard open')
    """
    return tuple(words for switch, words in _OPEN.items() if switch in open_switches)


def standing_words(flags: StateFlag, open_switches: Switch, fitted: Switch) -> str:
    """Return switches and motor current of a device that tells them, for one line.

    Contacts that the device does not have are left out, whatever it says of them.

    Examples
    --------
    >>> standing_words(StateFlag.MOTOR_CURRENT, Switch.HOME | Switch.GUARD, Switch.HOME)
    'home switch pressed; motor current on'
    """
    words = ", ".join(switch_words(open_switches & fitted)) or "no switch pressed"
    return f"{words}; motor current {'on' if StateFlag.MOTOR_CURRENT in flags else 'off'}"
