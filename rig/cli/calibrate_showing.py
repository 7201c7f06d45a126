"""What `calibrate force` and `calibrate position` say, and how their result gets into its file."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.calibration import half_interval, scale_budget
from rig.calibrationfile import with_part, write_calibration
from rig.cli.output import console, framed_table, print_json, say
from rig.core import finite
from rig.rigfile import read_rig_file

if TYPE_CHECKING:
    from rich.table import Table

    from rig.calibration import ChannelCalibration
    from rig.cli.calibrate_options import ChannelOptions


MANY_DEGREES = 1000
"""With more degrees of freedom, Student's 95 % factor is within 0.2 % of its limit."""


def written_into(path: Path, name: str | None, **parts: Any) -> Path | None:
    """Replace parts of a calibration's file, or make one; where the older one is kept now.

    Raises InputError if there is some other file.
    """
    if name is not None and not path.exists():
        parts["name"] = name
    return write_calibration(path, with_part(path, **parts))


def channel_document(calibrated: ChannelCalibration, unit: str) -> dict[str, Any]:
    """Return the result as plain values, for JSON."""
    fitted, name = calibrated.fitted, unit.lower()
    span = calibrated.scale.value_range
    return {
        "degree": fitted.fit.degree,
        "reason": fitted.reason,
        "scale": calibrated.scale.as_dict(unit),
        f"range_{name}": None if span is None else list(span),
        f"residual_sd_{name}": fitted.fit.residual_sd,
        "degrees_of_freedom": fitted.fit.degrees_of_freedom,
        "lack_of_fit": None
        if fitted.misfit is None
        else {"f": fitted.misfit.f, "p": fitted.misfit.p, f"repeat_sd_{name}": fitted.misfit.repeat_sd},
        "readings": [
            {
                "line": reading.line,
                f"reference_{name}": float(value),
                "counts": reading.counts,
                "run": reading.run,
                "falling": reading.falling,
                f"residual_{name}": float(residual),
            }
            for reading, value, residual in _rows(calibrated)
        ],
        "budget": [
            {
                "source": line.source,
                f"u_{name}": line.u,
                "relative_u": line.relative_u,
                "degrees_of_freedom": finite(line.degrees_of_freedom),
                f"half_interval_95_{name}": half_interval(line),
            }
            for line in scale_budget(calibrated.scale)
        ],
        "figures": calibrated.figures,
        "cautions": list(calibrated.cautions),
    }


def say_channel(
    document: dict[str, Any],
    calibrated: ChannelCalibration,
    unit: str,
    given: ChannelOptions,
    *,
    kept: Path | None,
    readings: Path,
    further: str = "",
) -> None:
    """Print a result: the document where JSON was asked for, else in words, with what was written.

    `kept`: where the older calibration is kept now.
    `further`: a sentence more about it.
    """
    if given.as_json:
        if given.into is not None:
            line = rig_file_line(given.into, given.rig_file)
            document |= {"written": given.into, "older": kept, "rig_file_line": line}
        print_json(document)
        return
    _show_channel(calibrated, unit)
    if further:
        say(further)
    show_cautions(calibrated.cautions)
    if given.into is not None:
        say_where(given.into, kept, given.rig_file)
    else:
        say(
            f"No calibration was written. To keep it, repeat the command with the readings {readings} and "
            "`--into FILE.yaml`."
        )


def _show_channel(calibrated: ChannelCalibration, unit: str) -> None:
    """Print the scale with its uncertainty, why it has this degree, the budget and the residuals."""
    screen = console()
    fitted, scale = calibrated.fitted, calibrated.scale
    whole = scale_budget(scale)[-1]
    span = scale.value_range
    bends = "".join(
        f", bend {bend:.4g} {unit}/count^{power}" for power, bend in enumerate(scale.bends, start=2)
    )
    say(f"Scale: {scale.per_count:.8g} {unit}/count{bends}, zero at {scale.zero_counts:.1f} counts.")
    if span is not None:
        end, begin = max(span, key=abs), round(span[0], 2) + 0.0  # no minus before a zero
        say(
            f"Uncertainty at {end:.4g} {unit}: {half_interval(whole):.2g} {unit} (95 %), standard "
            f"uncertainty {100 * whole.relative_u:.2g} %. References from {begin:g} to {span[1]:.4g} "
            f"{unit}."
        )
    say(f"Degree {fitted.fit.degree}: {fitted.reason}.")
    if fitted.misfit is not None:
        say(
            f"Standard deviation of repeats: {fitted.misfit.repeat_sd:.3g} {unit}; lack of fit F = "
            f"{fitted.misfit.f:.3g}, p = {fitted.misfit.p:.2g}."
        )
    screen.print(_budget(calibrated, unit))
    screen.print(_residuals(calibrated, unit))


def show_cautions(cautions: Sequence[str]) -> None:
    """On standard error, one line each."""
    for caution in cautions:
        say(f"pressrig: note: {caution}", err=True)


def rig_file_line(into: Path, rig_file: Path | None) -> str:
    """Return the line that a rig file needs to use a calibration."""
    # a rig file that is not named may lie anywhere, so the whole path is given
    path = into.absolute() if rig_file is None else Path(os.path.relpath(into, rig_file.parent))
    return f"calibration: {path.as_posix()}"


def say_where(into: Path, kept: Path | None, rig_file: Path | None) -> None:
    """Print where the result and the older one are, and the line that the rig file still needs."""
    say(f"Wrote {into}" + (f"; the older calibration is kept as {kept}" if kept is not None else "") + ".")
    line = rig_file_line(into, rig_file)
    if rig_file is None or f"calibration: {read_rig_file(rig_file).source.get('calibration')}" != line:
        say(f"Add this line to {rig_file or 'the rig file'}: {line}")


def _rows(calibrated: ChannelCalibration) -> list[tuple[Any, float, float]]:
    fitted = calibrated.fitted
    readings = [calibrated.table.readings[index] for index in calibrated.used]
    # a block is shown by its height, although it stands for a position that falls with it
    sign = -1.0 if calibrated.table.quantity == "block" else 1.0
    values, residuals = sign * fitted.values, sign * fitted.fit.residuals
    return list(zip(readings, values.tolist(), residuals.tolist(), strict=True))


def _residuals(calibrated: ChannelCalibration, unit: str) -> Table:
    largest = float(abs(calibrated.fitted.values).max())
    headings = ("run", f"reference {unit}", "counts", f"residual {unit}", "% of range")
    table = framed_table("Residuals", left=("line",), right=headings)
    for reading, value, residual in _rows(calibrated):
        table.add_row(
            str(reading.line),
            reading.run + (" falling" if reading.falling else ""),
            f"{value:.5g}",
            f"{reading.counts:.2f}",
            f"{residual:+.4g}",
            f"{100 * residual / largest:+.4f}",
        )
    return table


def _budget(calibrated: ChannelCalibration, unit: str) -> Table:
    headings = (f"u {unit}", "% of value", "degrees of freedom")
    table = framed_table("Uncertainty at the end of the range", left=("source",), right=headings)
    for line in scale_budget(calibrated.scale):
        degrees = freedom_words(line.degrees_of_freedom)
        table.add_row(line.source, f"{line.u:.2g}", f"{100 * line.relative_u:.2g}", degrees)
    return table


def freedom_words(degrees: float) -> str:
    """Return degrees of freedom as people read them: a number that changes no interval is only bounded."""
    if not math.isfinite(degrees):
        return "infinite"
    return f"{degrees:.3g}" if degrees <= MANY_DEGREES else f"> {MANY_DEGREES}"
