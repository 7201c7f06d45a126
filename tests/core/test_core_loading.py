"""Whatever a file holds: plain values, or a refusal that names file and line; never a hang or another error.

The truth of refusals is the YAML 1.1 and JSON texts themselves: the line of the fault is counted by the test.
"""

from __future__ import annotations

import json
import os
import socket
import time
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.core import DEEPEST, LARGEST_TEXT, load_json, load_yaml, open_file, read_bytes, read_text, yaml_tree
from rig.errors import InputError

BOMB = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"{name}: &{name} [{', '.join(['*' + before] * 9)}]\n"
    for before, name in zip("abcdefgh", "bcdefghi", strict=True)
)

WRONG_YAML = {
    "a whole number that is none": ("a: 1\nb: !!int ''\n", 2, "whole number"),
    "a time that is none": ("a: 1\nb: !!timestamp foo\n", 2, "timestamp"),
    "a boolean that is none": ("a: !!bool maybe\n", 1, "true or false"),
    "an object of Python": ("a: !!python/object:os.system {}\n", 1, "not read"),
    "a list for a mapping": ("- a\n- b\n", 1, "found a list"),
    "a text for a mapping": ("# remark\nhello\n", 2, "'hello'"),
    "infinity": ("a:\n  b: .inf\n", 2, "finite"),
    "not a number": ("a:\n  b: [1,\n .NaN]\n", 3, "finite"),
    "a value beyond floats": ("a: 1.0e+999\n", 1, "finite"),
    "a whole number beyond the wire": ("a: 18446744073709551616\n", 1, "2^64"),
    "a number of five thousand digits": ("a: " + "9" * 5000, 1, "whole number"),
    "the same in base 16": ("a: 0x" + "f" * 5000, 1, "whole number"),
    "a list that contains itself": ("a: &x\n  - *x\n", 2, "contains itself"),
    "an alias of nothing": ("a: *b\n", 1, "refers to nothing"),
    "an anchor given twice": ("a: &x 1\nb: &x 2\n", 2, "given twice"),
    "a key given twice": ("a: 1\nb: 2\na: 3\n", 3, "'a' is given twice"),
    "an inner key given twice": ("a:\n  b: 1\n  b: 1\n", 3, "'b' is given twice"),
    "a list as a key": ("? [a]\n: b\n", 1, "in the place of a key"),
    "a merged mapping": ("a: &a {b: 1}\nc:\n  <<: *a\n", 3, "write the keys out"),
    "half a surrogate pair": ('a: "\\ud800"\n', 1, ""),
    "a zero byte by escape": ('a: 1\nb: "\\0"\n', 2, "'\\x00'"),
    "a zero byte": ("a: b\nc: \0\n", 2, "'\\x00'"),
    "an escape sequence as it is": ("a: \x1b[31m\n", 1, "'\\x1b'"),
    "an impossible escape": ('a: "\\q"\n', 1, "not YAML"),
    "a character beyond Unicode": ('a: "\\U00110000"\n', 1, "not YAML"),
    "a tab for an indent": ("a:\n\tb: 1\n", 2, "not YAML"),
    "two documents": ("a: 1\n---\nb: 2\n", 2, "second document"),
    "deep lists": ("a: " + "[" * 5000, 1, ""),
    "deep dashes": ("- " * 5000, 1, "nested too deeply"),
    "deep keys": ("\n".join(" " * depth + "a:" for depth in range(500)), DEEPEST + 1, "nested too deeply"),
    "a few lines that stand for millions": (BOMB, 6, "values"),
    "two hundred aliases": ("a: &a 1\nb:\n" + "- *a\n" * 200, 103, "aliases"),
}

