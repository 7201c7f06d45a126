"""Kept results are what the capture says, or are not used."""

from __future__ import annotations

import dataclasses
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.capture import add_amendment, open_capture
from rig.results import Asked, SpilledRows, analyse_capture, kept

EXAMPLE = Path(__file__).parents[2] / "captures" / "example-F-90-001"


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    copied = tmp_path / "captures" / "float"
    shutil.copytree(EXAMPLE, copied, ignore=shutil.ignore_patterns(kept.FOLDER))
    return copied


def kept_files(capture: Path) -> list[Path]:
    return sorted((capture / kept.FOLDER).glob("*.arrow"))


def leaves(value: Any) -> Iterator[Any]:
    """All values in a result, in order, so that they can be compared to the bit."""
    if dataclasses.is_dataclass(value):
        yield type(value).__name__
        for field in dataclasses.fields(value):
            yield from leaves(getattr(value, field.name))
    elif isinstance(value, np.ndarray):
        yield value.dtype.str, value.tobytes()
    elif hasattr(value, "items"):
        for name in value:
            yield name
            yield from leaves(value[name])
    elif isinstance(value, tuple):
        for each in value:
            yield from leaves(each)
    else:
        yield repr(value)


def numbers_of(capture: Path, asked: Asked | None = None) -> list[Any]:
    return list(leaves(analyse_capture(capture, asked)[1]))


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What was pushed through an analysis, one entry per analysis."""
    from rig.results import analysing

    seen: list[str] = []
    whole = analysing.CaptureAnalysis.finish

    def finish(self: Any) -> Any:
        seen.append("measured")
        return whole(self)

    monkeypatch.setattr(analysing.CaptureAnalysis, "finish", finish)
    return seen


def test_a_kept_result_is_the_measured_one_to_the_bit(capture: Path, measured: list[str]) -> None:
    first, again = numbers_of(capture), numbers_of(capture)
    assert first == again == numbers_of(capture, Asked(fresh=True))
    assert measured == ["measured"] * 2


def test_a_kept_result_goes_into_a_store_of_rows(capture: Path, measured: list[str]) -> None:
    first = numbers_of(capture)
    with SpilledRows() as store:
        assert list(leaves(analyse_capture(capture, None, store)[1])) == first
    assert measured == ["measured"]


def test_another_option_or_a_changed_capture_is_measured_anew(capture: Path, measured: list[str]) -> None:
    numbers_of(capture)
    numbers_of(capture, Asked(conditioning=1))
    header = open_capture(capture).header
    add_amendment(capture, header, "amended", reason="a slip", by="Kim", fields={"notes": "mended"})
    assert any("Amended" in str(each) for each in numbers_of(capture))
    (capture / "events.jsonl").write_bytes((capture / "events.jsonl").read_bytes() + b"\n")
    numbers_of(capture)
    assert measured == ["measured"] * 4


def test_another_arithmetic_is_measured_anew(
    capture: Path, measured: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    numbers_of(capture)
    monkeypatch.setattr(kept, "arithmetic_version", lambda: "another")
    numbers_of(capture)
    assert measured == ["measured"] * 2


def test_the_version_of_the_arithmetic_changes_with_any_source(tmp_path: Path) -> None:
    # Copied and run beside the package, since a loaded module's source must not be changed.
    import subprocess
    import sys

    source = EXAMPLE.parents[1] / "rig"
    shutil.copytree(source, tmp_path / "rig", ignore=shutil.ignore_patterns("__pycache__"))
    program = "from rig.results.kept import arithmetic_version as v; import rig; print(rig.__file__, v())"

    def found() -> str:
        run = subprocess.run(
            [sys.executable, "-c", program], cwd=tmp_path, capture_output=True, text=True, check=True
        )
        place, version = run.stdout.split()
        assert Path(place).is_relative_to(tmp_path)
        return version

    before = found()
    assert before == found() == kept.arithmetic_version()
    changed = tmp_path / "rig" / "segmenter" / "turns.py"
    changed.write_text(changed.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    assert found() != before


@pytest.mark.parametrize(
    "damage",
    [
        lambda data: b"",
        lambda data: data[:-1],
        lambda data: data[: len(data) // 2],
        lambda data: data[:500] + bytes([data[500] ^ 1]) + data[501:],
        lambda data: bytes(len(data)),
        lambda data: data + b"more",
        lambda data: b"\x80\x04\x95" + data,
    ],
    ids=["empty", "cut by one", "halved", "one bit", "zeros", "longer", "a pickle's start"],
)
def test_a_damaged_result_is_worked_out_anew(capture: Path, measured: list[str], damage: Any) -> None:
    first = numbers_of(capture)
    (path,) = kept_files(capture)
    whole = path.read_bytes()
    path.write_bytes(damage(whole))
    assert numbers_of(capture) == first
    assert measured == ["measured"] * 2
    assert path.read_bytes() == whole


def test_a_result_under_the_name_of_another_is_not_taken(capture: Path, measured: list[str]) -> None:
    numbers_of(capture)
    (plain,) = kept_files(capture)
    second = numbers_of(capture, Asked(conditioning=1))
    (other,) = set(kept_files(capture)) - {plain}
    shutil.copy(plain, other)
    assert numbers_of(capture, Asked(conditioning=1)) == second
    assert measured == ["measured"] * 3


def test_no_more_results_are_kept_than_a_bound(capture: Path) -> None:
    for cycles in range(kept.MOST_KEPT + 2):
        numbers_of(capture, Asked(conditioning=cycles))
    assert len(kept_files(capture)) <= kept.MOST_KEPT


def test_a_capture_that_changes_while_it_is_measured_keeps_no_result(
    capture: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from rig.results import analysing

    whole = analysing.CaptureAnalysis.finish

    def finish(self: Any) -> Any:
        (capture / "events.jsonl").write_bytes(b"")
        return whole(self)

    monkeypatch.setattr(analysing.CaptureAnalysis, "finish", finish)
    numbers_of(capture)
    assert kept_files(capture) == []


def test_a_folder_that_cannot_be_made_costs_only_time(capture: Path, measured: list[str]) -> None:
    # A file where the folder should be; a folder without rights would not stop an administrator.
    (capture / kept.FOLDER).write_text("in the way")
    assert numbers_of(capture) == numbers_of(capture)
    assert measured == ["measured"] * 2


def test_several_at_once_keep_one_sound_result(capture: Path) -> None:
    found: list[list[Any]] = []
    threads = [threading.Thread(target=lambda: found.append(numbers_of(capture))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 4
    assert all(each == found[0] for each in found)
    assert len(kept_files(capture)) == 1
    assert [path.name for path in (capture / kept.FOLDER).iterdir() if path.name.startswith("new-")] == []
