"""Whether a capture was recorded in the standard laboratory air."""

from __future__ import annotations

from itertools import product

from rig.capture import Capture, air_of
from rig.methods import in_standard_air


def recorded_in_standard_air(capture: Capture) -> bool | None:
    """Whether the air stayed within the standard laboratory air as long as it was watched.

    Returns
    -------
    None if the temperature of the air or its humidity was neither recorded nor typed.
    """
    air = air_of(capture)
    if air is None:
        return None
    corners = product(air.temperature_c, air.humidity_pct)
    return all(in_standard_air(temperature_c, humidity_pct) for temperature_c, humidity_pct in corners)
