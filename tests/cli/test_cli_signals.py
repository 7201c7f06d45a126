"""Whatever ends a command that moves a platen, a halt goes out first and the capture gets its end."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the virtual rig needs pseudo-terminals", allow_module_level=True)

import pty

from command_line import DRIVEN_BENCH, PATIENCE_S, environment, patient, wait_until

from rig.capture import open_capture
from rig.cli.ordering import NOT_DONE
from rig.daemon.control import ControlClient, NoDaemonError
from rig.jobs.orders import MethodOrder
from rig.virtual import LinearSpring, VirtualPort, VirtualRig
from rig.wire import AskState, Disarm, EventCode, FrameDecoder, Halt, Heartbeat, Message, StateFlag

METHOD = """
name: slow press
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "20 N/mm"}
steps:
  - contact_check: {force: "1 N", speed: "5 mm/s"}
  - press: {deflection: "9 mm", speed: "0.1 mm/s"}
  - return: {gap: "2 mm", speed: "10 mm/s"}
report: [secant_n_per_mm]
"""
PLAN = """
name: slow squeezes
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "20 N/mm"}
contact_check: {force: "1 N", speed: "5 mm/s"}
squeeze: {deflection: "9 mm", speed: "1 mm/s", gap: "1 mm"}
block: 10
until: {cycles: 100}
"""
ENDINGS = ["SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGTSTP", "closed terminal"]
INTERRUPTED = 130
SILENCE_S = 60.0
"""A busy machine is no silent host: only a halt may stop the platen here."""

PIECE = ("--specimen", "F-90-001", "--free-height", "90 mm", "--cautions-read")
OUT = ("--out", "captures")

TERMINAL = """
import fcntl, os, signal, sys, termios
for number in (signal.SIGHUP, signal.SIGINT, signal.SIGQUIT):
    signal.signal(number, signal.SIG_DFL)
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
os.execv(sys.argv[1], sys.argv[1:])
"""
"""Makes the terminal that of its session, as a shell does: its end sends a signal, under `nohup` too."""


class HeardRig(VirtualRig):
    """A virtual rig, and when it heard each message."""

    def __init__(self) -> None:
        super().__init__(LinearSpring(20.0), scripted=False, rate_hz=500.0)
        self.heard: list[tuple[float, Message]] = []
        self._decoder = FrameDecoder()

    def receive(self, data: bytes) -> bytes:
        now_s = time.monotonic()
        self.heard += [(now_s, placed.message) for placed in self._decoder.feed(data).messages]
        return super().receive(data)

    def moves(self) -> bool:
        return bool(int(self.device.state().flags) & int(StateFlag.MOVING))

    def latched_on_a_part(self) -> None:
        """Homed and tripped far from home, as after a force trip."""
        self.device.drive.homed = True
        self.device.drive.trip(EventCode.FORCE_TRIP, 0)


class AtATerminal:
    """A command on a terminal of its own, as a person has it."""

    def __init__(self, home: Path, *words: object) -> None:
        self.home = home
        self.master, terminal = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-c", TERMINAL, *map(str, (*patient(SILENCE_S), *words))],
            stdin=terminal, stdout=terminal, stderr=terminal,
            env=environment(home), cwd=home, start_new_session=True,
        )  # fmt: skip
        os.close(terminal)
        self._over, self._ends = os.pipe()
        self._drain = threading.Thread(target=self._read)
        self._drain.start()

    def _read(self) -> None:
        with suppress(OSError):
            while self._over not in select.select([self.master, self._over], [], [])[0]:
                os.read(self.master, 4096)

    def close_terminal(self) -> None:
        # whoever reads from it would keep it open
        os.close(self._ends)
        self._drain.join(PATIENCE_S)
        os.close(self._over)
        master, self.master = self.master, -1
        os.close(master)

    def end_by(self, ending: str) -> None:
        if ending == "closed terminal":
            self.close_terminal()
        else:
            self.process.send_signal(getattr(signal, ending))

    def end(self) -> int:
        code = self.process.wait(PATIENCE_S)
        if self.master >= 0:
            self.close_terminal()
        return code


@pytest.fixture
def home(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A short folder, as the path of a socket holds about a hundred characters, with what commands read."""
    monkeypatch.setattr("rig.virtual.drive.HEARTBEAT_LIMIT_S", SILENCE_S)
    with tempfile.TemporaryDirectory(prefix="rig-") as folder:
        home = Path(folder).resolve()
        (home / "slow.yaml").write_text(METHOD, encoding="utf-8")
        (home / "plan.yaml").write_text(PLAN, encoding="utf-8")
        (home / "rig.yaml").write_text(DRIVEN_BENCH, encoding="utf-8")
        yield home


