"""What a person at a hand lever sees in a terminal: one calm panel, or plain lines where it is piped."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich.live import Live
from rich.panel import Panel
from rich.text import Text

from rig.cli.output import console, say
from rig.core import visible

if TYPE_CHECKING:
    from rich.console import RenderableType

    from rig.jobs.guidance import Guidance

REFRESH_PER_S = 10
"""Quick enough to follow a hand, slow enough to be read."""

BAR_CELLS = 24
"""With what stands behind it, a line fits into 76 columns."""
SPEED_BAR_REACHES = 2.0
"""The speed bar ends at this many times the speed asked for."""

NEXT_TO_NOTHING = 0.05
"""In mm and in N: shown as zero, without a sign that flickers."""

FULL, BAND, EMPTY = "#", "=", "."
LABEL_CELLS = 7


@contextmanager
def guidance_shown() -> Iterator[Callable[[Guidance], None]]:
    """A panel on standard error that is redrawn; where that is not a terminal, a line for each step.

    Yields a function that takes the guidance of each moment.
    """
    stderr = console(stderr=True)
    if not stderr.is_terminal:
        yield _Lines().show
        return
    latest: list[Guidance] = []

    def show(guidance: Guidance) -> None:
        latest[:] = [guidance]

    def panel() -> RenderableType:
        return panel_of(latest[0]) if latest else ""

    with Live(
        get_renderable=panel,
        console=stderr,
        refresh_per_second=REFRESH_PER_S,
        transient=True,
        redirect_stderr=False,
    ):
        yield show


def panel_of(guidance: Guidance) -> RenderableType:
    """Return the panel of one moment."""
    text = Text(visible(guidance.instruction), style="bold", no_wrap=False)
    for line in lines_of(guidance):
        text.append(f"\n{visible(line)}", style="not bold")
    # always a line of its own, so that the panel does not jump when it comes and goes
    text.append("\n")
    if guidance.warning is not None:
        text.append(f" {visible(guidance.warning)} ", style="bold reverse")
    step = guidance.place.rpartition(", ")[2]
    presses = f", {guidance.presses_done} of {guidance.presses} presses done" if guidance.presses else ""
    return Panel(text, title=Text(visible(f"{step}{presses}")), title_align="left")


def lines_of(guidance: Guidance) -> list[str]:
    """Return the depth or force against its target, speed against the one asked for, and what to do now."""
    lines = []
    depth = "no contact yet" if guidance.deflection_mm is None else _depth(guidance.deflection_mm)
    force_n = 0.0 if abs(guidance.force_n) < NEXT_TO_NOTHING else guidance.force_n
    force = f"{force_n:.1f} N"
    if guidance.target_n is not None:
        force += f" of {guidance.target_n:.4g} N"
        lines.append(_row("force", share_bar(guidance.share), f"{force}, {depth}"))
    else:
        if guidance.target_mm is not None:
            depth += f", to {_depth(guidance.target_mm)}"
        label = "time" if guidance.time_left_s is not None else "depth"
        lines.append(_row(label, share_bar(guidance.share), f"{depth}, {force}"))
    asked, band = guidance.asked_mm_per_s, guidance.band_mm_per_s
    if asked is None or band is None:
        lines.append("")
    else:
        speed = max(guidance.speed_mm_per_s, 0.0)
        said = f"{speed:.1f} mm/s ({band[0]:.2g} to {band[1]:.2g}): {guidance.pace or 'done'}"
        lines.append(_row("speed", speed_bar(speed, asked, band), said))
    left = "" if guidance.time_left_s is None else f", {guidance.time_left_s:.0f} s left"
    lines.append(_row("now", "", f"{guidance.hint}{left}"))
    lines.append(_row("before", "", guidance.before))
    return lines


def share_bar(share: float) -> str:
    """Return a bar filled to a share from 0 to 1.

    Examples
    --------
    >>> share_bar(0.25)
    '[######..................]'
    """
    full = round(min(max(share, 0.0), 1.0) * BAR_CELLS)
    return f"[{FULL * full}{EMPTY * (BAR_CELLS - full)}]"


def speed_bar(speed: float, asked: float, band: tuple[float, float]) -> str:
    """Return a bar filled to a speed, with the band that is right marked behind it.

    Examples
    --------
    >>> speed_bar(2.0, 2.0, (1.5, 2.5))
    '[############===.........]'
    """
    per_cell = SPEED_BAR_REACHES * asked / BAR_CELLS
    cells = []
    for cell in range(BAR_CELLS):
        middle = (cell + 0.5) * per_cell
        in_band = band[0] <= middle <= band[1]
        cells.append(FULL if middle <= speed else BAND if in_band else EMPTY)
    return f"[{''.join(cells)}]"


def _row(label: str, bar: str, said: str) -> str:
    return f"{label:<{LABEL_CELLS}}{bar}{' ' if bar else ''}{said}".rstrip()


def _depth(deflection_mm: float) -> str:
    """Return a deflection, or the gap that it is when it is below zero."""
    return (
        f"gap of {-deflection_mm:.1f} mm"
        if deflection_mm < -NEXT_TO_NOTHING
        else f"{max(deflection_mm, 0.0):.1f} mm"
    )


class _Lines:
    """A line for each step that begins, and for each warning."""

    def __init__(self) -> None:
        self._step: object = None
        self._warned: str | None = None

    def show(self, guidance: Guidance) -> None:
        step = guidance.place, guidance.passes, guidance.instruction
        if step != self._step:
            if guidance.before and self._step is not None:
                say(f"  was: {guidance.before}", err=True)
            self._step = step
            say(guidance.instruction, err=True)
        kind = None if guidance.warning is None else guidance.warning.partition(":")[0]
        if kind != self._warned and kind is not None:
            say(f"  ! {guidance.warning}", err=True)
        self._warned = kind
