"""A line that breaks under a moving platen: pulled and put back, jammed, or with nobody at its other end."""

import os
import re

import pytest

if os.name != "posix":
    pytest.skip("the press needs pseudo-terminals", allow_module_level=True)

from lies import (
    BACK,
    PRESS,
    SPEED_MM_PER_S,
    TRAVEL_MM,
    impatient,
    no_hurry,  # noqa: F401
)
from lying_press import CONTACT_MM, STIFFNESS_N_PER_MM
from test_daemon_lies import LONG_PLAN, endured, stopped

from rig.wire import Cycle, MoveTo

BEATS_MM = SPEED_MM_PER_S * 0.5 + TRAVEL_MM
"""No halt comes through: the press itself waits so long for heartbeats before it stops."""

GOING_ON = LONG_PLAN.replace("cycles: 400", "cycles: 8") + "after_loss: go on\n"


def pulled(device):
    device.replug()


def put_back_with_the_past(device):
    """What the line held before comes once more, before anything new."""
    device.replug(with_the_past=True)


def put_back_and_late(device):
    """Whatever it sends comes a second and a half late from now on."""
    device.replug()
    device.lag_s = 1.5


def jammed(device):
    device.jam()


def unread(device):
    device.reads = False


def happens(what, kind, number, moved_mm=1.0):
    def lie(device):
        if device.lied_mm is None and device.is_on(kind, number, moved_mm):
            device.lies_now()
            what(device)

    return lie


@pytest.mark.parametrize("number", [PRESS, BACK])
@pytest.mark.parametrize(
    ("what", "word"),
    [
        (pulled, "lost|no sample"),
        (put_back_with_the_past, "lost|no sample"),
        (jammed, "heartbeat lost|no reply"),
        (unread, "heartbeat lost|no reply"),
    ],
)
def test_a_line_that_breaks_ends_the_run_and_the_press_stops_by_itself(
    tmp_path, monkeypatch, what, word, number
):
    lie = impatient(happens(what, MoveTo, number), monkeypatch)
    device, reason = stopped(tmp_path, lie, 1.0)
    assert re.search(word, reason), reason
    assert device.travel_after_mm() <= BEATS_MM
    deepest_mm = device.lied_mm + BEATS_MM - CONTACT_MM
    assert device.most_force_after_n() <= STIFFNESS_N_PER_MM * max(deepest_mm, 0.0)
    # whatever came back with the line, nothing more was ordered
    assert device.order_number == number


@pytest.mark.parametrize("what", [pulled, put_back_with_the_past])
def test_a_run_that_goes_on_after_a_loss_is_not_misled_by_samples_from_the_past(tmp_path, monkeypatch, what):
    device, result = endured(tmp_path, impatient(happens(what, Cycle, 3), monkeypatch), GOING_ON, pace=1.0)
    assert (result.reason, result.failed, result.done) == ("8 cycles", False, 8)
    # homed, contact checked again, then the block from its beginning
    assert device.cycles_done == 8
    assert device.most_force_after_n() <= STIFFNESS_N_PER_MM * (6.0 + TRAVEL_MM)


def test_a_run_does_not_go_on_with_samples_that_stay_in_the_past(tmp_path, monkeypatch):
    lie = impatient(happens(put_back_and_late, Cycle, 3), monkeypatch)
    device, result = endured(tmp_path, lie, GOING_ON, pace=1.0)
    assert result.failed
    assert "came back but does not report its state" in result.reason
    assert device.travel_after_mm() <= BEATS_MM
    assert (device.order_number, result.done) == (3, 0)
