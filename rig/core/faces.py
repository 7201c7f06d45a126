"""Public faces of packages whose names are imported when they are first used.

A command that lists captures must not pay for the statistics that lie behind another name of the same face.
A face writes its imports under `TYPE_CHECKING`, where mypy and readers find them, and ends with
`import_when_used(__name__)`: the same lines, read from its source, then say which names are public and
where each is found. This costs about half a millisecond per face. `from rig.analyser import budget` at the
top of a module still imports at once, so that nothing is imported for the first time while a platen moves.
"""

from __future__ import annotations

import ast
import sys
from importlib import import_module
from types import ModuleType
from typing import Any


class _Face(ModuleType):
    """A package's module that finds its public names when they are asked for."""

    def __getattr__(self, name: str) -> Any:
        # written by `import_when_used`; under another module class it would be an ordinary global
        homes: dict[str, str] = self.__dict__["_homes"]
        if name not in homes:
            raise AttributeError(f"module {self.__name__!r} has no attribute {name!r}")
        found = getattr(import_module(homes[name]), name)
        setattr(self, name, found)
        return found

    def __setattr__(self, name: str, value: Any) -> None:
        # The import system binds each submodule to its package. A public name that is spelled like its module
        # keeps the meaning that the face gives it, whichever was asked for first.
        if isinstance(value, ModuleType) and self.__dict__["_homes"].get(name) == value.__name__:
            value = getattr(value, name)
        super().__setattr__(name, value)

    def __dir__(self) -> list[str]:
        return sorted({*self.__dict__, *self.__dict__["_homes"]})


def import_when_used(package: str) -> None:
    """Let the names that a package imports under `TYPE_CHECKING` be imported at their first use."""
    face = sys.modules[package]
    loader: Any = face.__loader__
    blocks = [node for node in ast.parse(loader.get_source(package)).body if isinstance(node, ast.If)]
    face.__dict__["_homes"] = {
        alias.asname or alias.name: node.module
        for block in blocks
        for node in block.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    face.__dict__["__all__"] = sorted(face.__dict__["_homes"])
    face.__class__ = _Face
