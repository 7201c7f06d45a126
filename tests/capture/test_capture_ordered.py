"""What a header says of the motion that was ordered, also where a hand edited it."""

from __future__ import annotations

import pytest

from rig.capture import ENDURANCE, HEIGHT, Capture, CaptureHeader, CaptureWriter, Ordered, open_capture


def reopened(tmp_path, method) -> Capture:
    with CaptureWriter.create(tmp_path, CaptureHeader(specimen="K-1", method=method)) as writer:
        writer.end("stopped")
    return open_capture(writer.path)


def test_without_a_method_nothing_was_ordered(tmp_path):
    assert reopened(tmp_path, None).header.ordered == Ordered()


def test_an_order_comes_back_from_the_file(tmp_path):
    method = {"kind": HEIGHT, "surfaces": ["bare", "piece"], "homed_now": True, "contact_n": 1, "top_n": 5.0}
    ordered = reopened(tmp_path, method).header.ordered
    assert ordered == Ordered(
        kind=HEIGHT, surfaces=("bare", "piece"), homed_now=True, contact_n=1.0, top_n=5.0
    )


@pytest.mark.parametrize(
    "method",
    [
        {"kind": ["endurance"], "text": 7, "file": None, "goes_on": "yes", "surfaces": "bare"},
        {"homed_now": 1, "contact_n": "1 N", "top_n": True, "stiffness_n_per_mm": "soft"},
    ],
)
def test_a_field_of_the_wrong_type_counts_as_absent(tmp_path, method):
    assert reopened(tmp_path, method).header.ordered == Ordered()


def test_an_order_is_called_by_its_name_else_its_file_else_its_kind():
    assert Ordered(kind=ENDURANCE).title == "endurance"
    assert Ordered(kind=ENDURANCE, file="plans/pounding.yaml").title == "pounding.yaml"
    assert Ordered(name="pounding", file="plans/other.yaml").title == "pounding"


def test_two_orders_of_one_name_and_different_texts_are_told_apart():
    marks = {Ordered(file="a/method.yaml", text=text).title_and_mark for text in ("press", "pull")}
    assert len(marks) == 2
    assert all(mark.startswith("method.yaml ") for mark in marks)
