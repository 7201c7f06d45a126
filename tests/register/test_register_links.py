"""Captures attached to pieces by their headers, and ids that are spelt nearly so."""

from __future__ import annotations

import pytest

from rig.register import Record, Register, SeenCapture, near_ids, similar_ids

STARTED = "2026-04-02T10:00:00+00:00"


def seen(number, specimen="F-90-001", *, batch="spring", folder=None, orientation=None):
    return SeenCapture(
        f"{number:032x}", folder or f"captures/{number}", specimen, batch, STARTED, orientation
    )


@pytest.fixture
def register(tmp_path):
    with Register(tmp_path / "pieces.sqlite") as made:
        made.add("F-90-001", [Record(specimen="F-90-001", kind="batch", text="spring", at="2026-03-14")])
        made.add("F-90-002")
        yield made


def test_captures_are_attached_with_orientation_and_last_squeeze(register):
    linked = register.link([seen(1, orientation="upright"), seen(2, "F-90-002")])
    assert linked.attached == (("captures/1", "F-90-001"), ("captures/2", "F-90-002"))
    piece = register.specimen("F-90-001")
    assert [(each.id, each.folder) for each in piece.captures] == [(f"{1:032x}", "captures/1")]
    assert (piece.orientation, piece.squeezed) == ("upright", STARTED)
    # the header is the only one that says which batch this one is of
    assert register.specimen("F-90-002").batch == "spring"


def test_a_capture_is_attached_once_and_found_again_where_it_was_moved(register):
    register.link([seen(1)])
    before = len(register.records())
    assert register.link([seen(1)]).already == 1
    assert len(register.records()) == before
    assert register.link([seen(1, folder="archive/1")]).moved == ("archive/1",)
    (capture,) = register.specimen("F-90-001").captures
    assert capture.folder == "archive/1"


def test_conflicts_are_told_and_left_alone(register):
    register.link([seen(1)])
    linked = register.link(
        [
            seen(1, "F-90-002"),
            seen(2, batch="autumn"),
            seen(3, "F-90-01"),
            seen(4),
            seen(4, folder="captures/copy of 4"),
        ]
    )
    whys = [each.why for each in linked.conflicts]
    assert whys[0] == "says specimen F-90-002, but is attached to F-90-001"
    assert whys[1] == "says batch autumn, but F-90-001 is of batch spring in the register"
    assert whys[2] == "says specimen F-90-01, which is not in the register (did you mean F-90-001?)"
    assert whys[3] == "is the same capture as captures/4; is it a copy?"
    assert linked.attached == (("captures/4", "F-90-001"),)


def test_unknown_pieces_are_entered_on_a_word_but_not_those_spelt_nearly_so(register):
    linked = register.link([seen(5, "F-90-003"), seen(6, "f90-001")], add=True)
    assert linked.added == ("F-90-003",)
    assert register.specimen("F-90-003").batch == "spring"
    assert "did you mean F-90-001" in linked.conflicts[0].why


@pytest.mark.parametrize(
    ("wanted", "likely"),
    [
        ("f-90-001", ["F-90-001"]),
        ("F90 1", ["F-90-001"]),
        ("F-9O-0O1", ["F-90-001"]),
        ("F-90-O0l", ["F-90-001"]),
        ("F-901", []),
        ("F-90-010", []),
        ("F-1001", []),
        ("flaot-7", ["float-7"]),
        ("N-90-001", []),
    ],
)
def test_letters_may_slip_but_numbers_have_to_be_equal(wanted, likely):
    assert similar_ids(wanted, ["F-90-001", "F-90-002", "float-7", "F-90-011", "F-1002"]) == likely


def test_what_is_suggested_begins_with_the_same_piece_spelt_otherwise():
    known = [f"F-90-{number:03d}" for number in range(1, 40)]
    assert near_ids("F-90-12", known)[0] == "F-90-012"
    assert near_ids("Q", known) == []
