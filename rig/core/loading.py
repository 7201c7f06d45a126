"""The one way in which files, YAML and JSON are read.

Problem: a file can be a pipe that never answers, a few lines of YAML can stand for millions of values, a
deeply nested text exhausts the stack, and parsers let errors of Python through. Plan: open regular files
only and read no more than a bound; build YAML's node tree from its events without recursion, count depth,
values and aliases on the way, then make plain values from it; bound the depth of JSON before it is parsed.
Dates stay text and keys are text, so that what a value is does not depend on how it looks. YAML without
anything out of the ordinary, such as the program writes, needs no tree, and lines of `key: value` not even a
parser; all else, and whatever is wrong, is left to the tree, which knows the line. Cost: an ordinary header
of a capture takes 35 us.
"""

from __future__ import annotations

import errno
import json
import math
import os
import re
import stat
from collections import Counter
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO, NoReturn

import yaml

from rig.core.reader_units import keep_names
from rig.errors import InputError

LARGEST_TEXT = 1 << 20
"""Bytes of a YAML or JSON text; the longest header of a capture is a tenth of it."""

DEEPEST = 32
"""Lists and keys inside each other; a capture's header has eight."""

MOST_ALIASES = 100
"""Uses of `*name` in one text. The program writes none by choice; a person repeats a few parts with them."""

MOST_VALUES = 200_000
"""Values of a text with its aliases written out; what 1 MiB of plain YAML can hold at most is about this."""

LARGEST_WHOLE = 2**64
"""No whole number of the wire or of a file reaches it; larger ones overflow columns of samples."""

_TOO_DEEP = f"nested too deeply, more than {DEEPEST} levels; expected fewer"

_LONGEST_NUMBER = 400
"""Characters of a number; the longest decimal that a float needs has fewer."""

_SHOWN = 60
"""Characters of a wrong value that are shown back."""

# What YAML allows in a text (YAML 1.1, 5.1), which leaves out zero bytes and lone surrogates.
_FORBIDDEN = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

_LONE = re.compile("[\0\ud800-\udfff]")
"""A zero byte or half a surrogate pair inside a value: no file name, table or terminal can take them."""

_TOKEN = re.compile(r'"(?:[^"\\]|\\.)*"|[\[\]{}:,]|[^\s"\[\]{}:,]+', re.DOTALL)

# The C parser is as safe and ten times as fast, but is not built on every machine.
_Parser: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

_TAG = "tag:yaml.org,2002:"
_MEANINGS = yaml.SafeLoader("")

_KINDS = {
    stat.S_IFDIR: "a folder",
    stat.S_IFIFO: "a pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
}


def open_file(path: Path) -> BinaryIO:
    """Open a regular file for reading.

    Raises OSError if the disk refuses, or `path` is a pipe, device, socket or folder; it is never waited for.
    """
    return os.fdopen(_opened(path)[0], "rb")


def _opened(path: Path) -> tuple[int, int]:
    """Return the handle and the size of a regular file."""
    try:
        # Without O_NONBLOCK, opening a pipe waits until somebody writes into it.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except ValueError:
        raise OSError(errno.EINVAL, "the name holds a zero byte", str(path)) from None
    keep_names(path.name, path.stem)
    about = os.fstat(handle)
    kind = stat.S_IFMT(about.st_mode)
    if kind != stat.S_IFREG:
        os.close(handle)
        found = _KINDS.get(kind, "something else")
        raise OSError(errno.EINVAL, f"found {found}, expected a file", str(path))
    return handle, about.st_size


def read_bytes(path: Path, *, most: int = LARGEST_TEXT, what: str = "file", hint: str = "") -> bytes:
    """Return the bytes of a regular file.

    Parameters
    ----------
    most
        Bytes; a larger file is refused before it is read.
    what
        What it should be, for a refusal: "rig file", "method".
    hint
        What to do if it does not exist, for a refusal.

    Raises
    ------
    InputError
        If it does not exist, cannot be read, is no regular file or is too large.
    """
    try:
        handle, size = _opened(path)
        try:
            data = os.read(handle, size + 1) if size <= most else b""
            # a disk may give less at once, a file may grow meanwhile, and some file systems have no sizes
            while len(data) != size <= most >= len(data) and (more := os.read(handle, most + 1 - len(data))):
                data += more
        finally:
            os.close(handle)
    except FileNotFoundError:
        raise InputError(f"{path}: no such {what}" + (f"; {hint}" if hint else "")) from None
    except OSError as problem:
        raise InputError(f"{path}: cannot be read as a {what} ({problem.strerror})") from None
    if max(size, len(data)) > most:
        raise InputError(
            f"{path}: {max(size, len(data))} bytes, a {what} has at most {most}; check that it is the "
            "right file"
        )
    return data


