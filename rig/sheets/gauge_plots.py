"""Pictures of a gauge study: what the variance comes from, and every reading of every piece.

Problem: a study has few numbers that decide and many readings behind them, and a reader trusts the first only
with a look at the second. Plan: one strip is the whole variance; it splits into pieces and gauge, and the
gauge into its own shares, for both models; under it each part's standard deviation with its interval. Then
one panel a piece, in which each appraiser has a line and each reading a mark with the number of its trial,
all on one scale about the piece's mean. Pictures are narrow, so that a phone shows their words. Cost: a
figure for every dozen pieces.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from rig.core import rounded
from rig.population import GaugeModel, GaugeResult, LaboratoryStudy, TrialTable
from rig.sheets.plots import DASHES, INK, MARKERS, SERIES, new_grid, save_figure, save_figures

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SHARES = (
    ("pieces", "pieces", "#9db7c1"),
    ("reproducibility", "appraisers", SERIES[1]),
    ("piece x appraiser", "appraiser with piece", SERIES[3]),
    ("repeatability", "repeats", SERIES[0]),
)
"""Parts that add up to the whole variance: name, words, colour. The pale one is not the gauge's."""

GAUGE_SHADE = "#e9eef1"

WIDTH_IN = 5.2
"""At 400 pixels across a page's words are then still as high as those around it."""

PANELS = 12
"""Pieces in one picture, which fits on a printed page."""

ACROSS = 2

MOST_PIECES = 120
"""Of more pieces the first this many are drawn; the table beside the page has all readings."""

LEGEND_AT = (0.0, 0.3, 0.76)
"""Where the names of the gauge's shares begin below the strip; the second is the longest."""

CLOSE = 0.1
"""Numbers of trials that are nearer than this share of the scale's reach would run into each other."""

NARROW = 0.06
"""A share of the strip that is narrower has no room for its number."""


def save_gauge_plots(table: TrialTable, result: GaugeResult, folder: Path) -> list[tuple[str, Path]]:
    """Write the pictures of a study, the strip of variance first; return caption and path of each."""
    caption = (
        "The strip is the whole variance. Its right end is the gauge, expanded below into its sources. "
        "Lines: standard deviations with their intervals, dashed for the lower strip."
    )
    drawn = [(caption, folder / "variance.png", _strips(result))]
    shown = table.pieces[:MOST_PIECES]
    for first in range(0, len(shown), PANELS):
        last = min(first + PANELS, len(shown))
        caption = (
            f"{shown[first]} to {shown[last - 1]}: every reading relative to its piece's mean, numbered by "
            "trial."
        )
        path = folder / f"pieces-{first // PANELS + 1}.png"
        drawn.append((caption, path, _pieces(table, result, first, last)))
    return save_figures(drawn)


def _strips(result: GaugeResult) -> Figure:
    models = [model for model in (result.chosen, result.other) if model is not None]
    # the model that keeps the interaction stands above, whichever leads: neither is the other's footnote
    models.sort(key=lambda model: len(model.components), reverse=True)
    heights = [1.55] * len(models) + [0.5 + 0.42 * len(SHARES)]
    figure, axes = new_grid(len(heights), 1, (WIDTH_IN, 1.2 * sum(heights)), height_ratios=heights)
    for axis, model in zip(axes[:, 0], models, strict=False):
        _strip(axis, model)
    _intervals(axes[-1, 0], models, result)
    return figure


def _strip(axis: Axes, model: GaugeModel) -> None:
    """The whole variance, and below it the gauge's part drawn out to the whole width."""
    known = {part.name: part for part in model.components}
    shares = [(words, colour, known[name].variance) for name, words, colour in SHARES if name in known]
    whole = known["total"].variance
    axis.set(xlim=(0, 1), ylim=(-1.75, 1.15))
    axis.axis("off")
    axis.set_title(model.name, loc="left", color=INK, fontsize=10)
    if not whole > 0:
        axis.text(0, 0.5, "nothing spreads", color=INK, fontsize=9)
        return
    own = shares[0][2] / whole
    axis.barh(0.5, own, height=0.7, color=shares[0][1])
    axis.barh(0.5, 1 - own, left=own, height=0.7, color=SERIES[2], alpha=0.55)
    said = (("pieces", own, 0.0, "left"), ("gauge", 1 - own, 1.0, "right"))
    for words, share, at, side in said:
        axis.text(at, 0.93, f"{words} {100 * share:.3g} %", ha=side, va="bottom", color=INK, fontsize=9)
    gauge = whole - shares[0][2]
    if not gauge > 0:
        return
    axis.fill([own, 1, 1, 0], [0.15, 0.15, -0.35, -0.35], color=GAUGE_SHADE, linewidth=0)
    left = 0.0
    for place, (words, colour, variance) in enumerate(shares[1:]):
        share = variance / gauge
        axis.barh(-0.7, share, left=left, height=0.7, color=colour)
        if share > NARROW:
            middle = left + share / 2
            axis.text(
                middle, -0.7, f"{100 * share:.0f} %", ha="center", va="center", color="white", fontsize=8
            )
        left += share
        across = LEGEND_AT[place]
        axis.text(across + 0.035, -1.45, words, va="center", color=INK, fontsize=8)
        axis.barh(-1.45, 0.022, left=across, height=0.24, color=colour)


