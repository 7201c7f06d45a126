"""`pressrig weigh`: typed, and on a scale that is a real pseudo-terminal."""

from __future__ import annotations

import json
import os
import re
from functools import partial
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("pseudo-terminals are needed", allow_module_level=True)

from click.testing import CliRunner
from command_line import CALIBRATED, ROOT, environment, pressrig, running, wait_until
from scale_pan import Hand, ScalePan
from table_scale import DRIFT_G_PER_S, SCALE_FILE, STEP_G, TableScale

from rig.cli.weigh import command
from rig.errors import InputError
from rig.register import Register
from rig.rigfile import read_rig_file

IDS = ("F-90-001", "F-90-002", "F-90-003", "F-90-004")
MASSES_G = (37.24, 36.87, 41.02, 35.55)
QUICK = ("--settle", "1.5 s")


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name, value in environment(tmp_path).items():
        monkeypatch.setenv(name, value)
    return tmp_path


@pytest.fixture
def register(home) -> Path:
    path = home / "pieces.sqlite"
    with Register(path) as made:
        for name in IDS:
            made.add(name)
    return path


@pytest.fixture
def scale_file(home) -> Path:
    path = home / "scale.yaml"
    path.write_text(SCALE_FILE)
    return path


def weigh(*arguments, stdin=None):
    return CliRunner().invoke(command, [str(each) for each in arguments], input=stdin)


def rested(scale):
    """Wait until the scale has printed long enough for a rest to be seen."""
    end_s = scale.time_s + 6
    wait_until(lambda: scale.time_s > end_s)


def refusal(*arguments):
    finished = weigh(*arguments)
    assert isinstance(finished.exception, InputError), finished.output
    return str(finished.exception)


def masses(path):
    with Register(path, make=False) as register:
        return {each.id: each.mass for each in register.specimens()}


def test_pieces_put_on_one_by_one_are_each_weighed_within_the_resolution(home, register, scale_file):
    with (
        TableScale(home / "scale") as scale,
        running(
            home,
            *("weigh", *IDS, "--rig", scale_file, "--port", home / "scale", "--register", register),
            *("--json", "--density", "120 kg/m^3", *QUICK),
        ) as process,
    ):
        heard = []
        for name, mass_g in zip(IDS, MASSES_G, strict=True):
            for said in process.stderr:
                heard.append(said)
                if said.strip() == f"put on {name}":
                    break
            if name == IDS[1]:
                scale.knock()
                rested(scale)
            if name == IDS[2]:
                scale.clear()
                rested(scale)
            if name == IDS[3]:
                scale.tare()
                rested(scale)
            scale.put(mass_g)
        output, errors = process.communicate(timeout=60)
        errors = "".join(heard) + errors
    assert process.returncode == 0, errors
    said = json.loads(output)
    assert [each["in_air_g"] for each in said["weighed"]] == pytest.approx(MASSES_G, abs=STEP_G)
    # 1.2 kg/m^3 of air carry a hundredth of 120 kg/m^3, and 0.15 thousandths of steel that sets a scale
    grams = [mass * (1 - 1.2 / 8000) / (1 - 1.2 / 120) for mass in MASSES_G]
    assert [masses(register)[name].g for name in IDS] == pytest.approx(grams, abs=STEP_G)
    assert said["resolution_g"] == pytest.approx(STEP_G)
    assert said["knocks"] == 1
    # the zero creeps by 4 mg each second, for some 20 s; a zero is read to some 20 mg
    moved_g = float(re.search(r"The pan was empty again; the zero had moved by (\S+) g", errors)[1])
    assert moved_g == pytest.approx(20 * DRIFT_G_PER_S, abs=0.1)
    assert "The scale was tared." in said["notes"]


