"""A page of every kind of block, as HTML and as Markdown."""

import base64

import html5lib
import pytest

from rig.sheets.page import (
    Facts,
    Page,
    PageTable,
    Picture,
    Points,
    Section,
    Words,
    beside,
    listed,
    not_empty,
    page_html,
    page_markdown,
    save_page,
)

NASTY = "<script>alert('1')</script> | *a* `b` [c](d) & \"e\""
PNG = b"\x89PNG\r\n\x1a\n"
BLOCKS = (
    Words(NASTY),
    Words("Yes: `pressrig sheet` says so.", "answer"),
    Words("No.", "refusal"),
    Words("Mind your fingers.", "caution"),
    Points((NASTY, "two")),
    Facts(((NASTY, NASTY), ("rig", "bench"))),
    PageTable(NASTY, ("piece", NASTY), ((NASTY, "1.5"), ("F-90-001", "-"))),
    Picture("curve.png", NASTY, NASTY),
)
PAGE = Page(NASTY, NASTY, (Section(NASTY, BLOCKS), Section("below", (), level=3)))


def parsed(text):
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)


def test_text_of_people_and_devices_stays_text_in_every_block():
    page = parsed(page_html(PAGE, {"curve.png": PNG}))
    assert not page.findall(".//script")
    assert not page.findall(".//a")
    words = " ".join("".join(page.itertext()).split())
    # title, heading, subtitle, section, paragraph, point, term, fact, caption, column, row, picture
    assert words.count("<script>alert('1')</script>") == 12
    (picture,) = page.findall(".//img")
    assert picture.get("alt") == NASTY
    assert base64.b64decode(picture.get("src").removeprefix("data:image/png;base64,")) == PNG


def test_headings_follow_each_other_and_rows_and_columns_have_their_scope():
    page = parsed(page_html(PAGE, {"curve.png": PNG}))
    assert [each.tag for each in page.iter() if each.tag in ("h1", "h2", "h3")] == ["h1", "h2", "h3"]
    assert [each.get("scope") for each in page.findall(".//th")] == ["col", "col", "row", "row"]
    assert [each.get("class") for each in page.findall(".//p") if each.get("class")] == [
        "answer",
        "refusal",
        "caution",
    ]


def test_markdown_holds_the_same_and_no_element():
    text = page_markdown(PAGE)
    lines = text.splitlines()
    assert "<script>" not in text
    assert "> **Yes: `pressrig sheet` says so.**" in lines
    assert "- rig: bench" in lines
    assert "| F-90-001 | - |" in lines
    assert "| --- | ---: |" in lines
    assert "### below" in lines
    assert sum(line.endswith("](curve.png)") for line in lines) == 1


def table_of(cell):
    table = PageTable("t", ("piece", "x"), (("F-90-001", cell),))
    return page_html(Page("rig", "", (Section("s", (table,)),)), {})


@pytest.mark.parametrize("cell", ["1.5", "-0.3", "± 0.15", "3.4e-08", "8/7", "18.8 in", "1.5 to 2", "12 %"])
def test_numbers_stand_at_the_right(cell):
    assert f"<td>{cell}</td>" in table_of(cell)


@pytest.mark.parametrize("cell", ["none", "F-90-001", "autumn - spring", "+ or -"])
def test_words_stand_at_the_left(cell):
    assert f'<td class="words">{cell}</td>' in table_of(cell)


def test_a_page_without_a_subtitle_has_no_empty_paragraph():
    bare = Page("rig", "", ())
    assert not parsed(page_html(bare, {})).findall(".//header/p")
    assert page_markdown(bare).startswith("# rig\n\npressrig ")


def test_a_saved_page_takes_its_pictures_from_its_folder(tmp_path):
    (tmp_path / "curve.png").write_bytes(PNG)
    (picture,) = beside([("A curve", tmp_path / "curve.png")])
    page = save_page(Page("rig", "", (Section("Pictures", (picture,)),)), tmp_path / "page.html")
    assert base64.b64encode(PNG).decode() in page.read_text(encoding="utf-8")
    assert "![A curve](curve.png)" in (tmp_path / "page.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("sentences", [(), ("one",)])
def test_a_section_of_no_sentences_is_left_out(sentences):
    assert len(not_empty(Section("Notes", listed(sentences)))) == len(sentences)
