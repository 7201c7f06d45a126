"""Which pieces are compared with which, what calibrations do to it, and how margins are judged."""

import math
from dataclasses import replace

import numpy as np
import pytest
from made_pieces import STIFFNESS, piece, pieces
from scipy import stats

from rig.errors import InputError
from rig.population import (
    BEYOND,
    UNDECIDED,
    WITHIN,
    compare_groups,
    estimated,
    judge_margin,
    mean_difference,
)

VALUES = np.array([1.90, 2.00, 2.10, 2.30, 2.50])
CHANGES = np.array([-0.19, -0.21, -0.20, -0.18, -0.22])


def one(groups, **asked):
    (found,) = compare_groups(groups, [STIFFNESS], **asked).differences
    return found


def states(after=VALUES + CHANGES, names=range(5), **more):
    before = [piece(str(number), float(value)) for number, value in zip(range(5), VALUES, strict=True)]
    abused = [
        piece(str(name), float(value), state="abused", **more)
        for name, value in zip(names, after, strict=True)
    ]
    return {"new": before, "abused": abused}


def test_the_same_pieces_before_and_after_are_compared_with_themselves():
    found = one(states(), by="state")
    assert (found.paired, found.n_first, found.n_second) == (True, 5, 5)
    half = stats.t.ppf(0.975, 4) * CHANGES.std(ddof=1) / math.sqrt(5)
    assert (found.low, found.high) == pytest.approx((-0.20 - half, -0.20 + half))
    # taken as independent, the pieces' own spread would drown it
    assert mean_difference(VALUES, VALUES + CHANGES).interval()[1] > 0
    assert any("same 5 pieces" in note for note in found.notes)


def test_pairs_are_found_by_name_whatever_their_order():
    order = [3, 1, 4, 0, 2]
    found = one(states((VALUES + CHANGES)[order], order), by="state")
    assert found.high < 0


def test_pieces_without_a_partner_are_told_of_and_left_out_of_the_difference():
    found = one(states((VALUES + CHANGES)[:4], range(4)), by="state")
    assert (found.paired, found.n_first) == (True, 4)
    assert any(note.startswith("1 pieces that stand in one group only") for note in found.notes)


def test_few_common_pieces_are_not_taken_for_pairs():
    found = one(states(names=[0, 11, 12, 13, 14]), by="state")
    assert not found.paired
    assert any("too few for a paired comparison" in note for note in found.notes)


def test_pieces_of_one_name_in_two_batches_are_no_pair():
    both = {
        name: [piece(str(n), 2.0 + n / 10, batch=name) for n in range(4)] for name in ("spring", "autumn")
    }
    assert not one(both).paired


def test_a_common_calibration_falls_out_but_for_its_relative_part():
    both = {
        "spring": pieces(VALUES, shared=0.10),
        "autumn": pieces(VALUES - 0.4, batch="autumn", shared=0.10),
    }
    found = one(both)
    # means 2.16 and 1.76: at the worse of the two, 0.10/1.76 of the difference of 0.4
    assert found.calibration == "same"
    assert found.shared_u == pytest.approx(0.10 / 1.76 * 0.4)


def test_unlike_calibrations_stay_in_the_difference_with_both_parts():
    both = {
        "spring": pieces(VALUES, shared=0.03),
        "autumn": pieces(VALUES, batch="autumn", shared=0.04, calibration="K2"),
    }
    found = one(both, although=["calibration"])
    assert (found.calibration, found.shared_u) == ("different", pytest.approx(0.05))


def test_degrees_of_freedom_of_the_calibrations_reach_the_interval_of_the_difference():
    both = {
        "spring": pieces(VALUES, shared=0.3, freedom=4.0),
        "autumn": pieces(VALUES, batch="autumn", shared=0.4, freedom=8.0, calibration="K2"),
    }
    found = one(both, although=["calibration"])
    # 0.5^4 / (0.3^4/4 + 0.4^4/8)
    assert found.shared_freedom == pytest.approx(0.0625 / (0.0081 / 4 + 0.0256 / 8))
    scatter2 = found.u**2 - 0.25
    freedom = found.u**4 / (scatter2**2 / found.estimate.freedom + 0.0625 / found.shared_freedom)
    assert found.estimate.effective_freedom == pytest.approx(freedom)
    assert found.high - found.difference == pytest.approx(stats.t.ppf(0.975, freedom) * found.u)


