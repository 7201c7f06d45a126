"""The warmth of a specimen, against loops whose area is known, and what a rig prints of it."""

import math

import numpy as np
import pytest

from rig.errors import InputError
from rig.virtual import Climate, LinearSpring, VirtualRig
from rig.virtual.climate import Warmth
from rig.wire import LineDecoder, LineFormat

STEP_S = 0.001
LOOP_J = 0.3
"""Pressed by 10 mm against 50 N and let go against 20 N: (50 N - 20 N) x 10 mm."""

CLIMATE = LineFormat(
    columns=("time_us", "force", "position", "humidity", "specimen_temperature", "ambient_temperature"),
    auxiliary_scales={"ambient_temperature": (32.0, 5 / 9)},
)


def loops(count):
    """Time, position and force of squeezes of 1 s with 1 s of rest after each; the force jumps."""
    ramp = np.arange(1, 501) / 500
    one_mm = np.concatenate([10 * ramp, 10 * ramp[::-1], np.zeros(1000)])
    one_n = np.concatenate([np.full(500, 50.0), np.full(500, 20.0), np.zeros(1000)])
    time_s = STEP_S * np.arange(1, 2000 * count + 1)
    return time_s, np.tile(one_mm, count), np.tile(one_n, count)


def closed_form_c(time_s, climate, count, loop_j):
    """Each squeeze gives its heat when the specimen is let go, 1.001 s after it began."""
    above = np.zeros(len(time_s))
    for n in range(count):
        since_s = time_s - (2.0 * n + 1.001)
        decay = np.exp(-np.maximum(since_s, 0) / climate.cooling_time_s)
        above += np.where(since_s >= -1e-9, loop_j / climate.heat_capacity_j_per_k * decay, 0.0)
    return climate.ambient_c + above


@pytest.mark.parametrize("stretch", [1, 7, 500, 2000, 10_000])
def test_each_loop_warms_by_its_area_and_the_warmth_fades_however_it_is_cut(stretch):
    climate = Climate(heat_capacity_j_per_k=0.1, cooling_time_s=5.0)
    time_s, position_mm, force_n = loops(5)
    warmth = Warmth(climate)
    parts = [slice(at, at + stretch) for at in range(0, len(time_s), stretch)]
    found = [warmth.pass_by(time_s[p], position_mm[p], force_n[p], time_s[p]) for p in parts]
    # The force jumps where the platen moves by one step of 0.02 mm: a share of 0.002 of the area is its.
    expected = closed_form_c(time_s, climate, 5, LOOP_J)
    np.testing.assert_allclose(np.concatenate(found), expected, atol=0.003 * 5 * LOOP_J / 0.1)


def test_a_specimen_that_is_never_let_go_warms_at_each_turn():
    climate = Climate(heat_capacity_j_per_k=0.1, cooling_time_s=1e9)
    phase = 2 * np.pi * np.arange(1, 10_001) / 1000
    time_s, position_mm = STEP_S * np.arange(1, 10_001), 5 - 4 * np.cos(phase)
    # An ellipse with the half-axes 4 mm and 3 N around 50 N and 5 mm: its area is pi x 4 x 3 mJ.
    force_n = 50 + 3 * np.sin(phase)
    warm_c = Warmth(climate).pass_by(time_s, position_mm, force_n, time_s)
    each_k = math.pi * 4 * 3 / 1000 / 0.1
    # At the turns, half a turn after each deepest point, from the second loop on.
    gained = np.diff(warm_c[[1500, 2500, 3500, 4500]])
    np.testing.assert_allclose(gained, each_k, rtol=1e-3)


def test_a_spring_that_gives_all_back_stays_cold():
    rig = VirtualRig(LinearSpring(), line_format=CLIMATE, cycles=3, climate=Climate(ambient_c=20.0))
    rig.start()
    decoder = LineDecoder(CLIMATE)
    samples = decoder.feed(rig.advance(rig.script_s)).samples
    assert decoder.tally.rejected == 0
    assert len(samples) > 1000
    np.testing.assert_allclose(samples.auxiliary["specimen_temperature"], 20.0, atol=0.01)


def test_air_is_printed_in_the_unit_of_the_line():
    rig = VirtualRig(
        LinearSpring(), line_format=CLIMATE, cycles=1, climate=Climate(ambient_c=25.0, humidity_pct=61.3)
    )
    rig.start()
    fields = rig.advance(1.0).splitlines()[10].split(b",")
    # 25 degC x 9/5 + 32.
    assert fields[3:] == [b"61.3", b"25.0", b"77.0"]


def test_a_rig_whose_lines_carry_no_temperature_prints_what_it_printed_before():
    plain = LineFormat()
    first, second = (
        VirtualRig(LinearSpring(), line_format=plain, cycles=1, seed=3, climate=climate)
        for climate in (None, Climate(ambient_c=5.0))
    )
    first.start()
    second.start()
    assert first.advance(2.0) == second.advance(2.0)


@pytest.mark.parametrize("field", ["heat_capacity_j_per_k", "cooling_time_s", "humidity_pct"])
def test_an_impossible_climate_is_refused_by_name(field):
    with pytest.raises(InputError, match=rf"climate\.{field}: found 0"):
        Climate(**{field: 0.0})
