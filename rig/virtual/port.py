"""The pseudo-terminal: a virtual rig that any serial program can open.

Problem: the host must meet a real serial device, at real time or faster, that can be unplugged. Plan:
one loop reads commands, lets device time pass, and writes without ever waiting for the host. At real
time a host that does not read makes the outgoing buffer overflow, and frames are dropped and counted,
as on hardware. Sped up, time waits for the host instead, so that nothing is lost.

The loop runs in a thread of its own between entering and leaving the context, or in the caller's by
`serve`. Cost: one buffer of 64 KiB, more for fast rigs; at rest the loop looks around 100 times a second.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import math
import os
import select
import sys
import termios
import threading
import time
import tty
from pathlib import Path
from types import TracebackType

from rig.errors import InputError
from rig.virtual.bench import VirtualRig

BUFFER_BYTES = 64 * 1024
"""Outgoing bytes held for the host: some seconds of samples at usual rates."""

BUFFER_S = 1.5
BLOCK_SAMPLE_BYTES = 7
"""So much of the fastest samples is held at least, each a tenth of a block's 68 bytes."""

_TICK_S = 0.01
_FAST_TICK_S = 0.005
"""How often the loop looks around; short beside the 50 ms within which a lost heartbeat must act. Sped up, a
platen goes farther between two looks."""

_BLOCK_SAMPLES = 1024
"""Samples let happen at once when sped up, about a third of the buffer."""

_READ_BYTES = 4096
_SETTLE_S = 0.1
"""Programs flush a port while opening it; what is sent within this time, or before the first command,
would be thrown away."""

_AWAY_AT_LEAST_S = 0.3
"""Wall time for which an unplugged port stays away, so that a host sees it go."""

_DRAIN_S = 2.0
"""Wall time for which a port about to go waits for the host to read what was written."""

_EMPTY_LOOKS = 10
"""The terminal hands bytes on a little later than it takes them; this often must it be found empty."""


