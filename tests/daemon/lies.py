"""Lies for the press of `lying_press.py`, the method that it lies in, and what it may do after them."""

import threading
from contextlib import contextmanager
from dataclasses import replace

import pytest
from delivering import CALIBRATION, header_of
from lying_press import LyingPress

from rig.jobs import Bench, Watch, perform_method
from rig.methods import RigLimits, SpecimenFacts, check_method, parse_method
from rig.reader import PortAddress, Reader
from rig.rigfile import RigFile
from rig.wire import EventCode, MoveTo, State, encode_frame

LIMITS = RigLimits((1.0, 40.0), 20.0, (-5.0, 100.0), 200.0, 500.0, 0.0, 500.0)
SPEED_MM_PER_S = 10.0

LATE_S = 0.15
"""From a sample on the wire to a platen that stands, on a machine that is busy with other things."""

TRAVEL_MM = 0.5 + 0.02 * 10.0 + SPEED_MM_PER_S * LATE_S + 0.5 * SPEED_MM_PER_S**2 / 200.0 + 0.1
"""The stated tolerance, a way of 10 mm, what is late, and what a rig that brakes by 200 mm/s^2 overshoots."""

METHOD = """
name: presses
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "3 N/mm"}
steps:
  - contact_check: {force: "0.5 N", speed: "10 mm/s"}
  - return: {gap: "2 mm", speed: "10 mm/s"}
  - rest: "0.4 s"
  - press: {deflection: "8 mm", speed: "10 mm/s"}
  - hold: "0.4 s"
  - return: {gap: "2 mm", speed: "10 mm/s"}
  - press: {force: "12 N", stop_at: "12 mm", speed: "10 mm/s"}
  - return: {gap: "2 mm", speed: "10 mm/s"}
report: [secant_n_per_mm]
"""
CONTACT_CHECK, FIRST_RETURN, PRESS, BACK, TO_FORCE = 1, 2, 3, 4, 5
"""Numbers of the motions, in order."""


@pytest.fixture(autouse=True)
def no_hurry(monkeypatch):
    """A press that a busy machine keeps waiting is not late, unless a test is about it."""
    monkeypatch.setattr("rig.reader.heart.LAG_LIMIT_S", 60.0)


def checked(limits=LIMITS):
    return check_method(parse_method(METHOD, "test.yaml"), limits, SpecimenFacts(60.0, None, None))


@contextmanager
def press(folder, lie=None, **how):
    (folder / "locks").mkdir(exist_ok=True)
    with LyingPress(folder / "rig", lie, **how) as device:
        yield (
            device,
            Reader(
                PortAddress(path=str(folder / "rig")), "framed", rate_hz=500.0, lock_places=[folder / "locks"]
            ),
        )


def run(reader, folder):
    watch = Watch(threading.Event(), lambda text: None, lambda step, done: None)
    with reader:
        return perform_method(bench_of(reader, folder, watch), header_of, checked())


def bench_of(reader, folder, watch):
    return Bench(reader, RigFile("lying press", calibration=CALIBRATION), folder / "captures", watch)


def lies_on(number, kind, moved_mm=1.0, **changes):
    """A lie that begins once the n-th motion has gone so far."""

    def lie(device):
        if device.lied_mm is None and device.is_on(kind, number, moved_mm):
            device.lies_now()
            for name, value in changes.items():
                setattr(device, name, value)
            device.says_who_it_is()

    return lie


def impatient(lie, monkeypatch):
    """From the lie on silence counts, for the program and for the press."""

    def also(device):
        before = device.lied_mm
        lie(device)
        if before is None and device.lied_mm is not None:
            monkeypatch.setattr("rig.jobs.driving.QUIET_S", 0.35)
            monkeypatch.setattr("rig.reader.heart.LAG_LIMIT_S", 0.25)
            device.beats_s = 0.5

    return also


def says(kind, told):
    """A hook for `LyingPress.said`: what becomes of each message of a kind."""
    return lambda message: told(message) if isinstance(message, kind) else [message]


def with_state(**changes):
    return says(State, lambda state: [replace(state, **changes)])


def frames(*messages):
    return b"".join(encode_frame(message) for message in messages)


def says_falsely(code):
    """Sends an event in mid-press, and goes on as it was."""

    def lie(device):
        if device.lied_mm is None and device.is_on(MoveTo, PRESS, 1.0):
            device.lies_now()
            device.false_events = [code]

    return lie


def mirrored(device):
    """Turns round in secret: its position goes on as if it had not."""
    turned = device._position()
    device.sign, device.position_shown = -device.sign, lambda counts: 2 * turned - counts


def turns_in_secret(number, kind, moved_mm):
    def lie(device):
        if device.lied_mm is None and device.is_on(kind, number, moved_mm):
            device.lies_now()
            mirrored(device)

    return lie


def lies_at_rest(**changes):
    """While the platen stands between two motions."""

    def lie(device):
        if device.order is None and device.order_number == PRESS and device.armed and device.lied_mm is None:
            device.lies_now()
            for name, value in changes.items():
                setattr(device, name, value)

    return lie


def lies_from_the_start(**changes):
    def lie(device):
        device.lies_now()
        for name, value in changes.items():
            setattr(device, name, value)

    return lie


def grows(rate_n_per_mm, kind=MoveTo, number=BACK, moved_mm=1.0):
    """The force of the cell grows with the way, whatever the platen does."""

    def lie(device):
        if device.lied_mm is None and device.is_on(kind, number, moved_mm):
            device.lies_now()
        if device.lied_mm is not None:
            more = round(1000 * rate_n_per_mm * abs(device.x_mm - device.lied_mm))
            device.force_shown = lambda counts: counts + more

    return lie


def drifts_while_disarmed(speed_mm_per_s, when=lambda device: True, **changes):
    """Moves although it is disarmed."""

    def lie(device):
        if device.lied_mm is None and not device.armed and when(device):
            device.lies_now()
            device.drift_mm_per_s = speed_mm_per_s
            for name, value in changes.items():
                setattr(device, name, value)

    return lie


def restarts_over_and_over(when):
    """Says with each sample that it has just started."""

    def lie(device):
        if device.lied_mm is None and when(device):
            device.lies_now()
        if device.lied_mm is not None:
            device.false_events = [EventCode.BOOT]

    return lie