def test_where_the_calibration_is_not_known_it_is_said():
    assert one({"a": pieces(VALUES), "b": pieces(VALUES, batch="b")}).calibration == "not known"


@pytest.mark.parametrize(
    ("name", "other"),
    [
        ("rate", "4 mm/s"),
        ("temperature", "30.0 degC"),
        ("orientation", "on its side"),
        ("calibration", "K2"),
        ("method", "by hand"),
    ],
)
def test_what_was_measured_unlike_is_refused_by_name_and_put_together_only_on_demand(name, other):
    first = pieces(VALUES, orientation="upright")
    second = pieces(VALUES, batch="autumn", **({"orientation": "upright"} | {name: other}))
    with pytest.raises(InputError, match=f'different conditions: {name}: .*{other}.*--although "{name}"'):
        one({"spring": first, "autumn": second})
    notes = compare_groups({"s": first, "a": second}, [STIFFNESS], although=[name]).notes
    assert any(note.startswith(f"Pooled although different: {name}") for note in notes)


def test_unlike_states_within_batches_are_refused():
    mixed = [*pieces(VALUES), piece("old", 1.5, state="worn")]
    with pytest.raises(InputError, match=r"different conditions: state: new .*, worn"):
        one({"spring": mixed, "autumn": pieces(VALUES, batch="autumn")})


def test_temperatures_of_one_laboratory_and_rates_that_nearly_agree_are_alike():
    near = pieces(VALUES, batch="autumn", temperature="24.9 degC", rate="2.1 mm/s")
    assert one({"spring": pieces(VALUES), "autumn": near}).difference == pytest.approx(0)


def test_a_circumstance_in_another_unit_is_unlike():
    other = pieces(VALUES, batch="autumn", rate="2 %/s")
    with pytest.raises(InputError, match="different conditions: rate"):
        one({"spring": pieces(VALUES), "autumn": other})


def test_what_methods_are_told_apart_by_may_differ_and_nothing_else():
    hand = pieces(VALUES, method="by hand")
    rig = [replace(each, capture=f"{each.capture} rig") for each in pieces(VALUES + 0.05)]
    found = one({"squeeze": rig, "by hand": hand}, by="method")
    assert (found.paired, found.difference) == (True, pytest.approx(-0.05))
    with pytest.raises(InputError, match="different conditions: rate"):
        one({"squeeze": rig, "by hand": pieces(VALUES, method="by hand", rate="7 mm/s")}, by="method")


def test_what_nobody_stated_is_said_and_no_difference():
    silent = pieces(VALUES, batch="autumn", temperature="not stated")
    notes = compare_groups({"spring": pieces(VALUES), "autumn": silent}, [STIFFNESS]).notes
    assert any(note.startswith("Not stated for 5 of 10 captures: temperature") for note in notes)


def test_a_circumstance_that_does_not_exist_is_refused():
    with pytest.raises(InputError, match="no circumstance 'weather'; found"):
        one({"a": pieces(VALUES), "b": pieces(VALUES, batch="b")}, although=["weather"])


def test_one_piece_gives_a_difference_without_an_interval_and_no_verdict():
    found = one({"a": pieces(VALUES), "b": pieces([1.0], batch="b")}, margins={STIFFNESS: 0.1})
    assert found.difference == pytest.approx(1.0 - VALUES.mean())
    assert (found.low, found.p, found.outcome) == (None, None, None)
    assert any("b has only one piece" in note for note in found.notes)


def test_a_quantity_that_a_group_lacks_is_left_out_and_told():
    both = {"a": pieces(VALUES), "b": pieces(VALUES, batch="b", quantity="hysteresis_pct")}
    found = compare_groups(both, [STIFFNESS])
    assert found.differences == ()
    assert any("b: no value of secant stiffness at the peak for any piece." in note for note in found.notes)


