"""A YAML text as fields that know their line.

Problem: the text is untrusted, and a refusal must name the line. Plan: take the bounded node tree of
`rig.core`, which keeps lines; every value is read as text by the one who knows what it means. Aliases are
refused, since a method's steps are read one by one.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import NoReturn, TypeVar

import yaml

from rig.core import yaml_tree
from rig.errors import InputError
from rig.renamed import KEYS
from rig.units import parse

LARGEST_TEXT = 1 << 16
"""Characters; a hundred steps take a tenth of it."""

LARGEST_FILE = 4 * LARGEST_TEXT
"""Bytes; at most four of them stand for a character."""

LONGEST_SENTENCE = 2000
"""Characters of one text; more is not read by somebody who stands at a press."""

_SHOWN = 60
"""Characters of a wrong value that are shown back."""

_BOUNDS = {
    "mm": (1e-4, 1e4),
    "mm^2": (1e-2, 1e8),
    "mm/s": (1e-4, 1e4),
    "N": (1e-4, 1e6),
    "N/mm": (1e-6, 1e6),
    "s": (1e-3, 1e8),
    "%": (1e-3, 100.0),
}
"""Smallest and largest value of each unit; beyond them is a slip of the pen, not a bench press."""

_Usual = TypeVar("_Usual")

_WHOLE = re.compile(r"[0-9]{1,12}", re.ASCII)


@dataclass(frozen=True, slots=True)
class Place:
    """Where in a file something stands: `label` is "step 3 press", or a section such as "specimen"."""

    source: str
    line: int
    label: str

    def __str__(self) -> str:
        return f"{self.source} line {self.line}, {self.label}"


def compose(text: str, source: str, *, recorded: bool = False) -> yaml.Node:
    """Root of the node tree of a text.

    Raises InputError if it is not one YAML document of a method's size.

    `recorded`: the text comes from a capture: keys by an old name get the name now, since a recording keeps
    what was written.
    """
    if len(text) > LARGEST_TEXT:
        raise InputError(
            f"{source}: {len(text)} characters found, but a method has at most {LARGEST_TEXT}; check that "
            "it is the right file"
        )
    root = yaml_tree(text, source, expected="keys such as `name` and `steps`", aliases=False)
    if recorded:
        _rename_keys(root)
    return root


def _rename_keys(node: yaml.Node) -> None:
    """Give every old key in a tree its name now. The tree is a bounded one without aliases."""
    if isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            if isinstance(key, yaml.ScalarNode):
                key.value = KEYS.get(key.value, key.value)
            _rename_keys(value)
    elif isinstance(node, yaml.SequenceNode):
        for value in node.value:
            _rename_keys(value)


def line_of(node: yaml.Node) -> int:
    """Line of a node, from 1."""
    return int(node.start_mark.line) + 1


def shown(value: str) -> str:
    """Return a wrong value as a message shows it."""
    return repr(value if len(value) <= _SHOWN else value[:_SHOWN] + "...")


def refuse(place: Place, what: str) -> NoReturn:
    """Raise an InputError that begins with a place."""
    raise InputError(f"{place}: {what}")


def scalar(place: Place, name: str, node: yaml.Node, right: str) -> str:
    """Return the text of a node that must be a single value.

    Raises InputError if it is a list or a mapping, or is empty.
    """
    at = Place(place.source, line_of(node), place.label)
    if not isinstance(node, yaml.ScalarNode):
        kind = "a list" if isinstance(node, yaml.SequenceNode) else "keys"
        refuse(at, f"{name}: found {kind}, expected one value such as {right}")
    value = str(node.value)
    if not value.strip():
        refuse(at, f"{name}: empty, expected a value such as {right}")
    return value


def items(place: Place, name: str, node: yaml.Node, right: str) -> list[yaml.Node]:
    """Return the nodes of a list.

    Raises InputError if it is not a list.
    """
    if not isinstance(node, yaml.SequenceNode):
        refuse(Place(place.source, line_of(node), place.label), f"{name}: expected a list such as {right}")
    return list(node.value)


def quantity(place: Place, name: str, text: str, unit: str) -> float:
    """Return a value above zero with its unit.

    Raises InputError if it is not one, or lies outside what a bench press can mean.
    """
    try:
        value = parse(text, unit)
    except InputError as problem:
        raise InputError(f"{place}: {name}: {problem}") from None
    least, most = _BOUNDS[unit]
    if not least <= value <= most:
        refuse(place, f"{name}: found {shown(text)}, expected from {least:g} to {most:g} {unit}")
    return value


class Fields:
    """Keys of one mapping, each known by name."""

    def __init__(self, place: Place, node: yaml.Node, known: tuple[str, ...]) -> None:
        self.place = place
        self._nodes: dict[str, yaml.Node] = {}
        if not isinstance(node, yaml.MappingNode):
            refuse(place, f"expected keys: {', '.join(known)}")
        for key_node, value in node.value:
            at = Place(place.source, line_of(key_node), place.label)
            key = str(key_node.value) if isinstance(key_node, yaml.ScalarNode) else "a list or mapping"
            if key not in known:
                if KEYS.get(key) in known:
                    refuse(at, f"{shown(key)} is now called {KEYS[key]!r}")
                refuse(at, f"{shown(key)} is not a key here; expected {', '.join(known)}")
            if key in self._nodes:
                refuse(at, f"{key} is given twice; keep one")
            self._nodes[key] = value

    def __contains__(self, key: str) -> bool:
        return key in self._nodes

    def node(self, key: str) -> yaml.Node:
        """Node of a key that must be there.

        Raises InputError if it is missing.
        """
        if key not in self._nodes:
            refuse(self.place, f"{key} is missing")
        return self._nodes[key]

    def at(self, key: str) -> Place:
        """Place of a key's value."""
        return Place(self.place.source, line_of(self.node(key)), self.place.label)

    def section(self, key: str, known: tuple[str, ...]) -> Fields:
        """Return the keys of a mapping below a key; refusals name the section."""
        return Fields(Place(self.place.source, self.at(key).line, key), self.node(key), known)

    def only_one_of(self, *keys: str) -> str:
        """Return the one key of several that is there.

        Raises InputError if none or more than one is.
        """
        there = [key for key in keys if key in self._nodes]
        if len(there) != 1:
            found = " and ".join(there) or "none of them"
            refuse(self.place, f"found {found}, expected just one of {', '.join(keys)}")
        return there[0]

    def text(self, key: str, right: str) -> str:
        """Return a sentence, its line breaks taken for spaces.

        Raises InputError if it is missing, too long, or holds characters that a terminal would obey.
        """
        value = " ".join(scalar(self.place, key, self.node(key), right).split())
        if not value.isprintable() or len(value) > LONGEST_SENTENCE:
            refuse(self.at(key), f"{key}: expected printable text of at most {LONGEST_SENTENCE} characters")
        return value

    def quantity(self, key: str, unit: str, right: str) -> float:
        """Return a value above zero with its unit.

        Raises InputError if it is missing or not one.
        """
        return quantity(self.at(key), key, scalar(self.place, key, self.node(key), right), unit)

    def quantity_or(self, key: str, unit: str, right: str, usual: _Usual) -> float | _Usual:
        """Return a value above zero with its unit, or the usual one where the key is left out."""
        return self.quantity(key, unit, right) if key in self else usual

    def whole_or(self, key: str, least: int, most: int, usual: _Usual) -> int | _Usual:
        """Return a whole number, or the usual one where the key is left out."""
        return self.whole(key, least, most) if key in self else usual

    def whole(self, key: str, least: int, most: int) -> int:
        """Return a whole number from `least` to `most`.

        Raises InputError if it is missing or not one.
        """
        text = scalar(self.place, key, self.node(key), str(least))
        if not _WHOLE.fullmatch(text) or not least <= int(text) <= most:
            refuse(
                self.at(key), f"{key}: found {shown(text)}, expected a whole number from {least} to {most}"
            )
        return int(text)
