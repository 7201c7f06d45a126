"""Print what every kind of recording comes to: `python tests/recordings/score.py 300 [--known] [KIND ...]`.

Per kind: presses found of those that there are, phantoms, recordings with a wrong count, holds, flags. Per
quantity: share reported, share within 2 u, u over the real spread, and median of (value - truth)/u. With
`--known`, the table of `known_failures.py` instead.
"""

from __future__ import annotations

import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor

from recording_kinds import KINDS
from recording_scores import CHANCE, FALSE_KNEES, HELD, REPORTED, WIDEST, score
from scipy.stats import binom

SHOWN = 70


def scored(name, seeds):
    with tempfile.TemporaryDirectory(prefix="recordings") as folder:
        return score(KINDS[name], range(seeds), folder)


def lines(found):
    yield (
        f"{found.kind}: {found.recordings} recordings, presses {found.found}/{found.true}, "
        f"phantom {found.phantom}, wrong count in {found.wrong_counts}, "
        f"holds {found.holds_found}/{found.holds}, phantom holds {found.holds_phantom}, "
        f"checks {found.checks_found}/{found.checks}, breaks {found.breaks_found}/{found.breaks}, "
        f"phantom knees {found.knees_phantom}/{found.no_knees}"
    )
    if found.flags:
        yield "    flags: " + ", ".join(
            f"{flag} {count}/{found.cycles}" for flag, count in found.flags.items()
        )
    for sentence in [*found.failures[:2], *found.absurd[:3]]:
        yield "    " + sentence.strip().replace("\n", " ")[:200]
    kind = KINDS[found.kind]
    for name in found.quantities:
        held, wide = found.held(name), found.u_over_spread(name)
        marks = [
            "NOT HELD" if held < HELD else "",
            "WIDE" if wide > WIDEST else "",
            "EMPTY" if found.share_reported(name) < REPORTED and name not in kind.empty else "",
            "BIASED" if abs(found.bias(name)) > 1 / 3 else "",
        ]
        yield (
            f"    {name:24s} reported {100 * found.share_reported(name):5.1f} %  "
            f"within 2u {100 * held:5.1f} %  "
            f"u/spread {wide:6.2f}  bias/u {found.bias(name):7.2f}  {' '.join(filter(None, marks))}"
        )


def failing(found):
    """What `known_failures.py` would hold of a kind: fact, and what was measured."""
    kind = KINDS[found.kind]
    if found.failures:
        yield ("presses",), found.failures[0].strip().splitlines()[-1][:SHOWN]
    elif (found.found, found.phantom) != (found.true, 0):
        yield ("presses",), f"found {found.found} of {found.true}, phantoms {found.phantom}"
    if found.holds_found < found.holds:
        yield ("holds",), f"found {found.holds_found} of {found.holds}"
    if found.holds_phantom:
        yield ("phantom holds",), f"{found.holds_phantom} holds that are none"
    if found.breaks_found < found.breaks:
        yield ("breaks",), f"placed {found.breaks_found} of {found.breaks}"
    if found.checks_found < found.checks:
        yield ("checks",), f"counted {found.checks_found} of {found.checks}"
    if found.absurd:
        yield ("absurd",), found.absurd[0].partition(": ")[2][:SHOWN]
    if found.knees_phantom > binom.ppf(1 - CHANCE, found.no_knees, FALSE_KNEES):
        yield ("knees",), f"{found.knees_phantom} of {found.no_knees} curves without a knee"
    for name in found.quantities:
        complaints = ", ".join(found.complaints(name, kind.empty))
        if complaints:
            yield ("quantity", name), complaints


def main():
    arguments = sys.argv[1:]
    known = "--known" in arguments
    arguments = [each for each in arguments if each != "--known"]
    seeds = int(arguments.pop(0)) if arguments and arguments[0].isdigit() else 20
    names = arguments or list(KINDS)
    with ProcessPoolExecutor(2) as pool:
        for found in pool.map(scored, names, [seeds] * len(names)):
            if known:
                for fact, measured in failing(found):
                    print(f"    {(found.kind, *fact)!r}: {measured!r},", flush=True)
            else:
                print("\n".join(lines(found)), flush=True)


if __name__ == "__main__":
    main()
