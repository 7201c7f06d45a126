"""The one place where text of untrusted origin is made harmless for what will show it.

Problem: a specimen's name, a note or a device's text can hold what a terminal obeys, a plot sets as
mathematics, a spreadsheet computes and a browser runs; and a name that silently loses a part is another
name. Plan: each output has one function here, and what it would obey becomes visible text. Whoever prints,
draws or writes a file calls the function of that output, once, as late as possible. Cost: one pass over the
text with a regular expression.
"""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterable
from itertools import count
from typing import Any

# Control characters but tab and line feed, what changes the direction of text or has no shape at all, and
# half surrogate pairs. The joiners U+200C and U+200D stay: words of several scripts need them.
_HIDDEN = re.compile(
    "[\0-\x08\x0b-\x1f\x7f-\x9f\xad\u061c\u180e\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff"
    "\ufff9-\ufffb\ud800-\udfff\U000e0000-\U000e007f]"
)

_FORMULA = re.compile(r"'*[=+\-@\t\r]")
"""What a spreadsheet takes for a formula, or what was taken for one when the table was written."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)

_COMMAND = re.compile(r"(`[^`|<>]+`)")


def visible(text: str) -> str:
    r"""Return the text with each character that has no shape of its own written as an escape.

    For terminals and logs: none of their escape sequences is left, no direction of writing is changed, and
    two names that differ look different. Tabs and line feeds stay.

    Examples
    --------
    >>> print(visible("F-90\x1b[31m\u202e"))
    F-90\x1b[31m\u202e
    """
    return _HIDDEN.sub(lambda found: ascii(found[0])[1:-1], text)


def json_visible(text: str) -> str:
    r"""Return a JSON text with the same characters as escapes of JSON: the value stays the same.

    Examples
    --------
    >>> print(json_visible('"F-90\x9b31m"'))
    "F-90\u009b31m"
    """
    return _HIDDEN.sub(lambda found: json.dumps(found[0])[1:-1], text)


def plot_text(text: str) -> str:
    r"""Return the text as a picture shows it: matplotlib sets nothing of it as mathematics.

    Examples
    --------
    >>> print(plot_text("$x_{"))
    \$x_{
    """
    return visible(text).replace("$", r"\$")


def csv_cell(value: Any) -> Any:
    """Return a cell of a table so that a spreadsheet computes nothing from it.

    Text that begins as a formula does gets an apostrophe before it; `from_csv_cell` takes it away again.
    Numbers, also those in text, stay as they are.

    Examples
    --------
    >>> csv_cell("=1+1"), csv_cell("F-90"), csv_cell("-3.5"), csv_cell(-3.5)
    ("'=1+1", 'F-90', '-3.5', -3.5)
    """
    if not isinstance(value, str):
        return value
    text = visible(value)
    return f"'{text}" if _FORMULA.match(text) and not _NUMBER.fullmatch(text) else text


def from_csv_cell(text: str) -> str:
    """Return the text that `csv_cell` was given.

    Examples
    --------
    >>> from_csv_cell(csv_cell("=1+1")), from_csv_cell("'tis"), from_csv_cell(csv_cell("'=a"))
    ('=1+1', "'tis", "'=a")
    """
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text


def file_names(names: Iterable[str], otherwise: str) -> dict[str, str]:
    """Return what files are called that bear these names, on any system; `otherwise` where nothing is left.

    Names that would become the same are numbered, so that no file replaces another.

    Examples
    --------
    >>> file_names(["mould 1/a", "mould 1:A", "spring"], "group")
    {'mould 1/a': 'mould_1_a', 'mould 1:A': 'mould_1_A-2', 'spring': 'spring'}
    """
    found: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        if name not in found:
            bare = re.sub(r"[^A-Za-z0-9._-]+", "_", name)[:48].strip("._-") or otherwise
            numbered = (f"{bare}-{number}" if number > 1 else bare for number in count(1))
            # some systems do not tell small letters from capitals
            found[name] = next(candidate for candidate in numbered if candidate.casefold() not in taken)
            taken.add(found[name].casefold())
    return found


def html_text(text: str) -> str:
    """Return the text as HTML or SVG shows it, inside an element or between quotes of an attribute.

    Examples
    --------
    >>> html_text('<b title="x">')
    '&lt;b title=&quot;x&quot;&gt;'
    """
    return html.escape(visible(text))


def markdown_text(text: str) -> str:
    r"""Return the text as Markdown shows it, on one line; a command between backticks stays one.

    Examples
    --------
    >>> print(markdown_text("[x](y) *new* $a_b$ `pressrig show`"))
    \[x\](y) \*new\* \$a\_b\$ `pressrig show`
    """
    parts = _COMMAND.split(visible(" ".join(text.split())))
    said = "".join(
        part if number % 2 else re.sub(r"([\\`*_<>|\[\]#$~&])", r"\\\1", part)
        for number, part in enumerate(parts)
    )
    # At the beginning of a line, and before a space, these make a list.
    return re.sub(r"^(\d{0,9})([-+.)] )", r"\1\\\2", said)
