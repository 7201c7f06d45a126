"""What a mean over cycles does not say: the quantity goes on changing, and the last cycle counts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from rig.core import quantity, rounded

NAMED = (
    "peak_force_n", "secant_n_per_mm", "chord_n_per_mm", "tangent_n_per_mm", "energy_absorbed_mj",
    "energy_returned_mj", "hysteresis_pct", "peak_deflection_mm",
)  # fmt: skip
"""Quantities whose trend has a sentence; JSON holds all. Permanent set grows by its nature."""


def trend_sentences(summary: Mapping[str, Mapping[str, float]]) -> Iterator[str]:
    """Return a sentence per quantity that goes on changing with the number of cycles.

    Examples
    --------
    >>> entry = {"trend_per_decade": -4.21, "trend_per_decade_u": 0.3, "last": 66.52, "last_u": 0.06}
    >>> (sentence,) = trend_sentences({"peak_force_n": entry})
    >>> sentence[:65]
    'Peak force falls by 4.21 N (u 0.30 N) per tenfold number of cycle'
    >>> sentence[65:]
    's: quote the last counted cycle, 66.520 N (u 0.060 N), not the mean.'
    """
    for name, entry in summary.items():
        if "last" not in entry or not (name in NAMED or name.startswith("at ")):
            continue
        shown = quantity(name)
        unit = f" {shown.unit}" if shown.unit else ""
        change, change_u = abs(entry["trend_per_decade"]), entry["trend_per_decade_u"]
        verb = "rises" if entry["trend_per_decade"] > 0 else "falls"
        last, last_u = entry["last"], entry["last_u"]
        yield (
            f"{shown.title[0].upper()}{shown.title[1:]} {verb} by {rounded(change, change_u)}{unit} (u "
            f"{rounded(change_u, change_u)}{unit}) per tenfold number of cycles: quote the last counted "
            f"cycle, {rounded(last, last_u)}{unit} (u {rounded(last_u, last_u)}{unit}), not the mean."
        )
