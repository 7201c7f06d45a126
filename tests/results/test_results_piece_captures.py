"""Captures become results of pieces: one value each, the calibration's part, and how it was measured."""

from __future__ import annotations

import math
import os
import shutil
import sys
from dataclasses import replace
from pathlib import Path

import pytest

# captures are made as for the tests of these
sys.path.append(str(Path(__file__).parents[1] / "cli"))

from studied_captures import CALIBRATION, METHOD, studied_capture

from rig.calibration import Calibration, Scale, ScaleUncertainty
from rig.capture import add_amendment, open_capture
from rig.errors import InputError
from rig.population import compare_groups
from rig.register import Record, Register
from rig.results import Asked, check_stated
from rig.results.piece_captures import KnownPiece, known_by_register, piece_results

SECANT = "secant_n_per_mm"
ASKED = Asked(contact_force_n=0.1)

FULL_COUNTS = 20_000.0
"""20 N of the captures' scale of 0.001 N a count."""


def off_by(relative: float, freedom: float = math.inf) -> dict:
    """A calibration whose force scale is known to this share."""
    variance = (relative * FULL_COUNTS * 0.001) ** 2
    force = Scale(0.001, uncertainty=ScaleUncertainty(FULL_COUNTS, ((variance,),), freedom))
    return Calibration(force, Scale(0.005)).as_dict()


def one(path, **more):
    (found,) = piece_results([path], ASKED, **more).results
    return found


def test_a_scale_that_is_known_to_a_hundredth_leaves_a_hundredth_of_the_stiffness(tmp_path):
    found = one(studied_capture(tmp_path, "F1", 2.0, by="A", calibration=off_by(0.01)))
    assert found.u_shared[SECANT] == pytest.approx(0.01 * 2.0, rel=0.02)
    assert found.u[SECANT] >= found.u_shared[SECANT]


def test_its_degrees_of_freedom_are_those_of_the_calibration(tmp_path):
    found = one(studied_capture(tmp_path, "F1", 2.0, by="A", calibration=off_by(0.01, 5.0)))
    assert found.freedom[SECANT] == pytest.approx(5.0, rel=0.01)
    known = one(studied_capture(tmp_path, "F2", 2.0, by="A", calibration=off_by(0.01)))
    assert SECANT not in known.freedom


def test_in_a_difference_of_batches_it_leaves_a_hundredth_of_the_difference(tmp_path):
    made = [
        studied_capture(
            tmp_path, f"F{n}", k + 0.02 * (n % 3), number=n, by="A",
            batch="spring" if k == 2.0 else "autumn", calibration=off_by(0.01),
        )
        for n, k in enumerate([2.0] * 3 + [1.5] * 3)
    ]  # fmt: skip
    results = piece_results(made, ASKED).results
    groups = {name: [each for each in results if each.batch == name] for name in ("spring", "autumn")}
    (found,) = compare_groups(groups, [SECANT]).differences
    assert found.calibration == "same"
    assert found.shared_u == pytest.approx(0.01 * 0.5, rel=0.03)


def test_a_scale_that_nobody_measured_leaves_nothing_that_is_known(tmp_path):
    found = one(studied_capture(tmp_path, "F1", 2.0, by="A"))
    assert not any(found.u_shared.values())


def test_the_value_is_the_mean_of_cycles_and_there_is_one_a_capture(tmp_path):
    made = [studied_capture(tmp_path, "F1", 2.0, number=n, by="A") for n in range(2)]
    results = piece_results(made, ASKED).results
    assert [each.values[SECANT] for each in results] == pytest.approx([2.0, 2.0], rel=0.005)
    assert [each.capture for each in results] == [path.name for path in made]


def test_captures_stand_in_order_of_time_whatever_their_order(tmp_path):
    made = [studied_capture(tmp_path, f"F{n}", 2.0, number=n, by="A") for n in range(3)]
    assert [each.piece for each in piece_results(made[::-1], ASKED).results] == ["F0", "F1", "F2"]


def test_captures_of_one_name_in_two_folders_stay_two(tmp_path):
    made = [studied_capture(tmp_path / folder, "F1", 2.0, by="A") for folder in ("one", "other")]
    found = piece_results(made, ASKED)
    assert len({each.capture for each in found.results}) == 2
    assert set(found.labels["batch"]) == {each.capture for each in found.results}


def test_the_curve_is_that_of_the_spring_on_both_strokes(tmp_path):
    curve = one(studied_capture(tmp_path, "F1", 2.0, by="A")).curve
    middle = slice(20, 100)
    line = 2.0 * curve.deflection_mm[middle]
    assert curve.loading_n[middle] == pytest.approx(line, abs=0.1)
    assert curve.unloading_n[middle] == pytest.approx(line, abs=0.1)
    assert curve.deflection_mm[-1] == pytest.approx(8.0, abs=0.1)


