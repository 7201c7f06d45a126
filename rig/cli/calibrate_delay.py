"""`pressrig calibrate delay`: how much later than the position the force is reported."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from rig.calibration import measure_delay
from rig.cli.calibrate_presses import PressOptions, dated, press_options, recordings_of, say_result, written
from rig.cli.calibrate_showing import freedom_words
from rig.cli.output import console, framed_table, say
from rig.core import finite
from rig.sheets import save_delay

if TYPE_CHECKING:
    from rig.calibration import DelayMeasurement

REFERENCE = "slow and fast presses of a metal spring"


@click.command("delay")
@press_options
def command(**options: Any) -> None:
    """Find the force-position time offset from CAPTURES of slow and fast presses of a metal spring.

    Press it to the same depth at three or more speeds, the fastest ten times the slowest, three times each,
    and release it between presses. Do not use foam or rubber, which lose more energy the faster they are
    pressed.
    """
    given = PressOptions(**options)
    recordings = recordings_of(given)
    found = measure_delay(recordings.samples, recordings.calibration)
    delay = replace(found.delay, record=dated(found.delay.record, recordings, given, REFERENCE))
    kept = written(given, recordings, delay=delay)
    if given.out is not None:
        save_delay(found, "Delay of the force", given.out)
    if not given.as_json:
        _show(found, recordings.calibration.delay.s)
    say_result(_document(found), found.notes, given, kept)


def _show(found: DelayMeasurement, before_s: float) -> None:
    headings = ("press", "speed mm/s", "peak N", "hysteresis before %", "hysteresis after %")
    table = framed_table("Presses", right=headings)
    for number, press in enumerate(found.presses, start=1):
        table.add_row(
            str(number),
            f"{press.speed_mm_per_s:.3g}",
            f"{press.peak_force_n:.4g}",
            f"{press.loss_before_pct:+.3f}",
            f"{press.loss_after_pct:+.3f}",
        )
    delay = found.delay
    assert delay.u_s is not None
    say(
        f"Force-position time offset: {1e3 * delay.s:.4g} ms +- {1e3 * found.interval_s:.2g} ms (95 %; "
        f"previously {1e3 * before_s:.4g} ms). Standard uncertainty {1e3 * delay.u_s:.2g} ms, degrees of "
        f"freedom {freedom_words(delay.degrees_of_freedom)}."
    )
    say(f"Loss at any speed: {found.loss_pct:.3f} %, from friction of the spring and backlash of the rig.")
    if found.left_out:
        say(f"Presses left out: {found.left_out}, incomplete or shallower than the others.")
    console().print(table)


def _document(found: DelayMeasurement) -> dict[str, Any]:
    delay = found.delay
    return {
        "delay_s": delay.s,
        "u_s": delay.u_s,
        "degrees_of_freedom": finite(delay.degrees_of_freedom),
        "half_interval_95_s": found.interval_s,
        "loss_at_any_speed_pct": found.loss_pct,
        "presses": [
            {
                "speed_mm_per_s": press.speed_mm_per_s,
                "peak_force_n": press.peak_force_n,
                "hysteresis_before_pct": press.loss_before_pct,
                "hysteresis_after_pct": press.loss_after_pct,
            }
            for press in found.presses
        ],
        "left_out": found.left_out,
        "cautions": list(found.notes),
    }