def _intervals(axis: Axes, models: list[GaugeModel], result: GaugeResult) -> None:
    """Standard deviation and interval of each part: full marks for the upper strip, open for the lower."""
    rows = [(name, words, colour) for name, words, colour in SHARES if _has(models, name)]
    for place, (name, _, colour) in enumerate(rows):
        for rank, model in enumerate(model for model in models if _has([model], name)):
            part = model.component(name)
            at = -place + 0.14 - 0.28 * rank
            dashes = DASHES if rank else "-"
            axis.plot([part.sd_low, part.sd_high], [at, at], color=colour, linewidth=2, linestyle=dashes)
            face = "white" if rank else colour
            axis.plot(part.sd, at, "o", color=colour, markerfacecolor=face, markersize=5)
    axis.set_yticks([-place for place in range(len(rows))], [words for _, words, _ in rows], fontsize=9)
    axis.set_ylim(-len(rows) + 0.4, 0.6)
    axis.set_xlim(left=0)
    unit = f", {result.unit}" if result.unit else ""
    level = f"{100 * result.level:g} %"
    axis.set_xlabel(f"standard deviation{unit} ({level} intervals)", color=INK, fontsize=9)
    axis.tick_params(labelsize=8)
    axis.grid(axis="x", color="#d8dee2", linewidth=0.6)
    axis.spines[["top", "right", "left"]].set_visible(False)


def _has(models: list[GaugeModel], name: str) -> bool:
    return any(part.name == name for model in models for part in model.components)


def _pieces(table: TrialTable, result: GaugeResult, first: int, last: int) -> Figure:
    rows = -(-(last - first) // ACROSS)
    people = len(table.appraisers)
    figure, axes = new_grid(rows, ACROSS, (WIDTH_IN, rows * (0.62 + 0.2 * people) + 0.5), sharex=True)
    away = table.measured - table.measured.mean(axis=(1, 2), keepdims=True)
    reach = 1.08 * float(np.abs(away).max()) or 1.0
    for place, axis in enumerate(axes.flat):
        if first + place >= last:
            axis.axis("off")
            continue
        mean = float(table.measured[first + place].mean())
        title = f"{table.pieces[first + place]}: mean {rounded(mean, result.component('total').sd / 10)}"
        _readings_of(axis, away[first + place], title, CLOSE * reach)
        axis.set_xlim(-reach, reach)
        named = table.appraisers if place % ACROSS == 0 else [""] * people
        axis.set_yticks(range(people), named, fontsize=8)
        axis.set_ylim(people - 0.4, -0.6)
    unit = f", {result.unit}" if result.unit else ""
    figure.supxlabel(f"{result.quantity} minus the piece's mean{unit}", color=INK, fontsize=9)
    return figure


def _readings_of(axis: Axes, away: np.ndarray, title: str, in_contact: float) -> None:
    """All readings of a piece: a line for each appraiser, a mark for each trial with its number."""
    axis.axvline(0, color=INK, linewidth=0.8)
    for person, values in enumerate(away):
        colour = SERIES[person % len(SERIES)]
        # a colour that comes round again has another marker
        marker = MARKERS[(person + person // len(SERIES)) % len(MARKERS)]
        axis.plot([values.min(), values.max()], [person, person], color=colour, linewidth=1)
        axis.plot(values, [person] * len(values), marker, color=colour, markersize=4)
        order = np.argsort(values)
        for rank, trial in enumerate(order):
            # neighbours have their numbers above and below; of two close ones on one side each moves outwards
            side, away_pt = ("top", -3) if rank % 2 else ("bottom", 3)
            across = "center"
            if rank + 2 < len(order) and values[order[rank + 2]] - values[trial] < in_contact:
                across = "right"
            elif rank >= 2 and values[trial] - values[order[rank - 2]] < in_contact:
                across = "left"
            axis.annotate(
                f"{trial + 1}", (values[trial], person), xytext=(0, away_pt), textcoords="offset points",
                ha=across, va=side, fontsize=6, color=INK,
            )  # fmt: skip
    axis.set_title(title, loc="left", color=INK, fontsize=9, pad=3)
    axis.tick_params(labelsize=8)
    axis.tick_params(axis="y", length=0)
    axis.spines[["top", "right", "left"]].set_visible(False)


def save_laboratory_plot(study: LaboratoryStudy, rows: Sequence[Mapping[str, object]], path: Path) -> None:
    """Draw the values and the mean of each laboratory, one material below the other."""
    heights = [0.9 + 0.24 * len(found.laboratories) for found in study.materials]
    figure, grid = new_grid(len(heights), 1, (WIDTH_IN, sum(heights)), height_ratios=heights)
    axes = grid[:, 0]
    unit = f", {study.unit}" if study.unit else ""
    for axis, found in zip(axes, study.materials, strict=True):
        reach = 1.96 * found.reproducibility.sd
        axis.axvline(found.mean, color=INK, linewidth=0.8)
        for side in (-reach, reach):
            axis.axvline(found.mean + side, color=INK, linewidth=0.8, linestyle="--")
        for place, laboratory in enumerate(found.laboratories):
            values = [
                float(str(row["value"]))
                for row in rows
                if str(row["laboratory"]).strip() == laboratory.name
                and str(row.get("material", "")).strip() == found.material
            ]
            axis.plot(values, np.full(len(values), place), "o", color=SERIES[0], markersize=4, alpha=0.7)
            axis.plot(laboratory.mean, place, "|", color=SERIES[1], markersize=12)
        names = [laboratory.name for laboratory in found.laboratories]
        axis.set_yticks(range(len(names)), names, fontsize=8)
        axis.set_ylim(len(names) - 0.4, -0.6)
        axis.set_title(found.material, loc="left", color=INK, fontsize=9)
        axis.tick_params(labelsize=8)
        axis.spines[["top", "right"]].set_visible(False)
    axes[-1].set_xlabel(f"{study.quantity}{unit}", color=INK, fontsize=9)
    save_figure(figure, path)
