"""The report of a verification, and the pictures of checks."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import html5lib
import pytest

from rig.calibration import VerificationReading, VerificationReferences, learnt_limits, verify_force
from rig.sheets import ChartPoint, VerificationSheet, save_control_chart, save_verification_report

CERTIFICATE = "mass set, certificate 12"


def sheet(*, gain: float = 1.002, certificates: tuple[str, ...] = (CERTIFICATE,), rig: str = "bench"):
    loads = (20.0, 40.0, 60.0, 80.0, 100.0)
    made = []
    for run in (1, 2, 3):
        made.append(VerificationReading(run, "rising", 0.0, 0.0))
        made += [VerificationReading(run, "rising", load, load * gain) for load in loads]
        made += [VerificationReading(run, "falling", load, load * gain) for load in loads[-2::-1]]
        made.append(VerificationReading(run, "falling", 0.0, 0.0))
    return VerificationSheet(
        verify_force(made, VerificationReferences(certificates, 1e-4), resolution_n=0.01),
        rig=rig,
        made=date(2026, 3, 17),
        expires=date(2027, 3, 17),
        by="M. Rigger",
        readings="readings.csv",
        calibration="0123456789abcdef",
        conditions={"temperature": "21 degC"},
        cautions=("Calibration overdue on the day of the recording: force (since 2026-03-01).",),
    )


@pytest.fixture
def written(tmp_path) -> Callable[..., dict[str, str]]:
    """Writes a report and gives its texts by the ending of their files."""

    def write(**how) -> dict[str, str]:
        page = save_verification_report(sheet(**how), tmp_path / "out")
        return {each: page.with_suffix(each).read_text(encoding="utf-8") for each in (".html", ".md")}

    return write


def test_the_page_is_valid_and_needs_no_other_file(written) -> None:
    text = written()[".html"]
    page = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)
    fetched = [each.get(name) for each in page.iter() for name in ("src", "href") if each.get(name)]
    assert len(fetched) == 1
    assert fetched[0].startswith("data:image/svg+xml;base64,")
    assert "url(" not in text


def test_the_report_says_class_range_references_day_expiry_conditions_and_cautions(written) -> None:
    for text in written().values():
        for words in (
            "Class 0.5 from 20 N to 100 N",
            CERTIFICATE,
            "2026-03-17",
            "2027-03-17",
            "M. Rigger",
            "21 degC",
            "overdue",
            "no conformity is claimed",
            "+0.200",
        ):
            assert words in text, words


def test_a_failed_class_is_named_with_force_and_error(written) -> None:
    texts = written(gain=1.05)
    for text in texts.values():
        assert "No class: accuracy error q of +5 % at 100 N, limit 3 %" in text
    assert 'class="refusal"' in texts[".html"]
    assert 'class="refusal"' not in written()[".html"]


def test_a_class_that_is_better_than_the_one_reached_is_named_with_what_missed_it(written) -> None:
    for text in written(gain=1.008).values():
        assert "Class 1 from 20 N" in text
        assert "Class 0.5 is not reached: accuracy error q of +0.8 % at 100 N, limit 0.5 %" in text


def test_without_a_certificate_only_errors_are_stated(written) -> None:
    for text in written(certificates=()).values():
        assert "No class is stated, only the errors" in text
        assert "Class 0.5 from" not in text
        assert "+0.200" in text


def test_the_same_readings_give_the_same_page(written) -> None:
    assert written() == written()


def test_a_control_chart_is_drawn_with_and_without_limits(tmp_path) -> None:
    values = [3.0, 3.01, 2.99, 3.0, 3.02, 3.0, 2.98, 3.01, 3.3]
    points = [
        ChartPoint(f"2026-03-{day:02d}", each, None if day == 1 else 0.01, each > 3.2)
        for day, each in enumerate(values, start=1)
    ]
    for count, limits in ((1, None), (9, learnt_limits(values))):
        path = tmp_path / f"{count}.png"
        save_control_chart(points[:count], limits, title="bench: K1", unit="N/mm", path=path)
        assert path.read_bytes().startswith(b"\x89PNG")
