"""A lock file for each port, taken before the port is opened.

Problem: opening a port can reset a board whose platen is moving, so a second program must be turned away
before it opens. Plan: the UUCP convention, which other serial programs know too: a file LCK..NAME in the
system's lock directory that holds the owner's process number. It appears by a hard link, whole or not at
all. While held it is also locked with flock: a file left by a dead process is removed only under that
flock and only if the name still leads to it, so of two that find it stale one gets the port.
Cost: two small files for a moment, one while the port is open. Windows needs none: its ports are exclusive.
"""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from uuid import uuid4

import platformdirs

from rig.errors import DeviceError

_TAKE_OVER_TRIES = 20
"""Each try fails only because another program took or freed the same lock meanwhile."""

_PID_TEXT_BYTES = 64
"""No process number is longer; more of a foreign file is not read."""

_COMMAND_BYTES = 200
"""As much as is shown of what another program was started as."""


def lock_directories() -> tuple[Path, ...]:
    """Return where locks are looked for, and made in this order: the system's, then the user's."""
    names = ("/var/spool/uucp", "/var/spool/lock") if sys.platform == "darwin" else ("/run/lock", "/var/lock")
    system = dict.fromkeys(Path(name).resolve() for name in names if Path(name).is_dir())
    with warnings.catch_warnings():
        # where no user is logged in, the library warns which folder it takes instead; any will do
        warnings.simplefilter("ignore")
        return (*system, platformdirs.user_runtime_path("pressrig"))


def lock_name(port: str) -> str:
    """Return the name of the lock of a port; all names of one device give the same.

    Examples
    --------
    >>> lock_name("/dev/ttyUSB0")
    'LCK..ttyUSB0'
    """
    device = str(Path(port).resolve())
    return "LCK.." + device.removeprefix("/dev/").strip("/").replace("/", "_")


class PortLock:
    """The lock of one port, held from construction to `release`.

    Raises DeviceError if another program holds the port, or if no lock can be made. The port is not opened.
    """

    def __init__(self, port: str, directories: Sequence[Path] | None = None) -> None:
        self._path: Path | None = None
        self._file = -1
        if os.name == "nt":
            return
        name = lock_name(port)
        places = [*(lock_directories() if directories is None else directories)]
        for place in places:
            # A user who cannot write to the system's directory still respects the locks in it.
            _clear_stale(place / name, port)
        place = _writable(places, port)
        try:
            self._hold(name, place, port)
        except OSError as problem:
            raise DeviceError(
                f"port {port}: no lock can be made in {place} ({problem.strerror})"
            ) from problem

    def release(self) -> None:
        """Give the port back. Removes the file only if it is still ours; may be called again."""
        if self._path is None:
            return
        with suppress(FileNotFoundError):
            if self._path.stat().st_ino == os.fstat(self._file).st_ino:
                self._path.unlink()
        os.close(self._file)
        self._path = None

    def _hold(self, name: str, place: Path, port: str) -> None:
        import fcntl  # noqa: PLC0415  (absent on Windows)

        # Written and locked under another name, then linked: no lock is seen without owner or flock.
        draft = place / f"LTMP.{os.getpid()}.{uuid4().hex}"
        file = os.open(draft, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o644)
        try:
            os.write(file, f"{os.getpid():10d}\n".encode())
            fcntl.flock(file, fcntl.LOCK_EX)
            for _ in range(_TAKE_OVER_TRIES):
                try:
                    os.link(draft, place / name)
                except FileExistsError:
                    _clear_stale(place / name, port)
                else:
                    self._path, self._file = place / name, file
                    return
            raise DeviceError(f"port {port}: its lock {place / name} keeps changing hands; try again")
        except BaseException:
            os.close(file)
            raise
        finally:
            draft.unlink()


def _clear_stale(lock: Path, port: str) -> None:
    """Remove a lock whose owner is gone; refuse one that is held."""
    import fcntl  # noqa: PLC0415  (absent on Windows)

    try:
        file = os.open(lock, os.O_RDONLY | os.O_NOFOLLOW)
    except FileNotFoundError:
        return
    except OSError as problem:
        raise DeviceError(
            f"port {port}: its lock {lock} cannot be read ({problem.strerror}); "
            "remove it if no program uses the port"
        ) from problem
    try:
        owner = _owner(file, lock, port)
        if owner != os.getpid() and _alive(owner):
            raise DeviceError(
                f"port {port}: in use by process {owner}{_program(owner)} (lock {lock}); end that program "
                "first, once nothing moves"
            )
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if owner == os.getpid():
                raise DeviceError(
                    f"port {port}: in use by this very program (lock {lock}); close it there first"
                ) from None
            return  # another program is taking it over; the caller looks again
        # Only now that the flock is held: another program may have made the name lead to its own file.
        _remove(lock, file, owner, port)
    finally:
        os.close(file)


def _remove(lock: Path, file: int, owner: int, port: str) -> None:
    try:
        if lock.stat().st_ino == os.fstat(file).st_ino:
            lock.unlink()
    except FileNotFoundError:
        return
    except PermissionError as problem:
        raise DeviceError(
            f"port {port}: process {owner} is gone and left its lock {lock}, which belongs to another user; "
            "have it removed"
        ) from problem


def _owner(file: int, lock: Path, port: str) -> int:
    text = os.read(file, _PID_TEXT_BYTES).split()
    if text and text[0].isdigit():
        return int(text[0])
    raise DeviceError(
        f"port {port}: its lock {lock} holds no process number; remove it if no program uses the port"
    )


def _program(process: int) -> str:
    """Return what a process was started as, ": pressrig serve --rig rig.yaml"; empty where the system does
    not say."""
    try:
        with Path(f"/proc/{process}/cmdline").open("rb") as file:
            words = file.read(_COMMAND_BYTES).decode(errors="replace").split("\0")[:-1]
    except OSError:
        return ""
    if len(words) > 1 and Path(words[0]).name.startswith("python") and words[1][:1] != "-":
        words = words[1:]
    return f": {' '.join((Path(words[0]).name, *words[1:]))}" if words else ""


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        return True
    return True


def _writable(places: Sequence[Path], port: str) -> Path:
    for place in places:
        with suppress(OSError):
            place.mkdir(parents=True, exist_ok=True)
            if os.access(place, os.W_OK | os.X_OK):
                return place
    raise DeviceError(f"port {port}: no lock can be made, none of {[*map(str, places)]} is writable")
