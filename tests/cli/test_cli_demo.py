"""The demonstration, whole."""

from __future__ import annotations

import pytest
from command_line import done


@pytest.mark.slow
def test_the_demonstration_runs_twice_into_the_same_folder(tmp_path) -> None:
    out = tmp_path / "demo"
    done(tmp_path, "demo", "--out", out)
    said = done(tmp_path, "demo", "--out", out)
    assert "invented" in said
    for batch, state in (("spring", "new"), ("spring", "abused"), ("autumn", "new")):
        assert any(batch in line and state in line for line in said.splitlines())
    assert (out / "comparison.png").read_bytes().startswith(b"\x89PNG")
    assert str(out) in said.splitlines()[-1]
    captures = [path.parent for path in out.glob("*/capture.yaml")]
    assert len(captures) == 10
    for capture in captures:
        assert (capture / "end.yaml").exists()
        assert (out / f"{capture.name}-cycles.csv").exists()
        assert (out / f"{capture.name}-loops.png").exists()
