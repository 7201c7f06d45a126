"""Where the daemon of a rig is found: a socket in a folder that only its user can enter.

Problem: a command must find the daemon of a rig and never another's, two daemons must not hold one rig, and a
socket file outlives a daemon that was killed. Plan: the socket stands in the user's runtime folder, or where
there is none in the state folder; its name is a digest of the rig's whole name and port, since names that
differ only at the end, in their case or in a script other than Latin must not share one. Beside it lies a
file that the daemon keeps locked while it lives, and that says which rig it holds. A socket whose lock is
free has no owner. Nothing is trusted in a folder that others can change. Cost: two files for each rig.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
import warnings
from collections.abc import Sequence
from pathlib import Path

import platformdirs

from rig.core import load_json
from rig.errors import DeviceError, InputError
from rig.jobs.orders import RigRef

DIGITS = 20
"""Of the digest, in hexadecimal: 80 bits do not meet by chance, and a socket's path must be short."""

PATH_BYTES = 100
"""Systems take 104 to 108 bytes for the path of a socket."""

LONGEST_NOTE = 16 * 1024
"""Bytes that are read of the file that says who holds a rig."""

_LOCK_MODE = 0o600
_FOLDER_MODE = 0o700


def socket_name(rig: RigRef) -> str:
    """Return the file name of the socket of the daemon that holds a rig.

    Examples
    --------
    >>> len(socket_name(RigRef(name="Bench 1", port="ttyUSB0")))
    25
    """
    whole = json.dumps([rig.name, rig.port]).encode()
    return f"{hashlib.sha256(whole).hexdigest()[:DIGITS]}.sock"


def socket_folders() -> tuple[Path, ...]:
    """Folders that a daemon's socket may stand in, the first that works before the others."""
    with warnings.catch_warnings():
        # where no user is logged in, the library warns which folder it takes instead; any will do
        warnings.simplefilter("ignore")
        places = (platformdirs.user_runtime_path("pressrig"), platformdirs.user_state_path("pressrig"))
    return tuple(dict.fromkeys(places))


def sockets_there(folders: Sequence[Path] | None = None) -> list[Path]:
    """Sockets of all rigs, whether a daemon is behind them or not; not those that others could have made."""
    places = [folder for folder in _places(folders) if _why_not_private(folder) is None]
    return [path for folder in places for path in sorted(folder.glob("*.sock"))]


def held_by(socket: Path) -> RigRef | None:
    """Return the rig that the daemon at a socket holds, as it noted; None if that cannot be read."""
    try:
        with socket.with_suffix(".lock").open("rb") as file:
            note = load_json(file.read(LONGEST_NOTE).decode(), str(socket))
        return RigRef(name=note["name"], port=note["port"])
    except (OSError, ValueError, KeyError, TypeError, InputError):
        return None


class SocketPlace:
    """The place of one daemon's socket, held from entering to leaving.

    Parameters
    ----------
    folders
        Where to look for a place; None for the user's own.

    Attributes
    ----------
    path
        Where the socket is to be made; what a dead daemon left there is gone.

    Raises
    ------
    DeviceError
        On entering: a daemon holds this rig already, or no place can be made.
    """

    def __init__(self, rig: RigRef, folders: Sequence[Path] | None = None) -> None:
        self._rig = rig
        self._folders = _places(folders)
        self._lock = -1
        self.path = Path()

    def __enter__(self) -> SocketPlace:
        folder = self._usable_folder()
        self.path = folder / socket_name(self._rig)
        self._lock = os.open(self.path.with_suffix(".lock"), os.O_RDWR | os.O_CREAT, _LOCK_MODE)
        try:
            self._take()
        except BaseException:
            os.close(self._lock)
            raise
        self.path.unlink(missing_ok=True)
        return self

    def __exit__(self, *ending: object) -> None:
        # the lock's file stays: one who waits for it may hold it already
        self.path.unlink(missing_ok=True)
        os.close(self._lock)

    def _take(self) -> None:
        import fcntl  # noqa: PLC0415  (absent on Windows)

        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            try:
                note = load_json(os.pread(self._lock, LONGEST_NOTE, 0).decode(), "lock")
                owner = str(int(note["process"]))
            except (ValueError, KeyError, TypeError, InputError):
                owner = "unknown"
            raise DeviceError(
                f"{self._rig}: a daemon already holds it (process {owner}); see `pressrig status`, or end it "
                "first"
            ) from None
        note = {"process": os.getpid(), "name": self._rig.name, "port": self._rig.port}
        os.ftruncate(self._lock, 0)
        os.pwrite(self._lock, json.dumps(note).encode(), 0)

    def _usable_folder(self) -> Path:
        problems = []
        for folder in self._folders:
            if len(os.fsencode(folder / socket_name(self._rig))) > PATH_BYTES:
                problems.append(f"{folder} is too long for a socket")
                continue
            try:
                folder.mkdir(mode=_FOLDER_MODE, parents=True, exist_ok=True)
                if folder.stat().st_uid == os.geteuid():
                    folder.chmod(_FOLDER_MODE)
                problem_found = _why_not_private(folder)
                if problem_found is None:
                    return folder
                problems.append(problem_found)
            except OSError as problem:
                problems.append(f"{folder}: {problem.strerror}")
        raise DeviceError(f"{self._rig}: no place for the daemon's socket; {'; '.join(problems)}")


def _why_not_private(folder: Path) -> str | None:
    """Return why others could put sockets of their own into a folder; None if they cannot.

    Whoever may write into a folder above it can move it away and put another in its place, unless that one is
    sticky as /tmp is.
    """
    try:
        about = folder.stat()
        if about.st_uid != os.geteuid():
            return f"{folder} belongs to another user"
        if stat.S_IMODE(about.st_mode) & 0o077:
            return f"{folder} is open to other users"
        for above in folder.resolve().parents:
            found = above.stat()
            mode = stat.S_IMODE(found.st_mode)
            if found.st_uid not in (0, os.geteuid()):
                return f"{above} belongs to another user"
            # a group of its own that a user's folders belong to is common, and lets nobody else in
            others = 0o002 if found.st_gid == os.getegid() else 0o022
            if mode & others and not mode & stat.S_ISVTX:
                return f"others can write to {above}"
    except OSError as problem:
        return f"{folder}: {problem.strerror}"
    return None


def _places(folders: Sequence[Path] | None) -> tuple[Path, ...]:
    return socket_folders() if folders is None else tuple(folders)
