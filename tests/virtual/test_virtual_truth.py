"""The truth of a run agrees with closed forms, and with what an ideal rig reads."""

import json
import math

import numpy as np
import pytest
from virtual_host import decoded, scripted_bytes

from rig.errors import InputError
from rig.virtual import Chain, Foam, FoamCurve, LinearSpring, Prony, VirtualRig, specimen_named

# Counts a hundred and a thousand times finer than usual, and no noise: what is read is nearly the truth.
IDEAL = Chain(1e-5, 5e-6, force_noise_n=0.0, position_noise_mm=0.0)


def test_a_spring_has_the_truth_of_its_closed_form() -> None:
    rig = VirtualRig(LinearSpring(3.0), cycles=2, depth_mm=8.0, chain=Chain(compliance_mm_per_n=0.02))
    deflection_mm = 8.0 / (1 + 3.0 * 0.02)
    for truth in rig.truth.cycles:
        assert truth.peak_deflection_mm == pytest.approx(deflection_mm, rel=1e-9)
        assert truth.peak_force_n == pytest.approx(3.0 * deflection_mm, rel=1e-9)
        assert truth.secant_n_per_mm == pytest.approx(3.0, rel=1e-9)
        assert truth.energy_absorbed_mj == pytest.approx(1.5 * deflection_mm**2, rel=1e-9)
        assert truth.hysteresis_pct == pytest.approx(0.0, abs=1e-9)
        assert truth.set_mm == 0.0


def test_contact_at_a_force_is_the_travel_that_gives_the_force() -> None:
    rig = VirtualRig(LinearSpring(2.0), chain=Chain(compliance_mm_per_n=0.01))
    travel_mm = 0.5 / 2.0 + 0.5 * 0.01
    assert rig.truth.contact_at_force_mm(1, 0.5) == pytest.approx(rig.truth.first_contact_mm + travel_mm)
    assert rig.truth.contact_at_force_mm(1, 1e6) is None


def test_the_grid_finds_what_the_closed_form_says() -> None:
    # A foam without memory goes through the grid; its curve has a closed form.
    curve = FoamCurve()
    foam = Foam(curve=curve, prony=Prony(), softening_floor=1.0, set_share=0.0)
    truth = VirtualRig(foam, cycles=1, depth_mm=12.0).truth
    (cycle,) = truth.cycles
    assert cycle.contact_mm == pytest.approx(truth.first_contact_mm, abs=1e-6)
    assert cycle.energy_absorbed_mj == pytest.approx(curve.work_mj(12.0), rel=1e-7)
    assert cycle.loss_mj == pytest.approx(0.0, abs=1e-4)
    assert cycle.peak_force_n == pytest.approx(float(curve.force_n(np.array([12.0]))[0]), rel=1e-9)
    assert truth.force_n(1, 5.0) == pytest.approx(float(curve.force_n(np.array([5.0]))[0]), rel=1e-5)
    for stroke in ("loading", "unloading"):
        slope = float(curve.tangent_n_per_mm(np.array([5.0]))[0])
        assert truth.tangent_n_per_mm(1, 5.0, stroke) == pytest.approx(slope, rel=1e-4)


@pytest.mark.parametrize("motion", ["driven", "hand", "sine"])
@pytest.mark.parametrize("name", ["spring", "sphere", "ring", "foam", "foam-abused", "solid"])
def test_an_ideal_rig_reads_the_truth(name, motion) -> None:
    rig = VirtualRig(specimen_named(name), cycles=3, motion=motion, chain=IDEAL, seed=3, hold_s=0.1)
    samples = decoded(scripted_bytes(rig, [4096]))
    time_s = samples.time_us * 1e-6
    position_mm, force_n = samples.position * 5e-6, samples.force * 1e-5
    for truth in rig.truth.cycles:
        inside = (time_s >= truth.start_s) & (time_s <= truth.end_s)
        curve = rig.truth.curve(truth.cycle)
        true_n = np.interp(time_s[inside], curve.time_s, curve.force_n)
        np.testing.assert_allclose(force_n[inside], true_n, atol=0.01)
        true_mm = np.interp(time_s[inside], curve.time_s, curve.travel_mm)
        np.testing.assert_allclose(position_mm[inside], true_mm, atol=1e-3)
        loading = inside & (time_s <= curve.time_s[curve.deepest])
        met_mm = position_mm[loading][np.argmax(force_n[loading] > 1e-4)]
        assert 0 <= met_mm - truth.contact_mm < 0.1
        around_mj = np.trapezoid(force_n[inside], position_mm[inside])
        assert around_mj == pytest.approx(truth.loss_mj, abs=0.01 * truth.energy_absorbed_mj)


def test_foam_contact_is_where_force_leaves_zero_and_set_is_its_shift() -> None:
    truth = VirtualRig(specimen_named("foam"), cycles=3, depth_mm=20.0).truth
    contacts_mm = [cycle.contact_mm for cycle in truth.cycles]
    assert contacts_mm[0] == pytest.approx(truth.first_contact_mm, abs=1e-5)
    assert contacts_mm[0] < contacts_mm[1] < contacts_mm[2]
    assert truth.cycles[2].set_mm == pytest.approx(contacts_mm[2] - contacts_mm[0])
    curve = truth.curve(3)
    before = curve.travel_mm[: curve.deepest] < contacts_mm[2] - 1e-3
    assert not curve.force_n[: curve.deepest][before].any()
    assert truth.set_mm(3, 0.5) == pytest.approx(
        truth.contact_at_force_mm(3, 0.5) - truth.contact_at_force_mm(1, 0.5)
    )


def test_truth_does_not_hang_on_sample_rate_or_noise() -> None:
    coarse = VirtualRig(specimen_named("foam"), rate_hz=50, seed=1, chain=Chain(force_noise_n=1.0)).truth
    fine = VirtualRig(specimen_named("foam"), rate_hz=2000, seed=1).truth
    assert coarse.cycles == fine.cycles


def test_a_cycle_that_begins_in_contact_has_none_of_its_own() -> None:
    truth = VirtualRig(specimen_named("foam"), cycles=2, gap_mm=-4.0).truth
    assert truth.cycles[0].contact_mm is not None
    assert truth.cycles[1].contact_mm is None
    assert truth.cycles[1].set_mm is None
    assert truth.cycles[1].peak_deflection_mm == pytest.approx(10.0, abs=1e-4)


def test_truth_is_told_as_json() -> None:
    told = json.loads(VirtualRig(specimen_named("sphere"), cycles=2).truth.to_json(contact_force_n=0.05))
    assert [cycle["cycle"] for cycle in told["cycles"]] == [1, 2]
    # Two contacts in series: 0.05 N of a ball of 0.1 MPa and 45 mm.
    expected_mm = 2 * (0.05 / (4 / 3 * 0.1 * math.sqrt(45))) ** (2 / 3)
    found_mm = told["cycles"][1]["contact_at_force_mm"] - told["first_contact_mm"]
    assert found_mm == pytest.approx(expected_mm, rel=1e-9)


def test_a_cycle_that_is_not_there_is_refused_in_words() -> None:
    truth = VirtualRig(LinearSpring(), cycles=2).truth
    with pytest.raises(InputError, match="found 3, expected 1 to 2"):
        truth.curve(3)


def test_a_rig_without_a_script_has_no_truth() -> None:
    with pytest.raises(InputError, match="scripted"):
        _ = VirtualRig(LinearSpring(), scripted=False).truth
