"""Pictures are files of the stated kind and size with something on them, and nothing crashes them."""

from xml.etree import ElementTree

import matplotlib.image
import numpy as np
import pytest
from made_results import made_result

from rig.sheets import save_cycle_trends, save_loops

RESULT = made_result(6)
NOTHING = made_result(0)

DRAWN = {
    "loops": lambda result, path: save_loops(result, "F-90 no. 3", path),
    "trends": lambda result, path: save_cycle_trends(result, "F-90 no. 3", path),
}
INCHES = {"loops": (7.0, 4.8), "trends": (7.0, 6.6)}
DOTS_PER_INCH = 130


@pytest.mark.parametrize("name", DRAWN)
def test_a_png_has_its_size_and_ink_on_it(tmp_path, name):
    path = tmp_path / "made" / f"{name}.png"
    DRAWN[name](RESULT, path)
    image = matplotlib.image.imread(path)
    assert image.shape[:2] == tuple(round(side * DOTS_PER_INCH) for side in reversed(INCHES[name]))
    assert np.mean(image[:, :, :3].min(axis=2) < 0.9) > 0.01


@pytest.mark.parametrize("name", DRAWN)
def test_an_svg_has_lines_in_it(tmp_path, name):
    path = tmp_path / f"{name}.svg"
    DRAWN[name](RESULT, path)
    root = ElementTree.parse(path).getroot()
    assert float(root.get("width").removesuffix("pt")) == pytest.approx(72 * INCHES[name][0])
    assert len(root.findall(".//svg:path", {"svg": "http://www.w3.org/2000/svg"})) > 20


@pytest.mark.parametrize("name", DRAWN)
def test_nothing_to_draw_gives_an_empty_picture(tmp_path, name):
    DRAWN[name](NOTHING, tmp_path / "nothing.png")
    assert (tmp_path / "nothing.png").stat().st_size > 0


def test_flagged_cycles_and_long_runs_can_be_drawn(tmp_path):
    result = made_result(40)
    result.columns["flags"][3:5] = 1.0
    save_cycle_trends(result, "long", tmp_path / "long.png")
    assert (tmp_path / "long.png").stat().st_size > 10_000


@pytest.mark.parametrize("count", [1, 2])
def test_few_cycles_can_be_drawn(tmp_path, count):
    for name, draw in DRAWN.items():
        draw(made_result(count), tmp_path / f"{name}.png")
    assert len(list(tmp_path.iterdir())) == len(DRAWN)


def test_a_trend_over_very_many_cycles_draws_a_bounded_number_of_them(tmp_path):
    result = made_result(3)
    many = {name: np.tile(values, 7000) for name, values in result.columns.items()}
    many["cycle"] = np.arange(1.0, 21_001.0)
    result.columns.update(many)
    save_cycle_trends(result, "endurance", tmp_path / "endurance.svg")
    assert (tmp_path / "endurance.svg").stat().st_size < 1_000_000
