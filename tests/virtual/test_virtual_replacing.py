"""What lies in a virtual rig can be taken out and something else laid in."""

from __future__ import annotations

import numpy as np

from rig.virtual import Chain, LinearSpring, VirtualRig
from rig.virtual.trajectory import driven


def pushed_n(rig: VirtualRig) -> float:
    """With what force the rig is pushed back at 25 mm, where it is driven first."""
    machine = rig.device.machine
    machine.trajectory = driven(
        machine.position_mm,
        [(25.0, 0.0)],
        speed_mm_per_s=50.0,
        acceleration_mm_per_s2=500.0,
        at_s=machine.now_s,
    )
    rig.advance_samples(2000)
    return float(machine.preview(1).force_n[0])


def bench() -> VirtualRig:
    rig = VirtualRig(LinearSpring(3.0), scripted=False, chain=Chain(), contact_mm=20.0)
    rig._started = True
    return rig


def test_another_specimen_pushes_back_from_where_it_is_met() -> None:
    rig = bench()
    assert np.isclose(pushed_n(rig), 3.0 * 5.0)
    rig.replace_specimen(LinearSpring(100.0), 24.0)
    assert np.isclose(pushed_n(rig), 100.0 * 1.0)


def test_nothing_pushes_back_before_bare_platens_meet() -> None:
    rig = bench()
    rig.replace_specimen(LinearSpring(2000.0), 80.0)
    assert pushed_n(rig) == 0.0


def test_an_order_clears_the_platens_which_meet_where_the_specimen_ends_and_lays_a_new_one_in() -> None:
    rig = VirtualRig(LinearSpring(3.0, 4.0), scripted=False, chain=Chain(), contact_mm=20.0)
    rig._started = True
    rig.order("specimen none")
    # they meet at 24 mm
    assert np.isclose(pushed_n(rig), 2000.0 * 1.0)
    rig.order("specimen new")
    rig.advance_samples(1)
    assert np.isclose(pushed_n(rig), 3.0 * 5.0)