def test_circumstances_are_words_that_say_what_has_to_be_alike(tmp_path):
    air = {"temperature": "77 F", "Orientation": "Upright", "humidity": "45 %", "days since moulding": "30"}
    found = one(studied_capture(tmp_path, "F1", 2.0, by="A", conditions=air, area_mm2=3000.0)).circumstances
    assert found["temperature"] == "25.0 degC"
    assert found["humidity"] == "45.0 %"
    assert found["orientation"] == "upright"
    assert found["area"] == "3000 mm^2"
    assert found["method"] == "by hand"
    assert found["contact force"] == "0.1 N"
    assert found["days since moulding"] == "30"
    assert found["platen"] == "not stated"
    assert found["calibration"] == Calibration.from_dict(CALIBRATION).identity[:8]
    # 10 mm in 119 of 200 samples a second
    assert found["rate"] == "17 mm/s"


def test_methods_of_one_name_and_unlike_content_are_unlike(tmp_path):
    texts = [METHOD, METHOD | {"text": "steps: [again]"}]
    made = [studied_capture(tmp_path, "F1", 2.0, number=n, method=text) for n, text in enumerate(texts)]
    words = {each.circumstances["method"] for each in piece_results(made, ASKED).results}
    assert len(words) == 2
    assert all(each.startswith("squeeze.yaml ") for each in words)


def test_a_guided_hand_is_a_hand(tmp_path):
    found = piece_results([studied_capture(tmp_path, "F1", 2.0, by="A", method=METHOD, guided=True)], ASKED)
    assert list(found.labels["method"].values()) == ["by hand"]
    assert list(found.labels["operator"].values()) == ["A"]


def test_what_else_is_known_of_a_piece_goes_before_what_the_capture_says(tmp_path):
    path = studied_capture(tmp_path, "F1", 2.0, by="A", batch="spring", conditions={"state": "new"})
    assert (one(path).batch, one(path).state) == ("spring", "new")
    found = one(path, known=lambda header: KnownPiece("autumn", "worn"))
    assert (found.batch, found.state) == ("autumn", "worn")


def test_where_a_register_says_no_state_the_capture_says_it(tmp_path):
    path = studied_capture(tmp_path, "F1", 2.0, by="A", batch="spring", conditions={"state": "abused"})
    with Register(tmp_path / "specimens.sqlite") as register:
        register.add("F1", [Record(specimen="F1", kind="batch", text="autumn", at="2026-01-01")])
    known = known_by_register(tmp_path / "specimens.sqlite")
    assert (one(path, known=known).batch, one(path, known=known).state) == ("autumn", "abused")
    with Register(tmp_path / "specimens.sqlite") as register:
        register.write([Record(specimen="F1", kind="state", text="worn", at="2026-01-02")])
    assert one(path, known=known_by_register(tmp_path / "specimens.sqlite")).state == "worn"


def test_rows_hold_what_a_table_needs_to_be_read_again(tmp_path):
    found = piece_results([studied_capture(tmp_path, "F1", 2.0, by="A", batch="spring")], ASKED)
    (row,) = found.frame([SECANT]).to_dict("records")
    assert (row["piece"], row["batch"], row["state"], row["operator"]) == ("F1", "spring", "not stated", "A")
    assert row[SECANT] == pytest.approx(2.0, rel=0.01)
    assert f"{SECANT}_u_shared" in row


@pytest.fixture
def measured(monkeypatch):
    """Names of the captures that were measured."""
    from rig.results import piece_captures

    names = []
    whole = piece_captures.examine_capture

    def examine(path, *rest, **more):
        names.append(path.name)
        return whole(path, *rest, **more)

    monkeypatch.setattr(piece_captures, "examine_capture", examine)
    return names


def test_captures_of_unlike_noise_are_measured_once_with_one_contact_force(tmp_path, measured):
    paths = [
        studied_capture(tmp_path, f"F{n}", 2.0, number=n, by="A", noise_n=0.003 * (n + 1)) for n in range(3)
    ]
    found = piece_results(paths, Asked())
    assert sorted(measured) == sorted(path.name for path in paths)
    contacts = {each.circumstances["contact force"] for each in found.results}
    # the noisiest asks for twelve times its noise of 9 mN, which few samples tell to some 20 %
    assert float(contacts.pop().split()[0]) == pytest.approx(12 * 0.009, rel=0.3)
    assert not contacts
    assert any("in all captures" in note for note in found.notes)


def test_the_noise_of_a_capture_that_is_left_out_asks_for_nothing(tmp_path):
    """The noisiest capture is left out, since nothing lay between its platens."""
    from rig.results import pressed_captures

    quiet = [studied_capture(tmp_path, f"F{n}", 2.0, number=n, by="A") for n in range(2)]
    loud = studied_capture(tmp_path, "F9", 0.0, number=9, by="A", noise_n=0.05)
    pressed, notes = pressed_captures([*quiet, loud], Asked(), optional={loud})
    assert any("no sound cycle" in note for note in notes)
    alone, _ = pressed_captures(quiet, Asked())
    assert [each.values.values for each in pressed] == [each.values.values for each in alone]
    assert [each.result.contact_force_n for each in pressed] == [
        each.result.contact_force_n for each in alone
    ]


