"""Kinds of recording that laboratories and workshops write, each a generator with the truth beside it.

A kind draws a specimen, a course and a laboratory from a seed. The laws, the course and the truth come from
`specimen_laws`, `press_courses` and `dense_truth`; nothing here depends on the code under test. All numbers
are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from dense_truth import Dense, Part, TruePress, true_presses
from lab_readings import Laboratory, rows_of
from press_courses import Course, hand_speeds, motor_speeds
from specimen_laws import Break, Specimen, foam, plateau, power, spring, stop_at, tilted_spring

CHECK_NOISES = 30.0
"""A contact check that stays below this many standard deviations of the noise need not be seen."""

AT_SHARE = 0.6
"""Of the depth, where forces are asked for."""

MOST_INSTANTS = 400_000
OVERSAMPLED = (8, 50)
"""The dense course has 50 instants between two rows, fewer where a long recording would hold more than
`MOST_INSTANTS`."""


@dataclass(frozen=True)
class Recording:
    """A table as it was written, and what is true of it.

    Parameters
    ----------
    row_s, row_mm, row_n
        The rows, before they are rounded to `decimals`.
    presses
        Truth of every press that is a cycle.
    checks
        Contact checks among the presses.
    sense, zero, analyse_options
        What a user would state.
    at_mm
        A depth at which forces are asked for.
    timed
        Whether the table has a column of time.
    """

    kind: str
    seed: int
    row_s: np.ndarray
    row_mm: np.ndarray
    row_n: np.ndarray
    decimals: tuple[int, int, int] | None
    presses: list[TruePress]
    checks: int = 0
    sense: str = "compression"
    zero: str | None = None
    at_mm: float | None = None
    timed: bool = True
    analyse_options: tuple[str, ...] = ()


@dataclass(frozen=True)
class Kind:
    """A kind of recording.

    Parameters
    ----------
    make
        Draws one from a random generator.
    empty
        Quantities that may be empty in it, because the recording does not hold them.
    skipped
        Quantities that are not judged, with the reason.
    wide
        Quantities whose u may be more than three times the spread; the kind's first line says why.
    """

    name: str
    make: Callable[[np.random.Generator], dict]
    empty: frozenset[str] = frozenset()
    skipped: frozenset[str] = frozenset()
    wide: frozenset[str] = frozenset()

    def recording(self, seed):
        random = np.random.default_rng([seed, *self.name.encode()])
        return Recording(kind=self.name, seed=seed, **self.make(random))


KINDS: dict[str, Kind] = {}


def kind(*, empty=(), skipped=(), wide=()):
    """Enter a generator under its own name."""

    def enter(make):
        name = make.__name__
        KINDS[name] = Kind(name, make, frozenset(empty), frozenset(skipped), frozenset(wide))
        return make

    return enter


NOT_RELEASED = ("energy_returned_mj", "loss_mj", "hysteresis_pct")
BY_THE_TURN = ("energy_absorbed_mj", "energy_returned_mj")
"""A turn between two rows is known to a twentieth of a row where its braking shows, since no platen need stop
evenly; these do. The energies lean on it most."""

NO_CONTACT = ("contact_mm", "contact_at_force_mm", "set_mm")


@dataclass
class Setup:
    """What a kind starts from and changes as it likes."""

    random: np.random.Generator
    rate_hz: float = 100.0
    cycles: int = 3
    depth_mm: float = 0.0
    gap_mm: float = 0.0
    speed_mm_per_s: float = 0.0
    lead_s: float = 1.5
    rest_s: float = 1.2
    tail_s: float = 1.2
    oversampled: int = 0
    law: str = ""
    specimen: Specimen | None = None
    press: dict = field(default_factory=dict)
    checks_after: tuple[int, ...] = ()
    check_mm: float = 0.15

    def __post_init__(self):
        draw = self.random.uniform
        self.depth_mm = self.depth_mm or draw(5.0, 11.0)
        self.gap_mm = self.gap_mm or draw(1.0, 2.5)
        self.speed_mm_per_s = self.speed_mm_per_s or draw(2.0, 8.0)
        self.specimen = self.specimen or drawn_specimen(self.random, self.gap_mm, self.depth_mm, self.law)

    def course(self):
        seconds = self.cycles * (
            2 * (self.depth_mm + self.gap_mm) / self.speed_mm_per_s
            + self.press.get("hold_s", 0.0)
            + self.rest_s
        )
        fits = MOST_INSTANTS / (self.rate_hz * seconds)
        oversampled = self.oversampled or int(np.clip(fits, *OVERSAMPLED))
        course = Course(1 / (self.rate_hz * oversampled), 0.0)
        course.rest(self.lead_s)
        for number in range(self.cycles):
            course.press(self.gap_mm + self.depth_mm, self.speed_mm_per_s, **self.press)
            if number < self.cycles - 1:
                course.rest(self.rest_s)
            for _ in range(self.checks_after.count(number)):
                # each check leaves its own set, too
                below = self.specimen.lowered_mm(len(course.presses)) + self.check_mm
                course.press(self.gap_mm + below, self.speed_mm_per_s / 3, is_check=True)
                course.rest(self.rest_s)
        course.rest(self.tail_s)
        return course

    def recorded(
        self,
        lab,
        *,
        from_n=None,
        one_way=False,
        offset_mm=0.0,
        sense="compression",
        sign=1.0,
        zero=None,
        options=(),
        course=None,
    ):
        """Rows and truth.

        Parameters
        ----------
        from_n
            Recording begins where the first press passes this force.
        one_way
            It ends at the last turn.
        offset_mm
            Dense position that the table calls zero; "start": of the first row.
        """
        course = course or self.course()
        time_s, position_mm = course.time_s, course.position_mm
        dense = Dense(time_s, position_mm, self.specimen.force_n(time_s, position_mm, course.presses))
        first = 0 if from_n is None else int(np.flatnonzero(dense.force_n >= from_n)[0])
        last = course.presses[-1].hold_last if one_way else len(time_s) - 1
        if offset_mm == "start":
            offset_mm = float(position_mm[first])
        part = Part(first, last, None if from_n is None else offset_mm)
        row_s, row_mm, row_n = rows_of(replace(lab, rate_hz=self.rate_hz), course, dense, part, self.random)
        # a force that is kept as it was written counts from the machine's zero, not from the specimen's
        kept_n = lab.zero_n if zero else 0.0
        presses = true_presses(course, self.specimen, dense._replace(force_n=dense.force_n + kept_n), part)
        return {
            "row_s": row_s,
            "row_mm": sign * (row_mm - offset_mm),
            "row_n": sign * row_n,
            "decimals": lab.decimals,
            "presses": [_shifted(press, offset_mm, time_s[first]) for press in presses],
            "checks": sum(
                press.is_check and dense.force_n[press.first : press.last].max() > CHECK_NOISES * lab.noise_n
                for press in course.presses
            ),
            "sense": sense,
            "zero": zero,
            "at_mm": round(AT_SHARE * self.depth_mm, 1),
            "analyse_options": options,
        }


def _shifted(press, offset_mm, start_s):
    """Truth in the table's own position and time."""
    known = dict(press.known)
    if "contact_mm" in known:
        known["contact_mm"] = tuple(each - offset_mm for each in known["contact_mm"])
    toe = None if press.toe is None else (press.toe[0] - offset_mm, press.toe[1])
    return replace(press, known=known, toe=toe, start_s=press.start_s - start_s, end_s=press.end_s - start_s)


