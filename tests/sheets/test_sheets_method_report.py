"""What a method promised, from a made recording of a spring: values, reasons, words."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from rich.console import Console
from scipy import stats

from rig.analyser import AnalysisSettings, CaptureAnalysis
from rig.calibration import Calibration, Frame, Provenance, Scale, ScaleUncertainty, Share
from rig.capture import CaptureHeader
from rig.errors import InputError
from rig.results import method_report
from rig.samples import Samples
from rig.sheets import method_table

STIFFNESS = 3.0
CONTACT_MM = 20.0
HEIGHT_MM = 50.0
AREA_MM2 = 10_000.0
CALIBRATION = Calibration(Scale(0.001), Scale(0.005))
TEXT = """
name: four presses and two contact checks
purpose: A test.
follows: Nothing published; no conformity is claimed.
conditioning: {cycles: 0, air: standard}
steps:
  - contact_check: {force: "1 N", speed: "5 mm/s"}
  - repeat:
      count: 4
      steps:
        - press: {compression: "70 %", speed: "10 mm/s"}
        - return: {gap: "2 mm", speed: "10 mm/s"}
  - contact_check: {force: "1 N", speed: "5 mm/s"}
  - return: {gap: "2 mm", speed: "5 mm/s"}
report: [cv40_kpa, set_of_height_pct, set_of_deflection_pct, support_factor, hysteresis_pct]
"""
MET_MM = CONTACT_MM + 1.0 / STIFFNESS
SET_MM = 0.8


def recording(set_mm: float = SET_MM) -> tuple[list[dict], Samples]:
    """A spring that is shorter by a set at the second contact check, its marks and its samples."""
    moves = [("line 7, step 1 contact_check", "contact check", (), MET_MM, 5.0)]
    for turn in range(1, 5):
        moves.append(("line 11, step 2.1 press", "press to depth", (turn,), MET_MM + 0.7 * HEIGHT_MM, 10.0))
        moves.append(("line 12, step 2.2 return", "move", (turn,), MET_MM - 2.0, 10.0))
    moves.append(("line 13, step 3 contact_check", "contact check", (), MET_MM + set_mm, 5.0))
    moves.append(("line 14, step 4 return", "move", (), MET_MM - 2.0, 5.0))
    at_mm, parts, events, count = 10.0, [np.full(500, 10.0)], [], 500
    for place, action, passes, to_mm, speed in moves:
        steps = int(abs(to_mm - at_mm) / speed * 500)
        parts += [np.linspace(at_mm, to_mm, steps), np.full(100, to_mm)]
        marked = {"kind": "step", "place": f"x.yaml {place}", "action": action, "passes": list(passes)}
        events.append(marked | {"phase": "begin", "time_us": 2000 * count})
        count += steps + 100
        events.append(marked | {"phase": "end", "time_us": 2000 * (count - 1)})
        at_mm = to_mm
    return events, seen(np.concatenate(parts), events[-4]["time_us"], set_mm)


def seen(position_mm: np.ndarray, shorter_from_us: int, set_mm: float) -> Samples:
    seq = np.arange(len(position_mm), dtype=np.int64)
    contact_mm = np.where(seq * 2000 >= shorter_from_us, CONTACT_MM + set_mm, CONTACT_MM)
    rng = np.random.default_rng(5)
    force_n = STIFFNESS * np.maximum(position_mm - contact_mm, 0.0) + 0.005 * rng.standard_normal(len(seq))
    shown_mm = position_mm + 0.001 * rng.standard_normal(len(seq))
    return Samples(
        seq,
        seq * 2000,
        np.round(force_n / 0.001).astype(np.int32),
        np.round(shown_mm / 0.005).astype(np.int32),
        np.zeros(len(seq), np.uint8),
    )


HEADER = CaptureHeader(
    specimen="spring",
    free_height_mm=HEIGHT_MM,
    area_mm2=AREA_MM2,
    method={"file": "here.yaml", "text": TEXT},
    calibration=CALIBRATION.as_dict(),
)


def report_of(header: CaptureHeader = HEADER, **how):
    events, samples = recording()
    report = method_report(header, events, [samples[:7000], samples[7000:]], None, **how)
    return report, {each.name: each for each in report.quantities}


def test_a_recording_with_the_old_names_of_steps_and_actions_is_read_as_before() -> None:
    events, samples = recording()
    old = json.loads(json.dumps(events).replace("contact_check", "touch").replace("contact check", "touch"))
    assert old != events
    header = replace(HEADER, method={"file": "here.yaml", "text": TEXT.replace("contact_check:", "touch:")})
    found = method_report(header, old, [samples], None)
    now = method_report(HEADER, events, [samples], None)
    assert [each.value for each in found.quantities] == [each.value for each in now.quantities]


def test_quantities_come_in_the_methods_order_and_near_their_truth() -> None:
    report, found = report_of(spacer_mm=25.0)
    assert [each.name for each in report.quantities] == [
        "cv40_kpa", "set_of_height_pct", "set_of_deflection_pct", "support_factor", "hysteresis_pct",
    ]  # fmt: skip
    # 1 N at the contact check and 20 mm more of 3 N/mm are 61 N on 0.01 m^2
    assert found["cv40_kpa"].value == pytest.approx(6.1, abs=4 * found["cv40_kpa"].u)
    assert found["cv40_kpa"].u < 0.01
    assert found["set_of_height_pct"].value == pytest.approx(1.6, abs=4 * found["set_of_height_pct"].u)
    assert found["set_of_deflection_pct"].value == pytest.approx(
        3.2, abs=4 * found["set_of_deflection_pct"].u
    )


def test_the_frames_share_of_the_travel_is_taken_off() -> None:
    # With 1 um/N, travel x past the contact check squeezes the specimen by x - 0.001 * 3 x only, so that 20
    # mm are reached after 20/0.997 mm of travel.
    soft = Calibration(Scale(0.001), Scale(0.005), frame=Frame.straight(0.001))
    _, found = report_of(replace(HEADER, calibration=soft.as_dict()))
    truth = 1000 * (1 + 3 * 20 / 0.997) / AREA_MM2
    assert found["cv40_kpa"].value == pytest.approx(truth, abs=4 * found["cv40_kpa"].u)


def test_what_cannot_be_had_is_empty_with_a_reason() -> None:
    report, found = report_of(replace(HEADER, area_mm2=None))
    assert {each.name for each in report.missing} == {
        "cv40_kpa", "set_of_deflection_pct", "support_factor", "hysteresis_pct",
    }  # fmt: skip
    assert "area" in found["cv40_kpa"].why
    assert "--spacer" in found["set_of_deflection_pct"].why
    assert "no press to 25 % with a hold" in found["support_factor"].why
    assert found["support_factor"].u is None


@pytest.mark.parametrize(
    ("name", "basis", "other", "other_pct"),
    [
        ("set_of_height_pct", "of the free height", "of the imposed deflection", 3.2),
        ("set_of_deflection_pct", "of the imposed deflection", "of the free height", 1.6),
    ],
)
def test_a_compression_set_names_its_basis_and_the_other_one_stands_beside_it(
    name, basis, other, other_pct
) -> None:
    _, found = report_of(spacer_mm=25.0)
    each = found[name]
    assert basis in each.title
    assert f"Basis: {basis}." in each.how
    (beside,) = [part for part in each.parts if other in part.what]
    # 0.8 mm of 50 mm, and of the 25 mm that a spacer of 25 mm leaves
    assert beside.value == pytest.approx(other_pct, abs=4 * beside.u)
    assert 0 < beside.u < 0.1
    assert beside.unit == "%"


def test_without_a_spacer_the_set_of_the_free_height_says_how_to_have_the_other_one() -> None:
    _, found = report_of()
    assert "--spacer" in found["set_of_height_pct"].how


def test_the_spacer_may_stand_among_the_conditions() -> None:
    _, found = report_of(replace(HEADER, conditions={"spacer": "2.5 cm"}))
    assert found["set_of_deflection_pct"].value == pytest.approx(3.2, abs=0.05)


@pytest.mark.parametrize(
    ("conditions", "words"),
    [
        ({}, "are not stated"),
        ({"temperature": "23 degC", "humidity": "50 %"}, "is standard laboratory air"),
        ({"temperature": "30 degC", "humidity": "50 %"}, "is not standard laboratory air"),
    ],
)
def test_the_air_is_judged_where_the_method_asks_for_it(conditions, words) -> None:
    report, _ = report_of(replace(HEADER, conditions=conditions))
    assert any(words in note for note in report.notes)


def test_no_conformity_is_claimed_and_the_arithmetic_is_named() -> None:
    report, found = report_of()
    assert any("No conformity" in note for note in report.notes)
    assert "ISO 3386-1" in found["cv40_kpa"].how
    assert report.follows == "Nothing published; no conformity is claimed."


def test_the_report_goes_into_json_without_not_a_number() -> None:
    report, _ = report_of()
    again = json.loads(json.dumps(report.as_dict(), allow_nan=False))
    assert again["quantities"][0]["name"] == "cv40_kpa"


def test_a_table_shows_values_readings_and_reasons() -> None:
    report, _ = report_of(replace(HEADER, area_mm2=None), spacer_mm=25.0)
    page = io.StringIO()
    Console(file=page, width=200, no_color=True).print(method_table(report, plain=True))
    assert "give it when the method is run" in page.getvalue()
    assert "height lost between the first and the last contact check" in page.getvalue()


def test_without_marks_of_steps_nothing_is_made_up() -> None:
    _, samples = recording()
    report = method_report(HEADER, [], [samples], None)
    assert all(each.value is None for each in report.quantities)
    assert any("no step marks" in note for note in report.notes)


def test_a_capture_without_a_method_is_refused() -> None:
    with pytest.raises(InputError, match="recorded without one"):
        method_report(replace(HEADER, method=None), [], [], None)


def test_a_doubtful_force_scale_is_in_the_uncertainty_of_a_stress_and_not_of_a_set() -> None:
    # CV40 stands at 40 % whatever the scale says of the contact check's 1 N but for its shift of the datum:
    # the force of 61 N is 1 % off, and the contact check, felt at 0.01 N more or less, moves the depth by
    # 0.01/3 mm.
    known = ScaleUncertainty(1e5, ((0.0,),), shares=(Share("references", 0.01),))
    force = replace(CALIBRATION.force, uncertainty=known)
    _, plain = report_of()
    _, found = report_of(replace(HEADER, calibration=replace(CALIBRATION, force=force).as_dict()))
    off = 1000 * abs(0.01 * 61 - 0.01) / AREA_MM2
    assert found["cv40_kpa"].u == pytest.approx(np.hypot(plain["cv40_kpa"].u, off), rel=0.05)
    assert found["set_of_height_pct"].u == pytest.approx(plain["set_of_height_pct"].u, rel=0.05)


def test_a_report_says_what_was_never_calibrated_and_what_is_overdue() -> None:
    old = replace(CALIBRATION.force, record=Provenance(date(2020, 1, 1), date(2021, 1, 1)))
    report, _ = report_of(replace(HEADER, calibration=replace(CALIBRATION, force=old).as_dict()))
    assert any(
        note.startswith("Not calibrated: force, position, time offset, frame compliance, backlash")
        for note in report.notes
    )
    assert any("overdue" in note and "force (since 2021-01-01)" in note for note in report.notes)


FEW = ScaleUncertainty(1e5, ((0.2**2,),), 5.0)
"""A force scale known to 0.2 N at 100 N from a fit with five degrees of freedom."""


def with_few() -> CaptureHeader:
    return replace(
        HEADER,
        calibration=replace(CALIBRATION, force=replace(CALIBRATION.force, uncertainty=FEW)).as_dict(),
    )


def test_a_scale_from_few_readings_widens_the_interval_by_students_factor() -> None:
    _, plain = report_of()
    _, found = report_of(with_few())
    stress = found["cv40_kpa"]
    # Welch and Satterthwaite by hand: what the scale adds has five degrees of freedom, the rest has no limit
    added2 = stress.u**2 - plain["cv40_kpa"].u ** 2
    assert stress.freedom == pytest.approx(stress.u**4 / (added2**2 / 5), rel=1e-9)
    assert stress.freedom < 20
    assert stress.half95 == pytest.approx(stats.t.ppf(0.975, stress.freedom) * stress.u, rel=1e-9)


def test_without_a_limit_of_the_degrees_of_freedom_the_factor_is_the_normal_one() -> None:
    _, found = report_of()
    assert found["cv40_kpa"].freedom is None
    assert found["cv40_kpa"].half95 == pytest.approx(1.96 * found["cv40_kpa"].u, rel=1e-4)
    assert found["support_factor"].half95 is None


def test_a_quantity_of_the_cycles_has_the_degrees_of_freedom_of_its_columns() -> None:
    text = TEXT.replace("support_factor, hysteresis_pct]", "peak_force_n]")
    header = replace(with_few(), method={"file": "here.yaml", "text": text})
    events, samples = recording()
    analysis = CaptureAnalysis(
        Calibration.from_dict(header.calibration), AnalysisSettings(contact_force_n=1.0)
    )
    analysis.push(samples)
    result = analysis.finish()
    report = method_report(header, events, [samples], result)
    peak = report.quantities[-1]
    # 106 N by a scale that is 0.2 % off: 0.21 N, beside some mN of the reading, so that the five are all
    assert peak.u == pytest.approx(0.2 / 100 * 106, rel=0.02)
    assert peak.freedom == pytest.approx(5, rel=0.05)
    assert peak.half95 == pytest.approx(stats.t.ppf(0.975, peak.freedom) * peak.u, rel=1e-9)


def test_the_table_shows_the_interval_and_its_degrees_of_freedom() -> None:
    report, _ = report_of(with_few())
    page = io.StringIO()
    Console(file=page, width=220, no_color=True).print(method_table(report, plain=True))
    heading = page.getvalue().splitlines()[1].split()
    assert heading[-6:] == ["u", "+-", "(95", "%)", "df", "how"]
    assert "many" in page.getvalue()
