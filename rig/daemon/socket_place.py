"""Where the daemon of a rig is found: a socket in a folder that only its user can enter.

Problem: a command must find the daemon of a rig by the rig's name, two daemons must not hold one rig, and
a socket file outlives a daemon that was killed. Plan: the socket stands in the user's runtime folder, or
where there is none in the state folder, under the rig's name; beside it a file that the daemon keeps
locked while it lives. A socket whose lock is free belongs to nobody. Cost: two files for each rig.
"""

from __future__ import annotations

import os
import re
import warnings
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType

import platformdirs

from rig.errors import DeviceError

SLUG_LENGTH = 40
PATH_BYTES = 100
"""Systems take 104 to 108 bytes for the path of a socket."""

_LOCK_MODE = 0o600
_FOLDER_MODE = 0o700


def slug_of(rig_name: str) -> str:
    """A rig's name as the name of a file.

    Examples
    --------
    >>> slug_of("Bench 2, by the window")
    'bench-2-by-the-window'
    """
    return re.sub(r"[^a-z0-9]+", "-", rig_name.lower()).strip("-")[:SLUG_LENGTH] or "rig"


def socket_folders() -> tuple[Path, ...]:
    """Folders that a daemon's socket may stand in, the first that works before the others."""
    with warnings.catch_warnings():
        # where nobody is logged in, the library warns which folder it takes instead; any will do
        warnings.simplefilter("ignore")
        places = (platformdirs.user_runtime_path("pressrig"), platformdirs.user_state_path("pressrig"))
    return tuple(dict.fromkeys(places))


def sockets_there(folders: Sequence[Path] | None = None) -> list[Path]:
    """Sockets of all rigs, whether a daemon is behind them or not."""
    return [path for folder in _places(folders) for path in sorted(folder.glob("*.sock"))]


def sockets_of(rig_name: str, folders: Sequence[Path] | None = None) -> list[Path]:
    """Where the socket of a rig's daemon may stand, whether it does or not."""
    return [folder / f"{slug_of(rig_name)}.sock" for folder in _places(folders)]


class SocketPlace:
    """The place of one daemon's socket, held from entering to leaving.

    Parameters
    ----------
    rig_name
        Of the rig.
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

    def __init__(self, rig_name: str, folders: Sequence[Path] | None = None) -> None:
        self._rig_name = rig_name
        self._folders = _places(folders)
        self._lock = -1
        self.path = Path()

    def __enter__(self) -> SocketPlace:
        folder = self._usable_folder()
        self.path = folder / f"{slug_of(self._rig_name)}.sock"
        self._lock = os.open(self.path.with_suffix(".lock"), os.O_RDWR | os.O_CREAT, _LOCK_MODE)
        try:
            self._take()
        except BaseException:
            os.close(self._lock)
            raise
        self.path.unlink(missing_ok=True)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        # the lock's file stays: one who waits for it may hold it already
        self.path.unlink(missing_ok=True)
        os.close(self._lock)

    def _take(self) -> None:
        import fcntl  # noqa: PLC0415  (absent on Windows)

        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            owner = os.pread(self._lock, 20, 0).decode("ascii", "replace").strip() or "unknown"
            raise DeviceError(
                f"rig {self._rig_name}: a daemon holds it already (process {owner}); "
                "ask it with `pressrig status`, or end it first"
            ) from None
        os.ftruncate(self._lock, 0)
        os.pwrite(self._lock, f"{os.getpid()}\n".encode(), 0)

    def _usable_folder(self) -> Path:
        problems = []
        for folder in self._folders:
            if len(os.fsencode(folder / f"{slug_of(self._rig_name)}.sock")) > PATH_BYTES:
                problems.append(f"{folder} is too long for a socket")
                continue
            try:
                folder.mkdir(mode=_FOLDER_MODE, parents=True, exist_ok=True)
                if folder.stat().st_uid == os.geteuid():
                    folder.chmod(_FOLDER_MODE)
                    return folder
                problems.append(f"{folder} belongs to another user")
            except OSError as problem:
                problems.append(f"{folder}: {problem.strerror}")
        raise DeviceError(f"rig {self._rig_name}: no place for the daemon's socket; {'; '.join(problems)}")


def _places(folders: Sequence[Path] | None) -> tuple[Path, ...]:
    return socket_folders() if folders is None else tuple(folders)