LAWS = ("sphere", "foam", "rubber", "plateau", "spring")


def drawn_specimen(random, contact_mm, depth_mm, law=""):
    """A specimen of a stated or drawn law, that a press to the depth loads with some 15 to 90 N."""
    draw = random.uniform
    law = law or str(random.choice(LAWS))
    peak_n = draw(15.0, 90.0)
    if law == "sphere":
        return Specimen(
            power(peak_n / depth_mm**1.5, 1.5), contact_mm, hysteresis=draw(0.08, 0.3), turn_mm=draw(0.3, 0.8)
        )
    if law == "foam":
        curve = foam(
            0.45 * peak_n,
            draw(0.08, 0.15) * depth_mm,
            0.1 * peak_n / depth_mm,
            dense_n=0.45 * peak_n,
            dense_mm=depth_mm,
            stiffens=draw(4.0, 7.0),
        )
        return Specimen(
            curve,
            contact_mm,
            hysteresis=draw(0.2, 0.5),
            turn_mm=draw(0.3, 0.8),
            set_mm=draw(0.02, 0.15),
            softening=draw(0.02, 0.1),
        )
    if law == "rubber":
        curve = power(peak_n / depth_mm**1.15, 1.15)
        branches = ((draw(0.1, 0.2), draw(0.3, 1.0)), (draw(0.05, 0.15), draw(5.0, 20.0)))
        return Specimen(curve, contact_mm, branches=branches)
    if law == "plateau":
        return Specimen(
            plateau(0.8 * peak_n, draw(0.2, 0.35) * depth_mm, 0.02 * peak_n),
            contact_mm,
            hysteresis=draw(0.1, 0.3),
            turn_mm=draw(0.3, 0.8),
        )
    if law == "spring":
        return Specimen(spring(peak_n / depth_mm), contact_mm)
    assert law == "tilted"
    return Specimen(tilted_spring(peak_n / depth_mm, draw(0.1, 0.8)), contact_mm)


# ---- the start and the noise


@kind(empty=["contact_mm", "contact_at_force_mm", "set_mm"])
def moving_from_the_first_row(random):
    """No untouched stretch before the first press: the platen is under way, and reaches the part soon."""
    rate = random.choice([20.0, 50.0, 200.0])
    setup = Setup(random, rate_hz=rate, lead_s=0.0, gap_mm=random.uniform(0.1, 1.0), rest_s=0.0, tail_s=0.0)
    return setup.recorded(Laboratory(noise_n=random.uniform(0.005, 0.05)))


@kind(empty=NO_CONTACT)
def ramp_and_hold_from_the_first_row(random):
    """Relaxation as tapes are tested: loading begins with the first row, then a hold, then back."""
    setup = Setup(
        random,
        rate_hz=random.choice([10.0, 25.0]),
        law="rubber",
        cycles=1,
        lead_s=0.0,
        gap_mm=1e-6,
        tail_s=0.0,
        press={"hold_s": random.uniform(62.0, 80.0)},
    )
    return setup.recorded(Laboratory(noise_n=random.uniform(0.005, 0.03)))


@kind()
def still_start_and_white_noise(random):
    setup = Setup(random, rate_hz=random.choice([50.0, 100.0, 500.0]), cycles=4)
    return setup.recorded(
        Laboratory(noise_n=random.uniform(0.003, 0.05), noise_mm=random.uniform(0.0002, 0.003))
    )


@kind()
def noisier_in_motion_than_at_rest(random):
    setup = Setup(random, rate_hz=random.choice([50.0, 200.0]), cycles=4)
    return setup.recorded(Laboratory(noise_n=0.001, moving_n=random.uniform(0.05, 0.12)))


@kind()
def noise_in_proportion_to_load(random):
    setup = Setup(random, rate_hz=random.choice([50.0, 200.0]), cycles=4)
    return setup.recorded(Laboratory(noise_n=0.001, load_share=0.005))


def _correlated(random, coefficient):
    setup = Setup(random, rate_hz=random.choice([50.0, 200.0]), cycles=4, rest_s=2.0)
    noise_n = random.uniform(0.01, 0.05)
    return setup.recorded(Laboratory(noise_n=0.0, correlated_n=noise_n, correlation=coefficient))


