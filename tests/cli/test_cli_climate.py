"""The example with temperatures and humidity, simulated and recorded by its own file."""

from __future__ import annotations

import pandas as pd
import pytest
from command_line import FAST, RIGS, done, simulated

from rig.capture import auxiliary_readings, open_capture

RIG = RIGS / "lines_climate.yaml"


def test_the_example_rig_with_temperatures_records_them(tmp_path) -> None:
    with simulated(tmp_path, "--rig", RIG, "--depth", 30, "--speed", "30 mm/s", *FAST) as link:
        path = done(
            tmp_path, "record", "--rig", RIG, "--port", link, "--specimen", "F-90-001", "--seconds", 8
        ).splitlines()[-1]
    capture = open_capture(tmp_path / path)
    readings = auxiliary_readings(capture)
    # Printed as 69.8 degF, which is 21 degC.
    assert readings["ambient_temperature"][1] == pytest.approx(21.0, abs=1e-4)
    assert readings["humidity"][1] == pytest.approx(48.0)
    specimen_c = readings["specimen_temperature"][1]
    assert specimen_c[0] == 21.0
    assert specimen_c[-1] > specimen_c[0]
    assert capture.header.rig["wire"]["auxiliary_units"] == {"ambient_temperature": "degF"}
    done(tmp_path, "analyse", path, "--out", "results")
    cycles = pd.read_csv(next((tmp_path / "results").glob("*-cycles.csv")))
    # a mean over a cycle lies between the coolest and the warmest reading, and the last cycle is warmer
    warmth = cycles["specimen_temperature_c"]
    assert specimen_c.min() <= warmth.min() <= warmth.max() <= specimen_c.max()
    assert warmth.iloc[-1] > warmth.iloc[0]
    assert cycles["humidity_pct"].to_numpy() == pytest.approx(48.0)
