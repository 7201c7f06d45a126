"""A method's file is read as it was meant, or refused with file, line and step."""

import math
import string
from pathlib import Path

import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st
from method_texts import CLEAR, CONTACT, CONTACT_CHECK, PRESS, parsed, written

from rig.errors import InputError
from rig.methods import REPORTABLE, Method, parse_method, read_method
from rig.methods.bounds import StepDepth
from rig.methods.steps import PressToForce, Recover, Repeat

EXAMPLES = sorted((Path(__file__).parents[2] / "configs" / "methods").glob("*.yaml"))


def refusal(text):
    with pytest.raises(InputError) as refused:
        parse_method(text, "m.yaml")
    said = str(refused.value)
    assert said.startswith("m.yaml")
    return said


def test_each_kind_of_method_has_a_ready_example():
    assert {path.stem for path in EXAMPLES} == {
        "plain_squeeze",
        "foam_compression",
        "foam_indentation",
        "foam_hardness",
        "ball_deformation",
        "compression_set",
        "pounding_endurance",
        "recovery_after_abuse",
        "spring_delay",
        "block_frame",
        "check_piece",
        "cap_pull",
        "first_motion",
    }


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_an_example_is_read_and_claims_no_conformity(path):
    method = read_method(path)
    assert "o conformity" in method.follows
    # `pressrig pull` reads the pulls of the one; the other shows that the platen moves, and measures nothing
    assert method.report or path.stem in ("cap_pull", "first_motion")


def test_values_are_read_in_their_units():
    press = '- press: {force: "18 lbf", stop_at: "1 in", speed: "100 mm/min"}'
    step = parsed(CONTACT_CHECK, press, CLEAR).steps[1]
    assert step == PressToForce(step.place, 18 * 4.4482216152605, StepDepth(25.4, "mm"), 100 / 60)
    assert str(step.place) == "m.yaml line 7, step 2 press"


def test_a_repeat_numbers_its_steps_under_its_own():
    method = parsed(
        CONTACT_CHECK, "- repeat:", "    count: 3", "    steps:", f"      {PRESS}", f"      {CLEAR}"
    )
    repeat = method.steps[1]
    assert isinstance(repeat, Repeat)
    assert (repeat.count, [str(step.place) for step in repeat.steps]) == (
        3,
        ["m.yaml line 10, step 2.1 press", "m.yaml line 11, step 2.2 return"],
    )


def test_contact_checks_of_a_recovery_are_spaced_evenly_by_the_logarithm():
    times = 'contact_checks: 4, from: "1 s", to: "1000 s"'
    text = f'- recover: {{{times}, force: "1 N", speed: "1 mm/s", gap: "0.1 mm"}}'
    step = parsed(CONTACT_CHECK, text).steps[1]
    assert isinstance(step, Recover)
    assert [step.time_s(check) for check in range(4)] == pytest.approx([1.0, 10.0, 100.0, 1000.0])


STEP_2 = "m.yaml line 7, step 2"


@pytest.mark.parametrize(
    ("step", "said"),
    [
        ('- press: {compression: "40", speed: "1 mm/s"}', f"{STEP_2} press: compression: '40' has no unit"),
        (
            '- press: {compression: "4 mm", speed: "1 mm/s"}',
            f"{STEP_2} press: compression: unit 'mm' does not",
        ),
        (
            '- press: {compression: "140 %", speed: "1 mm/s"}',
            "compression: found '140 %', expected from 0.001 to 100",
        ),
        ('- press: {deflection: "-4 mm", speed: "1 mm/s"}', "deflection: found '-4 mm', expected from"),
        ('- press: {deflection: "4 mm"}', f"{STEP_2} press: speed is missing"),
        (
            '- press: {speed: "1 mm/s"}',
            "found none of them, expected just one of deflection, compression, force",
        ),
        (
            '- press: {force: "4 N", deflection: "4 mm", speed: "1 mm/s"}',
            "found deflection and force, expected",
        ),
        ('- press: {force: "4 N", speed: "1 mm/s"}', "stop_at is missing"),
        (
            '- press: {deflection: "4 mm", stop_at: "5 mm", speed: "1 mm/s"}',
            "stop_at: belongs to a press to a force",
        ),
        ('- press: {depth: "4 mm"}', "'depth' is not a key here; expected deflection,"),
        ('- press: {deflection: "4 mm", deflection: "5 mm"}', "deflection is given twice"),
        ("- press: 4 mm", f"{STEP_2} press: expected keys: deflection"),
        ("- squeeze: {}", f"{STEP_2}: 'squeeze' is not a key here; expected contact_check, hold"),
        ('- {hold: "1 s", rest: "1 s"}', f"{STEP_2}: found hold and rest, expected just one"),
        ("- hold", f"{STEP_2}: expected keys: contact_check"),
        ('- hold: "soon"', f"{STEP_2} hold: duration: 'soon' is not a number followed by a unit"),
        ("- hold: [1 s]", "duration: found a list, expected one value such as '30 s'"),
        ('- return: {to: home, speed: "1 mm/s"}', "to: found 'home', expected contact"),
        (
            '- off_rig: {do: "go on", at_least: "2 h", at_most: "1 h"}',
            "at_most: found 3600 s, expected at_least",
        ),
        ('- off_rig: {do: "a\\e[2Jb"}', "do: expected printable text"),
        (
            "- repeat: {count: 0, steps: [hold: 1 s]}",
            f"{STEP_2} repeat: count: found '0', expected a whole number",
        ),
        ("- repeat: {count: 1e9, steps: [hold: 1 s]}", "count: found '1e9', expected a whole number"),
        ("- repeat: {count: 99999999999, steps: [hold: 1 s]}", "expected a whole number from 1 to 10000000"),
        ("- repeat: {count: 2, steps: []}", "steps: none found"),
        (
            "- recover: {contact_checks: 9, from: 1 h, to: 1 s, force: 1 N, speed: 1 mm/s, gap: 1 mm}",
            "to: found 1 s, expected more than from",
        ),
    ],
)
def test_a_wrong_step_is_refused_with_line_step_and_remedy(step, said):
    assert said in refusal(written(CONTACT_CHECK, step, CLEAR))