@kind()
def noise_correlated_by_080(random):
    return _correlated(random, 0.8)


@kind()
def noise_correlated_by_095(random):
    return _correlated(random, 0.95)


@kind()
def noise_correlated_by_099(random):
    return _correlated(random, 0.99)


# ---- turns and holds


@kind()
def overshoot_before_a_hold(random):
    """The drive passes the hold position by up to 1 % of its travel, settles, and stays."""
    depth = random.uniform(5.0, 12.0)
    overshoot = random.uniform(0.002, 0.01) * depth
    press = {
        "hold_s": random.choice([11.0, 15.0]),
        "overshoot_mm": overshoot,
        "settle_s": random.uniform(0.03, 0.12),
        "ringing": bool(random.integers(2)),
    }
    setup = Setup(
        random,
        rate_hz=random.choice([50.0, 100.0]),
        cycles=2,
        depth_mm=depth,
        law=random.choice(["rubber", "foam"]),
        press=press,
    )
    return setup.recorded(Laboratory(noise_n=random.uniform(0.005, 0.03)))


@kind()
def large_overshoot_before_a_hold(random):
    """More than a millimetre too deep, as a heavy crosshead goes."""
    press = {"hold_s": 12.0, "overshoot_mm": random.uniform(0.5, 1.1), "settle_s": random.uniform(0.1, 0.3)}
    setup = Setup(
        random, rate_hz=50.0, cycles=2, depth_mm=random.uniform(15.0, 25.0), law="rubber", press=press
    )
    return setup.recorded(Laboratory(noise_n=0.01))


@kind()
def plain_hold(random):
    setup = Setup(
        random, rate_hz=random.choice([20.0, 100.0]), cycles=2, law="rubber", press={"hold_s": 11.5}
    )
    return setup.recorded(Laboratory(noise_n=random.uniform(0.005, 0.03)))


@kind()
def hard_stop_before_the_turn(random):
    """The specimen bottoms out in the last rows: force rises steeply, and turns there."""
    setup = Setup(
        random,
        rate_hz=random.choice([50.0, 100.0]),
        law=random.choice(["foam", "sphere", "plateau"]),
        press={"brake_s": 0.0},
    )
    rows_inside = random.uniform(2.0, 5.0)
    stop_mm = setup.depth_mm - rows_inside * setup.speed_mm_per_s / setup.rate_hz
    peak_n = float(setup.specimen.law(np.array([setup.depth_mm]))[0])
    k = random.uniform(0.05, 0.3) * peak_n / (setup.depth_mm - stop_mm)
    setup.specimen = replace(setup.specimen, law=stop_at(setup.specimen.law, stop_mm, k))
    return setup.recorded(Laboratory(noise_n=0.01))


@kind()
def sharp_turn_of_an_uneven_hand(random):
    """20 rows a second, a hand, and a turn without a stop."""
    setup = Setup(
        random,
        rate_hz=20.0,
        cycles=4,
        speed_mm_per_s=random.uniform(3.0, 7.0),
        law=random.choice(["sphere", "foam", "spring", "plateau"]),
        press={"brake_s": 0.0, "speeds": hand_speeds(random)},
    )
    return setup.recorded(Laboratory(noise_n=random.uniform(0.01, 0.05), noise_mm=0.005))


@kind()
def hand_lever_at_10_rows_a_second(random):
    """Uneven strokes with a short stop at depth."""
    press = {"brake_s": 0.1, "speeds": hand_speeds(random), "hold_s": random.uniform(0.3, 0.8)}
    setup = Setup(
        random,
        rate_hz=10.0,
        cycles=3,
        lead_s=3.0,
        rest_s=2.0,
        speed_mm_per_s=random.uniform(2.0, 5.0),
        law=random.choice(["sphere", "foam", "spring", "plateau"]),
        press=press,
    )
    return setup.recorded(Laboratory(noise_n=random.uniform(0.02, 0.06), noise_mm=0.01, decimals=(1, 2, 2)))


@kind()
def platen_creeps_in_the_hold(random):
    """The drive sinks by up to 0.3 mm while it is said to stand."""
    press = {"hold_s": 20.0, "creep_mm": random.uniform(0.1, 0.3), "creep_tau_s": random.uniform(3.0, 10.0)}
    setup = Setup(
        random, rate_hz=20.0, cycles=1, depth_mm=random.uniform(8.0, 15.0), law="rubber", press=press
    )
    return setup.recorded(Laboratory(noise_n=0.01))


WIDE_WITH_DRIFT = (
    *NOT_RELEASED,
    *("energy_absorbed_mj", "peak_force_n", "secant_n_per_mm", "chord_n_per_mm", "peak_deflection_mm"),
    *("contact_mm", "contact_at_force_mm", "at_depth_loading_n", "at_depth_unloading_n"),
    *("force_retention_1s_pct", "force_retention_10s_pct", "force_retention_60s_pct"),
)


@kind(wide=WIDE_WITH_DRIFT)
def zero_drifts_in_a_hold(random):
    """The amplifier's zero moves by 10 to 20 mN a second, through a hold of more than a minute.

    Nobody can know where it was in the minute between, and the contact and all that counts from it lean on
    it: u may be wide.
    """
    drift = random.choice([-1, 1]) * random.uniform(0.01, 0.02)
    setup = Setup(
        random,
        rate_hz=20.0,
        cycles=1,
        law=random.choice(["spring", "rubber"]),
        lead_s=5.0,
        tail_s=5.0,
        press={"hold_s": random.uniform(62.0, 70.0)},
    )
    return setup.recorded(Laboratory(noise_n=0.01, drift_n_per_s=drift, drift_bend=random.uniform(-0.2, 0.2)))


# ---- what the table keeps


