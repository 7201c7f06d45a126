"""The commands print the same numbers for the same captures as in the version before."""

from __future__ import annotations

import json
from math import isclose

from kept_numbers import KEPT, by_place, found_numbers

SAME = 1e-9
"""Relative: sums and quotients of one version differ by far less from machine to machine."""

SAME_FITTED = 1e-5
"""Relative, for a series found step by step: a processor that adds in another order stops elsewhere (4e-8 was
seen between two of them)."""

SAME_U = 1e-3
"""Relative, for uncertainties and their budgets: where a fit of the toe region stops by one step earlier on
another processor, they follow it (4e-4 was seen)."""

NOTHING = 1e-12
"""What is left of sums that cancel."""


def same_share(place: str) -> float:
    """Return the relative difference that the number at a place may show between processors."""
    if " / relaxation / " in place:
        return SAME_FITTED
    return SAME_U if place.endswith(("_u", " / u")) or " / budget / " in place else SAME


def test_no_number_changed_that_nobody_meant_to_change(tmp_path):
    kept = dict(by_place(json.loads(KEPT.read_text(encoding="utf-8"))))
    found = dict(by_place(found_numbers(tmp_path)))
    changed = [
        f"{place}: kept {kept.get(place)}, found {found.get(place)}"
        for place in dict.fromkeys([*kept, *found])
        if place not in kept
        or place not in found
        or not isclose(kept[place], found[place], rel_tol=same_share(place), abs_tol=NOTHING)
    ]
    assert not changed, (
        f"{len(changed)} numbers differ; if that is meant, write them anew with "
        "`python tests/cli/kept_numbers.py` and read the difference:\n" + "\n".join(changed[:40])
    )
