"""Puts recordings through the commands that a user types, and compares what comes back with the truth.

A recording is written as a table, imported by `pressrig import` and measured by `pressrig analyse --json`, in
this process. Cycles are matched with true presses by their times.
"""

from __future__ import annotations

import contextlib
import io
import json
import sys
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from dense_truth import RANGES
from scipy.stats import binom

HOLD_S = 1.0
HOLD_SHORT, HOLD_LONG_S = 0.9, 0.5
"""A hold counts as found from this share of its shortest true length, up to this much above its longest."""

HELD_WITHIN = 2.0
ONE_SIGMA = 0.683

HELD, CHANCE = 0.93, 1e-3
"""Share of values that shall lie within two standard uncertainties, and the chance that a count of recordings
falls below what is asserted although so many do on the average."""

NARROW = 0.5
"""A range of truth below this many standard uncertainties counts as a single value, for the spread."""

FALSE_KNEES = 0.02
REPORTED = 0.9
WIDE_ANYWAY = {"knee_n"}
"""The u of a knee's force holds a kink anywhere within the rows of a tangent; these laws bend smoothly."""

WIDEST = 3.0
"""u over the real spread; the allowance for a spread that is itself known from few values is four of its
standard errors, 1/sqrt(2 n) each."""


class CommandError(AssertionError):
    """A command of the program ended with an error."""


def pressrig(*arguments):
    """Run a command in this process; its standard output, and its exit code."""
    from rig.cli import main

    output, errors = io.StringIO(), io.StringIO()
    before = sys.argv
    sys.argv = ["pressrig", *map(str, arguments)]
    code = 0
    try:
        with contextlib.redirect_stdout(output), contextlib.redirect_stderr(errors):
            main()
    except SystemExit as end:
        code = int(end.code or 0)
    finally:
        sys.argv = before
    if code > 1:
        raise CommandError(f"pressrig {' '.join(map(str, arguments))}: exit code {code}\n{errors.getvalue()}")
    return output.getvalue(), code


def written(recording, path):
    """Write the table as a laboratory would."""
    columns = (recording.row_s, recording.row_mm, recording.row_n)
    decimals = recording.decimals or (9, 9, 9)
    texts = [np.char.mod(f"%.{places}f", column) for places, column in zip(decimals, columns, strict=True)]
    lines = [",".join(row) for row in zip(*texts, strict=True)]
    path.write_text("\n".join(["time_s,position_mm,force_n", *lines]) + "\n")


COLUMNS = ("--time", "time_s:s", "--position", "position_mm:mm", "--force", "force_n:N")


UNTIMED = COLUMNS[2:]


def analysed(recording, folder, columns=None):
    """The document of `pressrig analyse --json` for one recording."""
    folder = Path(folder)
    columns = columns or (COLUMNS if recording.timed else UNTIMED)
    table = folder / f"{recording.kind}-{recording.seed}.csv"
    written(recording, table)
    stated = list(recording.analyse_options)
    if recording.at_mm is not None:
        stated += ["--at", f"{recording.at_mm:g} mm,{unreached_mm(recording):g} mm"]
    if recording.sense != "compression":
        stated += ["--sense", recording.sense]
    if recording.zero is not None:
        stated += ["--zero", recording.zero]
    said, _ = pressrig(
        "import",
        table,
        *columns,
        # the truth has the signs of the table
        *([] if "--negate-force" in columns else ["--keep-signs"]),
        "--specimen",
        f"{recording.kind}-{recording.seed}",
        "--out",
        folder / "captures",
    )
    capture = said.strip().splitlines()[-1]
    document, _ = pressrig("analyse", capture, *stated, "--json")
    return json.loads(document)["captures"][0]


def unreached_mm(recording):
    """A depth that no press of the recording reaches."""
    row_mm = recording.row_mm
    return round(max(float(np.ptp(row_mm)), float(np.abs(row_mm).max())) + 1.0, 1)


def is_spoiled(cycle, name):
    """Whether one of the cycle's flags spoils the quantity."""
    if "spoilt" in cycle:
        return any(name in names for names in cycle["spoilt"].values())
    return bool(cycle["flags"])