def read_text(path: Path, *, most: int = LARGEST_TEXT, what: str = "file", hint: str = "") -> str:
    """Return the text of a regular file in UTF-8, without a byte order mark; parameters as of `read_bytes`.

    Raises
    ------
    InputError
        As `read_bytes`, and if it is not UTF-8 or holds a zero byte; the message names the line.
    """
    return _decoded(read_bytes(path, most=most, what=what, hint=hint), str(path))


def load_yaml(text: str | bytes, where: str, *, expected: str = "lines of 'field: value'") -> dict[str, Any]:
    """Return a YAML mapping as plain values: text, numbers, booleans, None, lists and mappings.

    Keys are text, dates stay text. Values that are shared by aliases are separate values here.

    Parameters
    ----------
    where
        Name of the file, for messages.
    expected
        What would be right, for a refusal of a text that is no mapping.

    Raises
    ------
    InputError
        If it is not YAML, not a mapping, larger or deeper than the bounds of this module, or holds a value
        that cannot be used: not finite, too long, given twice. The message names the line.
    """
    ordinary = _ordinary(_bounded(text, where))
    if ordinary is not None:
        return ordinary
    root = yaml_tree(text, where, expected=expected)
    if not isinstance(root, yaml.MappingNode):
        found = "a list" if isinstance(root, yaml.SequenceNode) else f"the text {_shown(root.value)}"
        raise InputError(f"{where} line {_line(root)}: found {found}, expected {expected}")
    value: dict[str, Any] = _value(root, where)
    return value


def yaml_tree(
    text: str | bytes, where: str, *, expected: str = "lines of 'field: value'", aliases: bool = True
) -> yaml.Node:
    """Return the root of a YAML text's node tree, which keeps the line of each value.

    Parameters
    ----------
    text, where, expected
        As of `load_yaml`.
    aliases
        Whether `&name` and `*name` are read; a method's steps are written out.

    Raises
    ------
    InputError
        If it is not one YAML document within the bounds of this module.
    """
    text = _bounded(text, where)
    found = _FORBIDDEN.search(text)
    if found is not None:
        line = _line_at(text, found.start())
        raise InputError(f"{where} line {line}: found the character {found[0]!r}, expected text")
    try:
        tree = _Tree(where, aliases)
        for event in yaml.parse(text, Loader=_Parser):
            tree.take(event)
    # The parsers let some of Python's own errors through, for example for an impossible escape.
    except (yaml.YAMLError, ValueError, OverflowError, RecursionError) as problem:
        mark = getattr(problem, "problem_mark", None)
        # A text that ends too early is at fault in its last line, not in the one that would follow.
        last = text.rstrip("\n").count("\n") + 1
        line_of = f" line {min(mark.line + 1, last)}" if mark is not None else ""
        what = getattr(problem, "problem", None) or " ".join(str(problem).split())[:200]
        if "nesting depth" in what:
            raise InputError(f"{where}{line_of}: {_TOO_DEEP}") from None
        raise InputError(f"{where}{line_of}: not YAML that can be read ({what})") from None
    if tree.root is None:
        raise InputError(f"{where}: empty; expected {expected}")
    return tree.root


def load_foreign_json(text: str) -> Any:
    """Return any JSON value as other programs write it: lists, NaN, and names given twice too.

    Raises ValueError if it is not JSON. Raises RecursionError if it is nested too deeply.
    """
    return json.loads(text)


