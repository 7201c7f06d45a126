"""Rigs drawn at random, each calibrated by its own noisy measurements, and what they then say of a specimen.

Nothing that measures sees the rig's true numbers: scales are fitted to readings of references that are off by
what their certificates allow, the delay comes from slow and fast presses of a spring, the frame's give from
presses of a block, the backlash from readings taken both ways. Truth is the virtual rig's.
"""

from __future__ import annotations

import math
import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from rig.analyser import FREEDOM, AnalysisSettings, CaptureAnalysis, Depth
from rig.calibration import (
    Backlash,
    Calibration,
    Delay,
    Scale,
    Share,
    measure_delay,
    measure_frame,
)
from rig.calibration.scale_fitting import fit_scale, with_shares
from rig.core.measured import coverage_factor
from rig.samples import FloatArray, Samples
from rig.virtual import Chain, LinearSpring, VirtualRig, specimen_named
from rig.wire import FrameDecoder, StreamAt, encode_frame

SPECIMENS = ("spring", "sphere", "ring", "foam")
CONTACT_FORCE_N = 0.1
DEPTH_MM = 5.0
CYCLE = 2
"""The cycle that is compared: the first one that has a set."""

QUANTITIES = (
    "peak_force_n",
    "at 5 mm.loading_n",
    "secant_n_per_mm",
    "chord_n_per_mm",
    "energy_absorbed_mj",
    "hysteresis_pct",
    "set_mm",
)


@dataclass(frozen=True)
class Doubts:
    """How good the references and the readings are.

    Parameters
    ----------
    reference
        Relative standard uncertainty of the masses and of the gauge blocks.
    plateau_n, block_mm
        Scatter of a settled reading of force and position.
    noise_n, noise_mm
        Most noise of a sample.
    """

    reference: float = 3e-4
    plateau_n: float = 0.02
    block_mm: float = 0.003
    noise_n: float = 0.01
    noise_mm: float = 0.004


EVERYDAY = Doubts()
NORMAL = Doubts(reference=4e-3, plateau_n=0.01, block_mm=0.002, noise_n=0.005, noise_mm=0.002)
"""Poor masses and gauge blocks, read well: their errors, which are normal, outweigh rounding, turns and fits
in all that a scale goes into. Poor readings would not do: a bend of the scale that they may hide is stated
as a bound, which is rarely reached."""

SCALED = QUANTITIES[:5]
"""Forces, stiffnesses and energy; hysteresis and set rest on turns and counts, whatever the scales."""


@dataclass(frozen=True)
class Compared:
    """One rig's errors over its stated uncertainties, and the half width of its intervals over the same."""

    seed: int
    specimen: str
    off: tuple[float, ...]
    half: tuple[float, ...]


def compared(seed: int, doubts: Doubts = EVERYDAY) -> Compared | None:
    """Draw a rig, calibrate it, squeeze a specimen, compare; None if the cycle was flagged."""
    random = np.random.default_rng([seed, 20])
    name = SPECIMENS[seed % len(SPECIMENS)]
    chain = drawn_chain(random, doubts)
    calibration = calibrated(chain, random, doubts)
    rig = VirtualRig(
        specimen_named(name),
        chain=chain,
        seed=seed,
        cycles=CYCLE,
        depth_mm=random.uniform(7.0, 11.0),
        gap_mm=random.uniform(1.5, 3.0),
        speed_mm_per_s=random.uniform(4.0, 15.0),
        rest_s=0.8,
    )
    depths = (Depth.of(f"{DEPTH_MM:g} mm"),)
    analysis = CaptureAnalysis(calibration, AnalysisSettings(contact_force_n=CONTACT_FORCE_N, at=depths))
    analysis.push(recorded(rig))
    result = analysis.finish()
    if len(result) < CYCLE or result.columns["flags"][CYCLE - 1]:
        return None
    truth = true_values(rig)
    row = CYCLE - 1
    u = [float(result.columns[f"{each}_u"][row]) for each in QUANTITIES]
    freedom = np.array([result.columns[f"{each}{FREEDOM}"][row] for each in QUANTITIES])
    off = [(float(result.columns[each][row]) - truth[each]) / u[at] for at, each in enumerate(QUANTITIES)]
    return Compared(seed, name, tuple(off), tuple(coverage_factor(freedom).tolist()))


def drawn_chain(random: np.random.Generator, doubts: Doubts) -> Chain:
    return Chain(
        force_n_per_count=1e-3 * (1 + random.uniform(-5e-3, 5e-3)),
        position_mm_per_count=5e-3 * (1 + random.uniform(-3e-3, 3e-3)),
        force_zero_counts=random.uniform(-3e3, 3e3),
        force_noise_n=random.uniform(0.2, 1.0) * doubts.noise_n,
        position_noise_mm=random.uniform(0.2, 1.0) * doubts.noise_mm,
        force_drift_n_per_s=random.uniform(-0.01, 0.01),
        force_wander_n=0.002,
        compliance_mm_per_n=random.uniform(1e-3, 5e-3),
        force_delay_s=random.uniform(0.0, 0.025),
        backlash_mm=random.choice([0.0, random.uniform(0.005, 0.04)]),
    )


