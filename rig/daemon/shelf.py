"""Methods and plans that stand ready in folders, for whoever wants to start one.

Problem: a page cannot read files, and a folder may hold anything. Plan: read what is there when asked,
no more files and no larger ones than a person would keep, and leave out what is neither method nor plan.
What was read is kept until its file changes. Cost: a few milliseconds for each file, once.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rig.core import load_yaml, logger, read_text
from rig.daemon.bulletin import MethodList, MethodText
from rig.errors import InputError
from rig.jobs.orders import LONGEST_METHOD

MOST_FILES = 60
MOST_BYTES = 240_000
"""Of all together, as they cross: the answer must fit into one line of the control socket."""


class Shelf:
    """Ready methods in folders.

    `folders`: where YAML files are looked for, not below.
    """

    def __init__(self, folders: Sequence[Path]) -> None:
        self._folders = tuple(folders)
        self._known: dict[Path, tuple[int, MethodText | None]] = {}

    def methods(self) -> MethodList:
        """Return what is there now, in the order of the files' names; a folder that is absent is empty."""
        paths = [path for folder in self._folders for path in sorted(folder.glob("*.yaml"))][:MOST_FILES]
        found: list[MethodText] = []
        room = MOST_BYTES
        known: dict[Path, tuple[int, MethodText | None]] = {}
        for path in paths:
            ready = self._read(path, known)
            # not characters: one may take four bytes, and a line break two
            size = 0 if ready is None else len(ready.model_dump_json().encode()) + 1
            if ready is not None and size <= room:
                room -= size
                found.append(ready)
        self._known = known
        return MethodList(methods=tuple(found))

    def _read(self, path: Path, known: dict[Path, tuple[int, MethodText | None]]) -> MethodText | None:
        try:
            stat = path.stat()
            entry = self._known.get(path)
            if entry is None or entry[0] != stat.st_mtime_ns:
                entry = (stat.st_mtime_ns, _ready(path) if stat.st_size <= LONGEST_METHOD else None)
        except OSError as problem:
            logger.debug("{}: cannot be read ({})", path, problem)
            return None
        known[path] = entry
        return entry[1]


def _ready(path: Path) -> MethodText | None:
    try:
        text = read_text(path, most=LONGEST_METHOD)
        content = load_yaml(text, str(path))
    except InputError:
        return None
    if not ({"steps", "squeeze"} & set(map(str, content))):
        return None
    return MethodText(
        name=str(content.get("name", path.stem))[:200],
        source=path.name,
        purpose=str(content.get("purpose", ""))[:1000],
        kind="endurance" if "squeeze" in content else "method",
        text=text,
    )
