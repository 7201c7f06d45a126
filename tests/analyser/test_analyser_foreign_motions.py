"""Motions of testers and loggers that a rig of this project does not make: back to the first position and in
again at once, full digits, a spring whose coils close, few rows, noisy encoders.

The truth is the closed form that made the rows, and trapezoids and largest values of the rows themselves.
"""

import numpy as np
import pytest

from rig.analyser import AnalysisSettings, CaptureAnalysis
from rig.calibration import Calibration
from rig.samples import RawChannel, Samples
from rig.segmenter import Flag


def analysed(time_s, position_mm, force_n):
    """The analysis of rows in mm and N, whose resolution is not known."""
    count = len(time_s)
    samples = Samples(
        np.arange(count, dtype=np.int64),
        np.rint(time_s * 1e6).astype(np.int64),
        force_n,
        position_mm,
        np.zeros(count, np.uint8),
        RawChannel("N", 0.0),
        RawChannel("mm", 0.0),
        "device",
    )
    analysis = CaptureAnalysis(Calibration(), AnalysisSettings())
    analysis.push(samples)
    return analysis.finish()


def sawtooth(count, rows, depth_mm):
    """Positions from zero to a depth and back, again and again, without a rest."""
    once = np.concatenate([np.linspace(0, depth_mm, rows)[1:], np.linspace(depth_mm, 0, rows)[1:]])
    return np.concatenate([[0.0], *[once] * count])


def lagging(position_mm, elastic_n, relaxation=0.97):
    """Force of a specimen in which a third of the force relaxes, and which lets go before it is back."""
    force_n, held_n = np.zeros(len(position_mm)), 0.0
    for row in range(1, len(position_mm)):
        held_n = held_n * relaxation + 0.5 * (elastic_n[row] - elastic_n[row - 1])
        force_n[row] = max(elastic_n[row] + held_n, 0.0)
        held_n = max(held_n, -elastic_n[row])
    return force_n


@pytest.mark.parametrize("rows", [25, 80, 300])
@pytest.mark.parametrize("exponent", [1.5, 2.5])
def test_the_way_back_is_no_part_of_the_next_toe_region(rows, exponent):
    rng = np.random.default_rng(rows)
    position_mm = sawtooth(5, rows, 8.0)
    force_n = lagging(position_mm, 2.0 * position_mm**exponent)
    force_n = force_n + rng.normal(0, 3e-4 * force_n.max(), len(force_n))
    found = analysed(np.arange(len(position_mm)) * 0.02, position_mm, force_n)
    assert len(found) == 5
    for number in range(5):
        loading = slice(2 * number * (rows - 1), (2 * number + 1) * (rows - 1) + 1)
        absorbed_mj = np.trapezoid(force_n[loading], position_mm[loading])
        assert found.columns["energy_absorbed_mj"][number] == pytest.approx(absorbed_mj, rel=0.01)
        # touched at zero: within an eighth of the way, where few rows show a soft toe region
        assert abs(found.columns["contact_mm"][number]) < 1.2


def test_a_hold_whose_positions_repeat_to_the_last_digit_is_a_hold():
    going = np.linspace(-1.0, 6.1234567, 121)
    position_mm = np.concatenate([np.full(60, -1.0), going, np.full(400, going[-1]), going[::-1]])
    rng = np.random.default_rng(1)
    force_n = 4.0 * np.maximum(position_mm, 0) + rng.normal(0, 0.01, len(position_mm))
    found = analysed(np.arange(len(position_mm)) * 0.05, position_mm, force_n)
    # 400 rows of 0.05 s at the place where the platen stopped, and the row of its arrival
    assert found.columns["hold_s"][0] == pytest.approx(20.0, abs=0.1)


def test_the_peak_of_a_spring_whose_coils_close_is_that_of_its_rows():
    going = np.linspace(-1.0, 20.0, 211)
    position_mm = np.concatenate([np.full(50, -1.0), going, going[-2::-1], np.full(20, -1.0)])
    rng = np.random.default_rng(2)
    force_n = 5.0 * np.maximum(position_mm, 0) + 220.0 * np.maximum(position_mm - 18.0, 0)
    force_n = force_n + rng.normal(0, 0.05, len(force_n))
    found = analysed(np.arange(len(position_mm)) * 0.02, position_mm, force_n)
    # 100 N of the spring and 440 N of the closed coils; a parabola over the kink said 2.5 % more
    assert found.columns["peak_force_n"][0] == pytest.approx(540.0, rel=0.005)


def test_a_recording_that_ends_with_the_one_row_that_is_back_is_released():
    going = np.linspace(-0.15, 3.0, 22)
    position_mm = np.concatenate([np.full(10, -0.15), going, going[-2:0:-1]])
    force_n = 40.0 * np.tanh(np.maximum(position_mm - 0.06, 0) / 0.2)
    force_n = force_n + np.random.default_rng(3).normal(0, 0.01, len(force_n))
    found = analysed(np.arange(len(position_mm)) * 0.05, position_mm, force_n)
    assert not int(found.columns["flags"][0]) & (Flag.NOT_RELEASED | Flag.ONE_WAY)


def test_noise_of_an_encoder_is_told_though_few_rows_rest():
    told_mm = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        way_mm = np.concatenate(
            [np.zeros(12), np.linspace(0, 7, 200), np.full(200, 7.0), np.linspace(7, 0, 200)]
        )
        force_n = 0.6 * np.expm1(0.36 * way_mm)
        read_mm = np.round((way_mm + rng.normal(0, 0.023, len(way_mm))) / 0.0116) * 0.0116
        told_mm.append(analysed(np.arange(len(way_mm)) * 0.0015, read_mm, force_n).noise.position_mm)
    # too little of it, and each tremor of a press that is not let go counts as a press
    assert min(told_mm) > 0.6 * 0.023
    assert np.median(told_mm) < 1.5 * 0.023