@contextmanager
def bench(home: Path) -> Iterator[HeardRig]:
    rig = HeardRig()
    with VirtualPort(rig, home / "rig", 1.0):
        yield rig


@dataclass(frozen=True)
class Command:
    """One that moves a platen: its words, its exit code after a signal, and whether it records."""

    words: tuple[str, ...]
    code: int = NOT_DONE
    records: bool = True
    served: bool = False


COMMANDS = {
    "run": Command(("run", "slow.yaml", *PIECE, *OUT)),
    "endure": Command(("endure", "plan.yaml", *PIECE, *OUT)),
    "height": Command(("height", "--bare-only", "--specimen", "bare", "--cautions-read", *OUT)),
    "release": Command(("release", "--i-see-the-platen", "--away", "50 mm"), records=False),
    "serve": Command(("serve", "--no-page", *OUT), 0),
    "check-device": Command(("check-device", "--yes", "--only", "motion"), INTERRUPTED, records=False),
    "run through a daemon": Command(("run", "slow.yaml", *PIECE), served=True),
}


def client(home: Path) -> ControlClient:
    sockets = list((home / "pressrig").glob("*.sock"))
    if not sockets:
        raise NoDaemonError("no socket is there yet")
    return ControlClient(sockets[0])


def serves(home: Path) -> bool:
    """Whether a daemon holds the rig and nothing is under way."""
    try:
        with client(home) as daemon:
            return daemon.status().state == "idle"
    except NoDaemonError:
        return False


def presses(rig: HeardRig, home: Path, command: Command) -> bool:
    """Whether the platen moves, and is recorded where it is to be."""
    recorded = not command.records or any((home / "captures").glob("*/samples-0001.arrow"))
    return recorded and rig.moves()