def load_json(text: str | bytes, where: str, *, expected: str = "one JSON object") -> dict[str, Any]:
    """Return a JSON object as plain values.

    Parameters
    ----------
    where
        Name of the file, for messages.
    expected
        What would be right, for a refusal of a text that is no object.

    Raises
    ------
    InputError
        If it is not JSON, not an object, larger or deeper than the bounds of this module, or holds a value
        that cannot be used: not finite, too large, given twice. The message names the line.
    """
    text = _bounded(text, where)
    # Counting is quick; only a text with many brackets can be too deep.
    has_many = text.count("[") + text.count("{") > DEEPEST
    try:
        value = _decoded_json(text, where) if has_many else _JSON.decode(text)
    except _WrongValueError as problem:
        line = _json_line(text, problem)
        raise InputError(f"{where} line {line}: {problem}") from None
    except json.JSONDecodeError as problem:
        raise InputError(f"{where} line {problem.lineno}: not JSON ({problem.msg})") from None
    except (ValueError, RecursionError) as problem:
        raise InputError(f"{where}: not JSON ({problem})") from None
    if not isinstance(value, dict):
        found = "a list" if isinstance(value, list) else f"{json.dumps(value):.60}"
        raise InputError(f"{where}: found {found}, expected {expected}")
    # Only an escape can bring in what the decoding of the bytes has refused already.
    if "\\u" in text:
        for token in _TOKEN.finditer(text):
            # the lines are counted for a refusal only: for each of many escapes that takes a minute
            if "\\u" in token[0] and _LONE.search(word := json.loads(token[0])) is not None:
                _refuse_lone(word, f"{where} line {_line_at(text, token.start())}: ")
    return value


def _decoded(data: bytes, where: str) -> str:
    try:
        text = data.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as problem:
        line = data.count(b"\n", 0, problem.start) + 1
        raise InputError(f"{where} line {line}: not UTF-8 text (byte 0x{data[problem.start]:02x})") from None
    if "\0" in text:
        line = _line_at(text, text.index("\0"))
        raise InputError(f"{where} line {line}: found a zero byte, expected text")
    return text


def _bounded(text: str | bytes, where: str) -> str:
    if len(text) > LARGEST_TEXT:
        raise InputError(f"{where}: longer than {LARGEST_TEXT} bytes; check that it is the right file")
    if isinstance(text, bytes):
        return _decoded(text, where)
    return text.removeprefix("\ufeff")


class _UnusualError(Exception):
    """YAML with something that needs its tree; it never leaves this module."""


def _ordinary(text: str) -> dict[str, Any] | None:
    """Return a mapping that holds nothing out of the ordinary; None leaves the text to the node tree."""
    # A text has no more values than characters.
    if len(text) >= MOST_VALUES or _FORBIDDEN.search(text) is not None:
        return None
    found = _of_lines(text)
    if found is not None:
        return found
    # no key may come after the end of a document, nor farther left than the first one
    if _DOCUMENT_END.search(text) is not None or not text[:1].isidentifier():
        return _of_events(text)
    # A block that begins at the margin ends where the next does: one that holds a list, a long text or a
    # sign goes to the parser, which finds a quote or a bracket open if it went on behind the next key.
    found = {}
    for block in _AT_MARGIN.split(text):
        part = _of_lines(block)
        if part is None:
            part = _of_events(block)
        if part is None or not part.keys().isdisjoint(found):
            return None
        found |= part
    return found


_AT_MARGIN = re.compile(r"(?<=\n)(?=[^\W\d])")
_DOCUMENT_END = re.compile("[\n\r\x85\u2028\u2029]\\.\\.\\.")

_LETTER = "A-Za-z_À-ÖØ-öø-ɏ"  # by ranges, in which `re` looks up a character twice as fast as in its classes
_IN_KEY, _IN_WORD = f"{_LETTER}0-9.-", f"{_LETTER}0-9./()%;,+=-"
_LINE = re.compile(
    rf"^( *)([{_LETTER}][{_IN_KEY}]{{0,99}}(?: [{_IN_KEY}]{{1,30}}){{0,5}}):"
    r"(?: (?:(-?(?:0|[1-9][0-9]{0,17}))|(-?[0-9]{1,30}\.[0-9]{1,30}(?:e[+-][0-9][0-9])?)"
    rf"|([{_LETTER}0-9/][{_IN_WORD}]*(?: [{_IN_WORD}]+)*)|'([ -&(-~]*)'|(\[\]|\{{\}})))?\n",
    re.MULTILINE,
)
"""Indentation, key, and its value: a whole number, a decimal one, words, words in quotes, empty brackets, or
nothing. No character of it has a meaning of its own in YAML where it stands here."""