@kind(empty=[*NO_CONTACT], skipped=["initial_n_per_mm", "chord_n_per_mm"])
def preload_at_the_first_row(random):
    """The table begins at a stated preload and the zero of the machine is kept."""
    setup = Setup(random, rate_hz=50.0, cycles=int(random.choice([1, 3])), lead_s=0.5)
    peak_n = float(setup.specimen.law(np.array([setup.depth_mm]))[0])
    preload_n = random.uniform(0.02, 0.3) * peak_n
    # later presses come back to the preload, not to the air
    course = Course(1 / (setup.rate_hz * 50), 0.0)
    course.rest(0.5)
    grid = np.linspace(0, setup.depth_mm, 2000)
    back_mm = setup.gap_mm + float(np.interp(preload_n, setup.specimen.law(grid), grid))
    for _ in range(setup.cycles):
        course.press(setup.gap_mm + setup.depth_mm, setup.speed_mm_per_s, back_mm=back_mm)
    offset = "start" if random.integers(2) else setup.gap_mm
    return setup.recorded(
        Laboratory(noise_n=0.005), from_n=preload_n, course=course, offset_mm=offset, zero="as-recorded"
    )


@kind(empty=[*NO_CONTACT], skipped=["initial_n_per_mm", "chord_n_per_mm"])
def one_way_from_a_preload(random):
    """Begins at a preload and ends at the turn, as printed foams are tested; its zero is not stated.

    The screw's speed ripples, and the last row lies off the beat.
    """
    setup = Setup(
        random,
        rate_hz=50.0,
        cycles=1,
        speed_mm_per_s=random.uniform(0.3, 1.0),
        depth_mm=random.uniform(8, 20),
        law=random.choice(["foam", "plateau", "sphere", "rubber"]),
        press={"brake_s": 0.0, "speeds": motor_speeds(random)},
    )
    peak_n = float(setup.specimen.law(np.array([setup.depth_mm]))[0])
    lab = Laboratory(
        noise_n=random.uniform(0.001, 0.005),
        correlated_n=random.uniform(0.005, 0.03),
        correlation=0.8,
        ends_off_beat=True,
    )
    return setup.recorded(lab, from_n=random.uniform(0.01, 0.1) * peak_n, one_way=True, offset_mm="start")


@kind(empty=[*NO_CONTACT], skipped=["initial_n_per_mm", "chord_n_per_mm"])
def one_way_from_a_force_below_zero(random):
    """The force was set to zero above the specimen's preload, so the first row reads less than zero.

    The zero of the machine is stated to be kept; the specimen may collapse before the end.
    """
    collapse = random.choice([0.0, 0.3])
    setup = Setup(
        random, rate_hz=50.0, cycles=1, speed_mm_per_s=0.5, depth_mm=random.uniform(8, 20), law="foam"
    )
    deep, law, peak_n = setup.depth_mm, setup.specimen.law, random.uniform(300, 1000)
    scale = peak_n / float(law(np.array([deep]))[0])
    setup.specimen = Specimen(
        lambda d: (
            scale * (law(d) - collapse * law(np.array([deep]))[0] * np.clip(d / deep - 0.7, 0, None) ** 2 * 5)
        ),
        setup.gap_mm,
    )
    zero_n = -random.uniform(0.005, 0.02) * peak_n
    setup.press = {"brake_s": 0.0, "speeds": motor_speeds(random)}
    lab = Laboratory(noise_n=0.005, correlated_n=0.02, correlation=0.75, zero_n=zero_n, ends_off_beat=True)
    return setup.recorded(lab, from_n=0.01, one_way=True, offset_mm="start", zero="as-recorded")


@kind()
def one_way_with_a_still_start(random):
    setup = Setup(random, rate_hz=50.0, cycles=1, speed_mm_per_s=random.uniform(0.5, 2.0))
    return setup.recorded(Laboratory(noise_n=0.01), one_way=True)


@kind()
def rounded_to_three_decimals(random):
    setup = Setup(random, rate_hz=100.0, cycles=3)
    return setup.recorded(Laboratory(noise_n=random.uniform(0.0002, 0.02), decimals=(3, 3, 3)))


@kind()
def averaging_converter_at_80_rows_a_second(random):
    setup = Setup(random, rate_hz=80.0, cycles=3, press={"brake_s": 0.0})
    return setup.recorded(Laboratory(noise_n=0.01, averaged=str(random.choice(["both", "force"]))))


@kind()
def averaging_converter_at_10_rows_a_second(random):
    setup = Setup(
        random,
        rate_hz=10.0,
        cycles=3,
        lead_s=3.0,
        rest_s=2.0,
        speed_mm_per_s=random.uniform(1.0, 4.0),
        press={"brake_s": 0.0},
    )
    return setup.recorded(Laboratory(noise_n=0.01, averaged=str(random.choice(["both", "force"]))))


@kind(wide=["peak_force_n", "peak_deflection_mm", "secant_n_per_mm", "contact_at_force_mm", "set_mm"])
def position_is_new_in_every_tenth_row(random):
    """The logger asks the encoder in every fifth or tenth row, and repeats its answer in between.

    How far the platen went on between two updates is known to some share of a step only, the better the less
    the specimen relaxes; that is the resolution of the channel, and it enters every place: u may be wide.
    """
    setup = Setup(random, rate_hz=random.choice([100.0, 200.0]), cycles=3)
    lab = Laboratory(noise_n=random.uniform(0.005, 0.03), position_every=int(random.choice([5, 10])))
    return setup.recorded(lab)


@kind()
def force_is_new_in_every_fourth_row(random):
    """A scale that answers slower than the rows are written."""
    setup = Setup(random, rate_hz=random.choice([50.0, 100.0]), cycles=3)
    lab = Laboratory(noise_n=random.uniform(0.005, 0.03), force_every=int(random.choice([3, 4])))
    return setup.recorded(lab)


