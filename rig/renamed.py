"""Names that were given to quantities and options before, and what they are called now.

Whoever types an old one, or keeps it in a file, gets a refusal with the new one.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rig.errors import InputError

QUANTITIES = {
    "foot_exponent": "toe_exponent",
    "energy_in_mj": "energy_absorbed_mj",
    "energy_out_mj": "energy_returned_mj",
    "relaxation_left_1s_pct": "force_retention_1s_pct",
    "relaxation_left_10s_pct": "force_retention_10s_pct",
    "relaxation_left_60s_pct": "force_retention_60s_pct",
    "dwell_s": "hold_s",
}
"""Old name of a column, and its name now."""

KEYS = {"dwell": "hold", "touch": "contact_check", "touches": "contact_checks"}
"""Old name of a key in the file of a method or plan, or of a field of an order, and its name now."""

EVENTS = {
    "touched": "contact checked",
    "touch check": "contact check",
    "height touch": "height contact check",
    "recovery touch": "recovery contact check",
}
"""Old kind of an event in a recording, and its kind now: recordings keep what was written."""

ACTIONS = {"touch": "contact check"}
"""Old kind of an action in the `step` events of a recording, and its kind now."""

CALIBRATION_KEYS = {"play": "backlash", "play_mm": "backlash_mm", "give_mm": "deflection_mm"}
"""Old name of a key in a calibration, and its name now. A file is refused with it; recordings keep it."""


def in_names_of_now(calibration: Mapping[str, Any]) -> dict[str, Any]:
    """Return a calibration that a recording kept, its keys by their names now."""
    return {
        CALIBRATION_KEYS.get(name, name): in_names_of_now(part) if isinstance(part, Mapping) else part
        for name, part in calibration.items()
    }


def refuse_old_name(where: str, name: str) -> None:
    """Refuse a quantity by its old name, with or without an uncertainty's ending.

    Raises InputError if the name is an old one; the message gives the new one.

    `where`: option, file or field in which it was found.
    """
    for old, new in QUANTITIES.items():
        if name == old or name.startswith(f"{old}_u"):
            raise InputError(f"{where}: found {name!r}, which is now called {new + name.removeprefix(old)!r}")
