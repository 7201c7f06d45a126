"""Forms against the command line that they stand for."""

from __future__ import annotations

import importlib
from pathlib import Path

import click
import pytest

from rig.cli.families import with_units
from rig.cli.main import _COMMANDS
from rig.errors import InputError
from rig.workbench import FORMS
from rig.workbench.forms import arguments

NIP = {"--force": "80 N", "--wheel": "radius 60 mm", "--friction": "0.6"}


def options_of(command: str) -> dict[str, click.Option]:
    name, *below = command.split()
    found = importlib.import_module(_COMMANDS[name][0]).command
    for part in below:
        found = found.get_command(click.Context(found), part)
    with_units(found)  # as the command line does when it loads a command
    return {
        name: option for option in found.params if isinstance(option, click.Option) for name in option.opts
    }


@pytest.mark.parametrize("form", FORMS.values(), ids=FORMS)
def test_every_field_is_an_option_of_its_command(form) -> None:
    options = options_of(form.command)
    for field in form.fields:
        option = options[field.option]
        assert not option.is_flag
        assert option.required <= field.required, field.option
        if isinstance(option.type, click.Choice):
            assert field.kind == "choice", field.option
            assert set(field.choices) <= set(option.type.choices), field.option
    assert ("--out" in options) == form.report


@pytest.mark.parametrize("form", FORMS.values(), ids=FORMS)
def test_what_a_command_cannot_go_without_is_on_its_form(form) -> None:
    needed = {name for name, option in options_of(form.command).items() if option.required}
    given = {"--rig"} if form.takes == "the rig" else set()
    assert needed <= {field.option for field in form.fields} | given


def test_a_question_about_the_rig_takes_the_file_of_the_one_that_is_served() -> None:
    form = FORMS["verify chart"]
    assert arguments(form, {}, [], Path("/rigs/a.yaml")) == ["verify", "chart", "--rig=/rigs/a.yaml"]
    with pytest.raises(InputError, match="found no rig"):
        arguments(form, {}, [])


def test_a_filled_form_is_the_command_that_a_person_would_type() -> None:
    words = arguments(FORMS["nip"], NIP | {"--size": ""}, ["captures/a", "captures/b"])
    assert words == [
        "nip",
        "--force=80 N",
        "--wheel=radius 60 mm",
        "--friction=0.6",
        "--",
        "captures/a",
        "captures/b",
    ]


def test_an_entry_is_never_taken_for_an_option() -> None:
    words = arguments(FORMS["exclude"], {"--reason": "--cycles=1"}, ["--json"])
    assert words == ["exclude", "--reason=--cycles=1", "--", "--json"]


@pytest.mark.parametrize(
    ("form", "values", "captures", "said"),
    [
        ("nip", NIP | {"--out": "/etc"}, ["a"], "--out: found an option"),
        ("nip", NIP | {"--curves": "x"}, ["a"], "--curves: found an option"),
        ("nip", {"--force": "80 N"}, ["a"], "found nothing, expected an entry such as"),
        ("nip", NIP, [], "captures: found 0"),
        ("nip", NIP | {"--between": "hands"}, ["a"], "expected one of plate, wheels"),
        ("nip", NIP | {"--conditioning": "-1"}, ["a"], "a whole number"),
        ("nip", NIP | {"--size": "9" * 300}, ["a"], "at most 200 printable"),
        ("nip", NIP | {"--size": "90\x1b[31m mm"}, ["a"], "at most 200 printable"),
    ],
)
def test_a_wrong_entry_is_refused_in_words(form, values, captures, said) -> None:
    with pytest.raises(InputError, match=said.replace("(", r"\(")):
        arguments(FORMS[form], values, captures)