# ---- the specimen


@kind()
def ordinary_roughness(random):
    """Good presses as machines make them: quiet at rest, rough in motion, little rest between them."""
    lab = Laboratory(
        noise_n=float(np.exp(random.uniform(np.log(0.0005), np.log(0.02)))),
        moving_n=random.uniform(0.0, 0.05),
        load_share=random.uniform(0.0005, 0.003),
        rough_n=random.uniform(0.0, 0.05),
        rough_share=random.uniform(0.001, 0.01),
        rough_rows=random.uniform(2.0, 40.0),
        drift_n_per_s=random.uniform(-0.002, 0.002),
        drift_bend=random.uniform(-0.3, 0.3),
    )
    setup = Setup(
        random,
        rate_hz=random.choice([50.0, 100.0, 200.0]),
        cycles=5,
        lead_s=random.choice([0.3, 1.0]),
        rest_s=random.choice([0.0, 0.5]),
        tail_s=random.choice([0.1, 0.5]),
        press={"speeds": motor_speeds(random)},
    )
    return setup.recorded(lab)


def _breaking(random, left, over_s, law):
    setup = Setup(
        random, rate_hz=random.choice([50.0, 100.0, 500.0]), law=law, cycles=int(random.choice([1, 3]))
    )
    at_mm = random.uniform(0.4, 0.85) * setup.depth_mm
    broken = Break(setup.cycles - 1, at_mm, left, over_s)
    setup.specimen = replace(setup.specimen, breaks=broken)
    return setup.recorded(Laboratory(noise_n=0.01))


@kind()
def specimen_tears(random):
    """The force is gone within a few rows, and nothing is left to unload."""
    return _breaking(random, random.uniform(0.0, 0.03), 0.02, random.choice(["sphere", "rubber", "spring"]))


@kind()
def specimen_cracks(random):
    """A third to a half of the force is gone at once; the rest goes on."""
    return _breaking(random, random.uniform(0.5, 0.67), 0.01, random.choice(["sphere", "spring", "foam"]))


@kind()
def specimen_slips_out(random):
    return _breaking(random, 0.0, 0.1, random.choice(["sphere", "foam"]))


@kind(skipped=["set_mm"], empty=["tangent_n_per_mm"])
def machine_stops_at_the_break(random):
    """The specimen breaks, the machine stops at once, and the table ends a moment later."""
    setup = Setup(random, rate_hz=random.choice([20.0, 50.0, 200.0]), cycles=1)
    setup.specimen = replace(setup.specimen, set_mm=0.0, softening=0.0)
    at_mm = random.uniform(0.5, 0.95) * setup.depth_mm
    over_s = random.uniform(0.5, 3.0) / setup.rate_hz
    setup.specimen = replace(setup.specimen, breaks=Break(0, at_mm, random.choice([0.0, 0.1, 0.2]), over_s))
    course = Course(1 / (setup.rate_hz * 50), 0.0)
    course.rest(1.5)
    course.press(setup.gap_mm + at_mm + 1e-6, setup.speed_mm_per_s, brake_s=0.0, hold_s=0.8, one_way=True)
    return setup.recorded(Laboratory(noise_n=0.01), course=course, one_way=True)


@kind(skipped=NO_CONTACT, wide=BY_THE_TURN)
def tension_both_rising(random):
    """A platen that brakes within one row: u of the energies may be wide."""
    setup = Setup(
        random, rate_hz=50.0, cycles=4, law=random.choice(["spring", "rubber", "plateau", "sphere"])
    )
    return setup.recorded(Laboratory(noise_n=0.01), sense="tension")


@kind(skipped=NO_CONTACT, wide=BY_THE_TURN)
def tension_both_falling(random):
    """A platen that brakes within one row: u of the energies may be wide."""
    setup = Setup(
        random, rate_hz=50.0, cycles=4, law=random.choice(["spring", "rubber", "plateau", "sphere"])
    )
    return setup.recorded(Laboratory(noise_n=0.01), sense="tension", sign=-1.0)


@kind()
def single_rows_with_a_wrong_force(random):
    setup = Setup(random, rate_hz=200.0, cycles=3)
    lab = Laboratory(noise_n=0.01, spikes=1000.0, spike_n=random.uniform(5.0, 60.0), spike_at_turn=True)
    return setup.recorded(lab)


@kind()
def single_rows_with_a_wrong_position(random):
    setup = Setup(random, rate_hz=200.0, cycles=3)
    lab = Laboratory(noise_n=0.01, spikes=1000.0, spike_mm=random.uniform(0.5, 8.0), spike_at_turn=True)
    return setup.recorded(lab)


@kind()
def two_rows_with_a_wrong_force(random):
    """A disturbance that lasts for two rows, now and then."""
    setup = Setup(random, rate_hz=random.choice([100.0, 200.0]), cycles=3)
    lab = Laboratory(noise_n=0.01, spikes=400.0, spike_n=random.uniform(15.0, 60.0), spike_rows=2)
    return setup.recorded(lab)


@kind()
def face_out_of_parallel(random):
    setup = Setup(random, rate_hz=100.0, cycles=3, law="tilted")
    return setup.recorded(Laboratory(noise_n=random.uniform(0.005, 0.05)))


@kind()
def contact_checks_between_presses(random):
    setup = Setup(
        random,
        rate_hz=100.0,
        cycles=4,
        law=random.choice(["foam", "sphere", "spring"]),
        checks_after=(0, 0, 1, 2, 3, 3, 3),
        check_mm=random.uniform(0.05, 0.2),
    )
    return setup.recorded(Laboratory(noise_n=random.uniform(0.003, 0.01)))


