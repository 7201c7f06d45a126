"""Headings as loggers and programs write them: what is proposed, and which way out a refusal names."""

import re

import numpy as np
import pytest

from rig.capture import import_table, parse_column
from rig.errors import InputError

POSITION = np.array([0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0])
FORCE = np.array([0.0, 0.0, 1.0, 2.5, 4.0, 5.5, 7.0])


def written(tmp_path, headings, *columns):
    table = tmp_path / "table.csv"
    rows = [",".join(f"{value:.5f}" for value in row) for row in zip(*columns, strict=True)]
    table.write_text("\n".join([",".join(headings), *rows]) + "\n")
    return table


@pytest.mark.parametrize(
    ("headings", "units"),
    [
        (("elapsedTimeS", "platenPositionMm", "loadCellForceN"), ("s", "mm", "N")),
        (("timeMs", "strokeUm", "forceMn"), ("ms", "um", "mN")),
        (("testTimeMin", "dispIn", "axialLoadLbf"), ("min", "in", "lbf")),
        (("timeSeconds", "displacementMillimeters", "forceNewtons"), ("seconds", "millimeters", "newtons")),
    ],
)
def test_a_unit_behind_a_capital_is_read(tmp_path, headings, units):
    found = import_table(written(tmp_path, headings, np.arange(7.0), POSITION, FORCE))
    assert tuple(found.taken[kind].unit for kind in ("time", "position", "force")) == units


@pytest.mark.parametrize("heading", ["loadMin", "loadMax", "sampleN", "positionRateMm", "forceMm"])
def test_a_capital_that_is_no_unit_of_the_quantity_is_left_alone(tmp_path, heading):
    table = written(
        tmp_path, ("Time (s)", "Position (mm)", "Force (N)", heading), np.arange(7.0), POSITION, FORCE, FORCE
    )
    assert import_table(table).taken["force"].column == "Force (N)"


@pytest.mark.parametrize("heading", ["Pressure (kPa)", "contactPressure [kPa]", "Druck/kPa"])
def test_a_pressure_on_the_specimen_is_a_stress(tmp_path, heading):
    table = written(tmp_path, ("Time (s)", "Position (mm)", heading), np.arange(7.0), POSITION, FORCE)
    with pytest.raises(InputError, match="which needs the loaded area: give it with --area"):
        import_table(table)
    found = import_table(table, area_mm2=2500.0)
    # 1 kPa over 2500 mm^2 is 2.5 N
    np.testing.assert_allclose(found.samples.force, 2.5 * FORCE)


def test_the_pressure_of_the_air_is_no_stress(tmp_path):
    table = written(tmp_path, ("Position (mm)", "Air pressure (kPa)"), POSITION, FORCE)
    with pytest.raises(InputError, match="no heading names a force"):
        import_table(table, area_mm2=2500.0)


@pytest.mark.parametrize(("scale", "proposal"), [(1.0, "ADC:N"), (None, "ADC:0.01 N")])
def test_the_only_column_that_is_left_is_proposed_with_a_size_to_fill_in(tmp_path, scale, proposal):
    table = written(
        tmp_path, ("Time (s)", "Position (mm)", "ADC", "Cycle"), np.arange(7.0), POSITION, FORCE, FORCE
    )
    if scale is None:
        # whole numbers are counts
        lines = [line.split(",") for line in table.read_text().splitlines()]
        table.write_text("\n".join(",".join([*row[:2], row[2].partition(".")[0], row[3]]) for row in lines))
    with pytest.raises(InputError) as refusal:
        import_table(table)
    proposed = re.search(r'--force "([^"]*)" \(if ', str(refusal.value))
    assert proposed is not None and proposed[1] == proposal
    found = import_table(table, force=parse_column(proposed[1]))
    expected = FORCE if scale else 0.01 * np.floor(FORCE)
    np.testing.assert_allclose(found.samples.force, expected)


def test_one_column_is_not_proposed_for_two_quantities(tmp_path):
    table = written(tmp_path, ("Time (s)", "Cycle", "ADC"), np.arange(7.0), POSITION, FORCE)
    with pytest.raises(InputError) as refusal:
        import_table(table)
    assert "ADC:" not in str(refusal.value)
