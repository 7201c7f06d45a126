"""A height ordered from a daemon: checked whole before anything moves, and worked out afterwards.

Problem: what is ordered may not fit the rig, and may name captures that are not there, hold no bare contact
checks or lie where the daemon has no business; once all is measured, the height is to be shown without the
daemon growing. Plan: an order becomes a task that can be carried out, or a refusal; bare contact checks that
are not named are looked for among the newest captures only; a recording longer than an hour or so is left to
the command line. Cost: one pass over the captures that are reckoned with.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields, replace
from itertools import islice
from pathlib import Path

from rig.capture import HEIGHT, open_capture
from rig.core import logger
from rig.errors import InputError, RigError
from rig.jobs.height import MEASURED, measure_height
from rig.jobs.height_card import height_card
from rig.jobs.job import Bench, Job, Recorded, Standing, stops_outside
from rig.jobs.orders import LONGEST_NOTE, HeightCard, HeightOrder
from rig.methods import WORDS_OF, CheckedHeightPlan, HeightPlan, Surface, check_height_plan
from rig.results import CheckedSurface, read_height, read_surface, where_bare_met_mm

MOST_SAMPLES = 2_000_000
"""Of one capture, some 200 MB while it is read: an hour at 500 a second."""

OLDEST_BARE_S = 3600.0
"""Bare contact checks that are older than this are warned of."""

LISTEN_S = 0.05
"""While the height is worked out, deliveries are taken this often."""

LOOKED_THROUGH = 200
READ_AT_MOST = 5
"""Captures among which bare contact checks are looked for, the newest first, and how many of those that
should hold some are read: whoever ordered waits for the answer."""


@dataclass(frozen=True, slots=True)
class HeightJob(Job):
    """Makes contact checks of the bare platens, a piece, or both.

    `bare`, `bare_mm`: captures of bare contact checks made before and where those met; empty and None if they
    are made now.
    `works_out`: whether the height is wanted at the end, and not only the capture.
    """

    order: HeightOrder
    checked: CheckedHeightPlan
    surfaces: tuple[Surface, ...]
    bare: tuple[Path, ...] = ()
    bare_mm: float | None = None
    works_out: bool = True

    @property
    def name(self) -> str:
        """As its capture has it."""
        return HEIGHT

    @property
    def cycles_wanted(self) -> int | None:
        """Contact checks of all surfaces."""
        return self.checked.plan.contact_checks * len(self.surfaces)

    def describe(self) -> Iterator[str]:
        """Yield what is measured, and where the rig stops."""
        plan = self.checked.plan
        yield (
            f"{plan.contact_checks} contact checks of {' and of '.join(self.surfaces)} at "
            f"{plan.speed_mm_per_s:g} mm/s, up to {plan.top_n:g} N."
        )
        yield stops_outside(self.checked.rig)

    def perform(self, bench: Bench) -> Recorded:
        """Make the contact checks, and calculate the height while the rig is still listened to."""
        recorded = measure_height(
            bench, bench.heading(self.card), self.checked, surfaces=self.surfaces, bare_mm=self.bare_mm
        )
        if recorded.reason != MEASURED or not self.works_out:
            return recorded
        bench.watch.tell("calculate the height", recorded.progress)
        with ThreadPoolExecutor(1, "rig-height") as pool:
            working = pool.submit(self.work_out, recorded.path)
            while not working.done():
                bench.reader.get(LISTEN_S)
        return replace(recorded, height=working.result())

    def work_out(self, capture: Path) -> HeightCard | None:
        """Return the height, or why there is none; None where no piece was measured."""
        if "piece" not in self.surfaces:
            return None
        plan = self.checked.plan
        try:
            report = read_height(
                self.bare or (capture,),
                capture,
                forces_n=(plan.contact_n, plan.top_n),
                oldest_bare_s=OLDEST_BARE_S,
                most_samples=MOST_SAMPLES,
            )
        except RigError as problem:
            logger.warning("no height from {}: {}", capture, problem)
            return HeightCard(specimen=self.card.specimen, notes=(f"No height: {problem}"[:LONGEST_NOTE],))
        return height_card(report)


def height_job(order: HeightOrder, standing: Standing) -> HeightJob:
    """Check an order against a driven rig, and against the bare contact checks in its folder of captures.

    Raises DeviceError if the rig has no drive, or a stop is latched; InputError if the plan does not fit the
    rig, or there are no such bare contact checks.
    """
    plan = HeightPlan(**{field.name: getattr(order, field.name) for field in fields(HeightPlan)})
    checked = check_height_plan(plan, standing.limits(), WORDS_OF)
    if order.surface != "piece":
        if order.bare:
            raise InputError(
                "bare: found captures of bare contact checks, but they are made now; leave the captures out"
            )
        surfaces: tuple[Surface, ...] = ("bare",) if order.surface == "bare" else ("bare", "piece")
        return HeightJob(order, checked, surfaces)
    forces_n = (checked.plan.contact_n, checked.plan.top_n)
    folder = standing.folder
    if order.bare:
        bare = {path: _bare(path, forces_n) for path in (_within(name, folder) for name in order.bare)}
    else:
        bare = _newest_bare(folder, standing.rig.name, forces_n)
    met_mm = where_bare_met_mm(list(bare.values()))
    return HeightJob(order, checked, ("piece",), tuple(bare), met_mm)


def _bare(path: Path, forces_n: tuple[float, float]) -> CheckedSurface:
    return read_surface(path, "bare", forces_n, most_samples=MOST_SAMPLES)


def _within(name: str, folder: Path) -> Path:
    """Return a capture in the daemon's folder, by its name or its path; a page is not to have other files
    opened."""
    path = folder / name
    try:
        inside = path.name != ".." and path.parent.resolve() == folder.resolve() and path.is_dir()
    except (OSError, ValueError):  # a name that no file can have
        inside = False
    if not inside:
        raise InputError(
            f"bare: found {name!r:.200}, expected a capture in the folder of this daemon, {folder}"
        )
    return path


def _newest_bare(folder: Path, rig_name: str, forces_n: tuple[float, float]) -> dict[Path, CheckedSurface]:
    """Return the newest capture with bare contact checks of this rig that can be read."""
    for path in islice(_with_bare_checks(folder, rig_name), READ_AT_MOST):
        try:
            return {path: _bare(path, forces_n)}
        except RigError as problem:
            logger.debug("{}: no bare contact checks ({})", path, problem)
    raise InputError(
        f"bare: found no bare contact checks of rig {rig_name} up to {forces_n[1]:g} N among the newest "
        f"captures in {folder}, expected some: measure the bare platens too"
    )


def _with_bare_checks(folder: Path, rig_name: str) -> Iterator[Path]:
    """Yield the captures that should hold them, the newest first."""
    # a capture's name begins with its time
    newest = sorted(folder.glob("*/"), reverse=True) if folder.is_dir() else []
    for path in newest[:LOOKED_THROUGH]:
        try:
            header = open_capture(path).header
        except RigError as problem:
            logger.debug("{}", problem)
            continue
        same = header.ordered.kind == HEIGHT and header.rig.get("name") == rig_name
        if same and "bare" in (header.ordered.surfaces or ()):
            yield path
