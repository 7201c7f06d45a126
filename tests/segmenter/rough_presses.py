"""Clean but rough presses, as many machines and hands make them, made for counting false flags.

Each press meets the part, goes in, turns, lets go, with a rest off the part on both sides: nothing is wrong.
What differs is the material, the rate of the rows, the hand or motor, and what makes the force rough. All
numbers are invented. Nothing here depends on the code under test.
"""

import numpy as np
from scipy.signal import lfilter

PRESSES = 5
RATES_HZ = (10.0, 20.0, 50.0, 100.0, 500.0)


def laws(draw, depth_mm, peak_n):
    """Forces on loading against deflection, by material."""
    width_mm, power, dense = draw(0.08, 0.3) * depth_mm, draw(1.0, 2.0), draw(4.0, 7.0)
    return {
        "spring": lambda d: peak_n * d / depth_mm,
        "sphere": lambda d: peak_n * (d / depth_mm) ** 1.5,
        "rubber": lambda d: peak_n * (d / depth_mm) ** power,
        "plateau": lambda d: 0.9 * peak_n * np.tanh(d / width_mm) + 0.1 * peak_n * d / depth_mm,
        "foam": lambda d: (
            0.4 * peak_n * np.tanh(d / width_mm)
            + 0.1 * peak_n * d / depth_mm
            + 0.5 * peak_n * (d / depth_mm) ** dense
        ),
    }


def wander(random, count, rows):
    """Noise of standard deviation 1 that forgets itself over so many rows."""
    kept = np.exp(-1 / rows)
    return lfilter([np.sqrt(1 - kept**2)], [1.0, -kept], random.normal(size=count))


ROUGHNESS = {
    "none": lambda random, x_mm, load_n, moves: 0.0,
    "white in motion": lambda random, x_mm, load_n, moves: (
        moves * random.uniform(0.005, 0.06) * random.normal(size=len(x_mm))
    ),
    "friction in proportion to load": lambda random, x_mm, load_n, moves: (
        moves * load_n * random.uniform(0.001, 0.01) * wander(random, len(x_mm), random.uniform(2.0, 40.0))
    ),
    "friction of the guide": lambda random, x_mm, load_n, moves: (
        moves * random.uniform(0.01, 0.06) * wander(random, len(x_mm), random.uniform(2.0, 40.0))
    ),
    "ripple of a screw": lambda random, x_mm, load_n, moves: (
        load_n * random.uniform(0.002, 0.01) * np.sin(2 * np.pi * x_mm / random.uniform(0.5, 2.0))
    ),
    "stick and slip": lambda random, x_mm, load_n, moves: (
        load_n * random.uniform(0.002, 0.01) * (x_mm / random.uniform(0.2, 1.0) % 1.0 - 0.5)
    ),
    "hum": lambda random, x_mm, load_n, moves: (
        random.uniform(0.005, 0.05)
        * np.sin(random.uniform(0.5, 3.0) * np.arange(len(x_mm)) + random.uniform(0.0, 6.0))
    ),
    "white in proportion to load": lambda random, x_mm, load_n, moves: (
        load_n * random.uniform(0.001, 0.006) * random.normal(size=len(x_mm))
    ),
}


def course(random, rate_hz, *, gap_mm, depth_mm, speed_mm_per_s, by_hand):
    """Positions of presses with rests between them: a motor that brakes, or an uneven hand."""
    rests_s = [random.uniform(1.0, 2.0), *random.uniform(0.5, 1.5, PRESSES)]
    parts = [np.zeros(round(rests_s[0] * rate_hz))]
    for rest_s in rests_s[1:]:
        way_mm = gap_mm + depth_mm * (random.uniform(0.93, 1.0) if by_hand else 1.0)
        for begin_mm, end_mm in ((0.0, way_mm), (way_mm, 0.0)):
            count = max(round(way_mm / speed_mm_per_s * rate_hz), 8)
            share = (np.arange(count) + 0.5) / count
            speed = np.clip(np.minimum(share, 1 - share) / 0.03, 0.05, 1.0)
            if by_hand:
                swells = random.normal(size=4) / np.arange(1, 5)
                waves = np.cos(np.pi * np.outer(np.arange(1, 5), share) + random.uniform(0, 6, (4, 1)))
                speed = speed * np.exp(0.4 * swells @ waves)
            else:
                speed = speed * (1 + random.uniform(0.0, 0.15) * np.sin(random.uniform(50, 300) * share))
            way = np.cumsum(speed) / speed.sum()
            parts.append(begin_mm + (end_mm - begin_mm) * way)
        parts.append(np.zeros(max(round(rest_s * rate_hz), 6)))
    return np.concatenate(parts)


def rough_presses(seed):
    """Rows of one recording of `PRESSES` good presses: rate, positions and forces, and what it is."""
    random = np.random.default_rng([seed, 1109])
    draw = random.uniform
    rate_hz = float(random.choice(RATES_HZ))
    depth_mm, gap_mm, peak_n = draw(4.0, 25.0), draw(0.5, 3.0), float(np.exp(draw(np.log(10), np.log(600))))
    # a stroke is at least some twenty rows: fewer are refused elsewhere
    speed_mm_per_s = min(draw(2.0, 10.0), (depth_mm + gap_mm) * rate_hz / 25)
    by_hand = bool(random.random() < 0.3)
    x_mm = course(
        random, rate_hz, gap_mm=gap_mm, depth_mm=depth_mm, speed_mm_per_s=speed_mm_per_s, by_hand=by_hand
    )
    material = str(random.choice(["spring", "sphere", "rubber", "plateau", "foam"]))
    curve = laws(draw, depth_mm, peak_n)[material]
    deflection_mm = np.maximum(x_mm - gap_mm, 0.0)
    step_mm = np.diff(x_mm, prepend=x_mm[0])
    # a share of the force is missing on the way back; it develops over half a millimetre of way
    kept = np.exp(-speed_mm_per_s / rate_hz / 0.5)
    back = lfilter([1 - kept], [1.0, -kept], step_mm < 0)
    load_n = curve(deflection_mm) * (1 - draw(0.05, 0.4) * back)
    kind = str(random.choice(list(ROUGHNESS)))
    rough_n = ROUGHNESS[kind](random, x_mm, load_n, step_mm != 0)
    zero_n, drift_n = draw(-2.0, 2.0), draw(-0.02, 0.02)
    noise_n = float(np.exp(draw(np.log(0.0005), np.log(0.02))))
    force_n = load_n + rough_n + zero_n + drift_n * np.linspace(0, 1, len(x_mm))
    force_n = force_n + noise_n * random.normal(size=len(x_mm))
    x_mm = x_mm + draw(0.0, 0.003) * random.normal(size=len(x_mm)) + draw(-50.0, 100.0)
    places = int(random.choice([2, 3, 4, 6]))
    about = (
        f"{seed}: {material}, {kind}, {rate_hz:g} rows/s, {'hand' if by_hand else 'motor'}, {peak_n:.0f} N"
    )
    return rate_hz, np.round(x_mm, 4), np.round(force_n, places), about
