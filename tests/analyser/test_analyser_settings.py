"""What may be asked of an analysis, and what a sample is worth."""

import numpy as np
import pytest
from scipy.stats import norm

from rig.analyser import AnalysisSettings, Depth
from rig.analyser.settings import undithered
from rig.errors import InputError


@pytest.mark.parametrize(
    ("text", "mm"), [("25%", 22.5), (" 25 % ", 22.5), ("5mm", 5.0), ("0.5 in", 12.7), ("100 %", 90.0)]
)
def test_a_depth_is_a_length_or_a_share_of_the_free_height(text, mm):
    assert Depth.of(text).deflection_mm(90.0) == pytest.approx(mm, rel=1e-15)


def test_a_share_of_an_unknown_height_is_unknown():
    assert Depth.of("25%").deflection_mm(None) is None


@pytest.mark.parametrize("text", ["25", "deep", "5 N", "%", ""])
def test_what_is_no_depth_is_refused(text):
    with pytest.raises(InputError):
        Depth.of(text)


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"contact_force_n": 0.0}, "contact force"),
        ({"contact_force_n": float("nan")}, "contact force"),
        ({"conditioning": -1}, "conditioning"),
        ({"free_height_mm": -90.0}, "free height"),
    ],
)
def test_senseless_settings_are_refused_by_name(fields, said):
    with pytest.raises(InputError, match=f"^{said}: found"):
        AnalysisSettings(**fields)


def test_the_standard_compressions_are_asked_for_where_the_height_is_known():
    labels = [depth.label for depth in AnalysisSettings(free_height_mm=90.0).depths()]
    assert labels == ["10%", "25%", "40%", "50%", "65%"]
    assert AnalysisSettings().depths() == ()


def test_depths_that_were_asked_for_take_the_place_of_the_standard_ones():
    settings = AnalysisSettings(free_height_mm=90.0, at=(Depth.of("5 mm"),))
    assert settings.as_dict()["at"] == ["5 mm"]


@pytest.mark.parametrize("noise_share", [0.2, 0.3, 0.4, 0.6])
def test_what_averaging_leaves_of_quantisation_is_its_bias_over_all_phases(noise_share):
    # the mean of round(v + noise) is a sum of normal probabilities of passing each step
    phase = np.linspace(0, 1, 400, endpoint=False)
    edges = np.arange(-20, 20) + 0.5
    mean = -20 + norm.cdf((phase[:, None] - edges) / noise_share).sum(axis=1)
    truth = np.sqrt(np.mean((mean - phase) ** 2))
    # the first harmonic alone is a little small where noise is a fifth of a step
    found = undithered(np.hypot(noise_share, 1 / np.sqrt(12)), 1.0)
    assert found == pytest.approx(truth, rel=0.05, abs=1e-6)


def test_without_resolution_averaging_leaves_nothing():
    assert undithered(0.1, 0.0) == 0.0