def _of_lines(text: str) -> dict[str, Any] | None:
    """Return a mapping whose lines are all like `_LINE`, in which nothing is out of place; else None."""
    parts = _LINE.split(text)
    between = _LINE.groups + 1
    if any(parts[::between]):
        return None
    found: dict[str, Any] = {}
    open_, level = [(0, found)], 0
    parent: str | None = None
    columns = (parts[place::between] for place in range(1, between))
    for indent, key, whole, decimal, words, quoted, empty in zip(*columns, strict=True):
        deep = len(indent)
        if deep > level and parent is not None and len(open_) < DEEPEST:
            level, found[parent] = deep, {}
            found = found[parent]
            open_.append((level, found))
        while deep < level:
            open_.pop()
            level, found = open_[-1]
        if deep != level or key in found:
            return None
        parent = None
        if words is not None:
            try:
                found[key] = _short(words) if len(words) < _SHOWN else _plain(words)
            except InputError:
                return None
        elif whole or decimal:
            found[key] = int(whole) if whole else float(decimal)
        elif quoted is not None:
            found[key] = quoted
        else:
            found[key] = None if empty is None else [] if empty == "[]" else {}
            parent = None if empty else key  # of deeper lines, if such follow
    return open_[0][1] or None


def _of_events(text: str) -> dict[str, Any] | None:
    """Return a mapping from a parser's events; None if it holds what needs the tree."""
    parser = _Parser(text)
    try:
        parser.get_event()  # the stream begins
        parser.get_event()  # the document begins
        root = _made(parser.get_event(), parser.get_event)
        parser.get_event()  # the document ends
        is_all = type(parser.get_event()) is yaml.StreamEndEvent
    # What is wrong, and in which line, the tree finds out.
    except (_UnusualError, InputError, yaml.YAMLError, ValueError, OverflowError, RecursionError):
        return None
    finally:
        parser.dispose()
    return root if is_all and isinstance(root, dict) else None


def _made(event: Any, next_event: Callable[[], Any], depth: int = 0) -> Any:
    """Return the value that begins with an event of a parser, or raise _UnusualError."""
    kind = type(event)
    if kind is yaml.ScalarEvent:
        value = _text(event)
        # The same few words and numbers stand in the headers of thousands of captures.
        return value if not event.implicit[0] else _short(value) if len(value) < _SHOWN else _plain(value)
    if kind not in _OPENING or event.anchor is not None or event.tag is not None or depth == DEEPEST:
        raise _UnusualError
    if kind is yaml.SequenceStartEvent:
        items = []
        while type(item := next_event()) is not yaml.SequenceEndEvent:
            items.append(_made(item, next_event, depth + 1))
        return items
    found: dict[str, Any] = {}
    while type(event := next_event()) is not yaml.MappingEndEvent:
        key = _text(event)
        if key in found or key == "<<":
            raise _UnusualError
        found[key] = _made(next_event(), next_event, depth + 1)
    return found


_OPENING = (yaml.SequenceStartEvent, yaml.MappingStartEvent)


def _text(event: Any) -> str:
    """Return the text of a scalar's event, or raise _UnusualError."""
    if type(event) is not yaml.ScalarEvent or event.anchor is not None or event.tag is not None:
        raise _UnusualError
    text: str = event.value
    # Only an escape brings in what the text itself does not hold, and only these quotes have escapes.
    if event.style == '"' and _LONE.search(text) is not None:
        raise _UnusualError
    return text


def _plain(text: str) -> str | float | bool | None:
    """Return the value of a scalar that stands without quotes and tag.

    Raises InputError if it looks like a number that cannot be used; the place is not named.
    """
    return _scalar(yaml.ScalarNode(_implied_tag(text, (True, False)), text), "")


_short = lru_cache(maxsize=4096)(_plain)


def _implied_tag(text: str, implicit: tuple[bool, bool]) -> str:
    """Return the tag that a scalar's text implies; what merely looks like a date or a lone "=" is text."""
    resolve: Any = _MEANINGS.resolve
    tag: str = resolve(yaml.ScalarNode, text, implicit)
    return _TAG + "str" if tag in (_TAG + "timestamp", _TAG + "value") else tag