@pytest.mark.parametrize(
    "example", sorted((Path(__file__).parents[2] / "captures").glob("example-*")), ids=str
)
def test_the_opening_tells_the_contact_force_of_the_whole(example, tmp_path):
    from rig.results import analyse_capture, noise_contact_force_n

    shutil.copytree(example, tmp_path / "float", ignore=shutil.ignore_patterns(".results"))
    whole = analyse_capture(tmp_path / "float")[1].contact_force_n
    assert noise_contact_force_n(tmp_path / "float", Asked()) == whole
    assert noise_contact_force_n(tmp_path / "float", Asked()) == whole  # as it was kept
    assert noise_contact_force_n(tmp_path / "float", Asked(fresh=True)) == whole
    (kept,) = (tmp_path / "float" / ".results").glob("*.contact")
    kept.write_bytes(bytes(len(kept.read_bytes())))
    assert noise_contact_force_n(tmp_path / "float", Asked()) == whole


def test_what_needs_no_samples_is_refused_before_any_is_measured(tmp_path, measured):
    paths = [
        studied_capture(
            tmp_path, f"F{n}", 2.0, number=n, by="A", batch="spring" if n else None,
            conditions={"orientation": ("upright", "on its side")[n % 2]},
        )
        for n in range(3)
    ]  # fmt: skip
    copy = tmp_path / "copy"
    shutil.copytree(paths[0], copy)
    with pytest.raises(InputError, match="same capture"):
        piece_results([*paths, copy], Asked())
    with pytest.raises(InputError, match="there is no batch"):
        piece_results(paths, Asked(), check=check_stated("batch", [], strict=False))
    with pytest.raises(InputError, match="orientation"):
        piece_results(paths[1:], Asked(), check=check_stated("batch", [], strict=False))
    odd = studied_capture(tmp_path, "F8", 2.0, number=8, by="A", conditions={"state": "tired"})
    with pytest.raises(InputError, match="tired"):
        piece_results([*paths, odd], Asked())
    assert measured == []
    piece_results(paths[1:], Asked(), check=check_stated("batch", ["orientation"], strict=False))
    assert len(measured) == 2


def to_the_bit(found):
    """All that results of pieces hold, so that it can be compared to the bit."""
    return [
        (repr(replace(each, curve=None)), *(part.tobytes() for part in vars_of(each.curve)))
        for each in found.results
    ]


def vars_of(curve):
    return [] if curve is None else [curve.deflection_mm, curve.loading_n, curve.unloading_n]


def test_a_kept_piece_is_the_measured_one_to_the_bit(tmp_path, measured):
    paths = [
        studied_capture(tmp_path, f"F{n}", 2.0, number=n, by="A", calibration=off_by(0.01, 5.0))
        for n in range(2)
    ]
    first = piece_results(paths, Asked())
    assert len(measured) == 2
    for path in paths:
        # nothing but the piece is read
        (whole,) = (path / ".results").glob("*.arrow")
        whole.unlink()
    again = piece_results(paths, Asked())
    assert len(measured) == 2
    assert to_the_bit(again) == to_the_bit(first)
    assert again.labels == first.labels
    assert to_the_bit(piece_results(paths, Asked(fresh=True))) == to_the_bit(first)
    assert len(measured) == 4


def test_what_a_register_knows_is_not_kept_with_the_piece(tmp_path, measured):
    path = studied_capture(tmp_path, "F1", 2.0, by="A", batch="spring", conditions={"state": "new"})
    assert (one(path).batch, one(path).state) == ("spring", "new")
    again = one(path, known=lambda header: KnownPiece("autumn", "worn"))
    assert (again.batch, again.state) == ("autumn", "worn")
    assert len(measured) == 1


def values_or_refusal(path, asked):
    try:
        return piece_results([path], asked).results[0].values
    except InputError as refusal:
        return str(refusal)


def changed_count(path):
    """Change one sample, and let the file look as it was."""
    (samples,) = path.glob("samples-*.arrow")
    before, data = samples.stat(), bytearray(samples.read_bytes())
    data[len(data) // 2] ^= 1
    samples.write_bytes(data)
    os.utime(samples, ns=(before.st_atime_ns, before.st_mtime_ns))


def amended(path):
    header = open_capture(path).header
    add_amendment(path, header, "amended", reason="a slip", fields={"free_height_mm": 80.0})


def damaged_piece(path):
    (kept,) = (path / ".results").glob("*.piece")
    data = kept.read_bytes()
    kept.write_bytes(data[:100] + bytes([data[100] ^ 1]) + data[101:])


def piece_of_another(path):
    (kept,) = (path / ".results").glob("*.piece")
    piece_results([path], Asked(contact_force_n=0.2))
    (other,) = set((path / ".results").glob("*.piece")) - {kept}
    kept.write_bytes(other.read_bytes())


@pytest.mark.parametrize("change", [changed_count, amended, damaged_piece, piece_of_another])
def test_a_changed_capture_or_a_damaged_piece_is_measured_anew(change, tmp_path, measured):
    path = studied_capture(tmp_path, "F1", 2.0, by="A")
    one(path)
    change(path)
    measured.clear()
    found = values_or_refusal(path, ASKED)
    assert measured == [path.name]
    assert found == values_or_refusal(path, replace(ASKED, fresh=True))
