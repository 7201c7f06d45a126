"""The token of a page that is reached from elsewhere: made once, and readable by its owner alone."""

from __future__ import annotations

import os
import secrets
import stat
from pathlib import Path

import platformdirs

from rig.errors import InputError, RecorderError

TOKEN_BYTES = 24
"""192 bits at random: cannot be guessed."""

_MODE = 0o600


def token_file(folder: Path | None = None) -> Path:
    """Return the file of the token, made at the first call.

    Raises InputError if others may read it. Raises RecorderError if it cannot be made.

    `folder`: where it stands; None for the user's state folder.
    """
    folder = platformdirs.user_state_path("pressrig", appauthor=False) if folder is None else folder
    path = folder / "page-token"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        try:
            file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _MODE)
        except FileExistsError:
            mode = stat.S_IMODE(path.stat().st_mode)
            if mode & 0o077:
                raise InputError(
                    f"{path}: found mode {mode:04o}, expected {_MODE:04o}; others may have read it: remove "
                    "it to have a new one made"
                ) from None
            return path
        with os.fdopen(file, "w", encoding="ascii") as opened:
            opened.write(secrets.token_urlsafe(TOKEN_BYTES) + "\n")
    except OSError as problem:
        raise RecorderError(f"{path}: the page's token cannot be made ({problem.strerror})") from problem
    return path
