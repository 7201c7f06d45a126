"""An endurance plan is read as carefully as a method, and checked as the method that it amounts to."""

from pathlib import Path

import pytest

from rig.errors import InputError
from rig.methods import RigLimits, SpecimenFacts, check_plan, parse_plan, plan, plan_text
from rig.methods.actions import PressTo
from rig.methods.steps import Repeat

EXAMPLES = sorted((Path(__file__).parents[2] / "configs" / "endurance").glob("*.yaml"))
RIG = RigLimits((1.0, 110.0), 30.0, (-5.0, 500.0), 200.0, 500.0, 0.0, 500.0)
FLOAT = SpecimenFacts(90.0, None, None)
TEXT = """name: float abuse
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "20 N/mm"}
contact_check: {force: "1 N", speed: "60 mm/min"}
squeeze: {compression: "25 %", speed: "20 mm/s", gap: "2 mm", hold: "0.5 s"}
until: {cycles: 500, time: "20 h", stiffness_loss: "20 %", set: "5 %"}
recovery: {contact_checks: 10, from: "20 s", to: "24 h"}
"""


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_each_example_is_read_and_fits_the_virtual_rig(path):
    checked = check_plan(parse_plan(plan_text(path), str(path)), RIG, FLOAT)
    assert checked.plan.until.cycles
    assert "conformity" in checked.plan.follows


def test_there_are_examples():
    assert len(EXAMPLES) >= 2


def test_values_are_read_in_the_rigs_units():
    found = parse_plan(TEXT, "p.yaml")
    assert found.squeeze.speed_mm_per_s == 20.0
    assert (found.until.cycles, found.until.time_s) == (500, 72_000.0)
    assert found.recovery.last_s == 86_400.0
    assert found.contact_check.speed_mm_per_s == 1.0
    checked = check_plan(found, RIG, FLOAT)
    assert checked.depth_mm == pytest.approx(22.5)
    assert checked.set_limit_mm == pytest.approx(4.5)


def test_left_out_it_ends_after_a_loss_and_keeps_every_sample():
    found = parse_plan(TEXT, "p.yaml")
    assert (found.goes_on, found.raw_one_in, found.block) == (False, 1, 100)


def test_it_amounts_to_a_method_with_every_squeeze():
    checked = check_plan(parse_plan(TEXT, "p.yaml"), RIG, FLOAT)
    assert checked.method.presses == 500
    presses = [each for each in plan(checked.method) if isinstance(each.action, PressTo)]
    assert len(presses) == 500
    assert any(isinstance(step, Repeat) and step.count == 500 for step in checked.method.method.steps)


@pytest.mark.parametrize(
    ("found", "instead", "said"),
    [
        ("until: {cycles: 500,", "until: {cycels: 500,", "line 7.*'cycels'"),
        ('until: {cycles: 500, time: "20 h", stiff', "until: {stiff", "line 7.*neither cycles nor time"),
        ('speed: "20 mm/s", gap', 'speed: "20", gap', "line 6.*speed"),
        ('compression: "25 %"', 'force: "100 N"', "line 6.*stop_at is missing"),
        ('to: "24 h"', 'to: "10 s"', "line 8.*more than from"),
        ("recovery:", "after_loss: perhaps\nrecovery:", "line 8.*'go on' or 'end'"),
        ("cycles: 500", "cycles: 0", "line 7.*whole number"),
    ],
)
def test_a_wrong_field_is_refused_with_its_line(found, instead, said):
    with pytest.raises(InputError, match=f"p.yaml {said}"):
        parse_plan(TEXT.replace(found, instead), "p.yaml")


def test_a_squeeze_too_deep_for_the_specimen_is_refused_before_anything_moves():
    text = TEXT.replace('"25 %"', '"99 %"')
    with pytest.raises(InputError, match=r"line 6, squeeze.*margin"):
        check_plan(parse_plan(text, "p.yaml"), RIG, FLOAT)


def test_a_set_in_per_cent_needs_the_free_height():
    text = TEXT.replace('compression: "25 %"', 'deflection: "20 mm"')
    with pytest.raises(InputError, match="free height"):
        check_plan(parse_plan(text, "p.yaml"), RIG, SpecimenFacts())
