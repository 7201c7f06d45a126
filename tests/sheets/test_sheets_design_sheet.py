"""A design sheet: pieces are the unit, unlike captures stand apart, and what is missing is named."""

from __future__ import annotations

import json
import re
from dataclasses import astuple, replace
from itertools import pairwise

import html5lib
import numpy as np
import pandas as pd
import pytest
from made_sheets import HEIGHT_MM, HOW, batch_of, facts_of, known, pressed

from rig.analyser import Softening
from rig.errors import InputError
from rig.population import UNSTATED, Curve
from rig.results import design_sheet
from rig.sheets import design_sheet_answers, save_design_sheet
from rig.sheets.design_sheet_words import for_designers

SPRING = [2.40, 2.50, 2.30, 2.45, 2.35, 2.42, 2.38, 2.44]
AUTUMN = [each - 0.7 for each in SPRING]
LBF_PER_N = 1 / 4.4482216152605  # NIST SP 811


def whole(**more):
    results = batch_of(SPRING, "spring") + batch_of(AUTUMN, "autumn")
    return design_sheet(results, facts_of(results), known(results), model="F-90", **more)


@pytest.fixture(scope="module")
def saved(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sheet")
    save_design_sheet(whole(margins={"secant_n_per_mm": 0.2}), folder)
    return folder


def test_pieces_are_counted_and_not_their_captures():
    again = batch_of(SPRING, "spring", capture=None)
    twice = [replace(each, capture=f"{each.capture} again") for each in again]
    sheet = design_sheet(again + twice, facts_of(again + twice))
    (comparable,) = sheet.sets
    figures = comparable.figures["spring, new"]["secant_n_per_mm"]
    assert figures.n == len(SPRING)
    assert figures.mean == pytest.approx(np.mean(SPRING))


def test_force_at_a_compression_and_at_a_gap_is_that_of_the_springs():
    (comparable,) = whole().sets
    at_25 = next(row for row in comparable.compression["spring, new"] if row.compression_pct == 25.0)
    # 25 % of 90 mm are 22.5 mm
    assert at_25.loading.mean == pytest.approx(22.5 * np.mean(SPRING), rel=1e-6)
    assert at_25.unloading_n == pytest.approx(0.9 * 22.5 * np.mean(SPRING), rel=1e-6)
    assert (at_25.deflection_mm, at_25.gap_mm) == (22.5, 67.5)
    at_80 = next(row for row in comparable.gap["autumn, new"] if row.gap_mm == 80.0)
    assert at_80.loading.mean == pytest.approx(10.0 * np.mean(AUTUMN), rel=1e-6)


def test_a_gap_squeezes_the_taller_piece_harder_and_a_compression_does_not():
    results = [pressed("short", 2.0), pressed("tall", 2.0)]
    facts = facts_of(results)
    facts[1] = replace(facts[1], free_height_mm=HEIGHT_MM + 2.0)
    (comparable,) = design_sheet(results, facts).sets
    assert comparable.height_mm == HEIGHT_MM + 1.0
    at_80 = next(row for row in comparable.gap["spring, new"] if row.gap_mm == 80.0)
    # by 10 mm and by 12 mm
    assert sorted(at_80.loading.values) == pytest.approx([20.0, 24.0])
    at_10 = next(row for row in comparable.compression["spring, new"] if row.compression_pct == 10.0)
    assert sorted(at_10.loading.values) == pytest.approx([2.0 * 9.0, 2.0 * 9.2])


@pytest.mark.parametrize(
    ("name", "other"),
    [("rate", "2 mm/s"), ("temperature", "5.0 degC"), ("orientation", "upright"), ("calibration", "K2")],
)
def test_what_was_measured_unlike_stands_apart(name, other):
    results = batch_of(SPRING, "spring") + batch_of(AUTUMN, "autumn", **{name: other})
    sheet = design_sheet(results, facts_of(results))
    assert [list(each.groups) for each in sheet.sets] == [["spring, new"], ["autumn, new"]]
    assert not any(each.comparisons for each in sheet.sets)
    together = design_sheet(results, facts_of(results), although=[name])
    (comparable,) = together.sets
    assert any(f"although different: {name}" in note for note in comparable.notes)


def test_batches_are_compared_answer_first(saved):
    page = (saved / "sheet.md").read_text(encoding="utf-8")
    first = page[: page.index("## The numbers as files")]
    assert re.search(r"autumn is softer than spring: .* secant stiffness at the peak", first)
    assert "larger than the margin of 0.2 N/mm" in first


def test_states_of_the_same_pieces_are_compared_with_themselves():
    new = batch_of(SPRING, "spring")
    worn = [
        pressed(each.piece, stiffness - 0.3, state="abused")
        for each, stiffness in zip(new[:3], SPRING, strict=False)
    ]
    (comparable,) = design_sheet(new + worn, facts_of(new + worn)).sets
    (comparison,) = comparable.comparisons
    difference = next(each for each in comparison.differences if each.quantity == "secant_n_per_mm")
    assert difference.paired
    assert difference.difference == pytest.approx(-0.3)


def test_what_is_missing_is_said_and_makes_a_shorter_sheet(tmp_path):
    alone = [pressed("S1", 2.4, batch=None)]
    sheet = design_sheet(alone, facts_of(alone, height_mm=None))
    said = " ".join(sheet.missing)
    wanted = (
        "Mass",
        "Size",
        "Free height",
        "only S1 was pressed",
        "Relaxation",
        "Knee",
        "Permanent set",
        "batch",
    )
    assert [what for what in wanted if what not in said] == []
    save_design_sheet(sheet, tmp_path)
    page = (tmp_path / "sheet.md").read_text(encoding="utf-8")
    assert "## Mass" not in page
    assert "## Size" not in page
    assert "gap, mm" not in page
    assert not list(tmp_path.glob("gap-*"))
    (comparable,) = sheet.sets
    # without a height, by deflection
    assert {row.compression_pct for row in comparable.compression["batch not stated, new"]} == {None}


def test_without_curves_there_is_still_a_sheet(tmp_path):
    bare = [pressed("S1", 2.4, curve=False), pressed("S2", 2.5, curve=False)]
    sheet = design_sheet(bare, facts_of(bare))
    assert any(each.startswith("Curves") for each in sheet.missing)
    save_design_sheet(sheet, tmp_path)
    assert not list(tmp_path.glob("force-*.svg"))


def test_invented_numbers_are_said_to_be_invented(tmp_path):
    results = batch_of(SPRING, "spring")
    save_design_sheet(design_sheet(results, facts_of(results, notes="all invented")), tmp_path)
    assert "All numbers on this sheet are invented" in (tmp_path / "sheet.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"margins": {"colour": 1.0}}, "margin: no piece has 'colour'"),
        ({"although": ["weather"]}, "although: no circumstance 'weather'"),
    ],
)
def test_what_makes_no_sense_is_refused(change, said):
    with pytest.raises(InputError, match=re.escape(said)):
        whole(**change)