def test_the_line_of_a_value_is_named_where_it_stands_below_its_step():
    steps = ("- press:", '    deflection: "4 mm"', '    speed: "fast"')
    assert refusal(written(CONTACT_CHECK, *steps, CLEAR)).startswith("m.yaml line 9, step 2 press: speed:")


@pytest.mark.parametrize(
    ("steps", "said"),
    [
        ([PRESS, CLEAR], "line 6, step 1 press: the contact is not known here; write contact_check first"),
        ([CLEAR], "line 6, step 1 return: the contact is not known"),
        ([CONTACT_CHECK, PRESS], "line 7, step 2 press: the method ends on the specimen"),
        (
            [CONTACT_CHECK, PRESS, CONTACT_CHECK, CLEAR],
            "step 3 contact_check: the specimen is still pressed here; return first",
        ),
        ([CONTACT_CHECK, PRESS, '- rest: "1 s"', CLEAR], "step 3 rest: the specimen is still pressed"),
        ([CONTACT_CHECK, CLEAR, '- hold: "1 s"'], "step 3 hold: nothing is pressed here"),
        (
            [CONTACT_CHECK, '- off_rig: {do: "turn it"}', CLEAR],
            "step 2 off_rig: the platen still stands on the specimen",
        ),
        (
            [CONTACT_CHECK, CLEAR, '- off_rig: {do: "turn it"}', PRESS, CLEAR],
            "step 4 press: the contact is not known here",
        ),
    ],
)
def test_steps_that_cannot_follow_each_other_are_refused(steps, said):
    assert said in refusal(written(*steps))


def test_the_second_pass_of_a_repeat_is_followed_too():
    steps = f"- repeat: {{count: 2, steps: [{CONTACT_CHECK[2:]}, {PRESS[2:]}]}}"
    assert "step 1.1 contact_check: the specimen is still pressed here" in refusal(written(steps, CLEAR))


def nested(depth, count=2):
    inner = f"{PRESS[2:]}, {CONTACT[2:]}"
    for _ in range(depth):
        inner = f"repeat: {{count: {count}, steps: [{inner}]}}"
    return f"- {inner}"


def test_repeats_nest_three_deep_and_no_deeper():
    assert parsed(CONTACT_CHECK, nested(3), CLEAR)
    assert "repeats nested 4 deep" in refusal(written(CONTACT_CHECK, nested(4), CLEAR))


def test_the_passes_of_nested_repeats_are_bounded_together():
    assert "1000000000 passes in all" in refusal(written(CONTACT_CHECK, nested(3, 1000), CLEAR))