class VirtualPort:
    """Serves one rig on a pseudo-terminal.

    Parameters
    ----------
    link
        Symbolic link to make to the pseudo-terminal, and to remove at the end; None for none.
    speed_up
        Device time for each second of wall time; infinity for as fast as the host reads.

    Raises
    ------
    InputError
        If `speed_up` is not above zero or is infinite without a script, or something other than a
        symbolic link stands at `link`.

    Attributes
    ----------
    path
        What to open: the link, or else the pseudo-terminal.
    """

    def __init__(self, rig: VirtualRig, link: str | Path | None = None, speed_up: float = 1.0) -> None:
        if not speed_up > 0:
            raise InputError(f"speed_up: found {speed_up}, expected a number above 0")
        self._rig = rig
        self._link = None if link is None else Path(link)
        if math.isinf(speed_up) and not rig.scripted:
            raise InputError("speed_up: found infinity, expected a number for a rig that has no script")
        self._speed_up = speed_up
        self._time_waits = speed_up > 1.0
        self._tick_s = _FAST_TICK_S if self._time_waits else _TICK_S
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._failure: BaseException | None = None
        self._buffer = bytearray()
        fast_bytes = BUFFER_S * BLOCK_SAMPLE_BYTES * rig.device.character.rate_hz
        self._buffer_bytes = max(BUFFER_BYTES, round(fast_bytes))
        self._master: int | None = None
        self._slave_path = ""
        self._last_s = 0.0
        self._listens_from_s = math.inf
        self._away_until_s = 0.0
        self._plug_in()

    @property
    def path(self) -> str:
        """What to open; without a link it changes when the port is unplugged."""
        return self._slave_path if self._link is None else str(self._link)

    def __enter__(self) -> VirtualPort:
        self._thread = threading.Thread(target=self._run, name="virtual-port")
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()
        if self._thread is not None:
            self._thread.join()
        self._unplug()
        if self._failure is not None and error is None:
            raise self._failure

    def stop(self) -> None:
        """Ask the loop to end; may be called from any thread or from a signal."""
        self._stop.set()

    def serve(self) -> None:
        """Serve in the caller's thread until `stop`, then take the port away."""
        try:
            self._loop()
        finally:
            self._unplug()

    def _run(self) -> None:
        try:
            self._loop()
        except BaseException as failure:
            self._failure = failure

    def _loop(self) -> None:
        self._last_s = time.monotonic()
        while not self._stop.is_set():
            if self._master is None:
                self._stop.wait(self._tick_s)
                self._away()
            else:
                self._turn(self._master)

    def _turn(self, master: int) -> None:
        """One look around with the port plugged in."""
        host_there, readable = self._look(master)
        commands = _read(master) if host_there and readable else b""
        listening = self._listening(host_there, bool(commands))
        if listening:
            self._rig.start()
        if commands:
            self._buffer += self._rig.receive(commands)
            if listening:
                self._write(master)  # an answer does not wait for the samples that are worked out next
        self._pass_time(listening)
        if listening:
            self._write(master)
        elif not self._time_waits:
            self._buffer.clear()
        if self._rig.unplugged:
            # Closing a terminal throws away what the host has not read, which a pulled cable would not.
            if listening:
                self._drain(master)
            self._unplug()
            self._away_until_s = time.monotonic() + _AWAY_AT_LEAST_S

    def _listening(self, host_there: bool, speaks: bool) -> bool:
        """Return whether a host has the port open and is past opening it."""
        now_s = time.monotonic()
        if not host_there:
            self._listens_from_s = math.inf
        elif speaks:
            self._listens_from_s = now_s
        elif math.isinf(self._listens_from_s):
            self._listens_from_s = now_s + _SETTLE_S
        return now_s >= self._listens_from_s

    def _look(self, master: int) -> tuple[bool, bool]:
        """Return whether a host has the port open, and whether it sent something; waits a tick if not."""
        poll = select.poll()
        poll.register(master, select.POLLIN | (select.POLLOUT if self._buffer else 0))
        busy = (
            math.isinf(self._speed_up)
            and not self._rig.waiting
            and len(self._buffer) < self._buffer_bytes // 2
        )
        events = dict(poll.poll(0 if busy else 1000 * self._tick_s)).get(master, 0)
        if events & select.POLLHUP:
            self._stop.wait(self._tick_s)
        return not events & select.POLLHUP, bool(events & select.POLLIN)

    def _pass_time(self, listening: bool) -> None:
        room = self._buffer_bytes - len(self._buffer) if listening else 0
        if self._time_waits and (self._rig.waiting or room < self._buffer_bytes // 2):
            self._last_s = time.monotonic()
            # Device time waits, but the heartbeats are timed by the wall.
            self._buffer += self._rig.receive(b"")
            return
        self._buffer += self._device_time(None if self._time_waits else room)

    def _device_time(self, room: int | None) -> bytes:
        """Let device time pass in step with wall time, or a block of it if there is no pace to keep."""
        now_s = time.monotonic()
        elapsed_s, self._last_s = now_s - self._last_s, now_s
        if math.isinf(self._speed_up):
            return self._rig.advance_samples(_BLOCK_SAMPLES)
        due_s = elapsed_s * self._speed_up
        if self._time_waits:
            due_s = min(due_s, _BLOCK_SAMPLES * self._rig.device.machine.period_s)
        return self._rig.advance(due_s, room)

    def _away(self) -> None:
        """Time goes on while the port is away; nothing that is sent meanwhile reaches anybody."""
        if self._rig.unplugged:
            self._device_time(None)
        elif time.monotonic() >= self._away_until_s:
            self._last_s = time.monotonic()
            self._plug_in()

    def _write(self, master: int) -> None:
        while self._buffer:
            try:
                done = os.write(master, self._buffer)
            except OSError as problem:
                if problem.errno in (errno.EAGAIN, errno.EIO, errno.EINTR):
                    return
                raise
            del self._buffer[:done]

    def _drain(self, master: int) -> None:
        """Let the host read what was written, since closing the port throws the rest away."""
        deadline_s = time.monotonic() + _DRAIN_S
        empty_looks = 0
        with contextlib.suppress(OSError):
            slave = os.open(self._slave_path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            try:
                while empty_looks < _EMPTY_LOOKS and time.monotonic() < deadline_s:
                    self._write(master)
                    waiting = int.from_bytes(fcntl.ioctl(slave, termios.FIONREAD, bytes(4)), sys.byteorder)
                    empty_looks = empty_looks + 1 if not waiting and not self._buffer else 0
                    if self._stop.wait(self._tick_s):
                        break
            finally:
                os.close(slave)
        self._buffer.clear()

    def _plug_in(self) -> None:
        master, slave = os.openpty()
        try:
            tty.setraw(slave)
            self._slave_path = os.ttyname(slave)
            os.set_blocking(master, False)
            if self._link is not None:
                _make_link(self._link, self._slave_path)
        except BaseException:
            os.close(master)
            raise
        finally:
            # Once it has been opened and closed, the master can tell whether a host has it open.
            os.close(slave)
        self._master = master

    def _unplug(self) -> None:
        if self._master is None:
            return
        if self._link is not None:
            with contextlib.suppress(OSError):
                if str(self._link.readlink()) == self._slave_path:
                    self._link.unlink()
        os.close(self._master)
        self._master = None


def _read(master: int) -> bytes:
    try:
        return os.read(master, _READ_BYTES)
    except OSError as problem:
        if problem.errno in (errno.EAGAIN, errno.EIO, errno.EINTR):
            return b""
        raise


def _make_link(link: Path, target: str) -> None:
    """Point a symbolic link at the target, in place of one that is there already."""
    if link.exists() and not link.is_symlink():
        raise InputError(f"link {link}: found a file that is not a symbolic link; expected a free path")
    fresh = link.with_name(f".{link.name}.{os.getpid()}")
    try:
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(target)
        fresh.replace(link)
    except OSError as problem:
        raise InputError(
            f"link {link}: {problem.strerror}; expected a path in a writable folder"
        ) from problem
