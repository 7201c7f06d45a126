"""The commands print the same numbers for the same captures as in the version before."""

from __future__ import annotations

import json
from math import isclose

from kept_numbers import KEPT, by_place, found_numbers

SAME = 1e-9
"""Relative: the arithmetic of one version differs by far less from machine to machine."""

NOTHING = 1e-12
"""What is left of sums that cancel."""


def test_no_number_changed_that_nobody_meant_to_change(tmp_path):
    kept = dict(by_place(json.loads(KEPT.read_text(encoding="utf-8"))))
    found = dict(by_place(found_numbers(tmp_path)))
    changed = [
        f"{place}: kept {kept.get(place)}, found {found.get(place)}"
        for place in dict.fromkeys([*kept, *found])
        if place not in kept
        or place not in found
        or not isclose(kept[place], found[place], rel_tol=SAME, abs_tol=NOTHING)
    ]
    assert not changed, (
        f"{len(changed)} numbers differ; if that is meant, write them anew with "
        "`python tests/cli/kept_numbers.py` and read the difference:\n" + "\n".join(changed[:40])
    )
