"""What is worked out from captures and kept beside them: where, how written, and when it is stale."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path
from secrets import token_hex

FOLDER = ".results"

ARITHMETIC = (
    "segmenter",
    "analyser",
    "calibration",
    "capture",
    "methods",
    "results",
    "samples.py",
    "units.py",
)
"""Parts of `rig` whose source decides what the numbers are."""

DIGEST_BYTES = 32


@cache
def arithmetic_version() -> str:
    """Return a digest of the source that decides what the numbers are, and of the libraries below it."""
    digest = hashlib.blake2b(digest_size=DIGEST_BYTES)
    for name in ("numpy", "scipy", "pyarrow"):
        digest.update(f"{name} {version(name)}\n".encode())
    home = Path(__file__).parents[1]
    for part in ARITHMETIC:
        path = home / part
        for source in sorted(path.rglob("*.py")) if path.is_dir() else [path]:
            digest.update(source.read_bytes())
    return digest.hexdigest()


def replace_derived(path: Path, *parts: bytes | memoryview) -> None:
    """Write what can be worked out again, so that at no moment the file holds a part of it."""
    folder = path.parent
    folder.mkdir(exist_ok=True)
    ignored = folder / ".gitignore"
    if not ignored.exists():
        ignored.write_text("*\n", encoding="ascii")
    # not by tempfile, whose files nobody else may read
    new = folder / f"new-{token_hex(8)}"
    try:
        with new.open("wb") as file:
            file.writelines(parts)
        new.replace(path)
    except OSError:
        new.unlink(missing_ok=True)
        raise