def test_a_person_is_asked_for_each_id_and_a_slip_is_asked_about(home, register, scale_file):
    with TableScale(home / "scale") as scale:
        hand = Hand(
            [
                (partial(scale.put, 37.24), "F-90-01"),
                (None, "F-90-001"),
                (partial(scale.put, 36.87), "F-90-002"),
                (None, ""),
            ]
        )
        done = weigh(
            *("--rig", scale_file, "--port", home / "scale", "--register", register, *QUICK), stdin=hand
        )
    assert done.exit_code == 0, (done.output, done.exception)
    assert "did you mean F-90-001" in done.stderr
    found = masses(register)
    assert [found[name].g for name in IDS[:2]] == pytest.approx(MASSES_G[:2], abs=STEP_G)
    assert found["F-90-003"] is None


def test_a_tare_at_the_prompt_takes_a_new_zero(home, register, scale_file):
    with TableScale(home / "scale") as scale:
        hand = Hand(
            [
                (partial(scale.put, 12.0), "tare"),  # a bowl
                (partial(scale.put, 37.24), "F-90-001"),
                (None, ""),
            ]
        )
        done = weigh(
            *("--rig", scale_file, "--port", home / "scale", "--register", register, *QUICK), stdin=hand
        )
    assert done.exit_code == 0, (done.output, done.exception)
    assert masses(register)["F-90-001"].g == pytest.approx(37.24, abs=STEP_G)


def test_a_scale_that_prints_no_time_is_read_as_its_example_says(home, register):
    example = ROOT / "configs" / "rigs" / "scale.yaml"
    with TableScale(home / "scale", read_rig_file(example, weighs=True).wire) as scale:
        done = weigh(
            *("--rig", example, "--port", home / "scale", "--register", register, "--settle", "0.3 s"),
            stdin=Hand([(partial(scale.put, 37.24), "F-90-001"), (None, "")]),
        )
    assert done.exit_code == 0, (done.output, done.exception)
    assert masses(register)["F-90-001"].g == pytest.approx(37.24, abs=STEP_G)


def test_a_piece_that_is_not_put_on_is_missed_and_the_others_are_kept(home, register, scale_file):
    with TableScale(home / "scale") as scale:
        hand = Hand([(partial(scale.put, 37.24), "F-90-001"), (partial(scale.put, 0.02), "F-90-002")])
        done = weigh(
            *("--rig", scale_file, "--port", home / "scale", "--register", register, "--wait", "3 s", *QUICK),
            stdin=hand,
        )
    assert "Was F-90-002 put on? A piece lighter than about two steps" in str(done.exception)
    assert masses(register)["F-90-001"] is not None


def test_the_rigs_own_cell_weighs_with_the_gravity_that_was_stated(home, register):
    rig = home / "rig.yaml"
    rig.write_text(CALIBRATED)
    with ScalePan(home / "rig") as pan:

        def put():
            pan.load_counts = 365.0  # 0.365 N at 1 mN a count

        done = weigh(
            *("--rig", rig, "--port", home / "rig", "--register", register, "--gravity", "9.81 m/s^2"),
            *("--settle", "0.3 s", "--json"),
            stdin=Hand([(put, "F-90-001"), (None, "")]),
        )
    assert done.exit_code == 0, (done.output, done.exception)
    # 0.365 N / (9.81 m/s^2 (1 - 1.2/8000)) = 37.213 g; single counts of 0.1 g, noise of three
    assert masses(register)["F-90-001"].g == pytest.approx(37.213, abs=0.2)


def test_typed_masses_are_kept_with_what_their_last_digit_leaves(register):
    assert weigh("F-90-001=37.2 g", "F-90-002=1.31 oz", "--register", register).exit_code == 0
    found = masses(register)
    # the reading and the zero each anywhere within a step of 0.1 g: 0.1 sqrt(2/12)
    assert (found["F-90-001"].g, found["F-90-001"].u_g) == pytest.approx((37.2, 0.0408248), rel=1e-5)
    assert found["F-90-002"].g == pytest.approx(1.31 * 28.349523125)


def test_the_first_weighing_names_the_option_that_makes_a_register(home):
    path = home / "pieces.sqlite"
    assert "give --add to make it" in refusal("F-90-001=37.2 g", "--register", path)
    assert not path.exists()
    assert weigh("F-90-001=37.2 g", "--add", "--register", path).exit_code == 0
    assert masses(path)["F-90-001"].g == 37.2
    assert "--add enters a new piece" in refusal("C-12=41 g", "--register", path)


