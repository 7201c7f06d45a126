"""What a person must have read before a platen moves, and whether that was today.

Problem: a caution that is asked for at every motion is answered without being read, and one that was answered
last month is forgotten. Plan: once a day for each rig; the date and the name stand in a small file of the
user's state folder, one for each rig. A file that cannot be read counts as not confirmed. Cost: one file.
"""

from __future__ import annotations

import datetime
import hashlib
import os
import re
from pathlib import Path

import platformdirs
import yaml
from loguru import logger

from rig.core import load_yaml, read_text
from rig.errors import InputError, RecorderError

CAUTIONS: tuple[str, ...] = (
    "The platen is going to move by itself and can crush fingers.",
    "The emergency stop is wired to cut the motor's power, and has been tried today.",
    "A guard is closed, or both hands are needed to move the platen; nobody else can reach in.",
    "Travel and force are limited on the rig itself; what this program limits is a second line.",
    "Eye protection is worn: a squeezed part stores energy and can fly out.",
    "Local rules come first, and a competent person has assessed this rig's risks.",
)
"""For a rig with a drive."""

HAND_CAUTIONS: tuple[str, ...] = (
    "Fingers stay out from between the platens; the other hand rests away from them.",
    "Eye protection is worn: a squeezed part stores energy and can fly out, or throw the lever back.",
    "The lever is let back slowly and never let go under load; this program cannot hold or stop it.",
)
"""For a rig that a hand moves."""

SHORT_CAUTION = "The platen moves by itself: hands out, eye protection on, emergency stop within reach."
SHORT_HAND_CAUTION = "Fingers out from between the platens, eye protection on, never let go under load."

LARGEST_FILE = 4096
"""Anything longer was not written here."""

LONGEST_NAME = 40
"""Of a rig, as a part of its file's name; the check sum behind it tells longer ones apart."""


def cautions_read_today(rig_name: str) -> bool:
    """Whether somebody has confirmed this rig's cautions on this day, by the local calendar."""
    try:
        path = _file_of(rig_name)
        if not path.exists():
            return False
        kept = load_yaml(read_text(path, most=LARGEST_FILE), str(path))
    except (OSError, InputError) as problem:
        logger.warning("whether the cautions were read today is not known ({}); they are asked for", problem)
        return False
    return kept.get("rig") == rig_name and kept.get("day") == _today().isoformat()


def confirm_cautions(rig_name: str, who: str) -> None:
    """Remember that somebody has read this rig's cautions today and that they hold.

    Parameters
    ----------
    rig_name
        As its file calls it.
    who
        A person's name or initials, or where the confirmation came from.

    Raises
    ------
    RecorderError
        If it cannot be written down.
    """
    path = _file_of(rig_name)
    # in quotes, so that it is read as text again and not as a date
    kept = {"rig": rig_name, "day": _today().isoformat(), "who": who[:200]}
    fresh = path.with_suffix(f".{os.getpid()}.new")
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        fresh.write_text(yaml.safe_dump(kept, allow_unicode=True, sort_keys=False), encoding="utf-8")
        fresh.replace(path)
    except OSError as problem:
        raise RecorderError(f"{path}: the confirmed cautions cannot be written down ({problem})") from None


def _today() -> datetime.date:
    return datetime.datetime.now().astimezone().date()


def _file_of(rig_name: str) -> Path:
    folder = platformdirs.user_state_path("pressrig", appauthor=False) / "cautions"
    readable = re.sub(r"[^A-Za-z0-9]+", "-", rig_name).strip("-")[:LONGEST_NAME]
    mark = hashlib.sha256(rig_name.encode()).hexdigest()[:8]
    return folder / f"{readable}-{mark}.yaml"
