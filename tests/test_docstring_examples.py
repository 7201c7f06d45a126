"""The examples in docstrings give what they say.

By itself, and not by pytest's own search for them, which looks through each file of tests and takes a third
of the time in which tests are found.
"""

from __future__ import annotations

import doctest
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FILES = [path for path in sorted((ROOT / "rig").rglob("*.py")) if ">>> " in path.read_text(encoding="utf-8")]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_examples_give_what_they_say(path):
    module = import_module(".".join(path.relative_to(ROOT).with_suffix("").parts))
    failures, tried = doctest.testmod(module)
    assert tried
    assert failures == 0


def test_an_example_that_does_not_hold_is_found(tmp_path, monkeypatch, capsys):
    (tmp_path / "holds_not.py").write_text('"""\n>>> 1 + 1\n3\n"""\n', encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    assert doctest.testmod(import_module("holds_not")).failed == 1
    assert "Expected:" in capsys.readouterr().out
