"""What a fit of recovery says, in sentences."""

from __future__ import annotations

from rig.analyser import RecoveryFit, RecoveryLaw
from rig.core import rounded

WORTH_A_WORD = 0.01
"""A law of less weight than this is as good as ruled out."""

_HOURS_S = 3600.0


def recovery_sentences(fit: RecoveryFit) -> list[str]:
    """Return the law, the forecast with its interval, and the notes of a fit."""
    said = []
    if fit.law is not None:
        said.append(f"Recovery follows a {fit.law.name} in time: {_parameters(fit.law)}.")
    if fit.other is not None and fit.other.weight >= WORTH_A_WORD:
        said.append(f"A {fit.other.name} is not ruled out (weight {100 * fit.other.weight:.0f} %).")
    ahead = fit.forecast
    if ahead is not None and fit.law is not None:
        digits = max((ahead.law_high_mm - ahead.law_low_mm) / 4, 1e-6)
        low, value, high = (
            rounded(set_mm, digits) for set_mm in (ahead.law_low_mm, ahead.set_mm, ahead.law_high_mm)
        )
        lowest, highest = (rounded(set_mm, ahead.set_mm_u) for set_mm in (ahead.low_mm, ahead.high_mm))
        said.append(
            f"Forecast for {_time(ahead.after_s)} after release, if recovery continues as a "
            f"{fit.law.name}, a set of {value} mm (95 % interval {low} to {high} mm). If it only continues "
            f"to slow down, by any law that fits these measurements: {lowest} to {highest} mm. Measure "
            f"later for a closer forecast; none is given beyond {_time(fit.reach_s)}."
        )
    return [*said, *fit.notes]


def _parameters(law: RecoveryLaw) -> str:
    words = []
    for parameter in law.parameters:
        value, u = (rounded(number, parameter.u) for number in (parameter.value, parameter.u))
        # a parameter without a unit leaves two spaces
        words.append(f"{parameter.name} {value} {parameter.unit} (u {u})".replace("  ", " "))
    return ", ".join(words)


def _time(seconds: float) -> str:
    return f"{seconds / _HOURS_S:.1f} h" if seconds >= _HOURS_S else f"{seconds:.0f} s"
