"""Position calibrations: scale from the approach, backlash from the way back."""

import numpy as np
import pytest

from rig.calibration import calibrate_position, position_table
from rig.errors import InputError
from rig.virtual.chain import Chain, ChainReader

PER_COUNT_MM = 5e-3
BACKLASH_MM = 0.04
HEIGHTS = (0, 10, 20, 30, 40, 50, 60)


def there_and_back(backlash_mm=BACKLASH_MM, seed=1, heading="travel_mm,counts"):
    """A table of an indicator, down and back; 0.2 counts of noise, and the backlash on the way back."""
    rng = np.random.default_rng(seed)
    lines = [heading]
    for travel in HEIGHTS:
        lines.append(f"{travel},{travel / PER_COUNT_MM + 900 + rng.normal(0, 0.2):.3f}")
    for travel in HEIGHTS[-2::-1]:
        lines.append(f"{travel},{(travel + backlash_mm) / PER_COUNT_MM + 900 + rng.normal(0, 0.2):.3f}")
    return "\n".join(lines)


def calibrated(text, **how):
    return calibrate_position(position_table(text, "dial.csv"), **how)


def test_the_scale_is_that_of_the_approach():
    result = calibrated(there_and_back(), zero_counts=900.0)
    scale = result.channel.scale
    known = scale.uncertainty
    u = known.covariance[0][0] ** 0.5 / known.unit_counts
    assert scale.per_count == pytest.approx(PER_COUNT_MM, abs=3 * u)
    assert u < 1e-7
    assert scale.zero_counts == 900.0


def test_the_backlash_is_what_the_way_back_reads_more():
    backlash = calibrated(there_and_back()).backlash
    assert backlash.mm == pytest.approx(BACKLASH_MM, abs=3 * backlash.u_mm)
    assert backlash.u_mm < 0.002
    assert backlash.degrees_of_freedom == 5


def test_the_backlash_is_that_of_the_virtual_rig():
    # the chain's own backlash, read at standstills on the way down and back
    chain = Chain(backlash_mm=BACKLASH_MM, position_noise_mm=0.0005, position_mm_per_count=PER_COUNT_MM)
    reader = ChainReader(chain, 3, 0.0)
    lines, time_s, before = ["travel_mm,counts"], 0.0, 0.0
    for travel in (*HEIGHTS, *HEIGHTS[-2::-1]):
        grid_s = time_s + np.linspace(0.01, 1.0, 100)
        way = np.interp(grid_s, [time_s, time_s + 0.5], [before, travel])
        readings = reader.read(grid_s, way, np.zeros(100), grid_s[60:], 0.01)
        lines.append(f"{travel},{readings.position.mean()}")
        time_s, before = grid_s[-1], float(travel)
    backlash = calibrated("\n".join(lines)).backlash
    assert backlash.mm == pytest.approx(BACKLASH_MM, abs=PER_COUNT_MM / 2)


def test_blocks_raise_the_platen():
    rng = np.random.default_rng(4)
    lines = ["block_mm,counts,direction"]
    for going, lag in (("approaching", 0.0), ("returning", BACKLASH_MM)):
        for block in (60, 50, 40, 30, 20, 10):
            counts = (100 - block + lag) / PER_COUNT_MM + rng.normal(0, 0.2)
            lines.append(f"{block},{counts:.3f},{going}")
    result = calibrated("\n".join(lines))
    assert result.channel.scale.per_count == pytest.approx(PER_COUNT_MM, rel=1e-4)
    assert result.backlash.mm == pytest.approx(BACKLASH_MM, abs=0.003)


def test_references_approached_from_one_side_tell_no_backlash():
    one_way = "\n".join(there_and_back().splitlines()[: 1 + len(HEIGHTS)])
    result = calibrated(one_way)
    assert result.backlash is None
    assert any("the backlash is not known" in caution for caution in result.channel.cautions)


def test_a_rig_without_backlash_gets_none_beyond_its_uncertainty():
    backlash = calibrated(there_and_back(backlash_mm=0.0)).backlash
    assert 0 <= backlash.mm <= 3 * backlash.u_mm


def test_a_way_back_that_reads_less_is_refused():
    with pytest.raises(InputError, match=r"dial\.csv: going back the position reads 0\.0\d+ mm less"):
        calibrated(there_and_back(backlash_mm=-BACKLASH_MM))


def test_counts_that_fall_while_the_platen_approaches_are_refused():
    with pytest.raises(InputError, match="sign error: counts fall from 900 to 0 while the travel rises"):
        calibrated("travel_mm,counts\n0,900\n10,500\n20,0")


def test_an_unknown_direction_is_refused_with_its_line():
    with pytest.raises(InputError, match=r"dial\.csv line 2: direction: found 'sideways'"):
        calibrated("block_mm,counts,direction\n10,5,sideways")