def test_a_whole_series_of_rates_is_no_sheet():
    results = [pressed(f"S{n}", 2.0, rate=f"{n} mm/s") for n in range(1, 9)]
    with pytest.raises(InputError, match="measured under 8 different conditions"):
        design_sheet(results, facts_of(results))


def test_tables_give_us_units_beside_metric_ones(saved):
    force = pd.read_csv(saved / "force.csv")
    in_lbf = [name for name in force.columns if name.endswith("_lbf")]
    for name in in_lbf:
        metric = name.removesuffix("_lbf") + "_n"
        both = force[[name, metric]].dropna()
        assert np.allclose(both[name], both[metric] * LBF_PER_N, rtol=1e-6)
    assert in_lbf


def test_the_page_is_valid_html_that_needs_no_other_file(saved):
    text = (saved / "sheet.html").read_text(encoding="utf-8")
    parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
    page = parser.parse(text)
    for name in ("link", "iframe", "object"):
        assert page.find(f".//{name}") is None
    assert all(script.get("src") is None for script in page.iter("script"))
    assert not re.search(r"fetch\(|XMLHttpRequest|WebSocket|import\(|action=", text)
    pictures = page.findall(".//img")
    assert len(pictures) == 3
    for picture in pictures:
        assert picture.get("src").startswith("data:image/svg+xml;base64,")
        assert len(picture.get("alt")) > 20
    assert not re.search(r"url\(|@import|https?:", re.sub(r'(src|href)="data:[^"]*"', "", text))


