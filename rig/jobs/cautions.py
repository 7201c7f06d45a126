"""What a person must have read before a platen moves, and whether that was today.

Problem: a caution that is asked for at every motion is answered without being read, and one that was answered
last month is forgotten. Plan: once a day for each rig; the date and the name stand in a small file of the
user's state folder, one for each rig: two that share a name are two. A file that cannot be read counts as not
confirmed. Cost: one file.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import platformdirs
import yaml

from rig import core  # whoever only orders a motion does without `core.logger`
from rig.core import load_yaml, read_text
from rig.errors import InputError, RecorderError
from rig.jobs.orders import RigRef

CAUTIONS: tuple[str, ...] = (
    "The platen will move by itself and can crush fingers.",
    "The emergency stop is wired to cut the motor's power, and has been tried today.",
    "A guard is closed, or the controls need both hands; nobody else can reach in.",
    "Travel and force are limited on the rig itself; the limits in this program are only a second line.",
    "Eye protection is worn: a squeezed part stores energy and can fly out.",
    "Local rules come first, and a competent person has assessed this rig's risks.",
)
"""For a rig with a drive."""

HAND_CAUTIONS: tuple[str, ...] = (
    "Fingers stay out from between the platens; the other hand stays away from them.",
    "Eye protection is worn: a squeezed part stores energy and can fly out or drive the lever back.",
    "The lever is returned slowly and never let go under load; this program cannot hold or stop it.",
    "Local rules come first, and a competent person has assessed this rig's risks.",
)
"""For a rig that a hand moves."""

RELEASE_CAUTIONS: tuple[str, ...] = (
    "If a person is trapped, press the emergency stop first and leave it pressed: free them by hand with "
    "the motor's power off, following the rig's own instructions.",
    "A release moves the platen with its motor, away from the part. If the device's direction is wrong, "
    "it presses harder.",
    "The part stores energy and can fly out when it is released.",
)
"""Before a platen is taken away after a stop."""

SHORT_CAUTION = "The platen moves by itself: hands out, eye protection on, emergency stop within reach."
SHORT_HAND_CAUTION = (
    "Keep fingers out from between the platens, wear eye protection, never let go under load. Local rules "
    "and the person who assessed this rig's risks come first."
)

LOADING_CAUTION = (
    "Hands and loads go between the platens only while the motor supply is off. Loads can fall and a lever "
    "can spring back: keep fingers and feet clear."
)
"""Before a person puts loads or blocks on a rig, for scales and verifications."""

LARGEST_FILE = 8192
"""Anything longer was not written here."""

DIGITS = 20
"""Of the digest of name and port that a file is called by; the file says in full whose it is."""


@dataclass(frozen=True, slots=True)
class CautionsRead:
    """Whether somebody has read one rig's cautions today and confirmed that they hold.

    A confirmation belongs to a rig: to its whole name, its port and, as soon as it has said who it is, its
    device. The device that is seen first after it is the one that it holds for.

    `by_hand`: a hand moves the platen; whoever has read the cautions for that has not read those for a motor.
    """

    rig: RigRef
    by_hand: bool = False

    def today(self, unit_id: str | None = None) -> bool:
        """Return whether they were confirmed on this day, by the local calendar.

        `unit_id`: of the device that is on the port, in hexadecimal; None while it is not known.
        """
        kept = self._kept()
        if kept is None:
            return False
        unit = kept.get("unit")
        if unit_id is not None and unit in (None, ""):
            self._write(kept | {"unit": unit_id})
            return True
        return unit_id is None or unit == unit_id

    def confirm(self, who: str, unit_id: str | None = None) -> None:
        """Remember that somebody has read them today and that they hold.

        Raises RecorderError if it cannot be written down.

        `who`: a person's name or initials, or where the confirmation came from.
        """
        day = _today().isoformat()
        # in quotes, so that it is read as text again and not as a date
        problem = self._write(self._whose() | {"day": day, "who": who[:200], "unit": unit_id or ""})
        if problem is not None:
            raise RecorderError(f"{self._file}: the confirmation cannot be saved ({problem})")

    def _whose(self) -> dict[str, str]:
        return {
            "rig": self.rig.name,
            "port": self.rig.port or "",
            "moved": "hand" if self.by_hand else "motor",
        }

    def _kept(self) -> dict[str, Any] | None:
        """Return what was confirmed for this rig today; None if nothing was."""
        path = self._file
        try:
            if not path.exists():
                return None
            kept = dict(load_yaml(read_text(path, most=LARGEST_FILE), str(path)))
        except (OSError, InputError) as problem:
            core.logger.warning(
                "it is not known whether the cautions were confirmed today ({}); asking again", problem
            )
            return None
        same = all(kept.get(name) == value for name, value in self._whose().items())
        return kept if same and kept.get("day") == _today().isoformat() else None

    def _write(self, kept: dict[str, Any]) -> OSError | None:
        """Write it down, whole or not at all; what went wrong, if anything."""
        path = self._file
        fresh = path.with_suffix(f".{os.getpid()}.new")
        try:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            text = yaml.safe_dump(kept, allow_unicode=True, sort_keys=False)
            fresh.write_text(text, encoding="utf-8")
            fresh.replace(path)
        except OSError as problem:
            return problem
        return None

    @property
    def _file(self) -> Path:
        folder = platformdirs.user_state_path("pressrig", appauthor=False) / "cautions"
        whose = json.dumps(list(self._whose().values())).encode()
        return folder / f"{hashlib.sha256(whose).hexdigest()[:DIGITS]}.yaml"


def _today() -> datetime.date:
    return datetime.datetime.now().astimezone().date()