@dataclass
class Score:
    """What many recordings of one kind say.

    Parameters
    ----------
    true, found, phantom
        Presses.
    holds, holds_found, holds_phantom
        Holds of a second or more.
    off, points
        By quantity, (seed, (value - truth)/u) of each value that is reported, and the latter alone where the
        truth is a single value.
    wanted, reported
        By quantity, how often there is a truth, and how often a value beside it.
    flags
        How many cycles bear each flag.
    absurd
        Sentences about values that no recording can hold.
    """

    kind: str
    wide: frozenset = frozenset()
    recordings: int = 0
    true: int = 0
    found: int = 0
    phantom: int = 0
    wrong_counts: int = 0
    checks: int = 0
    checks_found: int = 0
    holds: int = 0
    holds_found: int = 0
    holds_phantom: int = 0
    knees_phantom: int = 0
    no_knees: int = 0
    off: dict = field(default_factory=lambda: defaultdict(list))
    wanted: dict = field(default_factory=lambda: defaultdict(int))
    reported: dict = field(default_factory=lambda: defaultdict(int))
    points: dict = field(default_factory=lambda: defaultdict(list))
    flags: dict = field(default_factory=lambda: defaultdict(int))
    cycles: int = 0
    breaks: int = 0
    breaks_found: int = 0
    absurd: list = field(default_factory=list)
    failures: list = field(default_factory=list)

    def held(self, name):
        """Share of recordings' values within two standard uncertainties: each recording counts as one."""
        by_seed = self.by_seed(name)
        return (
            float(np.mean([np.mean(np.abs(values) <= HELD_WITHIN) for values in by_seed]))
            if by_seed
            else np.nan
        )

    def by_seed(self, name):
        seeds = defaultdict(list)
        for seed, off in self.off[name]:
            seeds[seed].append(off)
        return [np.array(values) for values in seeds.values()]

    def u_over_spread(self, name):
        """u over the real spread: 1 if two thirds of the values lie within one u of the truth."""
        values = np.abs(self.points[name])
        if not len(values):
            return np.nan
        return float(1 / max(np.quantile(values, ONE_SIGMA), 1e-9))

    def bias(self, name):
        """Median of (value - truth)/u."""
        return float(np.median([off for _, off in self.off[name]])) if self.off[name] else np.nan

    def share_reported(self, name):
        return self.reported[name] / self.wanted[name] if self.wanted[name] else np.nan

    def complaints(self, name, may_be_empty=frozenset()):
        """What is wrong with a quantity, each with its figure; nothing where all is as it should be."""
        seeds = self.by_seed(name)
        if name not in may_be_empty and self.share_reported(name) < REPORTED:
            yield f"reported in {100 * self.share_reported(name):.0f} %"
        if not seeds:
            return
        held = sum(float(np.mean(np.abs(values) <= HELD_WITHIN)) for values in seeds)
        if held < binom.ppf(CHANCE, len(seeds), HELD):
            yield f"within 2u in {100 * self.held(name):.0f} %"
        allowed = WIDEST * (1 + 4 / np.sqrt(2 * max(len(self.points[name]), 1)))
        if self.u_over_spread(name) > allowed and name not in self.wide | WIDE_ANYWAY:
            yield f"u is {self.u_over_spread(name):.1f} times the spread"

    @property
    def quantities(self):
        return [name for name in QUANTITIES if self.wanted[name]]


QUANTITIES = [
    "contact_mm",
    "contact_at_force_mm",
    "peak_force_n",
    "peak_deflection_mm",
    "secant_n_per_mm",
    "chord_n_per_mm",
    "tangent_n_per_mm",
    "initial_n_per_mm",
    "energy_absorbed_mj",
    "energy_to_break_mj",
    "energy_returned_mj",
    "loss_mj",
    "hysteresis_pct",
    "set_mm",
    "force_retention_1s_pct",
    "force_retention_10s_pct",
    "force_retention_60s_pct",
    "knee_mm",
    "knee_n",
    "at_depth_loading_n",
    "at_depth_unloading_n",
]
assert set(QUANTITIES) == RANGES

