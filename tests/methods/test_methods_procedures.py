"""What published procedures divide by must be above zero."""

import pytest

from rig.errors import InputError
from rig.methods import (
    compression_stress_kpa,
    hysteresis_return_pct,
    loss_pct,
    set_of_deflection_pct,
    set_of_height_pct,
    support_factor,
)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: compression_stress_kpa(1.0, 0.0),
        lambda: support_factor(0.0, 1.0),
        lambda: hysteresis_return_pct(-1.0, 1.0),
        lambda: set_of_height_pct(0.0, 0.0),
        lambda: set_of_deflection_pct(25.0, 25.0, 20.0),
        lambda: loss_pct(float("nan"), 1.0),
    ],
)
def test_a_base_that_is_not_above_zero_is_refused_in_words(wrong):
    with pytest.raises(InputError, match="expected more than zero"):
        wrong()