def test_headings_follow_each_other_and_tables_name_their_rows_and_columns(saved):
    page = html5lib.parse((saved / "sheet.html").read_text(encoding="utf-8"), namespaceHTMLElements=False)
    levels = [int(each.tag[1]) for each in page.iter() if re.fullmatch(r"h\d", str(each.tag))]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(below <= above + 1 for above, below in pairwise(levels))
    for table in page.findall(".//table"):
        assert "".join(table.find("caption").itertext())
        assert {each.get("scope") for each in table.findall("./thead//th")} == {"col"}
        assert {each.get("scope") for each in table.findall("./tbody//th")} == {"row"}
    assert page.get("lang") == "en"


def test_names_of_people_cannot_break_the_page(tmp_path):
    evil = '<script>alert(1)</script> "|*'
    results = [pressed(evil, 2.0, batch="a|b"), pressed("plain", 2.1, batch="a|b")]
    save_design_sheet(design_sheet(results, facts_of(results), title='</title><b>"'), tmp_path)
    text = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    page = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)
    scripts = ["".join(script.itertext()) for script in page.iter("script")]
    assert not any(text.startswith("alert(1)") for text in scripts)
    # a name inside the data of the calculator cannot end its element
    (data,) = [json.loads(text) for text in scripts if text.startswith("{")]
    assert data["groups"][0]["pieces"][0]["name"] == evil
    assert page.find(".//b") is None
    markdown = (tmp_path / "sheet.md").read_text(encoding="utf-8")
    assert "<script>" not in re.sub(r"\\.", "", markdown)


def test_the_markdown_says_the_same_with_its_pictures_beside_it(saved):
    markdown = (saved / "sheet.md").read_text(encoding="utf-8")
    pictures = re.findall(r"!\[[^\]]+\]\(([\w.-]+)\)", markdown)
    assert len(pictures) == 3
    for name in pictures:
        svg = (saved / name).read_text(encoding="utf-8")
        assert "<title>" in svg
        assert (saved / name).with_suffix(".png").read_bytes().startswith(b"\x89PNG")
    page = html5lib.parse((saved / "sheet.html").read_text(encoding="utf-8"), namespaceHTMLElements=False)
    headings = ["".join(each.itertext()) for each in page.iter() if str(each.tag) in ("h2", "h3")]
    headings.remove("Calculator")  # on screen only
    assert [line.lstrip("# ") for line in markdown.splitlines() if line.startswith("##")] == headings


def test_the_same_sheet_gives_the_same_files(tmp_path, saved):
    save_design_sheet(whole(margins={"secant_n_per_mm": 0.2}), tmp_path)
    for path in saved.iterdir():
        assert path.read_bytes() == (tmp_path / path.name).read_bytes(), path.name


def row_of(page: str, begins: str) -> list[str]:
    """Cells of the first row of a Markdown table that begins so."""
    line = next(line for line in page.splitlines() if line.startswith(f"| {begins} |"))
    return [cell.strip() for cell in line.strip("| ").split("|")]