@kind()
def contact_check_before_the_first_press(random):
    setup = Setup(random, rate_hz=100.0, cycles=3, law=random.choice(["foam", "sphere", "spring"]))
    course = Course(1 / (setup.rate_hz * 30), 0.0)
    course.rest(1.5)
    course.press(setup.gap_mm + random.uniform(0.05, 0.2), 1.0, is_check=True)
    setup_specimen = setup.specimen
    for _ in range(setup.cycles):
        course.rest(1.2)
        course.press(setup.gap_mm + setup.depth_mm, setup.speed_mm_per_s)
    course.rest(1.2)
    # the check is press number 0 of the specimen, and leaves no set
    setup.specimen = replace(setup_specimen, set_mm=0.0)
    return setup.recorded(Laboratory(noise_n=random.uniform(0.003, 0.01)), course=course)


@kind()
def many_contact_checks_before_the_first_press(random):
    """A dozen checks of much the same size, before anything deeper says that they are no presses."""
    setup = Setup(random, rate_hz=100.0, law=random.choice(["sphere", "foam", "spring"]))
    setup.specimen = replace(setup.specimen, set_mm=0.0, softening=0.0)
    course = Course(1 / (setup.rate_hz * 20), 0.0)
    course.rest(1.5)
    for _ in range(12):
        course.press(setup.gap_mm + random.uniform(0.1, 0.4), 1.0, is_check=True)
        course.rest(random.uniform(0.3, 3.0))
    for _ in range(3):
        course.press(setup.gap_mm + setup.depth_mm, setup.speed_mm_per_s)
        course.rest(1.0)
    return setup.recorded(Laboratory(noise_n=0.005), course=course)


@kind()
def presses_that_grow_deeper(random):
    """Each press goes a step deeper than the one before; the first is as light as a check beside the last."""
    setup = Setup(random, rate_hz=100.0)
    course = Course(1 / (setup.rate_hz * 20), 0.0)
    course.rest(1.5)
    for step in range(1, 9):
        course.press(setup.gap_mm + setup.depth_mm * step / 8, setup.speed_mm_per_s)
        course.rest(random.uniform(0.3, 1.0))
    return setup.recorded(Laboratory(noise_n=0.005), course=course)


@kind()
def knee_under_noise(random):
    setup = Setup(
        random, rate_hz=100.0, cycles=3, depth_mm=random.uniform(8.0, 14.0), specimen=Specimen(spring(1), 1)
    )
    curve = plateau(random.uniform(20.0, 60.0), random.uniform(0.2, 0.35) * setup.depth_mm)
    setup.specimen = Specimen(curve, setup.gap_mm, hysteresis=random.uniform(0.0, 0.2))
    return setup.recorded(Laboratory(noise_n=float(np.exp(random.uniform(np.log(0.005), np.log(0.3))))))


@kind()
def stiffening_foam_with_drift_and_correlation(random):
    setup = Setup(random, rate_hz=100.0, cycles=3, law="foam")
    lab = Laboratory(
        noise_n=0.005,
        correlated_n=random.uniform(0.01, 0.03),
        correlation=random.uniform(0.5, 0.95),
        drift_n_per_s=random.uniform(-0.02, 0.02),
    )
    return setup.recorded(lab)


# ---- further kinds that laboratories and workshops bring


@kind(wide=BY_THE_TURN)
def pauses_on_the_way_in(random):
    """Loading in steps with short stops, as readings are taken by eye; one press each.

    The platen brakes within one row: u of the energies may be wide.
    """
    setup = Setup(random, rate_hz=50.0, law=random.choice(["sphere", "foam", "spring", "plateau"]))
    course = Course(1 / (setup.rate_hz * 40), 0.0)
    course.rest(1.5)
    for _ in range(2):
        begin = course.index
        steps = int(random.integers(2, 6))
        for step in range(1, steps):
            course.go(setup.gap_mm + setup.depth_mm * step / steps, setup.speed_mm_per_s, brake_s=0.05)
            course.rest(random.uniform(0.5, 2.0))
        course.press(setup.gap_mm + setup.depth_mm, setup.speed_mm_per_s, back_mm=0.0)
        course.presses[-1] = replace(course.presses[-1], first=begin)
        course.rest(1.2)
    setup.specimen = replace(setup.specimen, set_mm=0.0, softening=0.0)
    return setup.recorded(Laboratory(noise_n=0.01), course=course)


@kind()
def amplitude_changes_between_blocks(random):
    """A triangular wave of some deep and then some shallower presses: all of them are presses."""
    setup = Setup(random, rate_hz=100.0, law=random.choice(["sphere", "foam", "spring"]))
    course = Course(1 / (setup.rate_hz * 20), 0.0)
    course.rest(1.5)
    for share in (1.0, random.uniform(0.6, 0.8)):
        for _ in range(4):
            course.press(setup.gap_mm + share * setup.depth_mm, setup.speed_mm_per_s, brake_s=0.0)
    course.rest(1.2)
    return setup.recorded(Laboratory(noise_n=0.01), course=course)


@kind()
def touches_twice_before_it_presses(random):
    """The platen meets the part, backs off a little, and then presses: the contact is no cycle."""
    setup = Setup(random, rate_hz=100.0, law=random.choice(["sphere", "foam", "spring"]))
    course = Course(1 / (setup.rate_hz * 20), 0.0)
    course.rest(1.5)
    setup.specimen = replace(setup.specimen, set_mm=0.0, softening=0.0)
    for _ in range(3):
        course.press(setup.gap_mm + random.uniform(0.05, 0.2), 1.0, back_mm=setup.gap_mm - 0.1, is_check=True)
        course.rest(random.uniform(0.1, 0.5))
        course.press(setup.gap_mm + setup.depth_mm, setup.speed_mm_per_s, back_mm=0.0)
        course.rest(1.2)
    return setup.recorded(Laboratory(noise_n=0.005), course=course)