class _Tree:
    """A node tree in the making, from the events of a parser.

    The number of values in each node is kept, so that an alias counts as what it stands for.
    """

    def __init__(self, where: str, aliases: bool) -> None:
        self.root: yaml.Node | None = None
        self._where = where
        self._aliases = aliases
        self._open: list[yaml.Node] = []
        self._named: dict[str, yaml.Node] = {}
        self._values: dict[int, int] = {}
        self._uses = 0

    def take(self, event: yaml.Event) -> None:
        """Take the next event."""
        if isinstance(event, yaml.DocumentStartEvent) and self.root is not None:
            self._refuse(event, "a second document begins; expected one")
        elif isinstance(event, yaml.AliasEvent):
            node = self._meant(event)
            self._place(node, event, self._values[id(node)])
        elif isinstance(event, yaml.NodeEvent):
            node = _node(event)
            if event.anchor is not None and event.anchor in self._named:
                self._refuse(event, f"&{event.anchor} is given twice; keep one")
            if event.anchor is not None:
                self._named[event.anchor] = node
            self._values[id(node)] = 1
            if isinstance(event, yaml.ScalarEvent):
                self._place(node, event, 1)
            else:
                self._place(node, event, 0)
                self._open.append(node)
                if len(self._open) > DEEPEST:
                    self._refuse(event, _TOO_DEEP)
        elif isinstance(event, yaml.CollectionEndEvent):
            node = self._open.pop()
            if isinstance(node, yaml.MappingNode):
                node.value = list(zip(node.value[::2], node.value[1::2], strict=True))
            if self._open:
                self._count(event, self._values[id(node)])

    def _meant(self, event: yaml.AliasEvent) -> yaml.Node:
        name = event.anchor
        if not self._aliases:
            self._refuse(event, "aliases are not read here; write the values out")
        self._uses += 1
        if self._uses > MOST_ALIASES:
            self._refuse(event, f"more than {MOST_ALIASES} aliases; write the values out")
        if name not in self._named:
            self._refuse(event, f"*{name} refers to nothing; write the value itself")
        if self._named[name] in self._open:
            self._refuse(event, f"*{name} contains itself; write the value out")
        return self._named[name]

    def _place(self, node: yaml.Node, event: yaml.Event, values: int) -> None:
        if not self._open:
            self.root = node
            return
        self._open[-1].value.append(node)
        self._count(event, values)

    def _count(self, event: yaml.Event, values: int) -> None:
        self._values[id(self._open[-1])] += values
        if self._values[id(self._open[-1])] > MOST_VALUES:
            self._refuse(event, f"more than {MOST_VALUES} values; check that it is the right file")

    def _refuse(self, event: Any, what: str) -> NoReturn:
        raise InputError(f"{self._where} line {event.start_mark.line + 1}: {what}")


def _node(event: Any) -> Any:
    """Return the node of an event, with the tag that its text implies where it states none."""
    begin: Any = event.start_mark
    end: Any = event.end_mark
    if isinstance(event, yaml.ScalarEvent):
        tag = _implied_tag(event.value, event.implicit) if event.tag in (None, "!") else event.tag
        return yaml.ScalarNode(tag, event.value, begin, end, event.style)
    kind = yaml.SequenceNode if isinstance(event, yaml.SequenceStartEvent) else yaml.MappingNode
    resolve: Any = _MEANINGS.resolve
    return kind(event.tag or resolve(kind, None, True), [], begin, end)


def _value(node: yaml.Node, where: str, name: str = "") -> Any:
    """Return a plain value of a node under a key. The tree's depth is bounded, so this may call itself."""
    if isinstance(node, yaml.ScalarNode):
        return _scalar(node, f"{where} line {_line(node)}: " + (f"{_shown(name)}: " if name else ""))
    right = "seq" if isinstance(node, yaml.SequenceNode) else "map"
    if node.tag != _TAG + right:
        raise InputError(f"{where} line {_line(node)}: the tag {node.tag!r:.60} is not read; leave it out")
    if isinstance(node, yaml.SequenceNode):
        return [_value(part, where, name) for part in node.value]
    found: dict[str, Any] = {}
    for key_node, part in node.value:
        at = f"{where} line {_line(key_node)}"
        if not isinstance(key_node, yaml.ScalarNode):
            raise InputError(f"{at}: found a list or keys in the place of a key, expected text")
        if key_node.tag == _TAG + "merge":
            raise InputError(f"{at}: `<<` is not read; write the keys out")
        key = key_node.value
        if key in found:
            raise InputError(f"{at}: {_shown(key)} is given twice; keep one")
        _refuse_lone(key, f"{at}: ")
        found[key] = _value(part, where, key)
    return found