def test_the_steps_inside_repeats_are_bounded_together():
    inner = ", ".join([PRESS[2:], CONTACT[2:]] * 60)
    blocks = [f"- repeat: {{count: 1, steps: [{inner}]}}"] * 2
    assert "more than 200 steps" in refusal(written(CONTACT_CHECK, *blocks, CLEAR))


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("report: [shine]", "line 9, method: report: found 'shine', expected some of peak_force_n"),
        ("report: set_mm", "report: expected a list such as [peak_force_n]"),
        ("conditioning: {cycles: 1}", "line 9, conditioning: cycles: found 1 of 1 presses"),
        ("conditioning: {air: fresh}", "air: found 'fresh', expected standard or any"),
        ("colour: blue", "line 9, method: 'colour' is not a key here"),
    ],
)
def test_wrong_sections_are_refused(more, said):
    assert said in refusal(written(CONTACT_CHECK, PRESS, CLEAR, more=more))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "m.yaml: empty"),
        ("- a", "m.yaml line 1, method: expected keys: name"),
        ("name: a\nsteps: []\n", "m.yaml line 2, method: steps: none found"),
        ("name: [a", "m.yaml line 1: not YAML"),
        ("name: a\n--- \nname: b", "m.yaml line 2: a second document"),
        ("name: &x a\npurpose: *x", "m.yaml line 2: aliases are not read"),
        ("[" * 5000, "m.yaml line 1: nested too deeply"),
        ("#" * 70_000, "m.yaml: 70000 characters found, but a method has at most 65536"),
        ("name: \x00", "m.yaml line 1: found the character '\\x00'"),
    ],
)
def test_a_text_that_is_no_method_is_refused(text, said):
    assert said in refusal(text)


def test_files_that_cannot_be_read_are_refused_by_name(tmp_path):
    latin = tmp_path / "latin.yaml"
    latin.write_bytes(b"name: \xe9")
    for path, said in (
        (latin, "line 1: not UTF-8 text"),
        (tmp_path, "cannot be read"),
        (tmp_path / "no", "no such method"),
    ):
        with pytest.raises(InputError, match=said) as refused:
            read_method(path)
        assert str(refused.value).startswith(str(path))


def test_names_for_reports_are_told_apart_from_each_other():
    assert len(set(REPORTABLE.values())) == len(REPORTABLE)


def method_or_refusal(text):
    try:
        assert isinstance(parse_method(text, "m.yaml"), Method)
    except InputError as refused:
        assert str(refused).startswith("m.yaml")


@settings(deadline=None)
@given(st.text(alphabet=string.printable + "é\x00\x85\ud800\U0001f600", max_size=300))
@example('"\\UFFFFFFFF"')
@example("%YAML 1." + "9" * 5000 + "\n---\na")
@example("? [a]\n: b")
@example("!!python/object/apply:os.system [ls]")
@example("!<")
def test_any_text_is_a_method_or_refused_in_words(text):
    method_or_refusal(text)


LEAVES = st.one_of(
    st.sampled_from(
        ["1 N", "60 mm/min", "20 %", "5 mm", "1 s", "contact", "1e999 N", "-1 s", "nan mm", "24 h"]
    ),
    st.integers(-1, 10**15),
    st.floats(),
    st.none(),
    st.text(max_size=8),
)
KEYS = st.sampled_from(
    [
        *("contact_check", "press", "hold", "return", "rest", "recover", "off_rig", "repeat"),
        *("count", "steps", "every", "contact_checks", "do", "at_least", "at_most", "from", "to", "gap"),
        *("force", "speed", "compression", "deflection", "stop_at"),
    ]
)

TREES = st.recursive(
    LEAVES,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=25,
)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(TREES, max_size=5),
    st.dictionaries(st.sampled_from(["specimen", "conditioning", "report"]), TREES),
)
def test_any_tree_of_a_methods_own_words_is_a_method_or_refused_in_words(steps, sections):
    tree = {"name": "n", "purpose": "p", "follows": "f", "steps": steps, **sections}
    method_or_refusal(yaml.safe_dump(tree, allow_unicode=True))


@settings(deadline=None)
@given(st.data())
def test_an_example_with_some_characters_changed_is_a_method_or_refused_in_words(data):
    text = data.draw(st.sampled_from(EXAMPLES)).read_text(encoding="utf-8")
    at = data.draw(st.integers(0, len(text)))
    cut = data.draw(st.integers(0, 6))
    put = data.draw(st.text(alphabet=string.printable, max_size=4))
    method_or_refusal(text[:at] + put + text[at + cut :])


def test_a_method_takes_a_free_height_of_its_own_words_only():
    assert "needs: found 'colour', expected some of free_height, area" in refusal(
        "specimen: {needs: [colour]}\n"
        + written(CONTACT_CHECK, CLEAR).replace('specimen: {stiffness: "20 N/mm"}\n', "")
    )


def test_every_value_read_is_a_finite_number():
    for path in EXAMPLES:
        for step in read_method(path).steps:
            numbers = [getattr(step, name) for name in step.__slots__ if name.endswith(("_s", "_n", "_mm"))]
            assert all(number is None or math.isfinite(number) for number in numbers)
