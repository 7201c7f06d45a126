"""A flag leaves out what it spoils, and nothing else."""

import numpy as np
import pytest
from press_recordings import analysed, counts, power, presses

from rig.analyser import SPOILS, Depth, counted_cycles, spoilt_quantities
from rig.analyser.spoiling import Basis, kind_of
from rig.segmenter import Flag

SPRING = power(2.5)
OF_LOADING = (
    "peak_force_n", "peak_deflection_mm", "secant_n_per_mm", "chord_n_per_mm", "tangent_n_per_mm",
    "initial_n_per_mm",
    "energy_absorbed_mj", "at 5 mm.loading_n",
)  # fmt: skip
OF_UNLOADING = (
    "energy_returned_mj",
    "loss_mj",
    "hysteresis_pct",
    "energy_return_pct",
    "chord_unloading_n_per_mm",
)


def one_way(count=3, **how):
    """Presses of which the last is not unloaded."""
    position = presses(count)
    turn = len(position) - int(np.argmax(position[::-1] >= position.max())) - 1
    return counts(position[: turn + 1], SPRING(position[: turn + 1]), **how)


def test_every_flag_says_what_it_spoils():
    assert set(SPOILS) == set(Flag)


def test_every_quantity_is_known_to_the_table():
    result = analysed(counts(presses(3), SPRING(presses(3)), seed=1), free_height_mm=90.0)
    assert [name for name in result.quantities() if kind_of(name) == ~Basis(0)] == []


def test_a_cycle_says_what_each_of_its_flags_spoils():
    found = spoilt_quantities(int(Flag.ONE_WAY | Flag.SHALLOW), ["peak_force_n", "hysteresis_pct"])
    assert found == {"one way": ["hysteresis_pct"], "shallow": ["peak_force_n", "hysteresis_pct"]}


@pytest.mark.parametrize("name", OF_LOADING)
def test_a_press_of_one_way_counts_for_its_loading(name):
    result = analysed(one_way(seed=2), at=(Depth.of("5 mm"),))
    assert int(result.columns["flags"][2]) & Flag.ONE_WAY
    assert result.summary[name]["n"] == 3
    assert counted_cycles(result.columns, 0, name).tolist() == [True, True, True]


@pytest.mark.parametrize("name", OF_UNLOADING)
def test_a_press_of_one_way_does_not_count_for_its_unloading(name):
    result = analysed(one_way(seed=2), at=(Depth.of("5 mm"),))
    assert result.summary[name]["n"] == 2
    assert counted_cycles(result.columns, 0, name).tolist() == [True, True, False]


def test_conditioning_cycles_count_for_nothing():
    result = analysed(one_way(seed=2), conditioning=2)
    assert result.summary["peak_force_n"]["n"] == 1
    assert result.summary["hysteresis_pct"]["n"] == 0


def test_a_warning_says_what_is_left_out_and_what_counts():
    told = " ".join(analysed(one_way(seed=2)).warnings)
    assert "1 cycle flagged (one way): 3." in told
    assert "energy returned; their other quantities count" in told