def _scalar(node: yaml.ScalarNode, at: str) -> str | float | bool | None:
    text, kind = node.value, node.tag.removeprefix(_TAG)
    if kind in ("str", "merge"):
        _refuse_lone(text, at)
        return str(text)
    if kind not in ("null", "bool", "int", "float"):
        raise InputError(f"{at}the tag {node.tag!r:.60} is not read; leave it out")
    try:
        if len(text) > _LONGEST_NUMBER or (kind == "null" and text.lower() not in ("", "~", "null")):
            raise ValueError
        value: float | bool | None = getattr(_MEANINGS, f"construct_yaml_{kind}")(node)
    except (ValueError, KeyError, IndexError, OverflowError, yaml.YAMLError):
        raise InputError(f"{at}found {_shown(text)}, expected {_EXPECTED[kind]}") from None
    if value is not None and not _usable(value):
        raise InputError(f"{at}found {_shown(text)}, expected a number that is finite and below 2^64")
    return value


_EXPECTED = {"null": "nothing", "bool": "true or false", "int": "a whole number", "float": "a number"}


def _usable(value: float) -> bool:
    return abs(value) < LARGEST_WHOLE if isinstance(value, int) else math.isfinite(value)


class _WrongValueError(Exception):
    """A value of a JSON text that cannot be used; it never leaves this module."""

    def __init__(self, text: str, what: str, *, is_key: bool = False) -> None:
        super().__init__(what)
        self.text = text
        self.is_key = is_key


def _json_number(text: str) -> float:
    value: float = math.inf
    if len(text) <= _LONGEST_NUMBER:
        value = int(text) if text.lstrip("-").isdecimal() else float(text)
    if not _usable(value):
        what = f"found {_shown(text)}, expected a number that is finite and below 2^64"
        raise _WrongValueError(text, what)
    return value


def _json_constant(text: str) -> NoReturn:
    raise _WrongValueError(text, f"found {text}, expected a number that is finite and below 2^64")


def _json_object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        twice = next(name for name, count in Counter(name for name, _ in pairs).items() if count > 1)
        raise _WrongValueError(twice, f"{_shown(twice)} is given twice; keep one", is_key=True)
    return found


_JSON = json.JSONDecoder(
    parse_int=_json_number,
    parse_float=_json_number,
    parse_constant=_json_constant,
    object_pairs_hook=_json_object,
)


def _decoded_json(text: str, where: str) -> Any:
    """Decode a text with many brackets; one that is too deep is refused as that, whatever else it holds."""
    try:
        value = _JSON.decode(text)
    except (_WrongValueError, ValueError, RecursionError):
        _bound_depth(text, where)
        raise
    level = [value]
    for _ in range(DEEPEST + 1):
        level = [
            inner
            for outer in level
            for inner in (outer.values() if isinstance(outer, dict) else outer)
            if isinstance(inner, dict | list)
        ]
        if not level:
            return value
    _bound_depth(text, where)
    return value


def _bound_depth(text: str, where: str) -> None:
    depth = 0
    for token in _TOKEN.finditer(text):
        depth += (token[0] in ("[", "{")) - (token[0] in ("]", "}"))
        if depth > DEEPEST:
            raise InputError(f"{where} line {_line_at(text, token.start())}: {_TOO_DEEP}")


def _json_line(text: str, problem: _WrongValueError) -> int:
    """Return the line of the value that was refused; the decoder does not say it, so it is looked for."""
    names: list[set[str]] = []
    tokens = [(token[0], token.start()) for token in _TOKEN.finditer(text)]
    for (token, start), (after, _) in zip(tokens, [*tokens[1:], ("", 0)], strict=True):
        if token in ("[", "{"):
            names.append(set())
        elif token in ("]", "}") and names:
            names.pop()
        elif problem.is_key and after == ":" and names:
            name = json.loads(token, strict=False) if token.startswith('"') else token
            if name == problem.text and name in names[-1]:
                return _line_at(text, start)
            names[-1].add(name)
        elif not problem.is_key and token == problem.text:
            return _line_at(text, start)
    return 1


def _refuse_lone(text: str, at: str) -> None:
    """Refuse text with a zero byte or half a surrogate pair."""
    if (found := _LONE.search(text)) is not None:
        raise InputError(f"{at}found the character {found[0]!r} in {_shown(text)}, expected text")


def _line(node: yaml.Node) -> int:
    return int(node.start_mark.line) + 1


def _line_at(text: str, place: int) -> int:
    return text.count("\n", 0, place) + 1


def _shown(value: str) -> str:
    return ascii(value if len(value) <= _SHOWN else value[:_SHOWN] + "...")
