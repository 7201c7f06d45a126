"""The list of captures: what is found, in which order, and what is never left."""

from __future__ import annotations

import threading
from contextlib import contextmanager

import pytest
from made_captures import write_capture

from rig import results
from rig.capture import add_amendment, open_capture
from rig.errors import CaptureError, InputError
from rig.results import Workers, archive_table
from rig.workbench.catalogue import NARROWING, Catalogue, Query


@pytest.fixture(autouse=True)
def unhurried(monkeypatch):
    """A busy machine may take long to read six headers."""
    monkeypatch.setattr("rig.workbench.catalogue.PATIENCE_S", 60.0)
    monkeypatch.setattr("rig.workbench.catalogue.GLANCE_S", 60.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Six captures of two batches, one of them in a folder below, and one whose header is damaged."""
    folder = tmp_path_factory.mktemp("captures")
    for place in range(4):
        write_capture(folder, f"F-90-00{place}", "spring mould", place=place, conditions={"state": "new"})
    write_capture(folder / "older", "F-90-101", "autumn mould", place=9)
    broken = write_capture(folder, "F-90-102", "autumn mould", place=10)
    (broken / "capture.yaml").write_text("specimen: [", encoding="utf-8")
    next(broken.glob("samples-*.arrow")).unlink()
    (folder / "notes").mkdir()
    return folder


def names(catalogue, **query):
    return [row.specimen for row in catalogue.listing(Query(**query)).rows if not row.problem]


def test_every_capture_is_listed_newest_first(folder) -> None:
    found = Catalogue(folder).listing(Query())
    assert found.total == found.matching == 6
    assert [row.specimen for row in found.rows if not row.problem] == [
        "F-90-101", "F-90-003", "F-90-002", "F-90-001", "F-90-000",
    ]  # fmt: skip
    assert found.choices["batch"] == ["autumn mould", "spring mould"]


def test_a_capture_that_cannot_be_opened_is_listed_with_its_reason(folder) -> None:
    problems = [row for row in Catalogue(folder).listing(Query()).rows if row.problem]
    assert len(problems) == 1
    assert "capture.yaml" in problems[0].problem


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ({"text": "spring 002"}, ["F-90-002"]),
        ({"text": "AUTUMN"}, ["F-90-101"]),
        ({"batch": "autumn mould"}, ["F-90-101"]),
        ({"state": "new", "since": "2026-11-03"}, ["F-90-003", "F-90-002"]),
        ({"until": "2026-11-01"}, ["F-90-000"]),
        ({"flagged": "yes"}, []),
        ({"sort": "specimen", "newest_first": False, "count": 3}, ["F-90-000", "F-90-001"]),
        ({"start": 1, "count": 2}, ["F-90-003", "F-90-002"]),
        ({"text": "nothing like it"}, []),
    ],
)
def test_rows_are_narrowed_down_and_sorted(folder, query, expected) -> None:
    assert names(Catalogue(folder), **query) == expected


def test_an_amendment_shows_as_soon_as_the_folder_is_looked_at_again(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr("rig.workbench.catalogue.FRESH_S", 0.0)
    write_capture(tmp_path, "F-90-001", "sprnig mould")
    catalogue = Catalogue(tmp_path)
    row = catalogue.listing(Query()).rows[0]
    capture = open_capture(tmp_path / row.id)
    add_amendment(
        capture.path, capture.header, "amended", reason="typed wrong", fields={"batch": "spring mould"}
    )
    assert catalogue.listing(Query()).rows[0].batch == "spring mould"


@pytest.mark.parametrize(
    "name", ["..", "../captures", "/etc", ".", "", "older/../..", "a\0b", "no-such", "~", "older"]
)
def test_nothing_outside_the_folder_has_a_name(folder, name) -> None:
    with pytest.raises(InputError, match="expected one from the list"):
        Catalogue(folder / "older").path_of(name)


def test_a_link_that_leads_out_of_the_folder_is_not_followed(folder, tmp_path) -> None:
    outside = write_capture(tmp_path / "outside", "F-90-900", "secret")
    inside = tmp_path / "inside"
    inside.mkdir()
    (inside / "link").symlink_to(outside)
    catalogue = Catalogue(inside)
    assert catalogue.listing(Query()).total == 0
    with pytest.raises(InputError):
        catalogue.path_of("link")


def test_a_measured_capture_is_listed_with_its_stiffness_and_sorted_by_it(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr("rig.workbench.catalogue.FRESH_S", 0.0)
    for place, stiffness in enumerate((2.0, 3.0, 1.0)):
        write_capture(tmp_path, f"F-90-00{place}", "spring mould", place=place, stiffness=stiffness)
    catalogue = Catalogue(tmp_path)
    assert {row.secant_n_per_mm for row in catalogue.listing(Query()).rows} == {None}
    archive_table(tmp_path, workers=Workers(1))
    rows = catalogue.listing(Query(sort="secant_n_per_mm")).rows
    assert [row.secant_n_per_mm for row in rows] == pytest.approx([3.0, 2.0, 1.0], rel=0.01)


def test_an_archive_that_takes_long_says_how_far_it_is(folder, monkeypatch) -> None:
    read, goes_on = results.archive_table, threading.Event()

    def slow(place, *, progress, so_far):
        with progress("reading headers", 6) as show:
            show(2, "")
            goes_on.wait(30)
        return read(place)

    monkeypatch.setattr(results, "archive_table", slow)
    monkeypatch.setattr("rig.workbench.catalogue.PATIENCE_S", 0.05)
    catalogue = Catalogue(folder)
    answers = [catalogue.listing(Query())]
    while answers[-1].headers != (2, 6):
        answers.append(catalogue.listing(Query()))
    assert answers[-1].rows == []
    assert set(answers[-1].choices) == set(NARROWING)
    goes_on.set()
    while answers[-1].headers is not None:
        answers.append(catalogue.listing(Query()))
    assert answers[-1].total == 6


def test_the_newest_rows_of_an_archive_are_shown_while_the_others_are_read(tmp_path, monkeypatch) -> None:
    for place in range(6):
        write_capture(tmp_path, f"F-90-00{place}", "spring mould", place=place)
    monkeypatch.setattr("rig.results.archive.FIRST_ROWS", 2)
    first = []
    whole = archive_table(tmp_path, so_far=first.append)
    assert [part["specimen"].to_pylist() for part in first] == [
        ["F-90-004", "F-90-005"], ["F-90-002", "F-90-003", "F-90-004", "F-90-005"],
    ]  # fmt: skip
    goes_on = threading.Event()

    def slow(_, *, so_far, **__):
        so_far(first[0])
        goes_on.wait(30)
        return whole

    monkeypatch.setattr(results, "archive_table", slow)
    monkeypatch.setattr("rig.workbench.catalogue.PATIENCE_S", 0.0)
    monkeypatch.setattr("rig.workbench.catalogue.GLANCE_S", 0.0)
    catalogue = Catalogue(tmp_path)
    try:
        while (found := catalogue.listing(Query())).total == 0:
            pass
        assert found.headers is not None
        assert [row.specimen for row in found.rows] == ["F-90-005", "F-90-004"]
    finally:
        goes_on.set()
    while found.looking:
        found = catalogue.listing(Query())
    assert (found.total, found.headers) == (6, None)


@contextmanager
def held_up(monkeypatch):
    """While it lasts, whoever looks at the folder has to wait; at its end, until they have looked."""
    read, goes_on, before = results.archive_table, threading.Event(), set(threading.enumerate())

    def slow(place, **_):
        goes_on.wait(30)
        return read(place)

    monkeypatch.setattr(results, "archive_table", slow)
    yield
    goes_on.set()
    for reader in set(threading.enumerate()) - before:
        reader.join()


def test_a_known_list_answers_while_the_folder_is_looked_at_and_says_so(tmp_path, monkeypatch) -> None:
    write_capture(tmp_path, "F-90-101", "autumn mould")
    write_capture(tmp_path, "F-90-001", "spring mould", place=1)
    catalogue = Catalogue(tmp_path)
    assert not catalogue.listing(Query()).looking
    monkeypatch.setattr("rig.workbench.catalogue.FRESH_S", 0.0)
    monkeypatch.setattr("rig.workbench.catalogue.GLANCE_S", 0.0)
    with held_up(monkeypatch):
        found = catalogue.listing(Query(batch="autumn mould"))
        assert found.looking
        assert found.headers is None
        assert [row.specimen for row in found.rows] == ["F-90-101"]
        write_capture(tmp_path, "F-90-103", "autumn mould", place=11)
    monkeypatch.setattr("rig.workbench.catalogue.FRESH_S", 60.0)
    found = catalogue.listing(Query(batch="autumn mould"))
    assert not found.looking
    assert [row.specimen for row in found.rows] == ["F-90-103", "F-90-101"]


def test_what_was_read_after_the_one_who_asked_had_gone_is_there_for_the_next(folder, monkeypatch) -> None:
    monkeypatch.setattr("rig.workbench.catalogue.PATIENCE_S", 0.0)
    catalogue = Catalogue(folder)
    with held_up(monkeypatch):
        assert catalogue.listing(Query()).headers is not None
    assert catalogue.listing(Query()).total == 6


def test_a_folder_that_vanishes_is_refused_in_words(tmp_path) -> None:
    catalogue = Catalogue(tmp_path / "gone")
    with pytest.raises(CaptureError, match="no such folder"):
        catalogue.listing(Query())