def calibrated(chain: Chain, random: np.random.Generator, doubts: Doubts) -> Calibration:
    """Every part measured on the rig, with errors of its own."""
    off = 1 + doubts.reference * random.standard_normal(2)
    share = Share("references", doubts.reference)
    loads_n, blocks_mm = (np.tile(np.linspace(0.0, largest, 11), 2) for largest in (160.0, 50.0))
    read_n = loads_n * off[0] + doubts.plateau_n * random.standard_normal(len(loads_n))
    counts = read_n / chain.force_n_per_count + chain.force_zero_counts
    force = _scale(loads_n, counts, share, "N")
    read_mm = blocks_mm * off[1] + doubts.block_mm * random.standard_normal(len(blocks_mm))
    position = _scale(blocks_mm, read_mm / chain.position_mm_per_count, share, "mm")
    backlash = Backlash()
    if chain.backlash_mm:
        found = chain.backlash_mm + 0.5 * doubts.block_mm * random.standard_normal(9)
        backlash = Backlash(max(float(found.mean()), 0.0), float(found.std(ddof=1)) / 3, 8.0)
    scales = Calibration(force, position, backlash=backlash)
    delay = measure_delay([_springs(chain, random, speed) for speed in (4.0, 16.0)], scales).delay
    known = replace(scales, delay=Delay(delay.s, delay.u_s, delay.degrees_of_freedom))
    return replace(known, frame=measure_frame([_block(chain, random)], known).frame)


def _scale(stated: FloatArray, counts: FloatArray, share: Share, unit: str) -> Scale:
    """References, twice eleven of them, all off together by what their certificate allows."""
    fitted = fit_scale(stated, counts, unit=unit, degree=1)
    return replace(with_shares(fitted.scale, share), range_counts=None)


def _springs(chain: Chain, random: np.random.Generator, speed_mm_per_s: float) -> Samples:
    rig = VirtualRig(
        LinearSpring(8.0),
        chain=chain,
        seed=int(random.integers(1 << 30)),
        cycles=4,
        depth_mm=6.0,
        gap_mm=2.0,
        speed_mm_per_s=speed_mm_per_s,
        rest_s=0.6,
    )
    return recorded(rig)


def _block(chain: Chain, random: np.random.Generator) -> Samples:
    """Slow presses of a steel block, to 150 N."""
    travel_mm = 150.0 * (chain.compliance_mm_per_n + 1 / BLOCK_N_PER_MM)
    rig = VirtualRig(
        LinearSpring(BLOCK_N_PER_MM),
        chain=chain,
        seed=int(random.integers(1 << 30)),
        cycles=6,
        depth_mm=travel_mm,
        gap_mm=0.3,
        speed_mm_per_s=travel_mm / BLOCK_STROKE_S,
        rest_s=0.8,
    )
    return recorded(rig)


BLOCK_N_PER_MM = 2e6
"""So stiff that it counts as rigid beside any frame."""

BLOCK_STROKE_S = 1.5


def recorded(rig: VirtualRig) -> Samples:
    assert rig.script_s is not None
    sent = rig.receive(encode_frame(StreamAt(1, 500_000))) + rig.advance(rig.script_s + 0.5)
    block = FrameDecoder().feed(sent).samples
    # such a run is too short for its sample number or its clock to wrap
    return Samples(
        block.seq.astype(np.int64),
        block.time_us.astype(np.int64),
        block.force.astype(np.int32),
        block.position.astype(np.int32),
        block.status.astype(np.uint8),
    )


def true_values(rig: VirtualRig) -> dict[str, float]:
    truth = rig.truth
    cycle = truth.cycles[CYCLE - 1]
    deflection_mm, force_n = truth.curve(CYCLE).stroke("loading")
    ends_mm = np.array([0.25, 0.75]) * cycle.peak_deflection_mm
    chord = float(np.diff(np.interp(ends_mm, deflection_mm, force_n))[0] / np.diff(ends_mm)[0])
    found = {
        "peak_force_n": cycle.peak_force_n,
        "at 5 mm.loading_n": truth.force_n(CYCLE, DEPTH_MM),
        "secant_n_per_mm": cycle.secant_n_per_mm,
        "chord_n_per_mm": chord,
        "energy_absorbed_mj": cycle.energy_absorbed_mj,
        "hysteresis_pct": cycle.hysteresis_pct,
        "set_mm": truth.set_mm(CYCLE, CONTACT_FORCE_N),
    }
    return {name: math.nan if value is None else float(value) for name, value in found.items()}


def many_compared(seeds: range, doubts: Doubts) -> list[Compared]:
    """Rigs of many seeds, on all cores."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(mp_context=context) as pool:
        found = pool.map(compared, seeds, [doubts] * len(seeds), chunksize=5)
        return [each for each in found if each is not None]
