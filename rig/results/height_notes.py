"""What has to be said beside a height: a number alone misleads whoever closes a caliper on a sponge."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rig.calibration import Height
from rig.results.height_checks import CheckedSurface


def height_sentences(
    bare: Sequence[CheckedSurface],
    piece: CheckedSurface,
    at_contact: Height,
    at_top: Height,
    *,
    homed: bool | None,
    oldest_bare_s: float,
) -> Iterator[str]:
    """Yield the sentences in order; see `height_report` for the parameters.

    `homed` says whether the position was homed in between, None if unknown.
    """
    less_mm = at_contact.mm - at_top.mm
    yield (
        f"A caliper compresses a soft part: closed with {at_top.force_n:g} N it would read {less_mm:.3f} "
        f"mm ({100 * less_mm / at_contact.mm:.2g} %) less than at {at_contact.force_n:g} N. State the "
        "force with the height."
    )
    for height in (at_contact, at_top):
        yield from _about_checks(height)
    for surface in bare:
        age_s = (piece.header.started - surface.header.started).total_seconds()
        if abs(age_s) > oldest_bare_s:
            than = "older" if age_s > 0 else "younger"
            yield (
                f"The bare contact check in {surface.name} is {_span(abs(age_s))} {than} than the piece's, "
                f"more than {_span(oldest_bare_s)}: measure the bare platens again."
            )
        if surface.header.calibration != piece.header.calibration:
            yield f"{surface.name} was recorded with a different calibration; the piece's is used for both."
    if len(bare) == 1 and homed is not False:
        known = "was homed" if homed else "may have been homed (the captures do not say)"
        yield (
            f"The position {known} between the bare contact check and the piece's; the uncertainty leaves "
            "out how well homing repeats. To include it, give --bare captures of several homings."
        )
    for surface in (*bare, piece):
        yield from surface.left_out
    yield from _about_range(bare, piece, at_contact, at_top)
    yield from piece.calibration.complaints(piece.header.started.date())


def _about_checks(height: Height) -> Iterator[str]:
    at = f"at {height.force_n:g} N"
    if height.first_mm is not None:
        yield (
            f"The first contact check {at} found {height.first_mm:.4f} mm, apart from the later ones "
            f"({height.mm:.4f} mm) by more than their scatter, and is left out of the mean. If the piece "
            "creeps, the contact checks have changed it; its original height was the first one."
        )
    if height.trend_mm is not None:
        yield (
            f"The height {at} changes by {1000 * height.trend_mm:+.2g} um per contact check, more than "
            "by chance: the piece has not recovered between contact checks. Use a longer rest."
        )


def _about_range(
    bare: Sequence[CheckedSurface], piece: CheckedSurface, at_contact: Height, at_top: Height
) -> Iterator[str]:
    """Yield the readings outside of what was calibrated."""
    position, force = piece.calibration.position, piece.calibration.force
    if position is not None and position.value_range is not None:
        low_mm, high_mm = position.value_range
        found = [
            check.position_mm for surface in (*bare, piece) for check in surface.contact_checks(top=True)
        ]
        if min(found) < low_mm or max(found) > high_mm:
            yield (
                f"Checked from {min(found):.2f} to {max(found):.2f} mm, outside the position's calibrated "
                f"range of {low_mm:.2f} to {high_mm:.2f} mm."
            )
    if force is not None and force.value_range is not None and at_top.force_n > force.value_range[1]:
        yield (
            f"{at_top.force_n:g} N is outside the force's calibrated range, which ends at "
            f"{force.value_range[1]:.3g} N."
        )


def _span(seconds: float) -> str:
    for unit, size in (("days", 86_400.0), ("hours", 3600.0), ("minutes", 60.0)):
        if seconds >= 2 * size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds:.3g} s"