SIDES = ("loading", "unloading")
AT_DEPTH = tuple(f"at_depth_{side}_n" for side in SIDES)


def score(kind, seeds, folder, make=None, tamper=None):
    """Score a kind over seeds.

    Parameters
    ----------
    make
        Makes a recording of a seed, instead of the kind's own generator.
    tamper
        Changes a recording's truth: to see that the score notices.
    """
    found = Score(kind.name, kind.wide)
    for seed in seeds:
        recording = (make or kind.recording)(seed)
        if tamper is not None:
            recording = tamper(recording)
        try:
            document = analysed(recording, folder)
        except CommandError as refusal:
            document = {"cycles": [], "settings": {}, "contact_checks": 0}
            found.failures.append(str(refusal))
        compare(found, recording, document, skipped=kind.skipped)
    return found


def compare(found, recording, document, skipped=frozenset()):
    """Add one recording's comparison to a score."""
    cycles = document["cycles"]
    matched = matches(recording.presses, cycles, timed=recording.timed)
    found.recordings += 1
    found.true += len(recording.presses)
    hits = sum(each is not None for each in matched)
    found.found += hits
    found.phantom += len(cycles) - hits
    found.wrong_counts += len(cycles) != len(recording.presses)
    found.checks += recording.checks
    found.checks_found += min(document.get("contact_checks", 0), recording.checks)
    contact_n = document["settings"].get("contact_force_n") or np.nan
    first_at = recording.presses[0].position_at(contact_n)
    forces = (min(recording.row_n.min(), 0.0), max(recording.row_n.max(), 0.0))
    for number, (press, cycle) in enumerate(zip(recording.presses, matched, strict=True)):
        known = dict(press.known)
        at = press.position_at(contact_n)
        if np.isfinite(at) and "contact_mm" in known:
            known["contact_at_force_mm"] = (at, at)
            if number and np.isfinite(first_at) and matched[0] is not None and matched[0]["cycle"] == 1:
                known["set_mm"] = (at - first_at, at - first_at)
        for side, stroke in zip(SIDES, press.strokes or (), strict=False):
            force_n = np.nan if recording.at_mm is None else stroke.force_at(recording.at_mm)
            # where contact was kept, a stroke may come by only partly
            if np.isfinite(force_n) and "contact_mm" in known:
                known[f"at_depth_{side}_n"] = (force_n, force_n)
        if cycle is not None:
            found.cycles += 1
            for flag in cycle["flags"]:
                found.flags[flag] += 1
            found.absurd += absurdities(recording, cycle, forces)
        _compare_hold(found, press, cycle)
        _compare_knee(found, press, cycle)
        for name in QUANTITIES:
            if name not in known or name in skipped:
                continue
            found.wanted[name] += 1
            off = _off(cycle if name not in AT_DEPTH else _at_depth(cycle), name, known[name])
            if off is not None:
                found.reported[name] += 1
                found.off[name].append((recording.seed, off))
                low, high = known[name]
                shown = cycle if name not in AT_DEPTH else _at_depth(cycle)
                if shown[f"{name}_u"] and high - low <= NARROW * shown[f"{name}_u"]:
                    found.points[name].append(_off(shown, name, ((low + high) / 2,) * 2))
        if press.break_mm is not None:
            found.breaks += 1
            found.breaks_found += cycle is not None and _tells_break(cycle, press)


def matches(presses, cycles, *, timed=True):
    """For each true press the cycle that overlaps it most, if the two share half of either."""
    matched = [None] * len(presses)
    for cycle in cycles:
        start, end = cycle["start_s"], cycle["end_s"]
        if not timed or start is None or end is None:
            # no times: in order
            place = cycle["cycle"] - 1
            if place < len(presses) and matched[place] is None:
                matched[place] = cycle
            continue
        shared = [min(end, press.end_s) - max(start, press.start_s) for press in presses]
        place = int(np.argmax(shared)) if shared else 0
        if not shared or shared[place] < 0.5 * min(
            end - start, presses[place].end_s - presses[place].start_s
        ):
            continue
        # a specimen that tore early is out of contact for most of the press
        whole_s = presses[place].end_s - presses[place].start_s
        if presses[place].break_mm is None and shared[place] < 0.3 * whole_s:
            continue
        if matched[place] is None:
            matched[place] = cycle
    return matched