WRONG_JSON = {
    "a list": ("[1]", None, "found a list"),
    "nothing": ("", 1, "not JSON"),
    "not a number": ('{"a": 1,\n"b": NaN}', 2, "finite"),
    "infinity": ('{"a": -Infinity}', 1, "finite"),
    "a value beyond floats": ('{"a":\n[1e999]}', 2, "finite"),
    "a whole number beyond the wire": ('{"a": 18446744073709551616}', 1, "2^64"),
    "a number of five thousand digits": ('{"a": ' + "9" * 5000 + "}", 1, "2^64"),
    "a key given twice": ('{"a": {"b": 1},\n"b": 2,\n"a": 3}', 3, "'a' is given twice"),
    "an inner key given twice": ('{"b": 1, "a": {"c": 1,\n"b": 2,\n"b": 3}}', 3, "'b' is given twice"),
    "a key given twice after many": (
        "{" + "".join(f'"k{number}": 0, ' for number in range(50_000)) + '\n"k49999": 1}',
        2,
        "'k49999' is given twice",
    ),
    "half a surrogate pair": ('{"a": 1,\n"b": "\\ud800"}', 2, "'\\ud800'"),
    "a zero byte by escape": ('{"a": "\\u0000"}', 1, "'\\x00'"),
    "a line break in a text": ('{"a": "\n"}', 1, "not JSON"),
    "deep lists": ('{"a":\n' + "[" * 100_000, 2, "nested too deeply"),
    "deep keys": ('{"a":' * 200 + "1" + "}" * 200, 1, "nested too deeply"),
    "cut short": ('{"a": [1,\n2', 2, "not JSON"),
}


@pytest.mark.parametrize("name", WRONG_YAML)
def test_wrong_yaml_is_refused_with_file_and_line(name: str) -> None:
    text, line, words = WRONG_YAML[name]
    with pytest.raises(InputError) as refusal:
        load_yaml(text, "bench.yaml")
    assert str(refusal.value).startswith(f"bench.yaml line {line}: ")
    assert words in str(refusal.value)
    assert len(str(refusal.value)) < 300
    assert str(refusal.value).isprintable()


@pytest.mark.parametrize("name", WRONG_JSON)
def test_wrong_json_is_refused_with_file_and_line(name: str) -> None:
    text, line, words = WRONG_JSON[name]
    with pytest.raises(InputError) as refusal:
        load_json(text, "study.json")
    assert str(refusal.value).startswith("study.json: " if line is None else f"study.json line {line}: ")
    assert words in str(refusal.value)
    assert len(str(refusal.value)) < 300


def test_a_long_text_of_escapes_is_read_in_no_time() -> None:
    text = '{"a": [\n' + '"\\u0041",\n' * 100_000 + '""]}'
    began_s = time.process_time()
    assert load_json(text, "a.json") == {"a": ["A"] * 100_000 + [""]}
    assert time.process_time() - began_s < 5.0


def test_an_empty_yaml_text_says_what_was_expected() -> None:
    with pytest.raises(InputError, match=r"a\.yaml: empty; expected keys such as name"):
        load_yaml("# only a remark\n", "a.yaml", expected="keys such as name")


def test_yaml_gives_plain_values_with_dates_and_keys_as_text() -> None:
    text = "a: 1\nb: 2.5\nc: true\nd:\ne: 2026-03-14\nf: [x, {1: y}]\non: '1'\n"
    wanted = {"a": 1, "b": 2.5, "c": True, "d": None, "e": "2026-03-14", "f": ["x", {"1": "y"}], "on": "1"}
    assert load_yaml(text, "a.yaml") == wanted


def test_a_key_of_two_arrows_that_was_written_is_read_back() -> None:
    written = yaml.safe_dump({"<<": "wet", "state": "new"})
    assert load_yaml(written, "capture.yaml") == {"<<": "wet", "state": "new"}


def test_an_alias_gives_a_value_of_its_own() -> None:
    found = load_yaml("a: &x [1]\nb: *x\n", "a.yaml")
    assert found == {"a": [1], "b": [1]}
    assert found["a"] is not found["b"]


def test_a_byte_order_mark_is_no_part_of_a_text() -> None:
    assert load_yaml(b"\xef\xbb\xbfa: 1\n", "a.yaml") == {"a": 1}
    assert load_json(b'\xef\xbb\xbf{"a": 1}', "a.json") == {"a": 1}


def test_a_pair_of_escapes_for_one_character_is_read() -> None:
    assert load_json('{"a": "\\ud83d\\ude00", "b\\u00e9": "\\\\u0000"}', "a") == {
        "a": "\U0001f600",
        "bé": "\\u0000",
    }


def test_text_that_is_not_utf_8_is_refused_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "a.yaml"
    path.write_bytes(b"a: 1\nb: \xff\n")
    with pytest.raises(InputError, match=r"line 2: not UTF-8 text \(byte 0xff\)"):
        read_text(path)
    with pytest.raises(InputError, match=r"line 2: not UTF-8"):
        load_yaml(path.read_bytes(), "a.yaml")