@kind()
def comes_back_past_its_start(random):
    """The crosshead returns to another place than it began at, further away or nearer."""
    setup = Setup(random, rate_hz=100.0)
    course = Course(1 / (setup.rate_hz * 20), 0.0)
    course.rest(1.0)
    for _ in range(3):
        back_mm = random.uniform(-3.0, 0.6 * setup.gap_mm)
        course.press(setup.gap_mm + setup.depth_mm, setup.speed_mm_per_s, back_mm=back_mm)
        course.rest(random.uniform(0.2, 1.5))
    return setup.recorded(Laboratory(noise_n=0.01), course=course, offset_mm=random.uniform(-50.0, 120.0))


@kind()
def unloads_at_another_speed(random):
    setup = Setup(random, rate_hz=100.0, cycles=3, lead_s=random.uniform(0.2, 1.5))
    setup.press = {"unload_speed_mm_per_s": setup.speed_mm_per_s * float(np.exp(random.uniform(-1.2, 1.2)))}
    return setup.recorded(Laboratory(noise_n=0.01))


@kind()
def slows_down_towards_the_depth(random):
    """A force controller that slows down more and more: half of the stroke's time is its last tenth."""
    setup = Setup(random, rate_hz=100.0, cycles=3, law=random.choice(["sphere", "foam", "spring", "plateau"]))
    setup.press = {"brake_s": 0.0, "speeds": lambda count: np.linspace(1.0, 0.03, count) ** 1.5}
    return setup.recorded(Laboratory(noise_n=0.01))