def _at_depth(cycle):
    """A cycle's first reading at a depth, with what spoils it, under the names that are judged here."""
    if cycle is None or not cycle.get("at"):
        return None
    reading = cycle["at"][0]
    spoilt = {
        flag: [f"at_depth_{side}_n" for side in SIDES if any(f".{side}_n" in name for name in names)]
        for flag, names in cycle.get("spoilt", {}).items()
    }
    return {f"at_depth_{name}": value for name, value in reading.items()} | {"spoilt": spoilt}


def _off(cycle, name, truth):
    """(value - truth)/u, from the nearer end of the truth's range; None where nothing is reported."""
    if cycle is None or is_spoiled(cycle, name):
        return None
    value, u = cycle.get(name), cycle.get(f"{name}_u")
    if value is None:
        return None
    value = abs(value) if name == "peak_force_n" else value
    low, high = truth
    off = value - min(max(value, low), high)
    if off == 0.0:
        return 0.0
    return float(off / u) if u else float(np.sign(off) * 999.0)


def _compare_hold(found, press, cycle):
    shortest, longest = press.hold_s
    told = None if cycle is None else cycle.get("hold_s")
    if shortest >= HOLD_S:
        found.holds += 1
        found.holds_found += told is not None and HOLD_SHORT * shortest <= told <= longest + HOLD_LONG_S
    elif told is not None:
        found.holds_phantom += told > max(longest + HOLD_LONG_S, HOLD_S)


def _compare_knee(found, press, cycle):
    if press.has_knee is False and cycle is not None and press.break_mm is None:
        found.no_knees += 1
        found.knees_phantom += not is_spoiled(cycle, "knee_mm") and cycle["knee_mm"] is not None


def _tells_break(cycle, press):
    """Whether a flag speaks of a break, and its place is right to 5 % of the deflection there, or to 2 u."""
    place, u = cycle.get("break_mm"), cycle.get("break_mm_u") or 0.0
    most = max(0.05 * press.break_mm, HELD_WITHIN * u)
    return bool(cycle["flags"]) and place is not None and abs(place - press.break_mm) <= most


def absurdities(recording, cycle, forces):
    """Values that lie outside what the recording can hold."""
    row_mm = recording.row_mm
    span_mm = float(np.ptp(row_mm))
    about = f"{recording.kind} {recording.seed} cycle {cycle['cycle']}"
    for name, value in cycle.items():
        if isinstance(value, float) and name.endswith("_u") and value < 0:
            yield f"{about}: {name} = {value}"
    for name in ("contact_mm", "contact_at_force_mm"):
        value = cycle.get(name)
        if value is not None and not row_mm.min() - 0.05 * span_mm <= value <= row_mm.max() + 0.05 * span_mm:
            yield f"{about}: {name} = {value} outside {row_mm.min()} to {row_mm.max()}"
        u = cycle.get(f"{name}_u")
        if u is not None and u > span_mm:
            yield f"{about}: {name}_u = {u} beyond the range of positions"
    for reading in cycle.get("at", ())[1:]:
        if recording.at_mm is not None and (reading["loading_n"], reading["unloading_n"]) != (None, None):
            yield f"{about}: a force at {reading['at']}, which no press reaches"
    peak, peak_u = cycle.get("peak_force_n"), cycle.get("peak_force_n_u")
    span_n = float(np.ptp(recording.row_n))
    if peak is not None and abs(peak) > 1.05 * max(np.ptp(recording.row_n), np.abs(recording.row_n).max()):
        yield f"{about}: peak_force_n = {peak} beyond {forces}"
    if peak_u is not None and peak_u > span_n:
        yield f"{about}: peak_force_n_u = {peak_u} beyond the range of forces"
