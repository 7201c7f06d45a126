"""Plateaus are taken from a rig on a real port, and only once the load rests."""

import os
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the virtual rig needs pseudo-terminals", allow_module_level=True)

# the pan is shared with the tests of the command
sys.path.append(str(Path(__file__).parents[1] / "cli"))

from scale_pan import NOISE_COUNTS, ZERO, ScalePan

from rig.calibration import PlateauRule
from rig.errors import DeviceError, InputError
from rig.jobs import plateau_taking
from rig.jobs.plateau_taking import take_plateau
from rig.reader import PortAddress, Reader
from rig.virtual import Chain, LinearSpring, VirtualPort, VirtualRig
from rig.wire import LineFormat

RULE = PlateauRule(0.3)


@contextmanager
def reading(home, wire="framed"):
    with Reader(PortAddress(path=str(home / "rig")), wire, lock_places=[home / "lock"]) as reader:
        yield reader


@pytest.fixture
def pan(tmp_path):
    with ScalePan(tmp_path / "rig") as device:
        yield device


def test_a_plateau_is_the_mean_of_its_length(tmp_path, pan):
    pan.load_counts = 5_000
    with reading(tmp_path) as reader:
        plateau = take_plateau(reader, rule=RULE, zero_counts=ZERO)
    # 301 samples of white noise of 3 counts
    assert plateau.counts == pytest.approx(ZERO + 5_000, abs=5 * NOISE_COUNTS / 301**0.5)
    assert plateau.samples == 301
    assert plateau.seconds == pytest.approx(0.3)


def test_what_came_before_is_left_out(tmp_path, pan):
    with reading(tmp_path) as reader:
        take_plateau(reader, rule=RULE)
        pan.load_counts = 50_000
        plateau = take_plateau(reader, rule=RULE, zero_counts=ZERO)
    assert plateau.counts == pytest.approx(ZERO + 50_000, abs=1)


def test_a_load_that_swings_is_waited_for(tmp_path, pan):
    pan.load_counts, pan.drift_per_s = 5_000, 3_000.0
    hints = []

    def look(settling):
        hints.append(settling.hint)
        if "drifts" in settling.hint:
            pan.drift_per_s = 0.0

    with reading(tmp_path) as reader:
        plateau = take_plateau(reader, rule=RULE, zero_counts=ZERO, on_progress=look)
    assert any("drifts" in hint for hint in hints)
    assert plateau.counts == pytest.approx(ZERO + 5_000, abs=1)


def test_a_load_that_never_rests_is_refused_with_the_reason_of_the_last_look(tmp_path, pan):
    pan.drift_per_s = 3_000.0
    with (
        reading(tmp_path) as reader,
        pytest.raises(InputError, match=r"not settled within 0\.8 s: plateau drifts by \+"),
    ):
        take_plateau(reader, rule=RULE, patience_s=0.8)


def test_a_rig_that_falls_silent_is_a_failure_of_the_rig(tmp_path, pan, monkeypatch):
    monkeypatch.setattr(plateau_taking, "SILENCE_S", 0.3)
    with reading(tmp_path) as reader:
        pan.unplug()
        with pytest.raises(DeviceError, match=r"no sample for 0\.3 s"):
            take_plateau(reader, rule=PlateauRule(5.0))


def test_a_plateau_begins_anew_after_a_reset(tmp_path, pan):
    rebooted = []

    def look(settling):
        if settling.seconds > 0.1 and not rebooted:
            rebooted.append(settling.seconds)
            pan.reboot()

    with reading(tmp_path) as reader:
        plateau = take_plateau(reader, rule=RULE, on_progress=look)
    assert rebooted
    assert plateau.samples == 301


def test_a_slow_converters_repeated_values_are_left_out(tmp_path):
    rig = VirtualRig(
        LinearSpring(3.0),
        scripted=False,
        rate_hz=500.0,
        chain=Chain(conversions_per_s=50.0, force_zero_counts=700.0),
    )
    with VirtualPort(rig, tmp_path / "rig", 4.0), reading(tmp_path) as reader:
        plateau = take_plateau(reader, rule=PlateauRule(1.0))
    assert plateau.counts == pytest.approx(700, abs=5)
    assert plateau.samples in (50, 51)


def test_a_channel_that_comes_in_newtons_is_refused(tmp_path):
    lines = LineFormat(force_unit="N")
    rig = VirtualRig(LinearSpring(3.0), scripted=False, rate_hz=100.0, line_format=lines)
    with (
        VirtualPort(rig, tmp_path / "rig"),
        reading(tmp_path, lines) as reader,
        pytest.raises(InputError, match="sends its force in N, already scaled"),
    ):
        take_plateau(reader)
