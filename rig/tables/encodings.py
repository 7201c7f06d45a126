"""Bytes to text: which encoding a table is written in.

The problem: in one folder lie tables in UTF-8, UTF-16, gb18030, Shift-JIS and code pages, and a heading of
two characters is too short for statistics. The plan: byte order marks and valid UTF-8 decide; then an
encoding in which a heading or unit of the vocabulary appears; then charset-normalizer, which weighs the bytes
beyond ASCII of the whole file. What was not certain is reported. The cost: only lines beyond ASCII are
weighed.
"""

from __future__ import annotations

import codecs

from rig.errors import InputError
from rig.tables.headings import VOCABULARY

_MARKS = (
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_CANDIDATES = (
    "gb18030", "cp932", "euc_jp", "cp949", "big5", "cp1251", "koi8_r", "cp866", "cp1252", "cp1250",
)  # fmt: skip
_WESTERN = frozenset("µ°²³±·×ø‰–—“”‘’§äöüÄÖÜßéèêëàâçñóíáúîïôûùÉÈÀÇÑõãåæÅÆØ¿¡£€«»\u00a0")
"""Signs and letters of western tables; a file with no others is taken for cp1252."""
_WEIGHED_BYTES = 1 << 16
_SHOWN = 40


def decode(data: bytes, where: str, encoding: str | None = None) -> tuple[str, str | None]:
    """Return the text of bytes, and a note if the encoding had to be guessed.

    Raises
    ------
    InputError
        If they are not text, or not in the encoding that was asked for.
    """
    if encoding is not None:
        return _as_asked(data, where, encoding), None
    for mark, name in _MARKS:
        if data.startswith(mark):
            return _as_asked(data, where, name), None
    if b"\0" in data:
        unmarked = _unmarked_utf_16(data)
        if unmarked is None:
            raise InputError(
                f"{where}, byte {data.index(0)}: a zero byte, so this is not text; save it as CSV first"
            )
        return _as_asked(data, where, unmarked), f"{where}: read as {unmarked}; give another with --encoding"
    try:
        return data.decode("utf-8"), None
    except UnicodeDecodeError:
        pass
    name = _weighed(data)
    text = data.decode(name)
    line = next((line for line in text.splitlines() if not line.isascii()), "").strip()
    shown = line if len(line) <= _SHOWN else line[:_SHOWN] + "..."
    return text, f"{where}: not UTF-8, so read as {name} ({shown!r}); give another with --encoding"


def _as_asked(data: bytes, where: str, encoding: str) -> str:
    try:
        # codecs such as "hex" or "zlib" turn bytes into bytes; LookupError covers them for bytes.decode
        return data.decode(encoding).removeprefix("\ufeff")
    except (LookupError, ValueError) as refusal:
        raise InputError(
            f"{where}: cannot be read as {encoding!r:.40} ({str(refusal)[:120]}); name another encoding"
        ) from None


def _unmarked_utf_16(data: bytes) -> str | None:
    """UTF-16 without its mark: nearly every second byte of a table is zero, and they are on one side."""
    head = data[:4096]
    even, odd = head[0::2].count(0), head[1::2].count(0)
    half = len(head) // 2
    if len(data) % 2 or max(even, odd) < 0.5 * half or min(even, odd) > 0.05 * half:
        return None
    return "utf-16-le" if odd > even else "utf-16-be"


def _weighed(data: bytes) -> str:
    beyond = b"\n".join(line for line in data.split(b"\n") if not line.isascii())[:_WEIGHED_BYTES]
    fitting = [name for name in _CANDIDATES if _decodes(data, name)]
    # The sample may end within a character; "replace" costs one, which no word of the vocabulary has.
    samples = {name: beyond.decode(name, "replace") for name in fitting}
    hits = {name: sum(word in text.lower() for word in VOCABULARY) for name, text in samples.items()}
    # One-character units of Cyrillic turn up by chance in other encodings, so two hits outweigh one.
    best = max(hits, key=lambda name: hits[name], default=None)
    if best is not None and hits[best]:
        return best
    western = samples.get("cp1252")
    if western is not None and all(letter in _WESTERN for letter in western if not letter.isascii()):
        return "cp1252"
    found = _normalized(beyond)
    if found is not None and _decodes(data, found):
        return found
    return "cp1252" if "cp1252" in fitting else "latin-1"


def _normalized(sample: bytes) -> str | None:
    from charset_normalizer import from_bytes

    best = from_bytes(sample, cp_isolation=list(_CANDIDATES)).best()
    return None if best is None else str(best.encoding)


def _decodes(data: bytes, name: str) -> bool:
    try:
        data.decode(name)
    except (UnicodeDecodeError, LookupError):
        return False
    return True