def test_a_piece_that_lacks_a_quantity_is_named():
    gap = [*pieces(VALUES), piece("dented", math.nan)]
    found = compare_groups({"a": gap, "b": pieces(VALUES, batch="b")}, [STIFFNESS])
    assert found.figures["a"][STIFFNESS].n == 5
    assert any("a: no value of secant stiffness at the peak for dented." in note for note in found.notes)


def test_a_piece_that_was_measured_twice_is_named_and_counts_once():
    twice = [*pieces(VALUES), piece("again", 2.0), piece("again", 2.2)]
    found = compare_groups({"a": twice, "b": pieces(VALUES, batch="b")}, [STIFFNESS])
    assert found.figures["a"][STIFFNESS].n == 6
    assert "a: several captures of again; the mean of a piece counts once." in found.notes
    assert not any("captures of 1" in note for note in found.notes)


@pytest.mark.parametrize(
    ("groups", "asked", "words"),
    [
        ({"a": pieces(VALUES)}, {}, "found 1 group "),
        ({"a": pieces(VALUES), "b": pieces(VALUES)}, {"margins": {"x_n": 1.0}}, "'x_n' is not among"),
        (
            {"a": pieces(VALUES), "b": pieces(VALUES)},
            {"margins": {STIFFNESS: 0.0}},
            "expected a number above",
        ),
    ],
)
def test_a_senseless_comparison_is_refused(groups, asked, words):
    with pytest.raises(InputError, match=words):
        one(groups, **asked)


@pytest.mark.parametrize(
    ("value", "verdict"), [(0.0, WITHIN), (-0.05, WITHIN), (0.15, UNDECIDED), (0.30, BEYOND), (-0.30, BEYOND)]
)
def test_each_of_three_verdicts_falls_where_it_must(value, verdict):
    # margin 0.2, standard uncertainty 0.03, t(10, 95 %) = 1.812: within up to 0.146, beyond from 0.254
    assert judge_margin(estimated(value, 0.03, 10), 0.2).verdict == verdict


def test_a_verdict_is_within_just_where_its_interval_of_90_per_cent_is():
    for value in np.linspace(0.14, 0.15, 21):
        found = judge_margin(estimated(float(value), 0.03, 10), 0.2)
        assert (found.verdict == WITHIN) == (found.high <= 0.2)


def test_a_calibration_that_leaves_too_much_cannot_be_mended_by_pieces():
    found = judge_margin(
        estimated(0.0, 0.05, 14, 0.2),
        0.2,
        with_pieces=lambda n: estimated(0.0, 0.1 / math.sqrt(n), 2 * n - 2, 0.2),
    )
    assert (found.verdict, found.pieces_needed) == (UNDECIDED, None)
    assert "calibration's uncertainty alone" in found.why


def test_a_difference_on_the_margin_is_not_decided_by_any_number_of_pieces():
    found = judge_margin(
        estimated(0.2, 0.05, 14), 0.2, with_pieces=lambda n: estimated(0.2, 0.1 / math.sqrt(n), 2 * n - 2)
    )
    assert found.pieces_needed is None
    assert "so close to the margin" in found.why


def test_many_margins_make_beyond_harder_and_within_no_harder():
    spread = np.array([-0.1, -0.05, 0.0, 0.05, 0.1])
    alone = {"a": pieces(2 + spread), "b": pieces(2.22 + spread, batch="b")}
    assert one(alone, margins={STIFFNESS: 0.1}).outcome.verdict == BEYOND
    names = [STIFFNESS, *(f"other{number}_n" for number in range(7))]

    def wide(results, others):
        return [replace(each, values=dict(each.values) | dict.fromkeys(names[1:], place + others))
                for place, each in enumerate(results)]  # fmt: skip

    both = {name: wide(results, 0.0) for name, results in alone.items()}
    found = compare_groups(both, names, margins=dict.fromkeys(names, 0.1) | dict.fromkeys(names[1:], 1e3))
    verdicts = [each.outcome.verdict for each in found.differences]
    assert verdicts == [UNDECIDED, *[WITHIN] * 7]
    assert found.differences[0].p_holm == pytest.approx(8 * found.differences[0].p)
