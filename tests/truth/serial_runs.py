"""Runs of the virtual rig over a real pseudo-terminal, and the truth of what they measure.

The truth comes from the specimen alone (`rig.virtual.Truth`); where a quantity is defined by a fit over a
window, the same fit is made here, by numpy, to the specimen's own noiseless curve.
"""

import math
from dataclasses import dataclass

import numpy as np

from rig.analyser import AnalysisSettings, CaptureAnalysis, CaptureResult
from rig.calibration import Calibration, Scale
from rig.reader import PortAddress, Reader
from rig.samples import Samples
from rig.virtual import Truth, VirtualPort, VirtualRig, specimen_named

CALIBRATION = Calibration(Scale(1e-3), Scale(5e-3))
CYCLES = 3
REST_S = 1.4


@dataclass(frozen=True)
class Run:
    result: CaptureResult
    truth: Truth


def serial_run(specimen: str, seed: int) -> Run:
    """One recording of three presses; calibration phase, gap and speed are drawn anew from the seed."""
    rng = np.random.default_rng([seed, len(specimen)])
    rig = VirtualRig(
        specimen_named(specimen),
        cycles=CYCLES,
        depth_mm=10.0,
        gap_mm=rng.uniform(1.0, 3.0),
        speed_mm_per_s=rng.uniform(4.0, 15.0),
        rest_s=REST_S,
        seed=seed,
    )
    analysis = CaptureAnalysis(CALIBRATION, AnalysisSettings())
    wanted = int((rig.script_s or 0.0) * 500)
    with VirtualPort(rig, speed_up=math.inf) as port, Reader(PortAddress(path=port.path), "framed") as reader:
        received = 0
        while received < wanted:
            delivery = reader.get(5.0)
            assert delivery is not None, "the virtual rig fell silent"
            samples: Samples = delivery.samples
            if len(samples):
                analysis.push(samples[: wanted - received])
                received += len(samples)
    return Run(analysis.finish(), rig.truth)


def truths(run: Run, cycle: int) -> dict[str, float]:
    """True values of one cycle, counted from 0, by the names of the analyser's columns."""
    truth, number = run.truth, cycle + 1
    known, force_n = truth.cycles[cycle], run.result.contact_force_n
    curve = truth.curve(number)
    settings = run.result.settings
    values = {
        "contact_mm": known.contact_mm,
        "contact_at_force_mm": truth.contact_at_force_mm(number, force_n),
        "peak_force_n": known.peak_force_n,
        "peak_deflection_mm": known.peak_deflection_mm,
        "secant_n_per_mm": known.secant_n_per_mm,
        "energy_absorbed_mj": known.energy_absorbed_mj,
        "energy_returned_mj": known.energy_returned_mj,
        "loss_mj": known.loss_mj,
        "hysteresis_pct": known.hysteresis_pct,
    }
    if cycle:
        values["set_mm"] = truth.set_mm(number, force_n)
    for suffix, stroke in (("", "loading"), ("_unloading", "unloading")):
        deflection, force = curve.stroke(stroke)
        depth = known.peak_deflection_mm
        low, high = settings.chord
        forces = [truth.force_n(number, share * depth, stroke) for share in (low, high)]
        values[f"chord{suffix}_n_per_mm"] = (forces[1] - forces[0]) / ((high - low) * depth)
        rate = np.abs(np.gradient(deflection, curve.time_s[1] - curve.time_s[0]))
        deep = np.flatnonzero(deflection >= (1 - settings.tangent_window) * depth)
        unbraked = deep[rate[deep] >= 0.7 * rate[deep].max()]
        # loading: the slope at its end, of a cubic. Unloading turns over there: that of a parabola
        degree = 3 if stroke == "loading" else 2
        tangent = np.polynomial.Polynomial.fit(deflection[unbraked], force[unbraked], degree)
        values[f"tangent{suffix}_n_per_mm"] = float(tangent.deriv()(depth))
        first, last = (share * depth for share in settings.initial_window)
        ends = [truth.force_n(number, each, stroke) for each in (first, last)]
        values[f"initial{suffix}_n_per_mm"] = (ends[1] - ends[0]) / (last - first)
    return values