# the avoirdupois ounce and pound: NIST SP 811, appendix B; recalled
@pytest.mark.parametrize(
    ("options", "unit", "in_g"),
    [
        ((), "g", 1.0),
        (("--unit", "kg"), "kg", 1000.0),
        (("--unit", "oz"), "oz", 28.349523125),
        (("--unit", "lb"), "lb", 453.59237),
    ],
)
def test_masses_are_shown_in_the_unit_asked_for(register, options, unit, in_g):
    asked = ("F-90-001=40.82 g", "--register", register, *options)
    (weighed,) = json.loads(weigh(*asked, "--json").stdout)["weighed"]
    assert weighed[f"mass_{unit}"] == pytest.approx(40.82 / in_g, rel=1e-12)
    row = next(line for line in weigh(*asked).stdout.splitlines() if line.startswith("F-90-001"))
    # within half of the last digit of u, which has two
    assert float(row.split()[1]) == pytest.approx(40.82 / in_g, abs=0.06 * float(row.split()[2]))


def test_masses_are_in_ounces_where_the_readers_units_are_us(register, monkeypatch):
    monkeypatch.setenv("PRESSRIG_UNITS", "us")
    done = weigh("F-90-001=40.82 g", "--register", register)
    assert re.search(r"^F-90-001 +1\.43988 ", done.stdout, re.MULTILINE)  # 40.82/28.349523 = 1.43988


def test_a_mass_outside_the_spread_of_its_batch_is_warned_of_and_kept(home):
    path = home / "pieces.sqlite"
    others = [f"F-90-01{n}={36.8 + 0.2 * n:.1f} g" for n in range(5)]
    assert weigh(*others, "--add", "--batch", "spring", "--register", path).exit_code == 0
    added = ("--add", "--batch", "spring", "--register", path)
    done = weigh("F-90-017=47.2 g", *added)
    assert "outside the spread of its batch" in done.stderr
    assert masses(path)["F-90-017"].g == 47.2
    # as weighed in air it is not compared with what it would be without
    assert "outside" not in weigh("F-90-001=47 g", "--density", "120 kg/m^3", *added).stderr
    assert "outside" not in weigh("F-90-018=37.4 g", *added).stderr


def test_a_mass_within_a_step_of_nothing_is_warned_of(register):
    done = weigh("F-90-001=0.9 g", "--resolution", "1 g", "--register", register)
    assert "cannot be distinguished from zero" in done.stderr


def test_what_cannot_be_is_refused_before_anything_is_written(register):
    assert "did you mean F-90-001" in refusal("F-90-01=37.2 g", "--register", register)
    assert "unit" in refusal("F-90-001=37.2", "--register", register)
    assert "does not convert" in refusal("F-90-001=37.2 N", "--register", register)
    assert "unit" in refusal("F-90-001=37.2 g", "F-90-002=37.2", "--register", register)
    assert "did you mean" in refusal("F-90-001=37.2 g", "F-90-02=37.2 g", "--register", register)
    assert "expected --rig FILE" in refusal("--register", register)
    assert "--batch: needs --add" in refusal("F-90-001=37 g", "--batch", "spring", "--register", register)
    assert set(masses(register).values()) == {None}


def test_the_example_of_a_scale_can_be_read_for_weighing_and_for_nothing_else(home):
    rig = read_rig_file(ROOT / "configs" / "rigs" / "scale.yaml", weighs=True)
    assert rig.wire.force_unit == "g"
    assert "position" not in rig.wire.columns
    said = pressrig(
        home, "record", "--rig", ROOT / "configs" / "rigs" / "scale.yaml", "--specimen", "F-90-001"
    )
    assert "expected force and position; a scale only weighs" in said.stderr


def test_the_installed_command_says_what_it_does(home):
    said = pressrig(home, "weigh", "--help", afresh=True).stdout
    assert re.search(r"put the pieces\s+on in the order of their ids", said)