@kind()
def platen_sticks_and_slips(random):
    """The drive moves in small jerks at uneven times."""
    setup = Setup(random, rate_hz=100.0, cycles=3, law=random.choice(["sphere", "foam", "spring", "plateau"]))

    def speeds(count):
        jerks = np.repeat(random.exponential(1.0, count // 60 + 1), 60)[:count]
        return jerks * (random.random(len(jerks)) > 0.02) + 1e-3

    setup.press = {"brake_s": 0.0, "speeds": speeds}
    return setup.recorded(Laboratory(noise_n=0.01))


@kind(skipped=[*NOT_RELEASED])
def tacky_face_that_pulls_at_release(random):
    """The specimen sticks: on the way back the force goes below zero before it lets go."""
    setup = Setup(random, rate_hz=100.0, cycles=3, law=random.choice(["sphere", "spring"]), gap_mm=2.5)
    setup.specimen = replace(
        setup.specimen, sticks_n=random.uniform(0.2, 2.0), sticks_mm=random.uniform(0.1, 0.8)
    )
    return setup.recorded(Laboratory(noise_n=0.01))


@kind()
def zero_creeps_with_temperature(random):
    """Over some minutes of presses with rests, the zero wanders by many times the noise."""
    setup = Setup(random, rate_hz=20.0, cycles=5, rest_s=20.0, lead_s=10.0, tail_s=10.0)
    drift = random.choice([-1, 1]) * random.uniform(0.005, 0.02)
    lab = Laboratory(noise_n=0.005, drift_n_per_s=drift, drift_bend=random.uniform(-0.5, 0.5))
    return setup.recorded(lab)


@kind(wide=[*WIDE_WITH_DRIFT, "set_mm"])
def zero_drifts_by_more_than_the_first_press(random):
    """The zero moves by 0.05 to 0.2 N a second; the first press is not as deep as the others.

    This drift is smooth, which no recording can vouch for: u of what leans on the zero may be wide.
    """
    setup = Setup(random, rate_hz=20.0, law=random.choice(["sphere", "foam", "spring"]))
    course = Course(1 / (setup.rate_hz * 20), 0.0)
    course.rest(60.0)
    for share in (0.6, 1.0, 1.0, 1.0):
        course.press(setup.gap_mm + share * setup.depth_mm, setup.speed_mm_per_s)
        course.rest(20.0)
    drift = random.choice([-1, 1]) * random.uniform(0.05, 0.2)
    lab = Laboratory(noise_n=0.005, drift_n_per_s=drift, drift_bend=random.uniform(-0.3, 0.3))
    return setup.recorded(lab, course=course)


@kind()
def rows_are_few_while_it_stands(random):
    """The logger keeps one row in 25 while nothing moves."""
    setup = Setup(
        random,
        rate_hz=50.0,
        cycles=2,
        law="rubber",
        lead_s=8.0,
        rest_s=8.0,
        tail_s=8.0,
        press={"hold_s": 11.5},
    )
    return setup.recorded(Laboratory(noise_n=0.01, thinned=25))


@kind()
def rows_are_lost_and_late(random):
    """One row in fifty is missing, and the others come when they can."""
    setup = Setup(random, rate_hz=100.0, cycles=3)
    return setup.recorded(Laboratory(noise_n=0.01, lost_share=0.02, late_share=0.8))


@kind()
def times_of_a_coarse_clock(random):
    """Times are written in steps of 1/64 s, so that several rows share one."""
    setup = Setup(random, rate_hz=100.0, cycles=3)
    return setup.recorded(Laboratory(noise_n=0.01, clock_step_s=1 / 64, decimals=(6, 4, 4)))


@kind()
def coarse_converters(random):
    """Force in steps of 0.05 to 0.5 N, position in steps of 0.01 or 0.05 mm, and less noise than a step."""
    setup = Setup(random, rate_hz=100.0, cycles=3)
    lab = Laboratory(
        noise_n=random.uniform(0.0, 0.05),
        noise_mm=0.0,
        quantum_n=random.choice([0.05, 0.1, 0.5]),
        quantum_mm=random.choice([0.01, 0.05]),
    )
    return setup.recorded(lab)


@kind()
def presses_without_rest_between(random):
    """The platen turns round as soon as it is off; the only stretches at rest are at both ends, and short."""
    setup = Setup(
        random,
        rate_hz=random.choice([50.0, 200.0]),
        cycles=5,
        rest_s=0.0,
        lead_s=0.2,
        tail_s=0.2,
        gap_mm=random.uniform(0.3, 1.0),
    )
    return setup.recorded(Laboratory(noise_n=random.uniform(0.003, 0.03)))


@kind()
def force_is_gone_for_one_row_between_presses(random):
    """A force controller between zero and a peak: the platen turns round as soon as the specimen lets go."""
    setup = Setup(
        random, rate_hz=random.choice([50.0, 100.0]), law=random.choice(["sphere", "spring", "plateau"])
    )
    row_mm = setup.speed_mm_per_s / setup.rate_hz
    course = Course(1 / (setup.rate_hz * 20), 0.0)
    course.rest(1.5)
    for _ in range(4):
        back_mm = setup.gap_mm - random.uniform(0.3, 1.0) * row_mm
        course.press(setup.gap_mm + setup.depth_mm, setup.speed_mm_per_s, back_mm=back_mm, brake_s=0.0)
    course.go(0.0, setup.speed_mm_per_s)
    course.rest(1.2)
    return setup.recorded(Laboratory(noise_n=random.uniform(0.005, 0.03)), course=course)


@kind()
def one_to_three_rows_a_second(random):
    """A slow press and a slow logger: some dozen rows a stroke, a few between presses."""
    rate_hz = float(random.choice([0.5, 1.0, 2.0, 3.0]))
    setup = Setup(
        random, rate_hz=rate_hz, cycles=3, law=random.choice(["sphere", "spring", "foam", "plateau"])
    )
    setup.speed_mm_per_s = (setup.depth_mm + setup.gap_mm) * rate_hz / random.uniform(15.0, 40.0)
    setup.lead_s, setup.rest_s, setup.tail_s = (random.uniform(4.0, 8.0) / rate_hz for _ in range(3))
    setup.press = {"brake_s": float(random.choice([0.0, 0.3]))}
    return setup.recorded(Laboratory(noise_n=random.uniform(0.005, 0.03)))


@kind()
def sine_of_few_rows(random):
    """A servo machine runs a sine, and the table holds 25 to 60 rows of each: the caps are round."""
    rows = float(random.choice([25.0, 40.0, 60.0]))
    setup = Setup(random, rate_hz=float(random.choice([5.0, 20.0, 50.0])), cycles=4)
    setup.specimen = replace(setup.specimen, set_mm=0.0, softening=0.0)
    course = Course(1 / (setup.rate_hz * 50), 0.0)
    course.rest(12 / setup.rate_hz)
    half = round(rows * 50 / 2)

    def speeds(count):
        return np.sin(np.pi * (np.arange(count) + 0.5) / count)

    speed_mm_per_s = (setup.gap_mm + setup.depth_mm) / (half * course.step_s)
    for _ in range(setup.cycles):
        course.press(setup.gap_mm + setup.depth_mm, speed_mm_per_s, brake_s=0.0, speeds=speeds)
    course.rest(12 / setup.rate_hz)
    return setup.recorded(Laboratory(noise_n=random.uniform(0.003, 0.02)), course=course)


@kind(empty=NO_CONTACT, skipped=["initial_n_per_mm", "chord_n_per_mm"])
def contact_is_kept_between_presses(random):
    """A sine or triangle about a mean that never lets go; the first press begins in the air."""
    setup = Setup(random, rate_hz=100.0, law=random.choice(["spring", "rubber"]))
    course = Course(1 / (setup.rate_hz * 20), 0.0)
    course.rest(1.5)
    for _ in range(5):
        course.press(
            setup.gap_mm + setup.depth_mm,
            setup.speed_mm_per_s,
            back_mm=setup.gap_mm + random.uniform(0.4, 0.6) * setup.depth_mm,
        )
    return setup.recorded(Laboratory(noise_n=0.01), course=course, one_way=True)


@kind(
    empty=["tangent_n_per_mm", *NOT_RELEASED, *NO_CONTACT],
    skipped=["contact_mm", "contact_at_force_mm", "initial_n_per_mm", "chord_n_per_mm", "knee_mm", "knee_n"],
    wide=["peak_force_n", "peak_deflection_mm", "secant_n_per_mm", "energy_absorbed_mj"],
)
def few_rows_read_by_eye(random):
    """Two to thirty rows of a scale beside a ruler, loading only, the first one already under load; no times.

    So few rows cannot say how well they were read: u may be wide.
    """
    setup = Setup(random, rate_hz=100.0, cycles=1, law=random.choice(["sphere", "spring", "plateau", "foam"]))
    setup.press = {"brake_s": 0.0}
    made = setup.recorded(Laboratory(noise_n=0.0, noise_mm=0.0), one_way=True, offset_mm=setup.gap_mm)
    rows = int(random.integers(2, 31))
    wanted_mm = setup.depth_mm * np.arange(1, rows + 1) / rows
    place = np.minimum(np.searchsorted(made["row_mm"], wanted_mm), len(made["row_mm"]) - 1)
    press = made["presses"][0]
    deep_mm, force_n = made["row_mm"][place], made["row_n"][place]
    # the table ends with its last row, and counts from its own zero
    peak_n = float(force_n.max())
    known = {
        "peak_force_n": (peak_n, peak_n),
        "peak_deflection_mm": (deep_mm[-1], deep_mm[-1]),
        "secant_n_per_mm": tuple(sorted((force_n[-1] / deep_mm[-1], peak_n / deep_mm[np.argmax(force_n)]))),
    }
    return made | {
        "row_s": np.arange(float(rows)),
        "row_mm": deep_mm,
        "row_n": force_n,
        "decimals": (0, 1, 1),
        "presses": [replace(press, known=known, toe=None, strokes=None, has_knee=None)],
        "timed": False,
        "at_mm": None,
    }