@contextmanager
def pressing(home: Path, command: Command) -> Iterator[tuple[HeardRig, AtATerminal]]:
    """A command whose platen moves, and is recorded where it is to be, and its rig."""
    with ExitStack() as opened:
        rig = opened.enter_context(bench(home))
        on_rig = ("--rig", "rig.yaml", "--port", str(home / "rig"))
        if command.words[0] == "release":
            rig.latched_on_a_part()
        if command.served:
            serve = (*patient(SILENCE_S), "serve", "--no-page", *OUT, *on_rig)
            daemon = subprocess.Popen(
                list(map(str, serve)), env=environment(home), cwd=home,
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
            opened.callback(daemon.wait)
            opened.callback(daemon.terminate)
            wait_until(lambda: serves(home))
        started = AtATerminal(home, *command.words, *on_rig)
        if command.words[0] == "serve":
            wait_until(lambda: serves(home))
            card = {"specimen": "F-90-001", "free_height_mm": 90.0}
            with client(home) as daemon_client:
                order = MethodOrder(text=METHOD, source="slow.yaml", card=card, cautions_read=True)
                assert getattr(daemon_client.start(order), "job", None)

        wait_until(lambda: presses(rig, home, command) or started.process.poll() is not None)
        assert started.process.poll() is None, started.end()
        yield rig, started


def must_have_been_halted(rig: VirtualRig, home: Path, *, records: bool = True) -> None:
    state = rig.device.state()
    assert not int(state.flags) & int(StateFlag.MOVING | StateFlag.ARMED)
    assert state.stop_cause == 0
    if records:
        (capture,) = (home / "captures").iterdir()
        assert str(open_capture(capture).how_it_ended).startswith("stopped")


EACH = [
    (name, ending)
    for number, name in enumerate(COMMANDS)
    for turn, ending in enumerate(ENDINGS)
    # every ending for one command, and two for each of the others, by turns
    if number == 0 or (turn - 2 * number) % len(ENDINGS) < 2 or os.environ.get("PRESSRIG_SIGNALS")
]


@pytest.mark.parametrize(("name", "ending"), EACH)
def test_what_ends_a_command_halts_the_platen_first_and_the_capture_gets_its_end(
    home: Path, name: str, ending: str
) -> None:
    """The time from signal to halt on the wire is printed; `PRESSRIG_SIGNALS=all` tries every pair."""
    command = COMMANDS[name]
    with pressing(home, command) as (rig, started):
        ended_s = time.monotonic()
        started.end_by(ending)
        # what it has to say after its terminal was closed nobody hears
        closed = {INTERRUPTED} if ending == "closed terminal" else set()
        assert started.end() in {command.code} | closed
        wait_until(lambda: not rig.moves())
        first_s, first = next(
            (at_s, heard)
            for at_s, heard in rig.heard
            if at_s >= ended_s and not isinstance(heard, Heartbeat | AskState)
        )
        print(f"{name}, {ending}: {1000 * (first_s - ended_s):.1f} ms to the {type(first).__name__.lower()}")
        assert isinstance(first, Halt | Disarm)
        must_have_been_halted(rig, home, records=command.records)


def on_bench(home: Path) -> list[str]:
    words = (*COMMANDS["run"].words, "--rig", "rig.yaml", "--port", home / "rig")
    return [str(word) for word in (*patient(SILENCE_S), *words)]


def test_output_that_nobody_reads_any_more_halts_the_platen(home: Path) -> None:
    """Standard error is a terminal of which only the other end is gone: no signal comes."""
    with bench(home) as rig:
        master, terminal = pty.openpty()
        with subprocess.Popen(
            on_bench(home), stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL, stderr=terminal, cwd=home,
            env=environment(home) | {"TERM": "xterm"},
            start_new_session=True,
        ) as process:  # fmt: skip
            os.close(terminal)
            wait_until(lambda: presses(rig, home, COMMANDS["run"]) or process.poll() is not None)
            os.close(master)
            process.wait(PATIENCE_S)
        must_have_been_halted(rig, home)


def test_a_step_by_hand_is_not_done_because_standard_input_has_ended(home: Path) -> None:
    with bench(home) as rig:
        by_hand = METHOD.replace("steps:\n", 'steps:\n  - off_rig: {do: "Turn the float."}\n')
        (home / "slow.yaml").write_text(by_hand, encoding="utf-8")
        command = subprocess.run(
            on_bench(home), stdin=subprocess.DEVNULL, capture_output=True, text=True,
            env=environment(home), cwd=home, timeout=PATIENCE_S, check=False,
        )  # fmt: skip
        assert "the step cannot be confirmed" in command.stderr
        must_have_been_halted(rig, home)


LISTENING = {
    "calibrate": ("calibrate", "force", "--into", "calibration.yaml"),
    "verify": ("verify", "force", "readings.csv", "--loads", "20 N, 40 N"),
    "weigh": ("weigh", "--register", "register", "--add"),
    "session": ("session", "--model", "F-90", "--count", "1", "--out", "captures"),
    "record": ("record", "--specimen", "F-90-001", *OUT),
}


@pytest.mark.parametrize(
    ("name", "ending"),
    list(zip(LISTENING, ["SIGTERM", "SIGHUP", "closed terminal", "SIGQUIT", "SIGHUP"], strict=True)),
)
def test_a_command_that_only_listens_ends_its_stream_and_its_capture(
    home: Path, name: str, ending: str
) -> None:
    with bench(home) as rig:
        started = AtATerminal(home, *LISTENING[name], "--rig", "rig.yaml", "--port", home / "rig")
        if name == "session":
            os.write(started.master, b"\n")
        wait_until(lambda: streams(rig) or started.process.poll() is not None)
        if name in ("session", "record"):
            wait_until(lambda: any((home / "captures").glob("*/samples-0001.arrow")))
        started.end_by(ending)
        assert started.end() >= 0  # below zero: the signal itself ended it, and nothing was closed
        assert not streams(rig)
        for capture in (home / "captures").glob("*"):
            assert str(open_capture(capture).how_it_ended).startswith("stopped")


def streams(rig: HeardRig) -> bool:
    return bool(int(rig.device.state().flags) & int(StateFlag.STREAMING))