def test_no_more_than_four_digits_are_shown_and_the_table_holds_all(tmp_path):
    alone = [pressed("S1", 2.4321987)]
    save_design_sheet(design_sheet(alone, facts_of(alone)), tmp_path)
    page = (tmp_path / "sheet.md").read_text(encoding="utf-8")
    assert "2.432" in row_of(page, "secant stiffness at the peak, N/mm")
    assert "2.4321" not in page
    figures = pd.read_csv(tmp_path / "figures.csv").set_index("quantity")
    assert figures.loc["secant_n_per_mm", "mean"] == pytest.approx(2.4321987, abs=1e-9)


def test_a_single_piece_has_an_interval_only_where_the_calibration_is_known(tmp_path):
    known_part = pressed("S1", 2.0)
    noise_only = replace(known_part, u_shared=dict.fromkeys(known_part.u_shared, 0.0))
    said = []
    for result in (known_part, noise_only):
        save_design_sheet(design_sheet([result], facts_of([result])), tmp_path)
        page = (tmp_path / "sheet.md").read_text(encoding="utf-8")
        said.append(row_of(page, "secant stiffness at the peak, N/mm"))
    # a thousandth of 2 N/mm, twice
    assert "1.996 to 2.004" in said[0]
    assert not any(" to " in cell for cell in said[1])


def test_one_piece_of_each_batch_gives_no_answer(tmp_path):
    results = [pressed("S1", 2.0), pressed("A1", 1.5, batch="autumn")]
    sheet = design_sheet(results, facts_of(results))
    # the force of one piece, and no word on differences
    assert len(design_sheet_answers(sheet)) == 1
    save_design_sheet(sheet, tmp_path)
    assert not list(tmp_path.glob("pieces-*.svg"))
    assert len(design_sheet_answers(whole())) == 2


def test_the_headline_is_at_a_depth_that_all_pieces_reached():
    # the stiff springs were pressed to 20 % only, 18 mm of 90 mm
    stiff = batch_of([2.1, 2.2, 2.15], "spring")
    shallow = [replace(piece, curve=pressed_to(piece.curve, 18.0)) for piece in stiff]
    results = [pressed("deep", 2.0), *shallow]
    (said,) = design_sheet_answers(design_sheet(results, facts_of(results)))
    # the mean of all four is 2.1125 N/mm times 18 mm
    assert said.startswith("spring, new: 38.0"), said
    assert "at 20 % compression" in said
    assert "95 % confidence, 4 pieces" in said


def pressed_to(curve, deepest_mm):
    kept = curve.deflection_mm <= deepest_mm + 1e-9
    return Curve(curve.deflection_mm[kept], curve.loading_n[kept], curve.unloading_n[kept])


def test_the_page_names_rate_and_squeezes_and_holds_no_option_for_its_supplier(tmp_path):
    results = [*batch_of([2.0, 2.1, 2.2], "spring"), *batch_of([1.5, 1.6, 1.7], "autumn")]
    told = ("Not calibrated: force; `pressrig calibrate` measures what is missing.",)
    sheet = design_sheet(results, facts_of(results, warnings=told), notes=("Set it with --contact-force.",))
    save_design_sheet(sheet, tmp_path)
    page = (tmp_path / "sheet.md").read_text(encoding="utf-8")
    assert (
        r"Measured at a rate of 24 mm/s \[0.945 in/s\]; temperature 23.0 degC; 4 squeezes per capture" in page
    )
    assert "1 to 6: Not calibrated: force." in page
    assert " --" not in page.replace("| --", "")
    assert "pressrig calibrate" not in page