def test_a_longer_text_than_the_bound_is_refused_before_it_is_parsed() -> None:
    for load in (load_yaml, load_json):
        with pytest.raises(InputError, match="longer than"):
            load("[" * (LARGEST_TEXT + 1), "a")


def test_a_tree_without_aliases_refuses_them() -> None:
    with pytest.raises(InputError, match=r"m\.yaml line 2: aliases are not read here"):
        yaml_tree("a: &x 1\nb: *x\n", "m.yaml", aliases=False)


# PyYAML writes these three as they are, which YAML reads as the end of a line.
NOT_BACK = "\0\x85\u2028\u2029"
VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**63)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"], exclude_characters=NOT_BACK), max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.text(st.characters(exclude_categories=["Cs"], exclude_characters=NOT_BACK), max_size=8),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)
KEYS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters=NOT_BACK), max_size=12)


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(KEYS, VALUES, max_size=5))
def test_what_was_written_is_read_back(document: dict[str, object]) -> None:
    assert load_json(json.dumps(document), "a.json") == document
    assert load_json(json.dumps(document, ensure_ascii=False).encode(), "a.json") == document
    assert load_yaml(yaml.safe_dump(document, allow_unicode=True), "a.yaml") == document


PARTS = st.lists(
    st.sampled_from([
        "a: ", "b: ", "- ", "[", "]", "{", "}", ", ", "1", "1.0", "0x1F", "010", "1:30", "1e3", "-.5", "~",
        "yes", "'yes'", "2026-05-04", "<<: ", "=", "&x ", "*x", "!!str ", "? ", ".inf", "\n", "\n  ",
        "a:\n  ", "|\n  ", "---\n", "# ", "'", '"\\0"', '"\\ud800"', "9" * 30, "...\n", '"', "c: x y\n",
        "  d: -0.5\n", "    e: 1.0e-05\n", "  f:\n", "g h: 'a: b'\n", "%", "\t", ", x\n",
    ]),
    max_size=14,
).map("".join)  # fmt: skip


@settings(max_examples=500, deadline=None)
@given(PARTS | st.dictionaries(KEYS, VALUES, max_size=5).map(yaml.safe_dump))
def test_yaml_means_the_same_with_and_without_its_tree(text: str) -> None:
    def found() -> str:
        try:
            return repr(load_yaml(text, "a"))
        except InputError as refusal:
            return str(refusal)

    short = found()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("rig.core.loading._ordinary", lambda text: None)
        assert found() == short


@settings(max_examples=300, deadline=None)
@given(
    st.text(max_size=60)
    | st.text("[]{}:,-?&*!|>'\"%@`#~<=\\ \n\tab01.", max_size=60)
    | st.binary(max_size=60)
)
def test_any_text_is_read_or_refused(text: str | bytes) -> None:
    for load in (load_yaml, load_json):
        try:
            found = load(text, "a")
        except InputError:
            continue
        assert isinstance(found, dict)


@pytest.mark.parametrize("kind", ["pipe", "folder", "socket", "device", "loop", "absent", "zero byte"])
def test_what_is_no_file_is_refused_and_never_waited_for(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "a"
    words = {"pipe": "a pipe", "folder": "a folder", "device": "a device", "absent": "no such rig file; look"}
    with socket.socket(socket.AF_UNIX) as listener:
        if kind == "pipe":
            os.mkfifo(path)
        elif kind == "folder":
            path.mkdir()
        elif kind == "socket":
            listener.bind(str(path))
        elif kind == "device":
            path = Path("/dev/zero")
        elif kind == "loop":
            path.symlink_to(path)
        elif kind == "zero byte":
            path = tmp_path / "a\0b"
        with pytest.raises(InputError, match=words.get(kind, "cannot be read as a rig file")):
            read_bytes(path, what="rig file", hint="look there")
        with pytest.raises(OSError):
            open_file(path)


def test_a_file_above_the_bound_is_refused_before_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "huge"
    with path.open("wb") as file:
        file.truncate(1 << 40)  # sparse: it takes no room
    with pytest.raises(InputError, match="1099511627776 bytes, a file has at most 1000"):
        read_bytes(path, most=1000)


def test_a_file_of_just_the_bound_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"x" * 1000)
    assert read_bytes(path, most=1000) == b"x" * 1000