def test_the_first_page_counts_the_squeezes_and_pieces_behind_its_own_figures(tmp_path):
    spring = batch_of([2.0, 2.1, 2.2, 2.3, 2.4], "spring")
    # two pieces have an energy; another rate is another set, with captures of 50 squeezes
    spring[2:] = [replace(piece, values={"secant_n_per_mm": 2.2}) for piece in spring[2:]]
    autumn = batch_of([1.5, 1.6], "autumn", rate="2 mm/s")
    sheet = design_sheet(spring + autumn, [*facts_of(spring), *facts_of(autumn, cycles=50)])
    save_design_sheet(sheet, tmp_path)
    page = (tmp_path / "sheet.md").read_text(encoding="utf-8")
    assert (
        r"Measured at a rate of 24 mm/s \[0.945 in/s\]; temperature 23.0 degC; 4 squeezes per capture" in page
    )
    assert re.search(r"energy return, % \| 90\S* ± \S+ from 2 pieces", page)
    assert "of one piece, ±" not in page
    (alone,) = batch_of([2.0], "spring")
    save_design_sheet(design_sheet([alone], facts_of([alone])), tmp_path)
    page = (tmp_path / "sheet.md").read_text(encoding="utf-8")
    assert "of one piece, ± is that of its measurement" in page


def test_a_dash_in_a_name_and_a_caveat_beside_an_option_stay_on_the_page():
    softer = "F-90 -- autumn is softer than F-90 -- spring: 49 N against 69 N."
    assert for_designers(softer) == softer
    began = "Force zero: as recorded (the recording begins at 5 N; no untouched stretch at its start"
    assert for_designers(f"{began}: set it with --zero). Give --margin.") == f"{began})."


def test_batches_of_which_one_has_no_counted_value_are_said_not_to_compare(tmp_path):
    # as where all cycles lie outside the calibration
    empty = [
        replace(each, values={}, u={}, u_shared={}, curve=None) for each in batch_of([2.0, 2.1], "autumn")
    ]
    results = [*batch_of([2.0, 2.1], "spring"), *empty]
    save_design_sheet(design_sheet(results, facts_of(results)), tmp_path)
    page = (tmp_path / "sheet.md").read_text(encoding="utf-8")
    assert "Nothing to compare: no quantity is known for pieces of two groups." in page


def test_a_curve_ends_where_the_first_piece_does_and_not_with_a_jump():
    short = replace(
        pressed("S3", 2.3), curve=Curve(*(each[:56] for each in astuple(pressed("S3", 2.3).curve)))
    )
    results = [pressed("S1", 2.0), pressed("S2", 2.1), short]
    (comparable,) = design_sheet(results, facts_of(results)).sets
    (band,) = comparable.compression_bands
    assert set(band.count) == {3.0}
    # 55 of 60 steps over 36 mm, of 90 mm
    assert band.deflection_mm[-1] == pytest.approx(100 * 33.0 / 90.0)


def test_softening_is_told_with_pieces_as_the_unit(tmp_path):
    results = batch_of(SPRING[:4], "spring")
    slopes = [-3.0, -4.0, -5.0, -4.0]
    facts = [
        replace(each, softening=Softening(20.0, slope, 0.3, 98, 6.0, 100))
        for each, slope in zip(facts_of(results), slopes, strict=True)
    ]
    save_design_sheet(design_sheet(results, facts), tmp_path)
    page = (tmp_path / "sheet.md").read_text(encoding="utf-8")
    section = page[page.index("**Softening") :]
    # sd 0.8165 by the root of 4, t(3) = 3.182: -4 +- 1.30
    assert row_of(section, "spring, new") == ["spring, new", "4", "20.0", "-4.00", "-5.30 to -2.70"]


def test_conditions_and_calibrations_that_nobody_stated_are_missing():
    results = [replace(each, circumstances=HOW | {"temperature": UNSTATED}) for each in batch_of(SPRING, "a")]
    said = design_sheet(results, facts_of(results)).missing
    assert any("Conditions: temperature" in each for each in said)
    assert any(each.startswith("Calibration") for each in said)
    stated = design_sheet(batch_of(SPRING, "a"), facts_of(results, has_uncertainty=True)).missing
    assert not any(each.startswith(("Conditions", "Calibration")) for each in stated)
